"""Fill strips from the far end up: the lowest gap of the skyline takes the piece that fits it best.

Best fit after Burke, Kendall & Whitwell, Operations Research 52(4) (2004) 655–671; the scoring by sides that
match after Leung & Zhang, Expert Systems with Applications 38 (2011) 13032–13042; with a fixed height and the
area laid as the measure after Wei, Oon, Zhu & Lim, European Journal of Operational Research 215 (2011) 337–346.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple


class Choice(NamedTuple):
    """One lot of equal rectangles in one turn."""

    lot: int
    width: int
    height: int


@dataclass(slots=True)
class Filling:
    """What a filling came to: the area laid, the steps it took, and (lot, x, y, width, part) of each rectangle."""

    area: int
    steps: int
    spots: list[tuple[int, int, int, int, int]]
    lengths: list[int]
    whole: bool


class Skyline:
    """The upper edge of what lies on one strip: segments from left to right."""

    __slots__ = ("limit", "wide", "xs", "ys")

    def __init__(self, width: int, limit: int) -> None:
        self.limit = limit
        self.xs, self.ys, self.wide = [0], [0], [width]

    def lift(self, at: int, by: int) -> None:
        """Give the gap `at` up: raise it to its lower neighbour, `by` above it."""
        self.ys[at] += by
        self._join(at)

    def put(self, at: int, width: int, height: int, *, to_right: bool) -> int:
        """Lay a rectangle at one end of the gap `at`; returns its x."""
        xs, ys, wide = self.xs, self.ys, self.wide
        x, rest = xs[at], wide[at] - width
        if rest:
            if to_right:
                x += rest
                wide[at] = rest
                at += 1
            else:
                xs[at] += width
                wide[at] = rest
            xs.insert(at, x)
            ys.insert(at, ys[at - 1] if to_right else ys[at])
            wide.insert(at, width)
        ys[at] += height
        self._join(at)
        return x

    def _join(self, at: int) -> None:
        """Join the segment with neighbours of its height."""
        xs, ys, wide = self.xs, self.ys, self.wide
        if at + 1 < len(ys) and ys[at + 1] == ys[at]:
            wide[at] += wide[at + 1]
            del xs[at + 1], ys[at + 1], wide[at + 1]
        if at and ys[at - 1] == ys[at]:
            wide[at - 1] += wide[at]
            del xs[at], ys[at], wide[at]


class Stock:
    """What is still to be laid, found by its sides; `order` is the priority."""

    __slots__ = ("by_height", "by_width", "first", "left", "narrowest", "order")

    def __init__(self, order: list[Choice], counts: list[int]) -> None:
        self.order, self.left, self.first = order, counts.copy(), 0
        self.by_width: dict[int, list[Choice]] = {}
        self.by_height: dict[int, list[Choice]] = {}
        for choice in order:
            self.by_width.setdefault(choice[1], []).append(choice)
            self.by_height.setdefault(choice[2], []).append(choice)
        self.narrowest = min(self.by_width)

    def choose(self, gap: int, left: int, right: int, top: int) -> Choice | None:
        """Return what goes into a gap `gap` wide between walls `left` and `right` high, `top` below the limit.

        First what fills the width and ends level with a wall, then what fills the width, what ends level with a
        wall, and the first in priority that fits.
        """
        stock, fills = self.left, None
        for choice in self.by_width.get(gap, ()):
            if choice[2] <= top and stock[choice[0]]:
                if choice[2] == left or choice[2] == right:
                    return choice
                fills = fills or choice
        if fills:
            return fills
        for wall in (left, right):
            for choice in self.by_height.get(wall, ()):
                if choice[1] < gap and stock[choice[0]] and wall <= top:
                    return choice
        return self._first_fit(gap, top) if gap >= self.narrowest else None

    def _first_fit(self, gap: int, top: int) -> Choice | None:
        stock, order = self.left, self.order
        while self.first < len(order) and not stock[order[self.first][0]]:
            self.first += 1
        for number in range(self.first, len(order)):
            choice = order[number]
            if choice[1] <= gap and choice[2] <= top and stock[choice[0]]:
                return choice
        return None


def fill(order: list[Choice], counts: list[int], width: int, limits: list[int], spare: int) -> Filling:
    """Lay what `order` and `counts` hold on strips `width` wide, as high as `limits`, one after the other.

    Stops as soon as more than `spare` of the area is lost; `whole` says whether everything was laid.
    """
    stock = Stock(order, counts)
    spots: list[tuple[int, int, int, int, int]] = []
    lengths: list[int] = []
    todo, area, steps = sum(counts), 0, 0
    for part, limit in enumerate(limits):
        sky, longest = Skyline(width, limit), 0
        ys, wide = sky.ys, sky.wide
        while todo:
            y = min(ys)
            if y >= limit:
                break
            steps += 1
            at = ys.index(y)
            left = (ys[at - 1] if at else limit) - y
            right = (ys[at + 1] if at + 1 < len(ys) else limit) - y
            choice = stock.choose(wide[at], left, right, limit - y)
            if choice is None:
                spare -= wide[at] * min(left, right)
                if spare < 0:
                    return Filling(area, steps, spots, lengths, whole=False)
                sky.lift(at, min(left, right))
                continue
            lot, across, high = choice
            stock.left[lot] -= 1
            todo -= 1
            area += across * high
            to_right = high != left and (high == right or right > left)
            spots.append((lot, sky.put(at, across, high, to_right=to_right), y, across, part))
            longest = max(longest, y + high)
        lengths.append(longest)
        if not todo:
            break
    return Filling(area, steps, spots, lengths, whole=not todo)
