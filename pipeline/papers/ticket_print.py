"""Step 4 of the job ticket: what comes out of the press, and what happens to its colours."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.papers import words
from pipeline.papers.colours import colour_table, height_of
from pipeline.papers.facts import ColourwayFacts, PrintFacts
from pipeline.papers.kit import TINY, Sheet
from pipeline.papers.parts import (
    INLINE,
    INLINE_LABEL,
    PICTURE_BYTES,
    common_scale,
    heading,
    inline,
    print_picture,
)
from pipeline.papers.ticket_setup import print_title

PICTURE_MM = (58.0, 66.0)
SMALL_MM = 24.0
"""A picture smaller than this is shown a second time, enlarged."""

ENLARGED_MM = 30.0
COMPACT_MM = (44.0, 48.0)


def print_step(sheet: Sheet, way: ColourwayFacts) -> None:
    """Write step 4: each print on its fabric at one scale, its base, knock-out, fade and main colours."""
    pictured = [item for item in way.prints if item.picture is not None]
    scale = common_scale(tuple(pictured) or way.prints, *(COMPACT_MM if sheet.compact else PICTURE_MM))
    blocks = [_block(sheet, item, scale) for item in way.prints]
    heading(sheet, "4", words.STEPS[4], blocks[0].height + 14 if blocks else 20, words.HATCHED)
    line = f"Pictures are 1 : {words.number(scale)}, largest size. {words.GRADES}"
    sheet.y += sheet.tell(sheet.left, sheet.y, line, TINY, sheet.span) + 0.8
    for block in blocks:
        _one(sheet, block, PICTURE_BYTES // max(1, len(pictured)))


@dataclass(frozen=True, slots=True)
class _Block:
    """One print of step 4, measured: its pictures, the column beside them, its lines, the height it needs."""

    item: PrintFacts
    pictures_mm: tuple[tuple[float, float], ...]
    x: float
    width: float
    lines: tuple[tuple[str, str], ...]
    beside: bool
    height: float


def _block(sheet: Sheet, item: PrintFacts, scale: float) -> _Block:
    band = max(item.bands, key=lambda b: b.width_mm)
    sizes: tuple[tuple[float, float], ...] = ()
    if item.picture is not None:
        sizes = ((band.width_mm / scale, band.height_mm / scale),)
        longer = max(sizes[0])
        if longer < SMALL_MM:
            sizes += ((sizes[0][0] * ENLARGED_MM / longer, sizes[0][1] * ENLARGED_MM / longer),)
    taken = sum(max(wide, 8.0) + 5 for wide, _ in sizes)
    x, rest = sheet.left + taken, sheet.span - taken
    lines = _lines(item)
    text = sum(sheet.height_of(value, INLINE, rest - INLINE_LABEL) + 0.4 for _, value in lines)
    table = height_of(sheet, item.colours, rest)
    high = max((tall for _, tall in sizes), default=0.0) + (TINY.height if len(sizes) > 1 else 0)
    beside = text + table < 150
    return _Block(item, sizes, x, rest, lines, beside, max(high, text + (table if beside else 0)))


def _one(sheet: Sheet, block: _Block, budget: int) -> None:
    item = block.item
    sheet.running = f"4 {words.STEPS[4]}"
    sheet.need(block.height + 9)
    sheet.running = f"4 {words.STEPS[4]} · {item.name}"
    print_title(sheet, item)
    top, x = sheet.y, sheet.left
    for i, (wide, tall) in enumerate(block.pictures_mm):
        if item.picture is not None:
            print_picture(sheet, x, top, wide, tall, item.picture, item.knocked_out, budget)
        if i:
            sheet.say(x, top + tall + 0.3, words.ENLARGED, TINY, wide)
        x += max(wide, 8.0) + 5
    bottom = max((top + tall for _, tall in block.pictures_mm), default=top)
    bottom += TINY.height if len(block.pictures_mm) > 1 else 0
    for label, value in block.lines:
        inline(sheet, block.x, block.width, label, value)
    sheet.y += 0.4
    if block.beside:
        colour_table(sheet, item, block.x, block.width)
    sheet.y = max(sheet.y, bottom + 1.5)
    if not block.beside:
        colour_table(sheet, item, sheet.left, sheet.span)
    sheet.y += 1


def _lines(item: PrintFacts) -> tuple[tuple[str, str], ...]:
    lines = []
    if item.base is not None:
        strength = f"{words.percent(item.base)}, choke {words.number(item.choke_mm, 2)} mm"
        base = "none" if item.base == 0 else strength
        lines.append(("white base", ": ".join(part for part in (base, item.base_why) if part)))
    if item.dot_mm:
        lines.append(("soft ink", words.FILM_DOTS.format(dot=words.number(item.dot_mm, 2))))
    if item.knocked_out_mm2:
        out = f"{words.number(item.knocked_out_mm2)} mm² ({words.percent(item.knocked_out_share)})"
        lines.append(("knocked out", ": ".join(part for part in (out, item.knock_out_mode) if part)))
    ink = [f"{words.number(item.ink_mm2)} mm² at the largest size"] if item.ink_mm2 else []
    ink += [f"about {words.number(item.ink_ml, 2)} ml of colour"] if item.ink_ml is not None else []
    if ink:
        lines.append(("ink", ", ".join(ink)))
    fade = item.fade
    if item.fade != "none":
        fade += f", for {words.count(item.washes, 'wash', 'washes')}" if item.washes else ""
        fade += f". {words.CALIBRATED if item.fade_calibrated else words.NOT_CALIBRATED}"
    lines.append(("fade", fade))
    return tuple(lines)
