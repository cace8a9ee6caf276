"""Gangs plates on film: which pieces there are, where they lie, what their tags say, and the files of the rolls.

Everything is told as the film lies ink side up, as it comes off the press: x across, y along, from the upper left
corner of what can be printed. There the print is seen mirrored and the tags read right.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.finding import Finding
from pipeline.press.film import FilmPlace, FilmPlate, FilmRoll, FilmTag
from pipeline.press.film_look import PlateLook
from pipeline.press.tag import Tag, tag_bitmap, tag_size_mm
from pipeline.shop_presses import Press
from pipeline.shop_presses import Roll as FilmStock
from pipeline.stages.impose import TURNS, Layout, Piece, Placed, Roll, impose, problems

TAG_GAP_MM = 1.5
"""Between a print and its tag: the cut goes through here, and the tag falls away with the waste (ours)."""
OUTLINE_MM = 1.0
EFFORT = (4.0, 16.0)
"""Least and most work on a layout, see `Roll.effort`."""
PIECES_A_STEP = 25
"""So many pieces are worth a million steps: measured, more gains under 0.5 % on most orders, 2 % on some (ours)."""


@dataclass(frozen=True, slots=True)
class Label:
    """What one piece of film is for; `number` counts the pieces of an order on film, from 1 to `of`."""

    order: str
    revision: int
    colourway: str
    print: str
    size: str
    number: int
    of: int

    @property
    def code(self) -> str:
        """What the code on the tag holds: order/revision/number, the order as a digest where it is too long."""
        order = self.order
        if len(order) > 36:
            order = hashlib.sha256(order.encode()).hexdigest()[:16]
        return f"{order}/{self.revision}/{self.number}"

    @property
    def tag(self) -> Tag:
        """The tag: what an operator sorts by comes first, where nothing is cut off."""
        first = f"{self.size} · {self.number}/{self.of} · {self.order} r{self.revision}"
        return Tag(self.code, first, f"{self.colourway} · {self.print}")


@dataclass(frozen=True, slots=True)
class Kind:
    """Equal pieces: one plate on film, and what each piece of it is for."""

    key: str
    plate: FilmPlate
    ppi: float
    labels: tuple[Label, ...]


@dataclass(frozen=True, slots=True)
class Laid:
    """One piece on a roll: the upper left corner and size of its turned box in mm, turned clockwise.

    `middle_mm` is where on the film it has most ink around, `depth_mm` that way: there a number can stand for it.
    """

    label: Label
    key: str
    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float
    turn_deg: int
    tag_mm: tuple[float, float, float, float]
    middle_mm: tuple[float, float]
    depth_mm: float

    def moved(self, along_mm: float) -> Laid:
        """Return the piece so much further along the film."""
        (x, y, wide, high), (across, along) = self.tag_mm, self.middle_mm
        return replace(
            self,
            y_mm=self.y_mm + along_mm,
            tag_mm=(x, y + along_mm, wide, high),
            middle_mm=(across, along + along_mm),
        )

    def as_json(self) -> dict[str, Any]:
        """Return the piece in the form of record.json."""
        label = self.label
        return {
            "plate": self.key,
            "order": label.order,
            "revision": label.revision,
            "colourway": label.colourway,
            "print": label.print,
            "size": label.size,
            "number": label.number,
            "x_mm": round(self.x_mm, 2),
            "y_mm": round(self.y_mm, 2),
            "width_mm": round(self.width_mm, 2),
            "height_mm": round(self.height_mm, 2),
            "turn_deg": self.turn_deg,
            "tag": label.code,
            "tag_mm": [round(v, 2) for v in self.tag_mm],
        }


@dataclass(frozen=True, slots=True, eq=False)
class Rolled:
    """One roll as written, below the folder of its release, and the figures to judge it by.

    `width_mm` × `length_mm` is what is printed, of a film `film_mm` wide. `utilisation`, `area_bound_mm` and
    `row_layout_mm` are of all the rolls laid out together, `all_mm` is their length. `picture`
    (H, W, 3) shows it small.
    """

    path: str
    press: str
    width_mm: float
    film_mm: float
    length_mm: float
    utilisation: float
    area_bound_mm: float
    row_layout_mm: float
    all_mm: float
    method: str
    mirrored: bool
    placed: tuple[Laid, ...]
    picture: NDArray[np.uint8]

    def as_json(self) -> dict[str, Any]:
        """Return the roll in the form of record.json."""
        return {
            "path": self.path,
            "press": self.press,
            "width_mm": round(self.width_mm, 2),
            "film_mm": self.film_mm,
            "length_mm": round(self.length_mm, 1),
            "pieces": len(self.placed),
            "utilisation": round(self.utilisation, 4),
            "area_bound_mm": round(self.area_bound_mm, 1),
            "row_layout_mm": round(self.row_layout_mm, 1),
            "all_rolls_mm": round(self.all_mm, 1),
            "method": self.method,
            "mirrored": self.mirrored,
            "placed": [laid.as_json() for laid in self.placed],
        }


def stock_of(press: Press) -> FilmStock:
    """Return the film of a press; every transfer press has one."""
    assert press.roll is not None
    return press.roll


def roll_of(press: Press, ppi: float, pieces: int) -> Roll:
    """Return how a press's film may be laid out with so many pieces, as nesting takes it."""
    stock = stock_of(press)
    return Roll(
        width_mm=stock.width_mm - 2 * stock.margin_mm,
        longest_mm=stock.longest_mm,
        gutter_mm=stock.gutter_mm,
        turns=TURNS if stock.turn else (0,),
        tag_mm=tag_size_mm(ppi),
        tag_gap_mm=TAG_GAP_MM,
        effort=min(max(pieces / PIECES_A_STEP, EFFORT[0]), EFFORT[1]),
    )


def film_problems(sizes: Sequence[tuple[str, float, float, int]], press: Press) -> tuple[Finding, ...]:
    """Return what keeps prints off a press's film: (what it is, width, height in mm, pieces) of each."""
    pieces = tuple(Piece(what, width, height, count) for what, width, height, count in sizes)
    return problems(pieces, roll_of(press, press.resolution_ppi, sum(piece.count for piece in pieces)))


def lay_out(
    kinds: Sequence[Kind], looks: Mapping[str, PlateLook], press: Press
) -> tuple[list[list[Laid]], Layout]:
    """Return the pieces roll by roll, and the layout with its figures; `looks` are the plates by key, cells OUTLINE_MM.

    Orders share the film, or with `order_gap_mm` follow each other. Raises ValueError for what `film_problems` tells.
    """
    gap = stock_of(press).order_gap_mm
    orders = dict.fromkeys((label.order, label.revision) for kind in kinds for label in kind.labels)
    if not gap or len(orders) == 1:
        return _one_layout(kinds, looks, press)
    parts = [
        _one_layout([k for kind in kinds if (k := _only(kind, order)).labels], looks, press)
        for order in orders
    ]
    return _one_after_another(parts, gap, stock_of(press).longest_mm)


def _only(kind: Kind, order: tuple[str, int]) -> Kind:
    return replace(kind, labels=tuple(x for x in kind.labels if (x.order, x.revision) == order))


def _one_layout(
    kinds: Sequence[Kind], looks: Mapping[str, PlateLook], press: Press
) -> tuple[list[list[Laid]], Layout]:
    stock = stock_of(press)
    boxes = stock.nest == "box" or stock.cut_lines
    pieces = tuple(_piece(kind, None if boxes else looks[kind.key].outline) for kind in kinds)
    layout = impose(pieces, roll_of(press, kinds[0].ppi, sum(piece.count for piece in pieces)))
    by_key = {kind.key: kind for kind in kinds}
    rolls: list[list[Laid]] = [[] for _ in layout.lengths_mm]
    for placed in layout.placed:
        rolls[placed.part].append(_laid(placed, by_key[placed.key], looks[placed.key]))
    return rolls, layout


def _one_after_another(
    parts: Sequence[tuple[list[list[Laid]], Layout]], gap_mm: float, longest_mm: float
) -> tuple[list[list[Laid]], Layout]:
    """Return layouts joined along the film with a gap between, on a new roll where the next one does not fit."""
    rolls: list[list[Laid]] = []
    lengths: list[float] = []
    for laid, layout in parts:
        for pieces, length in zip(laid, layout.lengths_mm, strict=True):
            start = lengths[-1] + gap_mm if lengths else 0.0
            if not lengths or start + length > longest_mm:
                rolls.append([])
                lengths.append(0.0)
                start = 0.0
            rolls[-1] += [piece.moved(start) for piece in pieces]
            lengths[-1] = start + length
    layouts = [layout for _, layout in parts]
    return rolls, Layout(
        placed=(),
        lengths_mm=tuple(lengths),
        utilisation=sum(x.utilisation * x.length_mm for x in layouts) / sum(lengths),
        area_bound_mm=sum(x.area_bound_mm for x in layouts),
        row_layout_mm=sum(x.row_layout_mm for x in layouts) + gap_mm * (len(layouts) - 1),
        method=", ".join(dict.fromkeys(x.method for x in layouts)),
    )


def _piece(kind: Kind, shape: NDArray[np.bool_] | None) -> Piece:
    plate = kind.plate
    return Piece(kind.key, plate.width_mm, plate.height_mm, len(kind.labels), shape, OUTLINE_MM)


def _laid(placed: Placed, kind: Kind, look: PlateLook) -> Laid:
    assert placed.tag_mm is not None
    (x, y), wide, high = look.middle_mm, kind.plate.width_mm, kind.plate.height_mm
    for _ in range(placed.turn_deg // 90):
        x, y, wide, high = high - y, x, high, wide
    return Laid(
        label=kind.labels[placed.index],
        key=kind.key,
        x_mm=placed.x_mm,
        y_mm=placed.y_mm,
        width_mm=wide,
        height_mm=high,
        turn_deg=placed.turn_deg,
        tag_mm=placed.tag_mm,
        middle_mm=(placed.x_mm + x, placed.y_mm + y),
        depth_mm=look.depth_mm,
    )


def film_rolls(
    rolls: Sequence[Sequence[Laid]],
    lengths_mm: Sequence[float],
    kinds: Sequence[Kind],
    press: Press,
    font: Path,
) -> Iterator[FilmRoll]:
    """Yield each roll as it is written; `font` is that of the tags."""
    stock = stock_of(press)
    by_key = {kind.key: kind for kind in kinds}
    for laid, length in zip(rolls, lengths_mm, strict=True):
        tags = tuple(_tag(piece, by_key[piece.key].ppi, font) for piece in laid)
        yield FilmRoll(
            width_mm=stock.width_mm - 2 * stock.margin_mm,
            length_mm=max(length, *(p.tag_mm[1] + p.tag_mm[3] for p in laid)),
            places=tuple(FilmPlace(p.key, p.x_mm, p.y_mm, p.turn_deg) for p in laid),
            tags=tags,
            cuts=tuple(_cut(p) for p in laid) if stock.cut_lines else (),
            mirror=press.mirror_in == "press",
        )


def _tag(piece: Laid, ppi: float, font: Path) -> FilmTag:
    x, y, _, _ = piece.tag_mm
    wide, high = tag_size_mm(ppi)
    return FilmTag(tag_bitmap(piece.label.tag, ppi, font), x, y, wide, high, piece.turn_deg)


def _cut(piece: Laid) -> tuple[float, float, float, float]:
    off = TAG_GAP_MM / 2
    return piece.x_mm - off, piece.y_mm - off, piece.width_mm + 2 * off, piece.height_mm + 2 * off


def numbered(kinds: Sequence[Kind]) -> tuple[Kind, ...]:
    """Return the kinds with the pieces of each order numbered, in the order in which they stand."""
    totals: dict[tuple[str, int], int] = {}
    for kind in kinds:
        for label in kind.labels:
            totals[label.order, label.revision] = totals.get((label.order, label.revision), 0) + 1
    count = dict.fromkeys(totals, 0)

    def next_of(label: Label) -> Label:
        key = label.order, label.revision
        count[key] += 1
        return replace(label, number=count[key], of=totals[key])

    return tuple(replace(kind, labels=tuple(next_of(label) for label in kind.labels)) for kind in kinds)
