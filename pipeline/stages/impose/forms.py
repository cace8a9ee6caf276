"""What a piece takes up on the film: its ink and its tag as one outline that scissors can follow."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from pipeline.stages.impose.values import Piece, Roll

Cells: TypeAlias = NDArray[np.bool_]
Box: TypeAlias = tuple[float, float, float, float]
NEAR = 1e-6  # rounding errors of binary fractions, in cells


@dataclass(frozen=True, slots=True, eq=False)
class Form:
    """The part of the film that one piece takes, unturned, in mm from the upper left corner of its box.

    `frame` (x, y, width, height) holds ink and tag, `tag` is None without one. `own_mm2` is the area of the
    ink, `grown_mm2` that of ink and tag with half a gutter around them.
    """

    frame: Box
    tag: Box | None
    own_mm2: float
    grown_mm2: float


def form_of(piece: Piece, roll: Roll) -> Form:
    """Return the frame of a piece: its box, or the ink of its outline, with its tag at the best free place."""
    gutter, outline = roll.gutter_mm, ink_of(piece)
    left, top, right, bottom = 0.0, 0.0, piece.width_mm, piece.height_mm
    own = right * bottom
    if outline is not None:
        step = piece.outline_mm
        rows, columns = (np.flatnonzero(outline.any(axis=axis)) for axis in (1, 0))
        left, top = float(columns[0]) * step, float(rows[0]) * step
        right, bottom = min(right, float(columns[-1] + 1) * step), min(bottom, float(rows[-1] + 1) * step)
        own = float(np.count_nonzero(outline)) * step**2
    tag = None
    if min(roll.tag_mm) > 0:
        tag = _tag_place(piece, (left, top, right, bottom), roll)
        right, bottom = max(right, tag[0] + tag[2]), max(bottom, tag[1] + tag[3])
    frame = (left, top, right - left, bottom - top)
    grown = frame[2] * frame[3] + gutter * (frame[2] + frame[3]) + math.pi * gutter**2 / 4
    if outline is not None:
        cell = min(piece.outline_mm, 1.0)
        margin = math.ceil(gutter / 2 / cell) + 1
        taken = np.pad(cells_of(piece, tag, frame, cell), margin)
        grown = min(grown, float(np.count_nonzero(distance(taken) <= gutter / 2 / cell)) * cell**2)
    return Form(frame, tag, own, grown)


def ink_of(piece: Piece) -> Cells | None:
    """Return the outline, None where the whole box counts: there is no outline, or no ink in it."""
    return piece.outline if piece.outline is not None and piece.outline.any() else None


def cells_of(piece: Piece, tag: Box | None, frame: Box, cell: float) -> Cells:
    """Return what the frame holds of ink and tag in cells of `cell` mm, bool (rows, columns): one region, no hole.

    A cell is True when any part of it is taken.
    """
    rows, columns = (max(math.ceil(side / cell - NEAR), 1) for side in (frame[3], frame[2]))
    out = np.zeros((rows, columns), np.bool_)
    outline = ink_of(piece)
    if outline is None:
        _mark(out, (-frame[0], -frame[1], piece.width_mm, piece.height_mm), cell)
    else:
        step = piece.outline_mm
        ys, xs = np.nonzero(outline)
        for down in _covered((ys * step - frame[1]) / cell, step / cell, rows):
            for across in _covered((xs * step - frame[0]) / cell, step / cell, columns):
                out[down, across] = True
    if tag:
        _mark(out, (tag[0] - frame[0], tag[1] - frame[1], tag[2], tag[3]), cell)
    return one_region(out)


def one_region(cells: Cells) -> Cells:
    """Return the cells without holes, regions apart joined by straight bridges between their nearest cells.

    So nothing else comes to lie inside a piece or between its parts, and one cut takes the whole of it. The
    bridges are a shortest spanning tree over regions that are neighbours (Kruskal 1956).
    """
    from scipy import ndimage

    filled: Cells = ndimage.binary_fill_holes(cells)
    labels, count = ndimage.label(filled, np.ones((3, 3), np.bool_))
    if count == 1:
        return filled
    root = list(range(count + 1))
    for one, other, start, end in _neighbours(filled, np.asarray(labels, np.int32)):
        first, second = _root(root, one), _root(root, other)
        if first != second:
            root[max(first, second)] = min(first, second)
            long = int(max(abs(end - start))) + 1
            filled[tuple(np.rint(np.linspace(start, end, long)).astype(np.intp).T)] = True
    return np.asarray(ndimage.binary_fill_holes(filled))


def _neighbours(
    cells: Cells, labels: NDArray[np.int32]
) -> list[tuple[int, int, NDArray[np.intp], NDArray[np.intp]]]:
    """Return (label, label, nearest cell, nearest cell) of regions whose fields of nearness meet, nearest first."""
    from scipy import ndimage

    ys, xs = ndimage.distance_transform_edt(~cells, return_distances=False, return_indices=True)
    found: dict[tuple[int, int], tuple[int, NDArray[np.intp], NDArray[np.intp]]] = {}
    for one, other in (
        ((slice(None), slice(1, None)), (slice(None), slice(-1))),
        ((slice(1, None), slice(None)), (slice(-1), slice(None))),
    ):
        starts, ends = (np.stack((ys[part], xs[part]), -1).reshape(-1, 2) for part in (one, other))
        pairs = np.stack((labels[tuple(starts.T)], labels[tuple(ends.T)]), -1)
        meet = np.flatnonzero(pairs[:, 0] != pairs[:, 1])
        apart = ((starts[meet] - ends[meet]) ** 2).sum(1)
        for at in meet[np.argsort(apart, kind="stable")]:
            key = (int(pairs[at].min()), int(pairs[at].max()))
            far = int(((starts[at] - ends[at]) ** 2).sum())
            if key not in found or far < found[key][0]:
                found[key] = (far, starts[at], ends[at])
    return [
        (*key, start, end) for key, (_, start, end) in sorted(found.items(), key=lambda f: (f[1][0], f[0]))
    ]


def _root(root: list[int], label: int) -> int:
    while root[label] != label:
        label = root[label]
    return label


def hull_of(cells: Cells) -> Cells:
    """Return every cell that the convex hull of the True cells touches; at least one is True."""
    rows = np.flatnonzero(cells.any(axis=1))
    left, right = cells.argmax(axis=1), cells.shape[1] - cells[:, ::-1].argmax(axis=1)
    starts, ends = (
        sign * _envelope([(int(y + down), sign * int(side[y])) for y in rows for down in (0, 1)])
        for sign, side in ((1, left), (-1, right))
    )
    first = np.floor(np.minimum(starts[:-1], starts[1:]) + NEAR)[:, None]
    last = np.ceil(np.maximum(ends[:-1], ends[1:]) - NEAR)[:, None]
    across = np.arange(cells.shape[1])
    hull = np.zeros_like(cells)
    hull[rows[0] : rows[-1] + 1] = (across >= first) & (across < last)
    return hull


def _envelope(points: list[tuple[int, int]]) -> NDArray[np.float64]:
    """Return the greatest convex function below points (y, x), at every whole y (Andrew's monotone chain)."""
    chain: list[tuple[int, int]] = []
    for y, x in sorted(points):
        if chain and chain[-1][0] == y:
            continue  # a point above one with the same y
        while len(chain) > 1:
            (y0, x0), (y1, x1) = chain[-2:]
            if (x1 - x0) * (y - y1) < (x - x1) * (y1 - y0):
                break
            chain.pop()
        chain.append((y, x))
    ys, xs = zip(*chain, strict=True)
    return np.asarray(np.interp(np.arange(ys[0], ys[-1] + 1), ys, xs), np.float64)


def distance(cells: Cells) -> NDArray[np.float64]:
    """Return the distance of every cell to the nearest True cell, centre to centre, in cells."""
    from scipy import ndimage

    return np.asarray(ndimage.distance_transform_edt(~cells), np.float64)


def _tag_place(piece: Piece, ink: Box, roll: Roll) -> Box:
    """Return where the tag goes: the free place that widens the frame least, then the lowest, then the leftmost.

    `ink` is (left, top, right, bottom). Places inside the convex hull of the outline are not free: a rough cut
    around the piece would leave the tag on it. Without an outline the tag lies right under the box.
    """
    wide, high = roll.tag_mm
    left, top, right, bottom = ink
    outline = ink_of(piece)
    under = (left, bottom + roll.tag_gap_mm, wide, high)
    if outline is None:
        return under
    frame = (left, top, max(right - left, wide), bottom + roll.tag_gap_mm + high - top)
    gap = math.ceil(roll.tag_gap_mm)
    taken = distance(hull_of(cells_of(piece, None, frame, 1.0))) <= gap + 0.5 * (gap > 0)
    sums = np.pad(np.cumsum(np.cumsum(taken, 0, np.int64), 1), ((1, 0), (1, 0)))
    tall, broad = math.ceil(high), math.ceil(wide)
    busy = sums[tall:, broad:] - sums[:-tall, broad:] - sums[tall:, :-broad] + sums[:-tall, :-broad]
    ys, xs = np.nonzero(busy == 0)
    if not ys.size:
        return under
    growth = (np.maximum(ys + high, bottom - top)) * (np.maximum(xs + wide, right - left))
    best = np.lexsort((xs, -ys, growth))[0]
    return left + float(xs[best]), top + float(ys[best]), wide, high


def _mark(out: Cells, box: Box, cell: float) -> None:
    x, y, wide, high = box
    top, left = max(math.floor(y / cell + NEAR), 0), max(math.floor(x / cell + NEAR), 0)
    out[top : math.ceil((y + high) / cell - NEAR), left : math.ceil((x + wide) / cell - NEAR)] = True


def _covered(start: NDArray[np.floating], size: float, count: int) -> Iterator[NDArray[np.intp]]:
    """Yield, layer by layer, the cells that lengths `size` from `start` touch, held inside [0, count)."""
    first = np.floor(start + NEAR).astype(np.intp)
    last = np.ceil(start + size - NEAR).astype(np.intp) - 1
    for more in range(int((last - first).max()) + 1):
        yield np.clip(np.minimum(first + more, last), 0, count - 1)
