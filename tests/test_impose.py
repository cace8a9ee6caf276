"""Laying rectangles on the roll: nothing overlaps, gutters hold, published optima are reached or nearly so."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.stages.impose import MOST_PIECES, Layout, Piece, Roll, Turn, impose, problems
from tests.conftest import REFERENCE

NO_LIMIT = 1e5


def instances() -> list[tuple[str, int, int, list[tuple[int, int]]]]:
    """Read (name, width, optimal height, rectangles) of the published strip packing instances."""
    lines = iter((REFERENCE / "strip_packing_instances.txt").read_text(encoding="utf-8").splitlines()[1:])
    found = []
    for line in lines:
        name, width, height, count = line.split()
        sides = [next(lines).split() for _ in range(int(count))]
        found.append((name, int(width), int(height), [(int(w), int(h)) for w, h in sides]))
    return found


def boxes(layout: Layout, pieces: tuple[Piece, ...]) -> list[tuple[int, shapely.Polygon]]:
    """Return (part, rectangle) of every box and tag as polygons in mm."""
    size = {piece.key: (piece.width_mm, piece.height_mm) for piece in pieces}
    found = []
    for place in layout.placed:
        wide, high = size[place.key][:: 1 if place.turn_deg % 180 == 0 else -1]
        found.append((place.part, shapely.box(place.x_mm, place.y_mm, place.x_mm + wide, place.y_mm + high)))
        if place.tag_mm:
            x, y, wide, high = place.tag_mm
            found.append((place.part, shapely.box(x, y, x + wide, y + high)))
    return found


def check(layout: Layout, pieces: tuple[Piece, ...], roll: Roll) -> None:
    """Verify a layout of rectangles independently of how it was made (shapely)."""
    counts = Counter(place.key for place in layout.placed)
    assert counts == Counter({piece.key: piece.count for piece in pieces if piece.count})
    assert len({(place.key, place.index) for place in layout.placed}) == len(layout.placed)
    for part, length in enumerate(layout.lengths_mm):
        assert 0 < length <= roll.longest_mm + 1e-6
        shapes = [box for where, box in boxes(layout, pieces) if where == part]
        film = shapely.box(-1e-6, -1e-6, roll.width_mm + 1e-6, length + 1e-6)
        assert all(film.covers(shape) for shape in shapes)
        tree = shapely.STRtree(shapes)
        near = tree.query(shapes, predicate="dwithin", distance=max(roll.gutter_mm - 1e-6, 0.0))
        pairs = [(a, b) for a, b in near.T if a < b]
        if roll.tag_mm[0]:  # a tag may lie nearer to its own piece: boxes and tags alternate in the list
            pairs = [(a, b) for a, b in pairs if a // 2 != b // 2 or shapes[a].intersects(shapes[b])]
        assert not [
            (a, b) for a, b in pairs if roll.gutter_mm or shapes[a].intersection(shapes[b]).area > 1e-6
        ]


@pytest.mark.parametrize(
    "name", ["HT_C1P1", "HT_C3P3", "HT_C5P2", "HT_C7P2", "BURKE_N5", "BURKE_N10", "BURKE_N11"]
)
def test_published_rectangles_lie_within_one_unit_or_one_percent_of_the_optimum(name: str) -> None:
    """Hopper & Turton 2001 and Burke et al. 2004; the optima are known by construction, quarter turns allowed."""
    _, width, optimum, sides = next(i for i in instances() if i[0] == name)
    pieces = tuple(Piece(f"{n}", w, h, 1) for n, (w, h) in enumerate(sides))
    roll = Roll(width, NO_LIMIT, gutter_mm=0.0, effort=0.5)

    layout = impose(pieces, roll)

    check(layout, pieces, roll)
    assert optimum <= layout.length_mm <= max(optimum + 1, optimum * 1.01)
    assert layout.area_bound_mm == pytest.approx(optimum)


@st.composite
def jobs(draw: st.DrawFn) -> tuple[tuple[Piece, ...], Roll]:
    """Draw pieces that fit a roll, with counts, gutters, tags and turns."""
    side = st.floats(3.0, 150.0).map(lambda v: round(v, 2))
    pieces = tuple(
        Piece(f"p{n}", draw(side), draw(side), draw(st.integers(0, 6)))
        for n in range(draw(st.integers(1, 6)))
    )
    turns: tuple[Turn, ...] = draw(st.sampled_from([(0,), (0, 180), (0, 90), (0, 90, 180, 270)]))
    tag = draw(st.sampled_from([(0.0, 0.0), (25.0, 6.0)]))
    gutter = draw(st.sampled_from([0.0, 0.25, 3.0, 10.0]))
    return pieces, Roll(160.0, draw(st.floats(165.0, 900.0)), gutter, turns, tag, 2.0, effort=0.003)


@given(jobs())
@settings(max_examples=60, deadline=None)
def test_every_piece_lies_once_inside_the_film_with_its_gutter(job: tuple[tuple[Piece, ...], Roll]) -> None:
    """Whatever the order: independent check by shapely, and the same layout when done again."""
    pieces, roll = job
    if problems(pieces, roll):
        with pytest.raises(ValueError, match=r"\w"):
            impose(pieces, roll)
        return

    layout = impose(pieces, roll)

    check(layout, pieces, roll)
    assert impose(pieces, roll) == layout
    assert layout.area_bound_mm <= layout.length_mm + 1e-6 <= layout.row_layout_mm + 2e-6
    assert 0 < layout.utilisation <= 1


def test_more_effort_never_gives_a_longer_roll() -> None:
    """The work allowed is counted in steps, so that a longer search starts like a shorter one."""
    sides = np.random.default_rng(5).integers(40, 300, (60, 2))
    pieces = tuple(Piece(f"{n}", float(w), float(h), 1) for n, (w, h) in enumerate(sides))

    lengths = [impose(pieces, Roll(560.0, 1500.0, effort=effort)).length_mm for effort in (0.0, 0.05, 0.2)]

    assert lengths == sorted(lengths, reverse=True)


def test_many_equal_pieces_are_stacked_as_tightly_as_can_be() -> None:
    """Worked by hand: with 5 mm gutters 14 times 2 pieces of 275 mm fill a film of 555 mm, 14 × 105 − 5 mm long."""
    layout = impose((Piece("crest", 275.0, 100.0, 28),), Roll(555.0, NO_LIMIT, effort=0.05))

    assert layout.length_mm == pytest.approx(14 * 105 - 5)


def test_a_roll_is_parted_at_its_longest_piece_of_film() -> None:
    """Worked by hand: 10 pieces 300 mm high, 3 to a part of 1,000 mm, are four parts."""
    layout = impose((Piece("back", 400.0, 300.0, 10),), Roll(560.0, 1000.0, turns=(0,), effort=0.05))

    assert layout.lengths_mm == (910.0, 910.0, 910.0, 300.0)


@pytest.mark.parametrize(
    ("code", "pieces", "roll"),
    [
        ("no-pieces", (), Roll(560.0, 5000.0)),
        ("no-pieces", (Piece("a", 10.0, 10.0, 0),), Roll(560.0, 5000.0)),
        ("too-many-pieces", (Piece("a", 10.0, 10.0, 10**6),), Roll(560.0, 5000.0)),
        ("gutter-too-wide", (Piece("a", 10.0, 10.0, 1),), Roll(560.0, 5000.0, gutter_mm=600.0)),
        ("gutter-too-wide", (Piece("a", 10.0, 10.0, 1),), Roll(560.0, 5000.0, gutter_mm=float("nan"))),
        ("larger-than-film", (Piece("a", 600.0, 570.0, 1),), Roll(560.0, 5000.0)),
        ("larger-than-film", (Piece("a", 600.0, 100.0, 1),), Roll(560.0, 5000.0, turns=(0, 180))),
        ("larger-than-film", (Piece("a", 300.0, 100.0, 1, turns=(0,)),), Roll(560.0, 90.0)),
        ("larger-than-film", (Piece("a", float("nan"), 100.0, 1),), Roll(560.0, 900.0)),
        ("larger-than-film", (Piece("a", 0.0, 100.0, 1),), Roll(560.0, 900.0)),
    ],
)
def test_what_cannot_be_laid_out_is_said_at_once(code: str, pieces: tuple[Piece, ...], roll: Roll) -> None:
    """A clear finding instead of an endless search."""
    found = problems(pieces, roll)

    assert [finding.code for finding in found] == [code]
    assert found[0].severity == "stop"
    with pytest.raises(ValueError, match=r"\w"):
        impose(pieces, roll)


def test_the_most_pieces_allowed_are_laid_out() -> None:
    """The cap is what is served, not what is refused."""
    layout = impose((Piece("a", 50.0, 30.0, MOST_PIECES),), Roll(560.0, NO_LIMIT, effort=0.01))

    assert len(layout.placed) == MOST_PIECES


def test_tags_lie_under_their_pieces_and_turn_with_them() -> None:
    """A tag is kept `tag_gap_mm` off its box and inside the film, on the same side of the art in every turn."""
    pieces = (Piece("a", 100.0, 60.0, 9), Piece("b", 20.0, 200.0, 9))
    roll = Roll(300.0, NO_LIMIT, tag_mm=(30.0, 8.0), tag_gap_mm=2.0, effort=0.05)

    for place in impose(pieces, roll).placed:
        assert place.tag_mm is not None
        wide, high = (100.0, 60.0) if place.key == "a" else (20.0, 200.0)
        x, y, tag_wide, tag_high = place.tag_mm
        offset = {
            0: (0.0, high + 2.0),
            90: (-10.0, 0.0),
            180: (wide - 30.0, -10.0),
            270: (high + 2.0, wide - 30.0),
        }[place.turn_deg]
        assert (x - place.x_mm, y - place.y_mm) == pytest.approx(offset)
        assert (tag_wide, tag_high) == ((30.0, 8.0) if place.turn_deg % 180 == 0 else (8.0, 30.0))


def test_no_two_boxes_of_a_dense_layout_overlap_cell_by_cell() -> None:
    """A second independent check, on whole cells: every cell of the film is covered at most once."""
    rng = np.random.default_rng(2)
    pieces = tuple(
        Piece(f"{n}", float(w), float(h), 2) for n, (w, h) in enumerate(rng.integers(5, 40, (30, 2)))
    )
    layout = impose(pieces, Roll(100.0, NO_LIMIT, gutter_mm=0.0, effort=0.1))
    cells = np.zeros((round(layout.length_mm), 100), np.int64)
    for _, box in boxes(layout, pieces):
        left, top, right, bottom = (round(v) for v in box.bounds)
        cells[top:bottom, left:right] += 1

    assert cells.max() == 1
