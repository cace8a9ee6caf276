"""Outlines nested: at every step the shape that lies best where it first finds room, by contact and weight.

Bottom-left placing on a raster with no-fit regions; which shape comes next is decided by the share of its edge
that touches others, by how far down the film it lies and by a weight per shape. The search changes weights.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product

from pipeline.stages.impose.film import LOOSE, STRICT, Film, Laid, Moulds, Rule
from pipeline.stages.impose.sequence import Sequence

# slope per mm, and what twice the area counts: found by trying on emoji and icons
STARTS = ((20, 1400), (10, 700), (20, 700), (30, 1400), (20, 2100), (10, 350), (50, 1400), (30, 700))


@dataclass(frozen=True, slots=True)
class Weights:
    """How places are judged, and how much each shape is favoured, in thousandths of contact."""

    rule: Rule
    extra: tuple[int, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Nest:
    """A whole nesting: what lies on each part of the film, and the rows each part takes."""

    parts: tuple[tuple[Laid, ...], ...]
    ends: tuple[int, ...]
    weights: Weights

    @property
    def length(self) -> int:
        """All parts together."""
        return sum(self.ends)


class Nester:
    """One search over one set of shapes."""

    def __init__(self, moulds: Moulds, counts: list[int], areas: list[int], steps: int, cell: float) -> None:
        self.moulds, self.counts, self.areas, self.steps, self.cell = moulds, counts, areas, steps, cell
        self.sequence = Sequence()

    def run(self) -> Nest:
        """Return the shortest nesting the steps allow; the first is always made whole."""
        best: Nest | None = None
        for (slope, share), (measure, ends) in product(STARTS, ((LOOSE, True), (STRICT, False))):
            if best is None or self.steps > 0:
                best = self._better(best, self._start(Rule(round(slope * self.cell), measure, ends), share))
        assert best is not None
        while self.steps > 0:
            best = self._better(best, self._moved(best.weights))
        return best

    def _start(self, rule: Rule, share: int) -> Weights:
        return Weights(rule, tuple(share * log2(area) // 1024 for area in self.areas))

    def _moved(self, weights: Weights) -> Weights:
        """Return the weights with one to three changed, or the rule."""
        below, rule = self.sequence.below, weights.rule
        change = below(15)
        if change < 3:
            return replace(weights, rule=rule._replace(slope=max(rule.slope * (700 + below(700)) // 1000, 1)))
        if change == 3:
            return replace(weights, rule=rule._replace(measure=LOOSE + STRICT - rule.measure))
        if change == 4:
            return replace(weights, rule=rule._replace(both_ends=not rule.both_ends))
        extra = list(weights.extra)
        for _ in range(1 + below(3)):
            extra[below(len(extra))] += 2 * (below(400) + below(400) + below(400) - 600)
        return replace(weights, extra=tuple(extra))

    def _better(self, best: Nest | None, weights: Weights) -> Nest:
        """Return a nesting by these weights, or `best` when it is no longer."""
        left, parts, ends = self.counts.copy(), list[tuple[Laid, ...]](), list[int]()
        while any(left):
            film = Film(self.moulds, {shape for shape, count in enumerate(left) if count})
            allowed = best.length - sum(ends) if best else None
            whole = self._fill(film, left, weights, allowed)
            self.steps -= film.steps
            parts.append(tuple(film.laid))
            ends.append(film.end)
            if best and not whole:
                return best
        self.steps -= self.moulds.nofit.steps
        self.moulds.nofit.steps = 0
        return Nest(tuple(parts), tuple(ends), weights)

    def _fill(self, film: Film, left: list[int], weights: Weights, allowed: int | None) -> bool:
        """Lay what there is room for; False as soon as more than `allowed` rows are taken."""
        while film.moulds:
            found = [
                (merit + weights.extra[key[0]], key)
                for key in film.moulds
                if (merit := film.merit(key, weights.rule)) is not None
            ]
            film.steps += 2 * len(film.moulds)
            if not found:
                break
            _, key = max(found)
            film.lay(key)
            if allowed is not None and film.end > allowed:
                return False
            left[key[0]] -= 1
            if not left[key[0]]:
                film.forget(key[0])
        return True


def log2(number: int) -> int:
    """Return 1024 × log2 of a whole number > 0, by straight lines between powers of two: the same everywhere."""
    power = number.bit_length() - 1
    return 1024 * power + ((number << 10) >> power) - 1024
