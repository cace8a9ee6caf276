"""Steps 3 and 4 of the job ticket: what is set up at the press, and what comes out of it."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.papers import words
from pipeline.papers.codes import line_code, line_width, square_code
from pipeline.papers.facts import BandFacts, ColourwayFacts, PrintFacts
from pipeline.papers.garment import position_drawing
from pipeline.papers.kit import BIG, HAIR, LABEL, LARGE, MONO, PALE, SMALL, STRONG, TINY, Sheet
from pipeline.papers.parts import (
    COLOUR_ROW,
    INLINE_LABEL,
    PICTURE_BYTES,
    banner,
    colour_table,
    common_scale,
    heading,
    inline,
    pair,
    print_picture,
)


def set_up(sheet: Sheet, way: ColourwayFacts) -> None:
    """Write step 3: press, platen, position drawing, one row a band with its file and bar codes."""
    heading(sheet, "3", words.STEPS[3], 96)
    sheet.y += sheet.tell(sheet.left, sheet.y, words.WEARER_SIDES, SMALL, sheet.span) + 1
    for item in way.prints:
        _set_up_one(sheet, way, item)


def _print_title(sheet: Sheet, item: PrintFacts) -> None:
    sheet.fill(sheet.left, sheet.y, sheet.span, 7, PALE)
    sheet.say(sheet.left + 2, sheet.y + 0.7, item.name, LARGE, sheet.span * 0.4)
    where = f"{item.position} · {words.ROUTES[item.route]}"
    sheet.say(sheet.left + sheet.span * 0.42, sheet.y + 0.7, where, LARGE, sheet.span * 0.58 - 2, "right")
    sheet.y += 8.2


def _set_up_one(sheet: Sheet, way: ColourwayFacts, item: PrintFacts) -> None:
    high = 50.0
    sheet.running = f"3 {words.STEPS[3]}"
    sheet.need(high + 34)  # the column beside the drawing may be as long, and one band follows
    sheet.running = f"3 {words.STEPS[3]} · {item.name}"
    _print_title(sheet, item)
    top, wide = sheet.y, 64.0
    band = item.bands[len(item.bands) // 2]
    size = next((s for s in way.sizes if s.size in band.sizes), way.sizes[0])
    position_drawing(sheet, sheet.left, top, wide, high, item, band, size)
    x, rest = sheet.left + wide + 6, sheet.span - wide - 6
    half = rest / 2 - 2
    y = top + pair(sheet, x, top, half, "press", item.press or words.NOT_SET, STRONG)
    y2 = top + pair(sheet, x + half + 4, top, half, "platen", item.platen or "–", STRONG)
    y = max(y, y2)
    lies = [
        f"{label} {words.length(value)}"
        for label, value in (
            ("collar line from its upper edge", item.collar_line_mm),
            ("centre from its left edge", item.centre_mm),
        )
        if value is not None
    ]
    if lies:
        y += pair(sheet, x, y, rest, "on the platen", "; ".join(lies), SMALL)
    if item.ppi:
        y += pair(sheet, x, y, half, "resolution", f"{words.number(item.ppi)} ppi", SMALL)
    if item.inks:
        y += pair(sheet, x, y, rest, "print order", " → ".join(item.inks), SMALL, most=4)
    up = band.origin_mm[1] < 0
    for letter in "ABCD":
        key = "A_up" if letter == "A" and up else letter
        sheet.say(x, y, letter, LABEL, 5)
        y += sheet.tell(x + 5, y, words.MEASURES[key].format(line=item.line), SMALL, rest - 5)
    y += sheet.tell(x, y, f"{words.B_NOTE} Drawn: {words.run_of(band.sizes)}.", TINY, rest)
    sheet.y = max(top + high, y) + 1.5
    for line in _loud(item):
        banner(sheet, line, sheet.left, sheet.span)
    _bands(sheet, item)
    sheet.y += 2


def _loud(item: PrintFacts) -> list[str]:
    """Return what the file already holds and what the press must do itself."""
    lines: list[str] = []
    if item.mirrored_file:
        lines.append(words.MIRRORED)
    if item.mirror_at_press:
        lines.append(words.MIRROR_AT_PRESS)
    if item.base is not None and item.route != "screen":
        if item.base == 0:
            lines.append(words.BASE_NONE)
        elif item.base_file:
            lines.append(words.BASE_IN_FILE.format(plate=item.base_plate, polarity=item.base_polarity))
        else:
            lines.append(words.BASE_AT_PRESS)
    return lines


def _bands(sheet: Sheet, item: PrintFacts) -> None:
    """Write one row a band: sizes, pieces, A to D, its file with Code 128 and QR."""
    columns = (("sizes", 30.0), ("pieces", 18.0), ("A", 24.0), ("B", 29.0), ("C", 27.0), ("D", 27.0))
    step = (sheet.span - 18) / sum(width for _, width in columns)
    for i, band in enumerate(item.bands):
        height = max(10.2 + _file_room(sheet, band)[1], 17.4 if band.files else 0)
        if sheet.need(height + (6 if i == 0 else 0)) or i == 0:
            x = sheet.left
            for label, width in columns:
                sheet.say(x + 1, sheet.y, label, LABEL, width * step - 2)
                x += width * step
            sheet.y += LABEL.height + 0.5
        sheet.rule(sheet.left, sheet.y, sheet.right, sheet.y, 0.2, HAIR)
        x = sheet.left
        left, down = band.origin_mm
        for k, (_, width) in enumerate(columns):
            inner = width * step - 2
            if k < 2:
                value = words.run_of(band.sizes) if k == 0 else str(band.pieces)
                sheet.figure(x + 1, sheet.y + 0.8, value, BIG, inner)
            else:
                mm = (abs(down), left, band.width_mm, band.height_mm)[k - 2]
                sheet.figure(x + 1, sheet.y + 0.8, f"{words.number(mm)} mm", LARGE, inner)
                sheet.say(x + 1, sheet.y + 6.0, words.inches(mm), SMALL, inner)
            x += width * step
        _file_line(sheet, band, height)
        sheet.y += height
    sheet.rule(sheet.left, sheet.y, sheet.right, sheet.y, 0.2, HAIR)


def _file_text(band: BandFacts) -> str:
    pixels = f"{band.width_px}\u00a0×\u00a0{band.height_px}\u00a0px" if band.width_px else ""
    return "  ".join(part for part in (*band.files, pixels) if part)


def _file_room(sheet: Sheet, band: BandFacts) -> tuple[float, float]:
    """Return (width of the bar code in mm, height of the line): the names stand beside it, or below if long."""
    if not band.files:
        return 0.0, 0.0
    code = line_width(band.files[0], sheet.span - 20)
    beside = sheet.span - 20 - code
    if beside > 45:
        return code, max(7.4, sheet.height_of(_file_text(band), MONO, beside) + 0.8)
    return code, 7.4 + sheet.height_of(_file_text(band), MONO, sheet.span - 20) + 0.6


def _file_line(sheet: Sheet, band: BandFacts, height: float) -> None:
    if not band.files:
        return
    y = sheet.y + 10
    used = line_code(sheet, sheet.left - 2.4, y, sheet.span - 20, 6.4, band.files[0])
    square_code(sheet, sheet.right - 17, sheet.y + (height - 17) / 2, 17, band.files[0])
    beside = sheet.span - 20 - used
    if beside > 45:
        sheet.tell(sheet.left + used - 1, y, _file_text(band), MONO, beside)
    else:
        sheet.tell(sheet.left + 1, y + 6.8, _file_text(band), MONO, sheet.span - 20)


def print_step(sheet: Sheet, way: ColourwayFacts) -> None:
    """Write step 4: each print on its fabric at one scale, its base, knock-out, fade and main colours."""
    pictured = [item for item in way.prints if item.picture is not None]
    scale = common_scale(tuple(pictured) or way.prints, 72, 58)
    blocks = [_block(sheet, item, scale) for item in way.prints]
    heading(sheet, "4", words.STEPS[4], blocks[0].height + 18 if blocks else 20)
    line = f"Pictures are 1 : {words.number(scale)}, all at one scale, largest size. {words.HATCHED} {words.GRADES}"
    sheet.y += sheet.tell(sheet.left, sheet.y, line, TINY, sheet.span) + 1
    for block in blocks:
        _print_one(sheet, block, PICTURE_BYTES // max(1, len(pictured)))


@dataclass(frozen=True, slots=True)
class _Block:
    """One print of step 4, measured: picture size, the column beside it, its lines, the height it needs."""

    item: PrintFacts
    picture_mm: tuple[float, float]
    x: float
    width: float
    lines: tuple[tuple[str, str], ...]
    beside: bool
    height: float


def _block(sheet: Sheet, item: PrintFacts, scale: float) -> _Block:
    band = max(item.bands, key=lambda b: b.width_mm)
    wide, high = band.width_mm / scale, band.height_mm / scale
    x, rest = sheet.left, sheet.span
    if item.picture is None:
        wide = high = 0.0
    else:
        x, rest = x + max(wide, 26) + 5, rest - max(wide, 26) - 5
    lines = _print_lines(item)
    text = sum(sheet.height_of(value, SMALL, rest - INLINE_LABEL) + 0.5 for _, value in lines)
    table = 6 + COLOUR_ROW * len(item.colours) if item.colours else 0.0
    beside = text + table < 150
    return _Block(item, (wide, high), x, rest, lines, beside, max(high, text + (table if beside else 0)))


def _print_one(sheet: Sheet, block: _Block, budget: int) -> None:
    item = block.item
    sheet.running = f"4 {words.STEPS[4]}"
    sheet.need(block.height + 10)
    sheet.running = f"4 {words.STEPS[4]} · {item.name}"
    _print_title(sheet, item)
    top = sheet.y
    wide, high = block.picture_mm
    if item.picture is not None:
        print_picture(sheet, sheet.left, top, wide, high, item.picture, item.knocked_out, budget)
    for label, value in block.lines:
        inline(sheet, block.x, block.width, label, value)
    sheet.y += 0.8
    if block.beside:
        colour_table(sheet, item, block.x, block.width)
    sheet.y = max(sheet.y, top + high + 2)
    if not block.beside:
        colour_table(sheet, item, sheet.left, sheet.span)
    sheet.y += 1


def _print_lines(item: PrintFacts) -> tuple[tuple[str, str], ...]:
    lines = []
    if item.base is not None:
        base = (
            "none"
            if item.base == 0
            else f"{words.percent(item.base)}, choke {words.number(item.choke_mm, 2)} mm"
        )
        lines.append(("white base", ": ".join(part for part in (base, item.base_why) if part)))
    if item.knocked_out_mm2:
        out = f"{words.number(item.knocked_out_mm2)} mm² ({words.percent(item.knocked_out_share)})"
        lines.append(("knocked out", ": ".join(part for part in (out, item.knock_out_mode) if part)))
    ink = [f"{words.number(item.ink_mm2)} mm²"] if item.ink_mm2 else []
    ink += [f"about {words.number(item.ink_ml, 2)} ml a piece"] if item.ink_ml is not None else []
    if ink:
        lines.append(("ink", ", ".join(ink)))
    fade = item.fade
    if item.fade != "none":
        fade += f", for {words.count(item.washes, 'wash', 'washes')}" if item.washes else ""
        fade += f". {words.NOT_CALIBRATED}" if not item.fade_calibrated else ". Calibrated by wash tests."
    lines.append(("fade", fade))
    return tuple(lines)
