"""Nesting by ink outline: the gutter holds between outlines and tags, verified on the composed picture."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import ndimage

from pipeline.stages.impose import Layout, Piece, Roll, Turn, impose

STEP = 0.5  # mm a cell of outlines and of the composed picture
Cells = NDArray[np.bool_]


def disc(diameter: float) -> Cells:
    side = round(diameter / STEP)
    down, across = np.mgrid[:side, :side] + 0.5 - side / 2
    return np.asarray(np.hypot(down, across) <= side / 2)


def corner(side: float, thick: float) -> Cells:
    """Draw an L."""
    cells = np.zeros((round(side / STEP), round(side / STEP)), np.bool_)
    cells[:, : round(thick / STEP)] = cells[-round(thick / STEP) :, :] = True
    return cells


def wedge(side: float) -> Cells:
    """Draw a right-angled triangle."""
    return np.tri(round(side / STEP), dtype=np.bool_)


def dots(side: float) -> Cells:
    """Draw two discs in opposite corners of a box."""
    cells = np.zeros((round(side / STEP), round(side / STEP)), np.bool_)
    one = disc(side / 4)
    cells[: one.shape[0], : one.shape[1]] = cells[-one.shape[0] :, -one.shape[1] :] = one
    return cells


def piece(key: str, outline: Cells, count: int, turns: tuple[Turn, ...] = (0, 90, 180, 270)) -> Piece:
    rows, columns = outline.shape
    return Piece(key, columns * STEP, rows * STEP, count, outline, STEP, turns)


def compose(layout: Layout, pieces: tuple[Piece, ...], roll: Roll, part: int) -> list[NDArray[np.int32]]:
    """Draw inks and tags of one part as two pictures of numbers: 0 is film, n + 1 the n-th piece placed."""
    shape = round(layout.lengths_mm[part] / STEP), round(roll.width_mm / STEP)
    ink, tags = np.zeros(shape, np.int32), np.zeros(shape, np.int32)
    outlines = {p.key: p.outline for p in pieces}
    for number, place in enumerate(layout.placed, 1):
        if place.part != part:
            continue
        cells = outlines[place.key]
        assert cells is not None
        ys, xs = np.nonzero(np.rot90(cells, -place.turn_deg // 90))
        at = (ys + _whole(place.y_mm), xs + _whole(place.x_mm))
        assert at[0].min() >= 0
        assert at[1].min() >= 0
        assert not ink[at].any()
        ink[at] = number
        if place.tag_mm:
            x, y, wide, high = (_whole(v) for v in place.tag_mm)
            assert min(x, y) >= 0
            area = tags[y : y + high, x : x + wide]
            assert area.shape == (high, wide)
            assert not area.any()
            area[...] = number
    return [ink, tags]


def _whole(mm: float) -> int:
    assert mm / STEP == pytest.approx(round(mm / STEP))
    return round(mm / STEP)


def nearest_mm(picture: NDArray[np.int32], other: NDArray[np.int32], number: int) -> float:
    """Return how near what is not `number` comes to `number`, edge to edge, by the exact distance transform."""
    mine = picture == number
    if not mine.any():
        return np.inf
    strangers = (other != 0) & (other != number)
    if not strangers.any():
        return np.inf
    return float(ndimage.distance_transform_edt(~strangers)[mine].min() - 1) * STEP


def check(layout: Layout, pieces: tuple[Piece, ...], roll: Roll) -> None:
    assert Counter(p.key for p in layout.placed) == Counter({p.key: p.count for p in pieces if p.count})
    assert all(0 < length <= roll.longest_mm for length in layout.lengths_mm)
    for part in range(len(layout.lengths_mm)):
        ink, tags = compose(layout, pieces, roll, part)
        for number in np.unique(ink[ink > 0]):
            assert nearest_mm(ink, ink, number) >= roll.gutter_mm - STEP / 2
            assert nearest_mm(ink, tags, number) >= roll.gutter_mm - STEP / 2
            assert nearest_mm(tags, tags, number) >= roll.gutter_mm - STEP / 2
            own = ndimage.distance_transform_edt(ink != number)[tags == number]
            assert not own.size or own.min() * STEP >= roll.tag_gap_mm


MIXED = (
    piece("disc", disc(80), 6),
    piece("corner", corner(90, 25), 6),
    piece("wedge", wedge(70), 8),
    piece("small", disc(24), 12),
)


@pytest.mark.parametrize("tag", [(0.0, 0.0), (24.0, 8.0)])
def test_outlines_nest_with_the_gutter_kept_between_them(tag: tuple[float, float]) -> None:
    """Distance transform of the composed picture; shorter than any layout of rectangles."""
    roll = Roll(300.0, 600.0, 4.0, tag_mm=tag, tag_gap_mm=1.0, effort=0.1)

    layout = impose(MIXED, roll)

    tried = dict(layout.tried)
    assert layout.method == "outlines"
    assert tried["outlines"] < tried["rectangles"] <= tried["rows"]
    assert layout.area_bound_mm <= layout.length_mm
    check(layout, MIXED, roll)


def crescent(diameter: float) -> Cells:
    """Draw a disc with a smaller disc cut out of its lower side."""
    cells, bite = disc(diameter), disc(0.7 * diameter)
    side = (cells.shape[0] - bite.shape[0]) // 2
    cells[-bite.shape[0] :, side : side + bite.shape[1]] &= ~bite
    return cells


def hull(outline: Cells) -> shapely.Geometry:
    """Return the convex hull of an outline in mm (shapely), from the corners of its cells."""
    ys, xs = np.nonzero(outline)
    corners = np.concatenate([np.stack((xs + right, ys + down), -1) for right in (0, 1) for down in (0, 1)])
    return shapely.MultiPoint(corners * STEP).convex_hull


@pytest.mark.parametrize("outline", [corner(90, 20), crescent(110), wedge(80), dots(100), disc(90)])
def test_a_rough_cut_around_a_piece_leaves_no_tag_on_it(outline: Cells) -> None:
    """Shapely: the tag keeps its gap from the convex hull of the outline, be there ever so much room in a bay."""
    roll = Roll(300.0, 5000.0, 4.0, turns=(0,), tag_mm=(24.0, 6.0), tag_gap_mm=1.5, effort=0.01)

    (place,) = impose((piece("one", outline, 1),), roll).placed

    assert place.tag_mm is not None
    x, y, wide, high = place.tag_mm
    left, top = x - place.x_mm, y - place.y_mm
    assert hull(outline).distance(shapely.box(left, top, left + wide, top + high)) >= 1.5 - 1e-9


def test_a_tag_lies_beside_a_slanting_edge_where_the_box_has_room() -> None:
    """Geometry: over half of a triangle's box is free, so that its tag makes the film no longer."""
    roll = Roll(300.0, 5000.0, 4.0, turns=(0,), tag_mm=(24.0, 6.0), tag_gap_mm=1.5, effort=0.01)

    assert impose((piece("one", wedge(80), 1),), roll).length_mm == 80.0


def test_triangles_of_equal_size_pair_up_to_squares() -> None:
    """Geometry: two right-angled triangles of 100 mm with 2 mm between their long sides are 102.83 mm wide.

    So three pairs fill a film of 320 mm and nine pairs take 3 × 102 − 2 mm at best, where 18 boxes take six rows.
    """
    pieces, roll = (piece("wedge", wedge(100), 18),), Roll(320.0, 5000.0, 2.0, effort=0.1)
    layout = impose(pieces, roll)

    assert 304.0 <= layout.length_mm <= 1.06 * 304.0
    assert dict(layout.tried)["rectangles"] == pytest.approx(6 * 102 - 2)
    assert layout.area_bound_mm > 0.9 * 304.0
    check(layout, pieces, roll)


def test_corners_of_equal_size_lie_in_each_other() -> None:
    """Geometry: four Ls of 90 mm, 20 mm thick, 4 mm apart, lie in each other in a square of 90 + 3 × 24 mm."""
    pieces, roll = (piece("corner", corner(90, 20), 4),), Roll(162.0, 5000.0, 4.0, effort=0.1)
    layout = impose(pieces, roll)

    assert layout.length_mm <= 162.0
    assert dict(layout.tried)["rectangles"] == pytest.approx(4 * 94 - 4)
    check(layout, pieces, roll)


def test_crescents_take_discs_into_their_bays() -> None:
    """Geometry: a bay 77 mm wide holds a disc of 60 mm with its gutter, which no layout of boxes allows."""
    pieces = (piece("crescent", crescent(110), 4), piece("disc", disc(60), 4))
    roll = Roll(110.0, 5000.0, 3.0, effort=0.1)
    layout = impose(pieces, roll)

    assert layout.length_mm < 0.85 * dict(layout.tried)["rectangles"]
    check(layout, pieces, roll)


def test_discs_lie_in_hexagons_where_the_film_allows() -> None:
    """Geometry: rows of discs shifted by half a pitch lie √3/2 apart, 13.4 % under the square layout."""
    pieces = (piece("disc", disc(60), 44),)
    layout = impose(pieces, Roll(292.0, 5000.0, 4.0, effort=0.1))  # 4.5 pitches of 64 mm across

    assert layout.method == "outlines"
    assert layout.length_mm < 60 + 10 * 64 * np.sqrt(3) / 2 * 1.04
    check(layout, pieces, Roll(292.0, 5000.0, 4.0))


def test_nothing_lies_inside_a_ring_or_between_the_parts_of_one_piece() -> None:
    """A piece is cut out whole: holes and the space between its parts stay free."""
    ring = disc(100)
    ring[20:-20, 20:-20] &= ~disc(80)
    pieces = (piece("ring", ring, 2), piece("dots", dots(100), 2), piece("small", disc(20), 6))
    roll = Roll(230.0, 5000.0, 2.0, effort=0.05)
    layout = impose(pieces, roll)

    check(layout, pieces, roll)
    for place in layout.placed:
        middle = np.array([place.x_mm + 50.0, place.y_mm + 50.0])
        for other in layout.placed:
            if place.key != "small" and other.key == "small":
                apart = np.array([other.x_mm + 10.0, other.y_mm + 10.0]) - middle
                assert np.hypot(*apart) >= (60.0 if place.key == "ring" else 22.0)


def test_a_piece_may_be_kept_from_turning() -> None:
    """Turns allowed by the piece and by the roll both hold."""
    pieces = (piece("corner", corner(90, 25), 9, (0, 180)), piece("wedge", wedge(70), 9, (90,)))
    layout = impose(pieces, Roll(300.0, 5000.0, 4.0, turns=(0, 90, 180), effort=0.05))

    assert {p.turn_deg for p in layout.placed if p.key == "corner"} <= {0, 180}
    assert {p.turn_deg for p in layout.placed if p.key == "wedge"} == {90}


@st.composite
def orders(draw: st.DrawFn) -> tuple[tuple[Piece, ...], Roll]:
    """Draw a few ragged shapes with counts, and a roll that takes them."""
    rng = np.random.default_rng(draw(st.integers(0, 10**6)))
    pieces = []
    for number in range(draw(st.integers(1, 4))):
        rows, columns = rng.integers(8, 90, 2)
        noise = ndimage.gaussian_filter(rng.normal(size=(rows, columns)), 6)
        pieces.append(piece(f"p{number}", noise >= np.quantile(noise, 0.4), draw(st.integers(0, 5))))
    pieces.append(piece("one", disc(12), 1))
    tag = draw(st.sampled_from([(0.0, 0.0), (9.0, 4.0)]))
    gutter = draw(st.sampled_from([0.0, 0.5, 3.0]))
    turns: tuple[Turn, ...] = draw(st.sampled_from([(0,), (0, 180), (0, 90, 180, 270)]))
    return tuple(pieces), Roll(
        100.0, draw(st.sampled_from([110.0, 400.0])), gutter, turns, tag, 0.5, effort=0.02
    )


@given(orders())
@settings(max_examples=25, deadline=None)
def test_any_outlines_lie_once_each_with_their_gutters(order: tuple[tuple[Piece, ...], Roll]) -> None:
    """Whatever the shapes: independent check on the composed picture, and the same layout when done again."""
    pieces, roll = order
    layout = impose(pieces, roll)

    check(layout, pieces, roll)
    assert impose(pieces, roll) == layout
    assert layout.area_bound_mm <= layout.length_mm <= layout.row_layout_mm
    assert 0 < layout.utilisation <= 1
