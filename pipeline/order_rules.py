"""What must hold between the keys of an order manifest.

The rules read the raw tables, so that a wrong type in one place does not hide a wrong name in another;
whatever has not the type they need is left to the models.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Mapping
from typing import Any

from pipeline.fabric import coloured_problems, fabric_problems
from pipeline.manifest_check import nearest
from pipeline.manifest_text import Loc, Problem, shorten, tidy

FINDING_CODES = (
    "low-resolution", "thin-line", "thin-gap", "outside-area", "fabric-preview", "opaque-ground",
    "near-fabric", "font-missing", "element-not-found", "all-knocked-out", "lost-on-fabric", "nothing-to-print",
    "unsupported-feature",
    "renderers-disagree", "base-too-thin", "near-edge", "small-text", "soft-alpha", "faint-ink", "specks",
    "low-contrast", "low-contrast-neighbours", "live-text", "guide-left", "hidden-content", "on-obstruction",
    "swap-not-found", "lossy-edges", "blurred-strokes",
    "nothing-knocked-out", "out-of-gamut", "colour-mode", "no-profile", "dye-migration", "fade-unreachable",
    "fade-not-calibrated", "band-size", "external-reference", "text-undrawable",
)  # fmt: skip
"""Codes that a slip of the pen is held against; others may be accepted as well."""

_SIZING = ("width_mm", "height_mm", "fit")


def order_problems(data: Mapping[str, Any]) -> Iterator[Problem]:
    """Yield every problem between the keys of the (tidied) raw manifest."""
    art = list(_table(data.get("art")))
    prints = _names(data.get("prints"))
    yield from _double(data, "prints")
    yield from _double(data, "colourways")
    for index, row in _rows(data.get("prints")):
        yield from _print_problems(row, ("prints", index), art)
    for index, row in _rows(data.get("colourways")):
        yield from _colourway_problems(data, row, ("colourways", index), art, prints)
    for index, row in _rows(data.get("accept")):
        yield from _accept_problems(data, row, ("accept", index), art, prints)
    for colour, change in _table(_table(data.get("fade")).get("colours")).items():
        if isinstance(change, Mapping) and not change:
            loc = ("fade", "colours", colour)
            yield Problem(loc, "", "changes nothing. Write { saturation = 15 } or { value = -8 }.")


def _print_problems(row: Mapping[str, Any], loc: Loc, art: list[str]) -> Iterator[Problem]:
    yield from _known(row, "art", loc, art, "[art]")
    sizing = [key for key in _SIZING if row.get(key) not in (None, False)]
    if not sizing:
        yield Problem(loc, "", "states no size. Add one of width_mm = 300, height_mm = 400 and fit = true.")
    elif len(sizing) > 1:
        yield Problem((*loc, sizing[1]), "", f"states the size again, {sizing[0]} does. Keep one of them.")
    yield from _print_parts(row, loc)
    if row.get("route") == "screen" and not row.get("inks"):
        yield Problem(
            (*loc, "inks"),
            "",
            'is missing: a screen print needs its inks, like [{ name = "Red", srgb = "#c8102e" }].',
        )


def _print_parts(row: Mapping[str, Any], loc: Loc) -> Iterator[Problem]:
    for size, own in _table(row.get("by_size")).items():
        if isinstance(own, Mapping) and ("width_mm" in own) == ("height_mm" in own):
            yield Problem((*loc, "by_size", size), "", "needs exactly one of width_mm and height_mm.")
    for index, ink in _rows(row.get("inks")):
        yield from coloured_problems(ink, (*loc, "inks", index))
    yield from _twice(_names(row.get("inks")), (*loc, "inks"), "ink")
    if isinstance(row.get("bands"), list):
        sizes = [
            tidy(s) for band in row["bands"] if isinstance(band, list) for s in band if isinstance(s, str)
        ]
        yield from _twice(sizes, (*loc, "bands"), "size")


def _colourway_problems(
    data: Mapping[str, Any], row: Mapping[str, Any], loc: Loc, art: list[str], prints: list[str]
) -> Iterator[Problem]:
    if "garment" not in row and "garment" not in data:
        yield Problem(
            (*loc, "garment"),
            "",
            'is missing, and the order names none. Add garment = "unisex tee" to one of them.',
        )
    yield from fabric_problems(row.get("fabric"), (*loc, "fabric"))
    counts = _table(row.get("sizes"))
    if counts and all(type(count) is int and count == 0 for count in counts.values()):
        yield Problem(
            (*loc, "sizes"), "", "order no piece at all. Write at least one above 0, or remove the colourway."
        )
    for index, rule in _rows(row.get("swap")):
        if ("from" in rule) == ("element" in rule):
            yield Problem(
                (*loc, "swap", index), "", 'needs exactly one of from = "#rrggbb" and element = "id".'
            )
    chosen = row.get("prints")
    if isinstance(chosen, list):
        yield from _chosen_problems(chosen, (*loc, "prints"), prints)
    for name, change in _table(chosen).items():
        if name not in prints:
            yield Problem(
                (*loc, "prints", name), "", f"is not a print of the order.{nearest(name, prints)} Correct it."
            )
        elif isinstance(change, Mapping):
            yield from _change_problems(data, name, change, (*loc, "prints", name), art)


def _chosen_problems(chosen: list[Any], loc: Loc, prints: list[str]) -> Iterator[Problem]:
    for index, name in enumerate(chosen):
        if isinstance(name, str) and tidy(name) not in prints:
            text = f"is not a print of the order.{nearest(name, prints)} Correct it."
            yield Problem((*loc, index), shorten(name), text)
    yield from _twice([tidy(name) for name in chosen if isinstance(name, str)], loc, "print")


def _change_problems(
    data: Mapping[str, Any], name: str, change: Mapping[str, Any], loc: Loc, art: list[str]
) -> Iterator[Problem]:
    yield from _known(change, "art", loc, art, "[art]")
    yield from _print_parts(change, loc)
    sizing = [key for key in _SIZING if change.get(key) not in (None, False)]
    if len(sizing) > 1:
        yield Problem((*loc, sizing[1]), "", f"states the size again, {sizing[0]} does. Keep one of them.")
    elif change.get("fit") is False and not sizing:
        yield Problem((*loc, "fit"), "false", "takes the size away. State width_mm or height_mm instead.")
    base = next(row for _, row in _rows(data.get("prints")) if _name(row) == name)
    if change.get("route") == "screen" and not (change.get("inks") or base.get("inks")):
        yield Problem(
            (*loc, "inks"), "", "is missing: a screen print needs its inks. Add them here or to the print."
        )


def _accept_problems(
    data: Mapping[str, Any], row: Mapping[str, Any], loc: Loc, art: list[str], prints: list[str]
) -> Iterator[Problem]:
    yield from _known(row, "art", loc, art, "[art]")
    yield from _known(row, "print", loc, prints, "[[prints]]")
    yield from _known(row, "colourway", loc, _names(data.get("colourways")), "[[colourways]]")
    code = row.get("code")
    if isinstance(code, str) and code not in FINDING_CODES and len(code) < 80:
        close = difflib.get_close_matches(code, FINDING_CODES, n=1, cutoff=0.8)
        if close:
            yield Problem((*loc, "code"), shorten(code), f'is not a finding code. Did you mean "{close[0]}"?')


def _known(row: Mapping[str, Any], key: str, loc: Loc, known: list[str], where: str) -> Iterator[Problem]:
    name = row.get(key)
    if isinstance(name, str) and tidy(name) not in known:
        yield Problem((*loc, key), shorten(name), f"is not in {where}.{nearest(name, known)} Correct it.")


def _double(data: Mapping[str, Any], key: str) -> Iterator[Problem]:
    seen: set[str] = set()
    for index, row in _rows(data.get(key)):
        name = _name(row)
        if name and name in seen:
            yield Problem(
                (key, index, "name"), shorten(name), "is the name of another one above. Give each its own."
            )
        seen.add(name)


def _twice(names: list[str], loc: Loc, what: str) -> Iterator[Problem]:
    for name in dict.fromkeys(n for n in names if names.count(n) > 1):
        yield Problem(loc, shorten(name), f"is listed twice. Name each {what} once.")


def _name(row: Mapping[str, Any]) -> str:
    name = row.get("name")
    return tidy(name) if isinstance(name, str) else ""


def _names(rows: object) -> list[str]:
    return [name for _, row in _rows(rows) if (name := _name(row))]


def _rows(value: object) -> Iterator[tuple[int, Mapping[str, Any]]]:
    if isinstance(value, list):
        yield from ((index, row) for index, row in enumerate(value) if isinstance(row, Mapping))


def _table(value: object) -> Mapping[str, Any]:
    return value if isinstance(value, Mapping) else {}
