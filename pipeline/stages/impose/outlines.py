"""Pieces as outlines on whole cells, and the nesting found for them back in mm."""

from __future__ import annotations

import math
from itertools import combinations_with_replacement

import numpy as np

from pipeline.stages.impose.film import moulds_of
from pipeline.stages.impose.forms import NEAR, Box, Form, cells_of
from pipeline.stages.impose.job import Spot, turned_mm
from pipeline.stages.impose.nest import Nester
from pipeline.stages.impose.refuse import turns_of
from pipeline.stages.impose.values import Piece, Roll

CELLS_MM = (1.0, 1.5, 2.0, 3.0, 4.0)
MOST_BYTES = 300_000_000


def nested(pieces: tuple[Piece, ...], forms: list[Form], roll: Roll, steps: int) -> list[Spot]:
    """Return the shortest layout of outlines that so many steps find; empty when one pass would take far more.

    Counts of 0 are left out. The gutter is kept between outlines, tags included.
    """
    cell = cell_mm([form.frame for form in forms], roll)
    shapes = [cells_of(piece, form.tag, form.frame, cell) for piece, form in zip(pieces, forms, strict=True)]
    turns = [turns_of(piece, form.frame, roll) for piece, form in zip(pieces, forms, strict=True)]
    size = (math.floor(roll.width_mm / cell + NEAR), math.floor(roll.longest_mm / cell + NEAR))
    moulds = moulds_of(shapes, turns, size, roll.gutter_mm / cell, cell)
    if len({shape for shape, _ in moulds.moulds}) < len(pieces):
        return []  # a piece fits the film, but not in whole cells
    counts = [max(piece.count, 0) for piece in pieces]
    if sum(counts) * len(moulds.moulds) > 2 * steps:
        return []
    areas = [int(np.count_nonzero(shape)) for shape in shapes]
    nest = Nester(moulds, counts, areas, steps, cell).run()
    spots = []
    for part, laids in enumerate(nest.parts):
        for laid in laids:
            rows, columns = shapes[laid.shape].shape
            frame = forms[laid.shape].frame
            inset = turned_mm((0.0, 0.0, frame[2], frame[3]), (columns * cell, rows * cell), laid.turn)
            x, y = laid.x * cell + inset[0], laid.y * cell + inset[1]
            spots.append(Spot(laid.shape, x, y, laid.turn, part))
    return spots


def cell_mm(frames: list[Box], roll: Roll) -> float:
    """Return the finest cell whose no-fit regions and windows stay within the memory allowed."""
    sizes = [(frame[2] + roll.gutter_mm, frame[3] + roll.gutter_mm) for frame in frames]
    regions = sum((a[0] + b[0]) * (a[1] + b[1]) for a, b in combinations_with_replacement(sizes, 2))
    windows = len(frames) * len(roll.turns) * roll.width_mm * 4 * max(max(size) for size in sizes)
    need = 4 * regions / 8 + windows
    return next((cell for cell in CELLS_MM if need / cell**2 <= MOST_BYTES), CELLS_MM[-1])
