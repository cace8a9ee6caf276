"""What the drawing's own edge cuts off, against the geometry of the shapes that run out of it.

The part of a circle beyond a straight line is a circular segment: r² acos(d/r) − d √(r² − d²) for a line at distance
d from the middle. Art is drawn in mm: 60 units are printed 60 mm wide on the left chest.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from ops.findings_base import Case, png, rect, svg
from ops.findings_table import checked
from pipeline.art import page
from pipeline.art.around import around
from pipeline.finding import Finding
from pipeline.stages.preflight import bounds, own_edges
from pipeline.stages.preflight.pictures import PANEL_PX
from tests.test_make import ORDER, make, order
from tests.test_page import pdf
from tests.test_preflight import PPI, draw

R, OVER = 20.0, 4.0
OUT = f'<circle id="kite" cx="{60 + OVER - R}" cy="30" r="{R}" fill="#1a3a8f"/>'
DISC = '<circle cx="25" cy="30" r="12" fill="#8f2430"/>'


def segment(r: float, over: float) -> float:
    d = r - over
    return r * r * math.acos(d / r) - d * math.sqrt(r * r - d * d)


def cut(art: str | bytes, **changes: Any) -> list[Finding]:
    """Return what a small order says of cut art."""
    case = Case("outside-area", "", (art, {}), "", (art, {}))
    return [f for f in checked(case, art, changes) if f.code in ("outside-area", "near-edge")]


@pytest.mark.parametrize(
    ("turn", "side"),
    [
        (0, "on the right"),
        (90, "at the bottom"),
        (180, "on the left"),
        (-90, "at the top"),
        (45, "on the lower right"),
    ],
)
def test_a_circle_that_runs_out_is_measured_whatever_way_the_print_is_turned(turn: float, side: str) -> None:
    """A print turned by 45° fits the same box, √2 smaller; the segment's height and area shrink with it."""
    (found,) = cut(svg(OUT), turn_deg=turn)
    smaller = abs(math.cos(math.radians(turn))) + abs(math.sin(math.radians(turn)))

    assert (found.code, found.severity) == ("outside-area", "stop")
    assert found.measured == pytest.approx(segment(R, OVER) / smaller**2, rel=0.01)
    assert f"by {OVER / smaller:.1f} mm" in found.message
    assert side in found.message


def test_the_place_is_that_of_the_lost_ink_beside_the_box() -> None:
    """The chord of the segment is 2 √(r² − d²)."""
    (found,) = cut(svg(OUT))
    chord = 2 * math.sqrt(R**2 - (R - OVER) ** 2)
    assert found.where_mm == pytest.approx((60, 30 - chord / 2, OVER, chord), abs=0.2)


def test_every_side_is_told_with_its_own_measure() -> None:
    art = svg(rect(-3, 20, 40, 5, "#1a3a8f") + rect(30, 40, 5, 22, "#1a3a8f"))
    (found,) = cut(art)
    assert "3.0 mm (15.0 mm²) on the left and 2.0 mm (10.0 mm²) at the bottom" in found.message
    assert found.measured == pytest.approx(25, abs=0.2)


def test_sizes_are_measured_on_the_largest_print() -> None:
    """A width twice as large cuts off twice the mm and four times the mm²."""
    by_size = {"M": {"width_mm": 30}, "L": {"width_mm": 60}}
    (found,) = cut(svg(OUT), sizes={"M": 1, "L": 1}, by_size=by_size)
    assert found.sizes == ("L", "M")
    assert found.measured == pytest.approx(segment(R, OVER), rel=0.01)


def test_what_goes_on_beyond_the_margin_is_told_as_more() -> None:
    (found,) = cut(svg(rect(10, 10, 400, 10, "#1a3a8f")))
    assert "more than 14.9 mm" in found.message


def test_cut_ok_answers_it_and_raises_nothing_new() -> None:
    (found,) = cut(svg(OUT), cut_ok=True)
    assert (found.code, found.severity) == ("outside-area", "note")
    assert found.message.endswith("The manifest says cut_ok = true.")


def test_a_shift_is_no_remedy_for_it_though_the_print_area_cuts_as_well() -> None:
    both = cut(svg(OUT + rect(0.5, 5, 5, 50, "#1a3a8f")), shift_mm=[32, 0])
    assert sorted(f.remedy.split()[0] for f in both) == ["cut_ok", "shift_mm"]


@pytest.mark.parametrize(
    "body",
    [
        '<circle cx="40" cy="30" r="20" fill="#1a3a8f"/>',  # touches
        rect(0, 0, 60, 60, "#1a3a8f"),  # fills the drawing area to its edge
        rect(20, 20, 40.1, 20, "#1a3a8f"),  # 0.1 mm: nobody sees it
        DISC + '<circle cx="90" cy="30" r="20" fill="#1a3a8f"/>',  # wholly outside: hidden-content says so
        DISC + rect(10, 10, 80, 40, "#ffffff"),  # the colour of the shirt: knocked out
    ],
)
@pytest.mark.parametrize("turn", [0, 20])
def test_what_is_not_cut_says_nothing(body: str, turn: float) -> None:
    assert cut(svg(body), turn_deg=turn) == []


def test_a_shape_that_is_only_shaved_is_a_warning() -> None:
    """0.4 mm of 200 mm: 0.2 %."""
    (found,) = cut(svg(rect(20, 20, 40.12, 20, "#1a3a8f")), width_mm=200, position="full front")
    assert (found.code, found.severity) == ("outside-area", "warn")
    (found,) = cut(svg(rect(20, 20, 40.12, 20, "#1a3a8f")), width_mm=200, position="full front", cut_ok=True)
    assert found.severity == "note"


def test_an_element_that_is_left_out_cuts_nothing() -> None:
    assert cut(svg(OUT + DISC), omit=["kite"]) == []


def test_a_ground_over_all_sides_is_meant_and_one_over_three_is_not() -> None:
    """Bleed runs over all sides (common practice, no source)."""
    (meant,) = cut(svg(rect(-3, -3, 66, 66, "#8f2430") + DISC), preview="keep")
    assert meant.severity == "note"
    assert meant.measured == pytest.approx(66 * 66 - 60 * 60, rel=0.01)
    (found,) = cut(svg(rect(3, -3, 66, 66, "#8f2430") + DISC), preview="keep")
    assert found.severity == "stop"


def test_a_page_goes_on_beyond_its_crop_box() -> None:
    """100 × 50 points with a square of 20 points that lies 5 points, 1.764 mm, over the upper edge, and its /Rotate."""
    data = pdf(b"1 0 0 rg 40 35 20 20 re f 10 10 20 20 re f")
    (found,) = cut(data, width_mm=100 * 25.4 / 72)
    assert found.measured == pytest.approx(20 * 5 * (25.4 / 72) ** 2, rel=0.02)
    assert "1.8 mm" in found.message
    assert "at the top" in found.message
    (turned,) = cut(pdf(b"1 0 0 rg 40 35 20 20 re f 10 10 20 20 re f", Rotate=90), width_mm=50 * 25.4 / 72)
    assert turned.measured == pytest.approx(found.measured, rel=0.02)
    assert "on the right" in turned.message
    assert around(page.read(pdf(b"1 0 0 rg 40 25 20 20 re f"), "page")) is None


def bitmap(body: str) -> bytes:
    return png(draw(body, 60, 60))


def test_a_bitmap_looks_cut_and_cut_ok_answers_that_too() -> None:
    data = bitmap(OUT)
    (found,) = cut(data)
    assert (found.code, found.severity) == ("near-edge", "warn")
    assert "looks cut by the drawing's own edge on the right" in found.message
    assert [f.severity for f in cut(data, cut_ok=True)] == ["note"]
    assert cut(bitmap('<circle cx="40" cy="30" r="20" fill="#1a3a8f"/>')) == []


def test_a_shape_that_one_end_touches_roundly_does_not_look_cut() -> None:
    """A page with a dog-ear, a stem, a picture with corners end at the edge by their own design."""
    for body in (
        '<path d="M15 0h25l15 15v40a5 5 0 0 1-5 5h-35a5 5 0 0 1-5-5v-50a5 5 0 0 1 5-5z"/>',
        rect(20, 0, 10, 60, "#000"),
        rect(0, 0, 60, 60, "#000"),
    ):
        pixels = draw(body, 60, 60)
        box = bounds.ink_px(pixels)
        assert box is not None
        assert own_edges.looks_cut(pixels, PPI, box=box) == ()


def test_the_held_order_shows_the_drawing_with_its_edge_marked(tmp_path: Path) -> None:
    """The red line stands where the drawing area ends: 30 of 90 mm are margin, so that it runs from 1/6 to 5/6."""
    prints = [{**ORDER["prints"][0], "width_mm": 60}]
    assert (
        make(tmp_path, order(prints=prints, colourways=ORDER["colourways"][1:]), {"badge.svg": svg(OUT)}) == 3
    )
    (path,) = (tmp_path / "out" / "held" / "T-1-r1" / "pictures").glob("outside-area-*.png")
    with Image.open(path) as image:
        whole = np.asarray(image.convert("RGB")).astype(int)[:, :PANEL_PX]
    red = (np.abs(whole - (200, 0, 0)) <= 2).all(axis=2)
    across = np.flatnonzero(red.sum(axis=0) > 100)
    assert (across / PANEL_PX).tolist() == pytest.approx([1 / 6, 5 / 6], abs=0.01)
