"""Pieces as whole numbers: rectangles grown by the gutter on a strip grown by the gutter, in 0.1 mm."""

from __future__ import annotations

import math
from dataclasses import dataclass

from pipeline.stages.impose.forms import Box, Form
from pipeline.stages.impose.refuse import turns_of
from pipeline.stages.impose.values import Piece, Roll, Turn

UNIT_MM = 0.1


@dataclass(frozen=True, slots=True)
class Kind:
    """Equal rectangles, gutter included: `sides` holds the allowed (width, height, turn), one or two of them."""

    count: int
    sides: tuple[tuple[int, int, Turn], ...]


@dataclass(frozen=True, slots=True)
class Job:
    """Rectangles to lay on strips `width` wide and at most `longest` long, all in 0.1 mm, gutter included."""

    kinds: tuple[Kind, ...]
    width: int
    longest: int

    @property
    def area(self) -> int:
        """The area of all rectangles together."""
        return sum(kind.count * kind.sides[0][0] * kind.sides[0][1] for kind in self.kinds)


@dataclass(frozen=True, slots=True)
class Spot:
    """Where the frame of one piece, turned, has its upper left corner, in mm."""

    kind: int
    x: float
    y: float
    turn: Turn
    part: int


def units_up(mm: float) -> int:
    """Return `mm` in whole units, rounded up but for rounding errors of binary fractions."""
    return math.ceil(mm / UNIT_MM - 1e-6)


def units_down(mm: float) -> int:
    """Return `mm` in whole units, rounded down but for rounding errors of binary fractions."""
    return math.floor(mm / UNIT_MM + 1e-6)


def job_of(pieces: tuple[Piece, ...], forms: list[Form], roll: Roll) -> Job:
    """Return the pieces as rectangles; a square, or one that may only lie one way, has one side pair."""
    gutter = units_up(roll.gutter_mm)
    kinds = tuple(_kind(piece, form.frame, roll, gutter) for piece, form in zip(pieces, forms, strict=True))
    return Job(kinds, units_down(roll.width_mm) + gutter, units_down(roll.longest_mm) + gutter)


def spot_of(kind: int, x: int, y: int, turn: Turn, part: int) -> Spot:
    """Return a place in units as a place in mm."""
    return Spot(kind, x * UNIT_MM, y * UNIT_MM, turn, part)


def turned_mm(inner: Box, outer: tuple[float, float], turn: Turn) -> Box:
    """Return where the box `inner` (x, y, width, height) of a frame `outer` (width, height) lies once it is turned."""
    x, y, wide, high = inner
    width, height = outer
    if turn == 90:
        return height - y - high, x, high, wide
    if turn == 180:
        return width - x - wide, height - y - high, wide, high
    if turn == 270:
        return y, width - x - wide, high, wide
    return inner


def _kind(piece: Piece, frame: Box, roll: Roll, gutter: int) -> Kind:
    width, height = (units_up(side) + gutter for side in frame[2:])
    sides: dict[tuple[int, int], Turn] = {}
    for turn in turns_of(piece, frame, roll):
        sides.setdefault((width, height) if turn % 180 == 0 else (height, width), turn)
    return Kind(max(piece.count, 0), tuple((w, h, turn) for (w, h), turn in sides.items()))
