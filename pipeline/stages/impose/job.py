"""Pieces as whole numbers: rectangles grown by the gutter on a strip grown by the gutter, in 0.1 mm."""

from __future__ import annotations

import math
from dataclasses import dataclass

from pipeline.stages.impose.refuse import footprint_mm, turns_of
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
    gutter: int

    @property
    def area(self) -> int:
        """The area of all rectangles together."""
        return sum(kind.count * kind.sides[0][0] * kind.sides[0][1] for kind in self.kinds)


@dataclass(frozen=True, slots=True)
class Spot:
    """Where one rectangle lies, in 0.1 mm."""

    kind: int
    x: int
    y: int
    turn: Turn
    part: int


def units_up(mm: float) -> int:
    """Return `mm` in whole units, rounded up but for rounding errors of binary fractions."""
    return math.ceil(mm / UNIT_MM - 1e-6)


def units_down(mm: float) -> int:
    """Return `mm` in whole units, rounded down but for rounding errors of binary fractions."""
    return math.floor(mm / UNIT_MM + 1e-6)


def job_of(pieces: tuple[Piece, ...], roll: Roll) -> Job:
    """Return the pieces as rectangles; a square, or one that may only lie one way, has one side pair."""
    gutter = units_up(roll.gutter_mm)
    kinds = tuple(_kind(piece, roll, gutter) for piece in pieces)
    return Job(kinds, units_down(roll.width_mm) + gutter, units_down(roll.longest_mm) + gutter, gutter)


def _kind(piece: Piece, roll: Roll, gutter: int) -> Kind:
    width, height = (units_up(side) + gutter for side in footprint_mm(piece, roll))
    sides: dict[tuple[int, int], Turn] = {}
    for turn in turns_of(piece, roll):
        sides.setdefault((width, height) if turn % 180 == 0 else (height, width), turn)
    return Kind(max(piece.count, 0), tuple((w, h, turn) for (w, h), turn in sides.items()))
