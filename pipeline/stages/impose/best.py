"""The best of all methods, and the layout in mm with the figures to judge it by."""

from __future__ import annotations

import numpy as np

from pipeline.stages.impose.job import UNIT_MM, Job, Spot, job_of
from pipeline.stages.impose.refuse import footprint_mm, problems
from pipeline.stages.impose.rows import rows
from pipeline.stages.impose.search import searched
from pipeline.stages.impose.values import Layout, Piece, Placed, Roll


def impose(pieces: tuple[Piece, ...], roll: Roll) -> Layout:
    """Return the shortest layout found of every piece on the film, within the roll's effort.

    Same pieces in the same order, same layout. Raises ValueError with the text of the first of `problems`.
    """
    for problem in problems(pieces, roll):
        raise ValueError(problem.message)
    job = job_of(pieces, roll)
    plain = rows(job)
    found = {"rows": plain, "best fit": searched(job, int(roll.effort * 1e6))}
    lengths = {name: lengths_of(spots, job) for name, spots in found.items()}
    method = min(lengths, key=lambda name: sum(lengths[name]))
    return Layout(
        placed=_placed(found[method], pieces, roll),
        lengths_mm=tuple(round(length * UNIT_MM, 1) for length in lengths[method]),
        utilisation=own_area_mm2(pieces) / (roll.width_mm * sum(lengths[method]) * UNIT_MM),
        area_bound_mm=max(job.area / job.width - job.gutter * len(lengths[method]), 0) * UNIT_MM,
        row_layout_mm=sum(lengths["rows"]) * UNIT_MM,
        method=method,
        tried=tuple((name, sum(lengths[name]) * UNIT_MM) for name in found),
    )


def lengths_of(spots: list[Spot], job: Job) -> tuple[int, ...]:
    """Return the length of each part, without the gutter after its last piece."""
    ends = [0] * (1 + max(spot.part for spot in spots))
    for spot in spots:
        high = next(h for _, h, turn in job.kinds[spot.kind].sides if turn == spot.turn)
        ends[spot.part] = max(ends[spot.part], spot.y + high - job.gutter)
    return tuple(ends)


def own_area_mm2(pieces: tuple[Piece, ...]) -> float:
    """Return the pieces' own area: that of the outlines where there are some, of the boxes elsewhere."""
    return sum(
        piece.count
        * (
            piece.width_mm * piece.height_mm
            if piece.outline is None
            else float(np.count_nonzero(piece.outline)) * piece.outline_mm**2
        )
        for piece in pieces
    )


def _placed(spots: list[Spot], pieces: tuple[Piece, ...], roll: Roll) -> tuple[Placed, ...]:
    """Return the spots as places in mm, in the order of the film: part, then along it, then across."""
    counted = [0] * len(pieces)
    placed = []
    for spot in sorted(spots, key=lambda s: (s.part, s.y, s.x)):
        piece = pieces[spot.kind]
        placed.append(_one(spot, piece, counted[spot.kind], roll))
        counted[spot.kind] += 1
    return tuple(placed)


def _one(spot: Spot, piece: Piece, index: int, roll: Roll) -> Placed:
    foot = footprint_mm(piece, roll)
    box = turned_mm((0.0, 0.0, piece.width_mm, piece.height_mm), foot, spot.turn)
    x, y = spot.x * UNIT_MM, spot.y * UNIT_MM
    tag = None
    if min(roll.tag_mm) > 0:
        under = (0.0, piece.height_mm + roll.tag_gap_mm, *roll.tag_mm)
        left, top, wide, high = turned_mm(under, foot, spot.turn)
        tag = (round(x + left, 4), round(y + top, 4), wide, high)
    return Placed(piece.key, index, round(x + box[0], 4), round(y + box[1], 4), spot.turn, spot.part, tag)


def turned_mm(
    inner: tuple[float, float, float, float], outer: tuple[float, float], turn: int
) -> tuple[float, float, float, float]:
    """Return where the rectangle `inner` (x, y, width, height) of a frame `outer` lies once the frame is turned."""
    x, y, wide, high = inner
    width, height = outer
    if turn == 90:
        return height - y - high, x, high, wide
    if turn == 180:
        return width - x - wide, height - y - high, wide, high
    if turn == 270:
        return y, width - x - wide, high, wide
    return inner
