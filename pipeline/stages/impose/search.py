"""Look for a shorter roll: try orders of laying, keep what lays no less, aim lower whenever all fits.

Local search at a fixed length with the area laid as its measure, after Wei, Oon, Zhu & Lim, European Journal
of Operational Research 215 (2011) 337–346. Work is counted in steps of filling, never in seconds.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import product

from pipeline.stages.impose.job import Job, Spot, spot_of
from pipeline.stages.impose.sequence import Sequence
from pipeline.stages.impose.skyline import Choice, Filling, fill

LOTS = 150  # equal pieces are laid in this many lots all together, so that one kind can lie in two ways
PATIENCE = 2000  # tries without gain before another start is taken


@dataclass(slots=True)
class Best:
    """The shortest filling found so far."""

    order: list[Choice]
    filling: Filling

    @property
    def length(self) -> int:
        """All parts together."""
        return sum(self.filling.lengths)


class Search:
    """One search over one job."""

    def __init__(self, job: Job, steps: int) -> None:
        self.job, self.steps, self.sequence = job, steps, Sequence()
        self.lots = lots_of(job)
        self.counts = [count for _, count in self.lots]
        self.area = job.area
        self.bound = -(-self.area // job.width)
        self.starts = starting_orders(job, self.lots)

    def run(self) -> Best:
        """Return the shortest filling the steps allow."""
        endless = [self.job.longest] * sum(self.counts)
        best = min(
            (Best(order, self._fill(order, endless, self.area << 40)) for order in self.starts),
            key=lambda b: b.length,
        )
        step = max((best.length - self.bound) // 4, 1)
        while self.steps > 0 and best.length > self.bound:
            step = min(max(step, best.length // 2000), best.length - self.bound)
            aimed = self._aim(best, max(step, 1))
            if aimed and aimed.length < best.length:
                best = aimed
            else:
                step //= 2
        return best

    def _aim(self, best: Best, step: int) -> Best | None:
        """Return a filling whose last part is `step` shorter than that of `best`; None when patience or work ends."""
        self.steps -= 1  # every aim costs something, so that the search ends
        limits = [self.job.longest] * (len(best.filling.lengths) - 1)
        if best.filling.lengths[-1] > step:
            limits.append(best.filling.lengths[-1] - step)
        room = self.job.width * sum(limits)
        if room < self.area:
            return None
        order = self.starts[self.sequence.below(len(self.starts))]
        if self.sequence.below(2):
            order = best.order
        filling = self._fill(order, limits, room)
        stall = 0
        while not filling.whole and stall < PATIENCE and self.steps > 0:
            other = self._moved(order)
            tried = self._fill(other, limits, room - filling.area)
            stall = 0 if tried.area > filling.area else stall + 1
            if tried.area >= filling.area:
                order, filling = other, tried
        return Best(order, filling) if filling.whole else None

    def _fill(self, order: list[Choice], limits: list[int], spare: int) -> Filling:
        filling = fill(order, self.counts, self.job.width, limits, spare)
        self.steps -= filling.steps
        return filling

    def _moved(self, order: list[Choice]) -> list[Choice]:
        """Return the order with two choices exchanged, or one taken to another place."""
        other, below = order.copy(), self.sequence.below
        one, two = below(len(other)), below(len(other))
        if below(2):
            other[one], other[two] = other[two], other[one]
        else:
            other.insert(two, other.pop(one))
        return other


def lots_of(job: Job) -> list[tuple[int, int]]:
    """Return (kind, count) lots: large counts are split, so that the search can part equal pieces."""
    total = sum(kind.count for kind in job.kinds)
    lots: list[tuple[int, int]] = []
    for number, kind in enumerate(job.kinds):
        parts = min(kind.count, max(1, LOTS * kind.count // total))
        lots += [(number, (kind.count + part) // parts) for part in range(parts)]
    return lots


def starting_orders(job: Job, lots: list[tuple[int, int]]) -> list[list[Choice]]:
    """Return orders to start from: by area, longer side, shorter side, girth; wide or high turn first."""
    measures: tuple[Callable[[int, int], int], ...] = (
        lambda w, h: -w * h,
        lambda w, h: -max(w, h),
        lambda w, h: -min(w, h),
        lambda w, h: -(w + h),
    )
    sides = [job.kinds[kind].sides for kind, _ in lots]
    orders = []
    for measure, wide_first in product(measures, (True, False)):
        order: list[Choice] = []
        for lot in sorted(range(len(lots)), key=lambda lot: (measure(*sides[lot][0][:2]), lot)):
            turned = sorted(sides[lot], key=lambda side: side[0], reverse=wide_first)
            order += [Choice(lot, width, height) for width, height, _ in turned]
        orders.append(order)
    return orders


def searched(job: Job, steps: int) -> list[Spot]:
    """Return the shortest layout of rectangles that so many steps find."""
    search = Search(job, steps)
    spots = []
    for lot, x, y, across, part in search.run().filling.spots:
        kind = search.lots[lot][0]
        turn = next(turn for width, _, turn in job.kinds[kind].sides if width == across)
        spots.append(spot_of(kind, x, y, turn, part))
    return spots
