"""Lines that answer what is cut, near an edge or on a pocket: pasted, they clear it and bring nothing new.

Sizes, areas and keep-outs are those of the built-in shop (common practice, no source); ink is drawn in known places.
"""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import pytest

from ops.findings_base import disc, rect
from ops.findings_cases import Case, svg
from ops.findings_table import at_home, checked
from pipeline.engine import Engine
from pipeline.finding import Finding
from pipeline.make import check_order
from pipeline.order_parts import SwapRule
from pipeline.remedies import one_swap
from pipeline.shop import load_shop

TIGHT = svg(
    '<path d="M30 0.5L59.5 30L30 59.5L0.5 30z" fill="#1a3a8f"/><circle cx="30" cy="30" r="9" fill="#f3e9d2"/>'
)
GEOMETRY = ("outside-area", "near-edge", "on-obstruction")
ALL = {"sizes": {"S": 4, "M": 10, "XL": 3}}
FRONT = {"position": "full front", **ALL}
HOODED = {
    "position": "full front",
    "garment": "hooded sweatshirt",
    "sizes": {"M": 4, "L": 2},
    "scale": "fixed",
}


@pytest.mark.parametrize(
    ("changes", "line"),
    [
        ({"width_mm": 100, "shift_mm": [30, 0], **ALL}, "shift_mm"),
        ({"width_mm": 300, "shift_mm": [90, 0], **FRONT}, "shift_mm"),
        ({"width_mm": 430, **FRONT}, "by_size"),
        ({"fit": True, "shift_mm": [30, 40], **FRONT}, "shift_mm"),
        ({"width_mm": 400, "bands": "one", "shift_mm": [0, 200], **FRONT}, "shift_mm"),
        ({"width_mm": 250, "by_size": {"XL": {"width_mm": 440}, "S": {"width_mm": 100}}, **FRONT}, "by_size"),
        ({"width_mm": 140, "position": "left sleeve", **ALL}, "width_mm"),
        ({"height_mm": 120, "position": "nape", **ALL}, "height_mm"),
        ({"width_mm": 150, "shift_mm": [0, 200], **HOODED}, "shift_mm"),
    ],
)
def test_the_line_clears_it_on_every_size(changes: dict[str, Any], line: str) -> None:
    """Sizes that would grow into the room a shift makes keep the size they have."""
    case = Case("", "", (TIGHT, {}), "", (TIGHT, {}))
    found = [f for f in checked(case, TIGHT, changes) if f.code in GEOMETRY]

    assert found
    for finding in found:
        assert line in tomllib.loads(finding.remedy)
        mended = checked(case, TIGHT, changes, finding.remedy)
        assert not [f.message for f in mended if f.severity != "note"]


def test_what_the_print_area_cuts_may_also_be_accepted() -> None:
    case = Case("", "", (TIGHT, {}), "", (TIGHT, {}))
    (found,) = [
        f for f in checked(case, TIGHT, {"width_mm": 100, "shift_mm": [30, 0]}) if f.code == "outside-area"
    ]
    assert found.remedy.endswith("or cut_ok = true")


@pytest.mark.parametrize(("turn", "least"), [("true", 60), ("false", 49)])
def test_a_print_wider_than_the_film_is_given_the_size_that_fits(turn: str, least: float) -> None:
    """The film prints 50 mm wide; the print is two thirds as high as wide, so that turned it may be wider."""
    shop = f"[presses.film-1.roll]\nwidth_mm = 70\nturn = {turn}\n"
    wide = TIGHT.replace('viewBox="0 0 60 60"', 'viewBox="0 10 60 40"')
    case = Case("", "", (wide, {}), "", (wide, {}), route="transfer")
    changes = {"width_mm": 90}
    (found,) = [f for f in checked(case, wide, changes, shop=shop) if f.code == "larger-than-film"]

    assert least <= tomllib.loads(found.remedy)["width_mm"] <= least + 10
    assert not [f for f in checked(case, wide, changes, found.remedy, shop=shop) if f.code == found.code]


def swaps_of(folder: Path, swap: list[dict[str, str]]) -> tuple[Finding, ...]:
    """Return the open findings on two prints of different art, one of them with a black beyond the press."""
    arts = {
        "oar": svg(disc(20, "#47765b") + rect(45, 45, 12, 12, "#000000")),
        "buoy": svg(disc(20, "#3d6d58")),
    }
    for name, drawing in arts.items():
        (folder / f"{name}.svg").write_text(drawing, encoding="utf-8")
    order = {
        "order": "T-1",
        "garment": "unisex tee",
        "art": {name: {"file": f"{name}.svg"} for name in arts},
        "prints": [
            {"name": name, "art": name, "position": position, "route": "direct", "width_mm": 60}
            for name, position in zip(arts, ("left chest", "full back"), strict=True)
        ],
        "colourways": [{"name": "Moss", "fabric": {"srgb": "#2c5a40"}, "sizes": {"M": 1}, "swap": swap}],
    }
    (folder / "order.json").write_text(json.dumps(order), encoding="utf-8")
    with at_home(), Engine(1) as engine:
        found = check_order(folder / "order.json", load_shop(None), engine).findings
    return tuple(f for f in found if f.severity != "note")


def test_what_a_colourway_is_to_swap_is_one_line_whatever_its_prints_found(tmp_path: Path) -> None:
    """A key stands once in a table (TOML 1.0, Keys), so two lines could not both be pasted."""
    found = swaps_of(tmp_path, [])
    assert [f.code for f in found] == ["low-contrast", "out-of-gamut", "low-contrast"]
    (line,) = {f.remedy for f in found}
    swap = tomllib.loads(line)["swap"]
    assert {rule["from"] for rule in swap} == {"#47765b", "#3d6d58", "#000000"}
    assert swaps_of(tmp_path, swap) == ()


def test_one_swap_line_keeps_the_colourways_own_rules_and_mends_them_once() -> None:
    own = [SwapRule(**{"from": "#112233", "to": "#445566"}), SwapRule(element="sail", to="#AABBCC")]
    lines = (
        'swap = [{ from = "#112234", to = "#445566" }, { element = "sail", to = "#AABBCC" }]  # or from "#112235"',
        'swap = [{ from = "#112233", to = "#445566" }, { element = "sail", to = "#aabbdd" }, '
        '{ from = "#000000", to = "#191919" }]',
        'swap = [{ from = "#112233", to = "#445577" }, { element = "sail", to = "#aabbcc" }, '
        '{ from = "#000000", to = "#202020" }, { from = "#112234", to = "#ffffff" }]',
    )
    line = one_swap(own, lines)
    assert tomllib.loads(line)["swap"] == [
        {"from": "#112234", "to": "#445566"},
        {"element": "sail", "to": "#aabbdd"},
        {"from": "#000000", "to": "#191919"},
    ]
    assert line.endswith('  # or from "#112235"')
