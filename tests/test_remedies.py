"""Lines that answer what is cut, near an edge or on a pocket: pasted, they clear it and bring nothing new.

Sizes, areas and keep-outs are those of the built-in shop (common practice, no source); ink is drawn in known places.
"""

from __future__ import annotations

import tomllib
from typing import Any

import pytest

from ops.findings_cases import Case, svg
from ops.findings_table import checked

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
