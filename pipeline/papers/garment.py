"""Garments drawn on paper, and the position drawing with its dimension lines."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

from pipeline.art.paint import Rgb
from pipeline.papers.facts import BandFacts, PrintFacts, SizeFacts
from pipeline.papers.kit import HAIR, INK, LABEL, PALE, TINY, WHITE, Sheet
from pipeline.papers.outline import Outline, outline, view_of


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
    """Draw what shows behind, the outline, and its seams."""
    for part in shape.behind:
        sheet.shape([frame.at(*p) for p in part], fill=fill, stroke=stroke, weight=weight)
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
    drawn_as: str = "tee",
) -> None:
    """Draw where one band's print lies, with dimension lines A (from the seam), B (from the centre), C, D.

    The letters are explained and measured in the table beside it, so nothing is written over the garment.
    """
    view = view_of(item.position)
    shape = outline(view, size, item.line, drawn_as)
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
    ax, ay = x1 + (x2 - x1) * 0.2, (cy + y1) / 2
    if abs(y1 - cy) > 0.5:
        _arrow(sheet, ax, cy, ax, y1)
    _letter(sheet, ax - 3, ay, "A")
    below = max(y2 + 2.6, ay + 4.0)  # a low print leaves no room beside A
    if abs(x1 - cx) > 0.5:
        _arrow(sheet, cx, below, x1, below)
    _letter(sheet, min(cx, x1) - 2.6, below, "B")
    _arrow(sheet, x1, below + 3.8, x2, below + 3.8)
    _letter(sheet, x1 - 2.6, below + 4.0, "C")
    _arrow(sheet, x2 + 2.2, y1, x2 + 2.2, y2)
    _letter(sheet, x2 + 4.8, (y1 + y2) / 2, "D")
