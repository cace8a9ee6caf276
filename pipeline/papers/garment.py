"""Plain drawn garments and the position drawing: our own outlines, schematic, to the garment's measures."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Literal, TypeAlias

from pipeline.art.paint import Rgb
from pipeline.papers.facts import BandFacts, PrintFacts, SizeFacts
from pipeline.papers.kit import HAIR, INK, LABEL, PALE, TINY, WHITE, Sheet

View: TypeAlias = Literal["front", "back", "sleeve"]
Points: TypeAlias = list[tuple[float, float]]

HALF_CHEST_MM, BODY_LENGTH_MM = 508.0, 737.0  # an adult M, where the facts give no measures (common practice)

_VIEWS: dict[str, View] = {
    "full front": "front",
    "left chest": "front",
    "right chest": "front",
    "full back": "back",
    "nape": "back",
    "neck label": "back",
    "left sleeve": "sleeve",
    "right sleeve": "sleeve",
}


def view_of(position: str) -> View:
    """Return which side of the garment is drawn for a position."""
    return _VIEWS.get(position, "front")


@dataclass(frozen=True, slots=True)
class Outline:
    """A closed outline and inner seams in mm; the seam line is y = 0, the centre or fold is x = 0."""

    edge: Points
    seams: tuple[Points, ...] = ()

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """Return (left, top, right, bottom) in mm."""
        xs, ys = [x for x, _ in self.edge], [y for _, y in self.edge]
        return min(xs), min(ys), max(xs), max(ys)


def _bow(half: float, drop: float, steps: int = 10) -> Points:
    """Return a neckline from (half, -drop) over (0, 0) to (-half, -drop)."""
    return [
        (half * (1 - 2 * i / steps), -drop * abs(1 - 2 * i / steps) ** 2.2 + 0.0) for i in range(steps + 1)
    ]


def outline(view: View, size: SizeFacts, line: str = "collar seam") -> Outline:
    """Return the outline of a garment of this size; proportions are schematic, chest and length are true."""
    w = size.half_chest_mm or HALF_CHEST_MM
    if view == "sleeve":
        long, top, hem = 0.46 * w, 0.21 * w, 0.17 * w
        shift = -long if "hem" in line else 0.0
        edge = [(-top, shift), (top, shift), (hem, shift + long), (-hem, shift + long)]
        near = shift + long * 0.93
        return Outline(edge, ([(-hem * 1.02, near), (hem * 1.02, near)],))
    drop = (0.15 if view == "front" else 0.045) * w
    bottom = (size.body_length_mm or BODY_LENGTH_MM) - drop
    neck = _bow(0.17 * w, drop)
    right: Points = [
        (0.44 * w, -drop + 0.09 * w),
        (0.72 * w, -drop + 0.40 * w),
        (0.585 * w, -drop + 0.50 * w),
        (0.5 * w, -drop + 0.44 * w),
        (0.5 * w, bottom),
    ]
    left = [(-x, y) for x, y in reversed(right)]
    edge = [*neck[::-1], *right, *left]
    collar = [(x * 1.16, y + 0.035 * w) for x, y in neck]
    return Outline(edge, (collar,))


@dataclass(frozen=True, slots=True)
class Frame:
    """Where garment millimetres land on the sheet: `at` maps them, `scale` is sheet mm per garment mm."""

    x0: float
    y0: float
    scale: float

    def at(self, x: float, y: float) -> tuple[float, float]:
        """Map a point of the garment to the sheet."""
        return self.x0 + x * self.scale, self.y0 + y * self.scale


def draw_garment(
    sheet: Sheet, frame: Frame, shape: Outline, fill: Rgb, stroke: Rgb = INK, weight: float = 0.35
) -> None:
    """Draw an outline with its seams."""
    sheet.shape([frame.at(*p) for p in shape.edge], fill=fill, stroke=stroke, weight=weight)
    for seam in shape.seams:
        for (x1, y1), (x2, y2) in pairwise(seam):
            sheet.rule(*frame.at(x1, y1), *frame.at(x2, y2), 0.18, stroke)


def _arrow(sheet: Sheet, x1: float, y1: float, x2: float, y2: float) -> None:
    """Draw a dimension line with a short bar at each end."""
    sheet.rule(x1, y1, x2, y2, 0.3)
    dx, dy = (0.0, 1.1) if y1 == y2 else (1.1, 0.0)
    for x, y in ((x1, y1), (x2, y2)):
        sheet.rule(x - dx, y - dy, x + dx, y + dy, 0.3)


def _letter(sheet: Sheet, x: float, y: float, letter: str) -> None:
    """Write a dimension's letter on a small white plate centred at (x, y)."""
    sheet.fill(x - 1.7, y - 1.8, 3.4, 3.6, WHITE)
    sheet.say(x - 1.7, y - LABEL.height / 2 - 0.1, letter, LABEL, 3.4, "centre")


def position_drawing(
    sheet: Sheet,
    x: float,
    y: float,
    width: float,
    height: float,
    item: PrintFacts,
    band: BandFacts,
    size: SizeFacts,
) -> None:
    """Draw where one band's print lies, with dimension lines A (from the seam), B (from the centre), C, D.

    The letters are explained and measured in the table beside it, so nothing is written over the garment.
    """
    view = view_of(item.position)
    shape = outline(view, size, item.line)
    left, top, right, bottom = shape.bounds
    px, py = band.origin_mm
    pw, ph = band.width_mm, band.height_mm
    left, right = min(left, px), max(right, px + pw)
    top, bottom = min(top, py), max(bottom, py + ph)
    scale = min((width - 10) / (right - left), (height - 7.5) / (bottom - top))
    scale = min(scale, (height - 15) / (py + ph - top))  # room for B and C below the print
    frame = Frame(x + width / 2 - (left + right) / 2 * scale, y + 2 - top * scale, scale)
    draw_garment(sheet, frame, shape, WHITE)
    (x1, y1), (x2, y2) = frame.at(px, py), frame.at(px + pw, py + ph)
    sheet.shape([(x1, y1), (x2, y1), (x2, y2), (x1, y2)], fill=PALE, weight=0.5)
    cx, cy = frame.at(0, 0)
    sheet.rule(cx, frame.at(0, top)[1] - 1, cx, frame.at(0, bottom)[1] + 1, 0.18, INK, (3, 1, 0.6, 1))
    sheet.rule(x + 1, cy, x + width - 1, cy, 0.3, INK, (1.2, 0.8))
    _dimensions(sheet, (x1, y1, x2, y2), cx, cy)
    sides = ("wearer's right", "wearer's left") if view == "front" else ("wearer's left", "wearer's right")
    if view == "sleeve":
        sides = ("fold in the middle", item.position)
    base = y + height - 4
    sheet.say(x, base, f"◄ {sides[0]}" if view != "sleeve" else sides[0], TINY, width / 2 - 1)
    sheet.say(
        x + width / 2 + 1,
        base,
        f"{sides[1]} ►" if view != "sleeve" else sides[1],
        TINY,
        width / 2 - 1,
        "right",
    )
    sheet.rule(x, y + height, x + width, y + height, 0.15, HAIR)


def _dimensions(sheet: Sheet, rect: tuple[float, float, float, float], cx: float, cy: float) -> None:
    x1, y1, x2, y2 = rect
    ax = x1 + (x2 - x1) * 0.2
    if abs(y1 - cy) > 0.5:
        _arrow(sheet, ax, cy, ax, y1)
    _letter(sheet, ax - 3, (cy + y1) / 2, "A")
    if abs(x1 - cx) > 0.5:
        _arrow(sheet, cx, y2 + 2.6, x1, y2 + 2.6)
    _letter(sheet, min(cx, x1) - 2.6, y2 + 2.6, "B")
    _arrow(sheet, x1, y2 + 6.4, x2, y2 + 6.4)
    _letter(sheet, x1 - 2.6, y2 + 6.6, "C")
    _arrow(sheet, x2 + 2.2, y1, x2 + 2.2, y2)
    _letter(sheet, x2 + 4.8, (y1 + y2) / 2, "D")
