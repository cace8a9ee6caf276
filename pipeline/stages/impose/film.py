"""The film while outlines are laid on it: where every shape in every turn may still lie."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from pipeline.stages.impose.forms import Cells, distance
from pipeline.stages.impose.nofit import NoFit
from pipeline.stages.impose.values import Turn

# What lies within the gutter and this much more counts as touching, by a strict or by a loose measure: of the same
# order now one, now the other gives the shorter film. Found by trying on emoji.
TOUCH_MM = (8.0, 2.0)
LOOSE, STRICT = 1, 2
Levels: TypeAlias = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Laid:
    """One shape on the film, its upper left cell at (x, y)."""

    shape: int
    turn: Turn
    x: int
    y: int


@dataclass(frozen=True, slots=True, eq=False)
class Mould:
    """One shape in one turn: its size, its middle row, the cells of its edge, and what counts as touching it."""

    shape: int
    turn: Turn
    rows: int
    columns: int
    middle: int
    edge: NDArray[np.intp]
    near: Levels


@dataclass(frozen=True, slots=True, eq=False)
class Moulds:
    """All shapes in all their turns on film `width` × `longest` cells."""

    width: int
    longest: int
    reach: int
    touch: tuple[int, ...]
    moulds: dict[tuple[int, Turn], Mould]
    nofit: NoFit


def moulds_of(
    shapes: list[Cells], turns: list[tuple[Turn, ...]], size: tuple[int, int], gutter: float, cell: float
) -> Moulds:
    """Return the moulds of `shapes` for film of `size` (width, longest), all in cells of `cell` mm.

    Turns that give the same cells as an earlier one are left out.
    """
    width, longest = size
    touch = tuple(max(round(mm / cell), 1) for mm in TOUCH_MM)
    reach = int(gutter) + 2 + max(touch)
    moulds: dict[tuple[int, Turn], Mould] = {}
    for number, shape in enumerate(shapes):
        away = distance(np.pad(shape, reach)) - gutter
        near = sum((away <= cells).astype(np.uint8) for cells in touch)
        seen: list[Cells] = []
        for turn in turns[number]:
            cells = np.ascontiguousarray(np.rot90(shape, -(turn // 90)))
            rows, columns = cells.shape
            if columns > width or rows > longest or any(np.array_equal(cells, other) for other in seen):
                continue
            seen.append(cells)
            padded = np.pad(cells, 1)
            inner = padded[:-2, 1:-1] & padded[2:, 1:-1] & padded[1:-1, :-2] & padded[1:-1, 2:]
            ys, xs = np.nonzero(cells & ~inner)
            middle = int(np.nonzero(cells)[0].sum()) // int(np.count_nonzero(cells))
            edge = ys * (width + 2 * reach) + xs
            turned = np.ascontiguousarray(np.rot90(near, -(turn // 90)))
            moulds[number, turn] = Mould(number, turn, rows, columns, middle, edge, turned)
    return Moulds(width, longest, reach, touch, moulds, NoFit(shapes, gutter))


class Rule(NamedTuple):
    """How places are judged: what a cell down the film costs, what counts as touching, and which places are seen.

    With `both_ends` a shape goes to whichever end of its first free row touches more, otherwise to the left one.
    """

    slope: int
    measure: int
    both_ends: bool


class Film:
    """One part of the film, seen through a window that moves along it."""

    def __init__(self, moulds: Moulds, wanted: set[int]) -> None:
        self.all, self.laid, self.end, self.base, self.steps = moulds, list[Laid](), 0, 0, 0
        self.moulds = {key: mould for key, mould in moulds.moulds.items() if key[0] in wanted}
        tallest = max(mould.rows for mould in self.moulds.values())
        self.keep = 2 * tallest + 2 * moulds.reach
        self.depth = min(self.keep + 2 * tallest, moulds.longest) + moulds.reach + 2
        reach = moulds.reach
        self.taken = np.zeros((self.depth + tallest + 2 * reach, moulds.width + 2 * reach), np.uint8)
        self._walls(self.taken)
        for touch in moulds.touch:
            top = self.taken[: reach + touch]
            np.maximum(top, self._level(touch), out=top)
        self.free = {
            key: np.ones((self.depth, moulds.width - mould.columns + 1), np.bool_)
            for key, mould in self.moulds.items()
        }
        self.steps += (self.taken.size + sum(free.size for free in self.free.values())) // 2_000
        self._first = dict.fromkeys(self.moulds, 0)
        self._place: dict[tuple[int, Turn], tuple[int, int] | None] = {}
        self._merit: dict[tuple[int, Turn], int] = {}
        self._limit()

    def merit(self, key: tuple[int, Turn], rule: Rule) -> int | None:
        """Return how well the shape lies in the first row free for it, None where there is none.

        Thousandths of its edge that touch something, less a slope for each cell that its middle lies down the film.
        """
        if key not in self._merit:
            place = self._first_free(key)
            if place is None:
                return None
            mould, (y, left) = self.moulds[key], place
            ends = {left}
            if rule.both_ends:
                row = self.free[key][y]
                ends.add(row.size - 1 - int(row[::-1].argmax()))
            touching, x = max((self._touching(mould, y, x, rule.measure), -x) for x in ends)
            self._place[key] = (y, -x)
            share = 1000 * touching // mould.edge.size
            self._merit[key] = share - rule.slope * (self.base + y + mould.middle)
        return self._merit[key]

    def _touching(self, mould: Mould, y: int, x: int, measure: int) -> int:
        offset = (y + self.all.reach) * self.taken.shape[1] + x + self.all.reach
        return int(np.count_nonzero(self.taken.reshape(-1)[mould.edge + offset] >= measure))

    def _level(self, touch: int) -> int:
        """Return by how many measures what lies that far off is touched."""
        return sum(touch <= other for other in self.all.touch)

    def _walls(self, taken: Levels) -> None:
        """Mark the edges of the film: they count as touched like pieces."""
        for touch in sorted(self.all.touch, reverse=True):
            edge = self.all.reach + touch
            taken[:, :edge] = taken[:, -edge:] = self._level(touch)

    def lay(self, key: tuple[int, Turn]) -> None:
        """Lay the shape at its first free place, and take that place from all others."""
        place = self._place[key]
        assert place is not None
        mould, (y, x) = self.moulds[key], place
        laid = Laid(key[0], key[1], x, self.base + y)
        self.laid.append(laid)
        self.end = max(self.end, laid.y + mould.rows)
        seen = self.taken[y : y + mould.near.shape[0], x : x + mould.near.shape[1]]
        np.maximum(seen, mould.near, out=seen)
        self.steps += 20 + mould.near.size // 3_000
        reach = self.all.reach
        for other, moved in self.moulds.items():
            self._take(other, laid)
            lies = self._place.get(other)
            if lies is None:
                continue
            down, across = lies
            if not self.free[other][down, across]:
                del self._place[other]
                self._merit.pop(other, None)
            elif (
                down < y + mould.rows + reach
                and down + moved.rows > y - reach
                and across < x + mould.columns + reach
                and across + moved.columns > x - reach
            ):
                self._merit.pop(other, None)
        if self.end + reach + 2 > self.base + self.depth:
            self._move()

    def forget(self, shape: int) -> None:
        """Leave a shape out from here on: there is none left to lay."""
        for key in [key for key in self.moulds if key[0] == shape]:
            del self.moulds[key], self.free[key]

    def _first_free(self, key: tuple[int, Turn]) -> tuple[int, int] | None:
        if key not in self._place:
            free, first = self.free[key], self._first[key]
            width = free.shape[1]
            at = int(free.reshape(-1)[first * width :].argmax())
            row, x = first + at // width, at % width
            self._first[key] = row
            self._place[key] = (row, x) if free[row, x] else None
        return self._place[key]

    def _take(self, key: tuple[int, Turn], laid: Laid) -> None:
        """Close the places of one shape that come too near to what was laid."""
        mould, nofit = self.moulds[key], self.all.nofit
        cells = nofit.free(key[0], key[1], laid.shape, laid.turn)
        top = laid.y - self.base - (mould.rows - 1) - nofit.margin
        left = laid.x - (mould.columns - 1) - nofit.margin
        y, x = max(top, 0), max(left, 0)
        free = self.free[key][y : max(top + cells.shape[0], 0), x : max(left + cells.shape[1], 0)]
        if free.size:
            free &= cells[y - top :, x - left :][: free.shape[0], : free.shape[1]]
            self.steps += 5 + free.size // 10_000

    def _move(self) -> None:
        """Move the window along: what lies far behind the end is given up, and open film comes in."""
        by = self.end - self.keep - self.base
        self.base += by
        self.taken[:-by] = self.taken[by:].copy()
        self.taken[-by:] = 0
        self._walls(self.taken[-by:])
        for free in self.free.values():
            free[:-by] = free[by:].copy()
            free[-by:] = True
            self.steps += free.size // 5_000
        self._first = {key: max(row - by, 0) for key, row in self._first.items()}
        self._place.clear()
        self._merit.clear()
        self._limit()
        opened = self.base + self.depth - by
        tallest = max(mould.rows for mould in self.all.moulds.values())
        for laid in self.laid:
            if laid.y + tallest + self.all.reach >= opened:
                for key in self.moulds:
                    self._take(key, laid)

    def _limit(self) -> None:
        """Close the places from which a shape would reach past the longest piece of film."""
        for key, mould in self.moulds.items():
            self.free[key][max(self.all.longest - mould.rows + 1 - self.base, 0) :] = False
