"""The table of findings: for every code an order that has it, one that just has not, and its remedy tried.

Every order is checked as `washfast check` checks it, but for the child that reads strangers' art: this art is ours.

    python -m ops.findings_table [FILE]      print the table, or put it between the marks of FILE
"""

from __future__ import annotations

import json
import sys
import tempfile
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import Any

from ops.findings_base import Art, Case
from ops.findings_cases import FAMILIES
from ops.marks import argument, show
from pipeline.art import sandbox
from pipeline.engine import Engine
from pipeline.finding import Finding
from pipeline.make import check_order
from pipeline.shop import load_shop

IN_COLOURWAY = ("fabric", "swap", "near_fabric", "knock_out", "shows_fabric", "sizes", "garment")
IN_ART = ("preview", "ground", "omit", "only", "cut_out")
IN_ORDER = ("fade", "ship", "overs", "accept", "title")


@dataclass(frozen=True)
class Row:
    """What came of a case: the finding, its remedy, whether the near miss is free of it, and what the remedy left."""

    case: Case
    finding: Finding | None
    just_not: bool
    cleared: bool
    new: tuple[str, ...]
    warns: bool = False
    """Whether a warning is left of what was a stop."""

    @property
    def holds(self) -> bool:
        """Whether the code comes and goes as it should."""
        return self.finding is not None and self.just_not and self.cleared and not self.new


def cases() -> tuple[Case, ...]:
    """Return all cases."""
    return tuple(case for family in FAMILIES for case in family())


def row(case: Case) -> Row:
    """Check the three orders of a case."""
    wrong = checked(case, *case.wrong, shop=case.shop, name=case.name, which="wrong")
    finding = next((f for f in wrong if f.code == case.code), None)
    right = checked(case, *case.right, shop=case.shop_right)
    note = case.code if finding is not None and finding.severity == "note" else ""
    just_not = case.code not in _open(right, note)
    if finding is None:
        return Row(case, None, just_not, False, ())
    try:
        if case.mend:
            mended = checked(case, *case.mend, shop=case.shop_right or case.shop, which="mended")
        else:
            mended = checked(case, *case.wrong, finding.remedy, shop=case.shop)
    except tomllib.TOMLDecodeError:
        return Row(case, finding, just_not, False, ("no manifest line",))
    new = sorted(set(_open(mended, note)) - set(_open(wrong, note)))
    left = {f.severity for f in mended if f.code == case.code and case.code in _open((f,), note)}
    warns = finding.severity == "stop" and left == {"warn"}
    return Row(case, finding, just_not, not left or warns, tuple(new), warns)


def _open(findings: Sequence[Finding], note: str) -> list[str]:
    """Return the codes that ask for something; notes do not, but for the code `note`, which is never more."""
    return [f.code for f in findings if f.severity != "note" or f.code == note]


def checked(
    case: Case,
    art: Art,
    changes: Mapping[str, Any],
    remedy: str = "",
    *,
    shop: str = "",
    name: str = "",
    which: str = "right",
) -> tuple[Finding, ...]:
    """Return the findings of a tiny order with these changes, and the lines of a remedy pasted into it."""
    if case.found is not None:
        return tuple(case.found(which))
    data, usual = (art.encode(), "art.svg") if isinstance(art, str) else (art, f"art.{_kind(art)}")
    name = name or usual
    order = _order(case, name)
    for key, value in changes.items():
        _put(order, key, value)
    for key, value in tomllib.loads(remedy).items():
        _put(order, key, value)
    with tempfile.TemporaryDirectory() as folder, at_home(), Engine(1) as engine:
        manifest = Path(folder) / "order.json"
        (manifest.parent / name).write_bytes(data)
        manifest.write_text(json.dumps(order), encoding="utf-8")
        own = manifest.with_name("shop.toml")
        own.write_text(shop, encoding="utf-8")
        return check_order(manifest, load_shop(own if shop else None), engine).findings


def _kind(data: bytes) -> str:
    return "pdf" if data.startswith(b"%PDF") else "jpg" if data.startswith(b"\xff\xd8") else "png"


def _order(case: Case, name: str) -> dict[str, Any]:
    inks = {"inks": [{"name": "Blue", "srgb": "#1a3a8f"}]} if case.route == "screen" else {}
    return {
        "order": "T-1",
        "approval": "not needed",
        "garment": "unisex tee",
        "art": {"it": {"file": name}},
        "prints": [
            {
                "name": "front",
                "art": "it",
                "position": "left chest",
                "route": case.route,
                "width_mm": 60,
                **inks,
            }
        ],
        "colourways": [{"name": "One", "fabric": {"srgb": "#ffffff"}, "sizes": {"M": 1}}],
    }


def _put(order: dict[str, Any], key: str, value: Any) -> None:
    """Set a key where it belongs in the manifest; a size replaces another way of stating it."""
    if key in IN_COLOURWAY:
        order["colourways"][0][key] = value
    elif key in IN_ART:
        order["art"]["it"][key] = value
    elif key in IN_ORDER:
        order[key] = value
    else:
        if key in ("width_mm", "height_mm", "fit"):
            for other in ("width_mm", "height_mm", "fit"):
                order["prints"][0].pop(other, None)
        order["prints"][0][key] = value


@contextmanager
def at_home() -> Iterator[None]:
    """Read art in this process: a child for each of a hundred orders takes minutes."""

    def here(function_path: str, args: Sequence[Any], *_: Any) -> Any:
        module, _, name = function_path.partition(":")
        return getattr(import_module(module), name)(*args)

    apart = sandbox.run
    sandbox.run = here
    try:
        yield
    finally:
        sandbox.run = apart


def report(rows: Sequence[Row]) -> str:
    """Return the table as Markdown."""
    lines = [
        "| code | comes with | measured | limit | just not with | remedy | clears it |",
        "|---|---|---|---|---|---|---|",
    ]
    for r in rows:
        found = r.finding
        what = r.case.what if r.case.route == "direct" else f"{r.case.route}: {r.case.what}"
        if found is None:
            lines.append(f"| `{r.case.code}` | {what} | – | – | {r.case.just_not} | – | not found |")
            continue
        remedy = " ".join(found.remedy.split())
        said = f"`{remedy}`" if r.case.mend is None else remedy
        yes = "yes, a warning stays" if r.warns else "yes"
        clears = yes if r.cleared and not r.new else f"no: {', '.join(r.new) or 'it stays'}"
        just_not = r.case.just_not if r.just_not else f"{r.case.just_not} (found all the same)"
        lines.append(
            f"| `{r.case.code}` ({found.severity}) | {what} | {_number(found.measured)} | "
            f"{_number(found.limit)} | {just_not} | {said} | {clears} |"
        )
    return "\n".join(lines)


def _number(value: float | str | None) -> str:
    return "–" if value is None else f"{value:g}" if isinstance(value, (int, float)) else str(value)


def main() -> None:
    """Print the table, or with a file name put it between the file's two marks; fail where a case does not hold."""
    rows = [row(case) for case in cases()]
    show(report(rows), "findings", argument(1))
    wrong = [r.case.code for r in rows if not r.holds]
    if wrong:
        sys.exit(f"does not hold: {', '.join(wrong)}")


if __name__ == "__main__":
    main()
