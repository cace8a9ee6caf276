"""The best of all methods, and the layout in mm with the figures to judge it by."""

from __future__ import annotations

from pipeline.stages.impose.forms import Form, form_of, ink_of
from pipeline.stages.impose.job import Spot, job_of, turned_mm
from pipeline.stages.impose.outlines import nested
from pipeline.stages.impose.refuse import problems
from pipeline.stages.impose.rows import rows
from pipeline.stages.impose.search import searched
from pipeline.stages.impose.values import Layout, Piece, Placed, Roll


def impose(pieces: tuple[Piece, ...], roll: Roll) -> Layout:
    """Return the shortest layout found of every piece on the film, within the roll's effort.

    Same pieces in the same order, same layout. Raises ValueError with the text of the first of `problems`.
    """
    for problem in problems(pieces, roll):
        raise ValueError(problem.message)
    pieces = tuple(piece for piece in pieces if piece.count > 0)
    forms = [form_of(piece, roll) for piece in pieces]
    job, steps = job_of(pieces, forms, roll), int(roll.effort * 1e6)
    shaped = any(ink_of(piece) is not None for piece in pieces)
    found = {"rows": rows(job), "rectangles": searched(job, steps // 4 if shaped else steps)}
    if shaped and (spots := nested(pieces, forms, roll, steps - steps // 4)):
        found["outlines"] = spots
    lengths = {name: lengths_of(spots, forms) for name, spots in found.items()}
    totals = {name: round(sum(parts), 4) for name, parts in lengths.items()}
    method = min(totals, key=lambda name: totals[name])
    counts = [piece.count for piece in pieces]
    own = sum(count * form.own_mm2 for count, form in zip(counts, forms, strict=True))
    grown = sum(count * form.grown_mm2 for count, form in zip(counts, forms, strict=True))
    bound = grown / (roll.width_mm + roll.gutter_mm) - roll.gutter_mm * len(lengths[method])
    return Layout(
        placed=_placed(found[method], pieces, forms),
        lengths_mm=lengths[method],
        utilisation=own / (roll.width_mm * totals[method]),
        area_bound_mm=max(bound, 0.0),
        row_layout_mm=totals["rows"],
        method=method,
        tried=tuple(totals.items()),
    )


def lengths_of(spots: list[Spot], forms: list[Form]) -> tuple[float, ...]:
    """Return the length of each part of the film in mm, to the end of its last piece."""
    ends = [0.0] * (1 + max(spot.part for spot in spots))
    for spot in spots:
        high = forms[spot.kind].frame[3 if spot.turn % 180 == 0 else 2]
        ends[spot.part] = max(ends[spot.part], spot.y + high)
    return tuple(round(end, 4) for end in ends)


def _placed(spots: list[Spot], pieces: tuple[Piece, ...], forms: list[Form]) -> tuple[Placed, ...]:
    """Return the spots as places in mm, in the order of the film: part, then along it, then across."""
    counted = [0] * len(pieces)
    placed = []
    for spot in sorted(spots, key=lambda s: (s.part, s.y, s.x)):
        placed.append(_one(spot, pieces[spot.kind], counted[spot.kind], forms[spot.kind]))
        counted[spot.kind] += 1
    return tuple(placed)


def _one(spot: Spot, piece: Piece, index: int, form: Form) -> Placed:
    left, top, wide, high = form.frame
    box = turned_mm((-left, -top, piece.width_mm, piece.height_mm), (wide, high), spot.turn)
    tag = None
    if form.tag:
        under = (form.tag[0] - left, form.tag[1] - top, form.tag[2], form.tag[3])
        x, y, across, down = turned_mm(under, (wide, high), spot.turn)
        tag = (round(spot.x + x, 4), round(spot.y + y, 4), across, down)
    x, y = round(spot.x + box[0], 4), round(spot.y + box[1], 4)
    return Placed(piece.key, index, x, y, spot.turn, spot.part, tag)
