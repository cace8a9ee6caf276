"""Where small patches stand in lines like letters, and how high their small letters are.

Live text has been outlined by now, so all lettering is found in the same way: patches of one colour, of letter size,
side by side on a line, of like heights and unlike widths, some with strokes beside each other. Lines that do not run
level are not looked at.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.art.paint import Rgb
from pipeline.colour.spaces import lab_of_rgb8
from pipeline.finding import Finding
from pipeline.raster import MM_PER_INCH
from pipeline.raster_ops import joined
from pipeline.raster_runs import Runs
from pipeline.stages.preflight import words
from pipeline.stages.preflight.islands import connected

LETTER_MM = (0.3, 4.5)
"""Letters that may be too small: their heights, from the smallest that is drawn to ascenders over 2 mm."""
LEAST_LETTERS = 5
SPACE = 1.1
"""Most space between two letters of a line, words included, in heights of the larger."""
UNLIKE = 0.12
"""Letters differ in width or ink by so much (deviation over mean); dots, dashes and stars in a row do not."""

SOLID = 0.45
"""A patch without strokes beside each other that fills so much of its box is a bar, a leaf, a drop – or an l."""
LEAST_STROKED = 0.15
"""Share of a line's patches that must be none of these; of lettering in Latin script two thirds are (ours)."""

Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Line:
    """A line of lettering: height of its small letters in mm, whether reversed (light in ink), box and letters."""

    x_height_mm: float
    reverse: bool
    box_mm: tuple[float, float, float, float]
    letters: int


@dataclass(frozen=True, slots=True, eq=False)
class _Patches:
    """Patches of one colour each, arrays of one length; `around` is the patch to the left of it, −1 for none.

    `runs` counts the stretches of rows: as many as the patch is high, where no row of it is interrupted.
    """

    x0: Ints
    y0: Ints
    x1: Ints
    y1: Ints
    area: Ints
    label: Ints
    around: Ints
    runs: Ints

    @property
    def solid(self) -> NDArray[np.bool_]:
        return np.asarray((self.runs == self.height) & (self.area > SOLID * self.width * self.height))

    @property
    def height(self) -> Ints:
        return self.y1 - self.y0

    @property
    def width(self) -> Ints:
        return self.x1 - self.x0


def lines(runs: Runs, ppi: float, main: Sequence[Rgb]) -> tuple[Line, ...]:
    """Return the lines of small lettering in flat art, the lowest first; `main` are its main colours."""
    if not main:
        return ()
    mm = MM_PER_INCH / ppi
    patches = _patches(runs, main)
    at, solid = _letters(patches, mm), patches.solid
    lab = lab_of_rgb8(np.array(main, np.int64))[:, 0]
    found = []
    for group in _groups(patches, at):
        height, width = patches.height[group], patches.width[group]
        if max(width.std() / width.mean(), (area := patches.area[group]).std() / area.mean()) < UNLIKE:
            continue
        if solid[group].mean() > 1 - LEAST_STROKED:
            continue
        x0, y0 = int(patches.x0[group].min()), int(patches.y0[group].min())
        x1, y1 = int(patches.x1[group].max()), int(patches.y1[group].max())
        found.append(
            Line(
                x_height_mm=_x_height(height) * mm,
                reverse=_reverse(patches, group, lab),
                box_mm=(x0 * mm, y0 * mm, (x1 - x0) * mm, (y1 - y0) * mm),
                letters=group.size,
            )
        )
    return tuple(sorted(found, key=lambda line: (line.x_height_mm, line.box_mm)))


def _patches(runs: Runs, main: Sequence[Rgb]) -> _Patches:
    """Return the connected patches of each main colour and of the cloth, number `len(main)`."""
    label, row, begin, end = _labelled(runs, main)
    patch = np.zeros(label.size, np.int64)
    count = 0
    for number in range(len(main) + 1):
        mine = np.flatnonzero(label == number)
        if mine.size:
            patch[mine] = connected(row[mine], begin[mine], end[mine]) + count
            count = int(patch[mine].max()) + 1
    order = np.argsort(patch, kind="stable")
    head = np.flatnonzero(np.diff(patch[order], prepend=-1))
    first = order[head]  # the patch's first run: what lies left of it is around it
    left = np.maximum(first - 1, 0)
    around = np.where((first > 0) & (row[left] == row[first]), patch[left], -1)
    return _Patches(
        x0=np.minimum.reduceat(begin[order], head),
        y0=row[first],
        x1=np.maximum.reduceat(end[order], head),
        y1=np.maximum.reduceat(row[order], head) + 1,
        area=np.add.reduceat((end - begin)[order], head),
        label=label[first],
        around=around,
        runs=np.diff(np.append(head, order.size)),
    )


def _labelled(runs: Runs, main: Sequence[Rgb]) -> tuple[Ints, Ints, Ints, Ints]:
    """Return runs within rows, neighbours of one label made one: label, row, first column and the one beyond."""
    values, which = np.unique(runs.words, return_inverse=True)
    rgba = values.view(np.uint8).reshape(-1, 4).astype(np.int64)
    far = np.stack([((rgba[:, :3] - np.array(c)) ** 2).sum(axis=1) for c in main])
    nearest = np.where(rgba[:, 3] >= 128, far.argmin(axis=0), len(main))
    starts = np.union1d(runs.starts.astype(np.int64), np.arange(runs.height, dtype=np.int64) * runs.width)
    label = nearest[which][np.searchsorted(runs.starts, starts, side="right") - 1]
    row = starts // runs.width
    new = np.concatenate([[True], (label[1:] != label[:-1]) | (row[1:] != row[:-1])])
    starts, label, row = starts[new], label[new], row[new]
    begin = starts - row * runs.width
    end = np.append(starts[1:], runs.height * runs.width) - row * runs.width
    return label, row, begin, end


def _letters(p: _Patches, mm: float) -> Ints:
    """Return the patches that may be letters: of their size and form, and not a hole in a letter."""
    low, high = (v / mm for v in LETTER_MM)
    fits = (p.height >= low) & (p.height <= high) & (p.width <= 1.8 * high) & (p.width >= 0.15 * p.height)
    cover = p.area / np.maximum(p.width * p.height, 1)
    fits &= (p.around >= 0) & (cover >= 0.12) & ((cover <= 0.9) | (p.width < 0.4 * p.height))
    around = np.maximum(p.around, 0)
    small = (p.height[around] <= high) & (p.width[around] <= 2 * high) & (p.label[around] != p.label.max())
    return np.flatnonzero(fits & ~small)


def _groups(p: _Patches, at: Ints) -> list[Ints]:
    """Return the patches that stand beside each other on a level line, line by line."""
    if at.size < LEAST_LETTERS:
        return []
    at = at[np.argsort(p.x0[at], kind="stable")]
    x0, x1, y0, y1, high = p.x0[at], p.x1[at], p.y0[at], p.y1[at], p.height[at]
    first = np.arange(1, at.size + 1)
    last = np.searchsorted(x0, x1 + SPACE * high, side="right")
    many = np.maximum(last - first, 0)
    one = np.repeat(np.arange(at.size), many)
    other = np.arange(one.size) - np.repeat(np.cumsum(many) - many, many) + np.repeat(first, many)
    gap = x0[other] - x1[one]
    larger, smaller = np.maximum(high[one], high[other]), np.minimum(high[one], high[other])
    overlap = np.minimum(y1[one], y1[other]) - np.maximum(y0[one], y0[other])
    close = (gap >= -0.2 * smaller) & (gap <= SPACE * larger) & (overlap >= 0.6 * smaller)
    close &= (larger <= 2.2 * smaller) & (p.label[at][one] == p.label[at][other])
    # On a level line letters share their feet, or their middle where one has a tail.
    close &= (np.abs(y1[one] - y1[other]) <= 0.15 * larger) | (overlap >= 0.95 * smaller)
    line = joined(at.size, one[close], other[close])
    order = np.argsort(line, kind="stable")
    parts = np.split(at[order], np.flatnonzero(np.diff(line[order])) + 1)
    return [part for part in parts if part.size >= LEAST_LETTERS]


def _x_height(height: Ints) -> float:
    """Return the height of the small letters of a line, in pixels; capitals alone are taken as they are."""
    tall = height[height >= 0.5 * height.max()]
    if tall.max() <= 1.2 * tall.min():
        return float(np.median(tall))
    return float(np.median(tall[tall <= (tall.min() + tall.max()) / 2]))


def _reverse(p: _Patches, group: Ints, lightness: NDArray[np.float64]) -> bool:
    """Say whether lettering is cloth in ink, or lighter than the ink it stands in."""
    cloth = lightness.size
    own = int(p.label[group[0]])
    around = int(np.bincount(p.label[p.around[group]]).argmax())
    if around == cloth:
        return False
    return own == cloth or bool(lightness[own] > lightness[around])


def small_text(
    found: Sequence[Line], *, x_height_warn_mm: float, x_height_reversed_warn_mm: float
) -> tuple[Finding, ...]:
    """Return `small-text` for the lowest lettering under its limit, and for the lowest reversed one under its own."""
    told = []
    for reverse, limit in ((False, x_height_warn_mm), (True, x_height_reversed_warn_mm)):
        small = [line for line in found if line.reverse == reverse and line.x_height_mm < limit]
        if not small:
            continue
        what = "reversed lettering" if reverse else "lettering"
        more = f", and {len(small) - 1} more such lines" if len(small) > 1 else ""
        told.append(
            Finding(
                code="small-text",
                severity="warn",
                message=f"A line of {what}, {words.place(small[0].box_mm)}, has small letters "
                f"{words.mm(small[0].x_height_mm)} high{more}; under {words.mm(limit, 1)} it is hard to read.",
                remedy=words.accept("small-text"),
                measured=round(small[0].x_height_mm, 2),
                limit=limit,
                where_mm=small[0].box_mm,
            )
        )
    return tuple(told)
