"""Step 3 of the job ticket: press, platen, where the print lies, and one row a band with its file and bar codes."""

from __future__ import annotations

from dataclasses import replace

from pipeline.papers import words
from pipeline.papers.codes import line_code, line_width, row_code, row_height
from pipeline.papers.facts import BandFacts, ColourwayFacts, PrintFacts
from pipeline.papers.film import film_rows
from pipeline.papers.garment import position_drawing
from pipeline.papers.kit import BIG, HAIR, LABEL, LARGE, MARGIN, MONO, PALE, SMALL, STRONG, TINY, Sheet
from pipeline.papers.parts import banner, heading, pair

DRAWING_MM = 40.0
CODE_MM = 18.0
"""Width of the column that holds the square codes."""

_COLUMNS = (("sizes", 27.0), ("pieces", 16.0), ("A", 26.0), ("B", 30.0), ("C", 28.0), ("D", 28.0))
_NUMBERS = 6.2


def set_up(sheet: Sheet, way: ColourwayFacts) -> None:
    """Write step 3: press, platen, position drawing, one row a band with its file and bar codes."""
    heading(sheet, "3", words.STEPS[3], DRAWING_MM + 46, words.WEARER_SIDES)
    for item in way.prints:
        _one(sheet, way, item)


def print_title(sheet: Sheet, item: PrintFacts) -> None:
    """Write the bar that names a print: its name, its position, its route."""
    sheet.fill(sheet.left, sheet.y, sheet.span, 6.4, PALE)
    sheet.say(sheet.left + 2, sheet.y + 0.4, item.name, LARGE, sheet.span * 0.4)
    route = words.ROUTES[item.route]
    where = route if item.position == item.name else f"{item.position} · {route}"
    sheet.say(sheet.left + sheet.span * 0.42, sheet.y + 0.4, where, LARGE, sheet.span * 0.58 - 2, "right")
    sheet.y += 7.2


def _one(sheet: Sheet, way: ColourwayFacts, item: PrintFacts) -> None:
    sheet.running = f"3 {words.STEPS[3]}"
    sheet.need(DRAWING_MM + 36)  # the column beside the drawing may be as long, and one band follows
    sheet.running = f"3 {words.STEPS[3]} · {item.name}"
    print_title(sheet, item)
    top, wide = sheet.y, 62.0
    band = item.bands[len(item.bands) // 2]
    size = next((s for s in way.sizes if s.size in band.sizes), way.sizes[0])
    position_drawing(sheet, sheet.left, top, wide, DRAWING_MM, item, band, size, way.drawn_as)
    _beside(sheet, sheet.left + wide + 5, sheet.span - wide - 5, item, band)
    sheet.y = max(top + DRAWING_MM, sheet.y) + 1.5
    for line in _loud(item):
        banner(sheet, line, sheet.left, sheet.span)
    _bands(sheet, item)
    film_rows(sheet, item)
    sheet.y += 1.5


def _beside(sheet: Sheet, x: float, width: float, item: PrintFacts, band: BandFacts) -> None:
    """Write what stands beside the drawing: press, platen, how the platen lies, what A to D are."""
    y, third = sheet.y, width / 3
    pairs = (
        ("press", item.press or words.NOT_SET),
        ("platen", item.platen or "–"),
        ("resolution", f"{words.number(item.ppi)} ppi" if item.ppi else "–"),
    )
    y += max(
        pair(sheet, x + k * third, y, third - 2, label, value, STRONG)
        for k, (label, value) in enumerate(pairs)
    )
    lies = _platen(item)
    if lies:
        y += pair(sheet, x, y, width, "platen's area", lies, SMALL)
    if item.inks:
        y += pair(sheet, x, y, width, "print order", " → ".join(item.inks), SMALL, most=4)
    up = band.origin_mm[1] < 0
    for letter in "ABCD":
        key = "A_up" if letter == "A" and up else letter
        sheet.say(x, y, letter, LABEL, 5)
        y += sheet.tell(x + 5, y, words.MEASURES[key].format(line=item.line), SMALL, width - 5)
    centred = all(abs(b.origin_mm[0] + b.width_mm / 2) < 0.5 for b in item.bands)
    notes = (
        (words.CENTRED, STRONG) if centred else (words.B_NOTE, TINY),
        (f"Drawn: {words.run_of(band.sizes)}.", TINY),
    )
    for text, style in notes:
        y += sheet.tell(x, y, text, style, width)
    sheet.y = y


def _platen(item: PrintFacts) -> str:
    """Say where the seam and the centre lie on the platen's printable area."""
    said = []
    if item.collar_line_mm is not None:
        side = "above" if item.collar_line_mm < 0 else "below"
        line = "sleeve hem" if "hem" in item.line else "collar line"
        said.append(f"{line} {words.length(abs(item.collar_line_mm))} {side} its upper edge")
    if item.centre_mm is not None:
        said.append(f"centre {words.length(item.centre_mm)} from its left edge")
    return "; ".join(said)


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


# -- bands -------------------------------------------------------------------------------------------------


def _bar(sheet: Sheet) -> float:
    """Return the height of the line codes in mm."""
    return 4.4 if sheet.compact else 5.2


def _numbers_of(band: BandFacts) -> tuple[float, float, float, float]:
    left, down = band.origin_mm
    return abs(down), left, band.width_mm, band.height_mm


def _bands(sheet: Sheet, item: PrintFacts) -> None:
    """Write one row a band: sizes, pieces, A to D, its file with Code 128 and QR; what is equal on all, once."""
    bands = _joined(item.bands)
    alike = len(bands) > 1 and len({_numbers_of(band) for band in bands}) == 1
    if alike:
        _for_all(sheet, bands)
    for i, band in enumerate(bands):
        height = _height(sheet, band, alike=alike)
        turned = sheet.need(height + (0 if alike or i else 5))
        if not alike and (turned or i == 0):
            _heads(sheet)
        sheet.rule(sheet.left, sheet.y, sheet.right - CODE_MM, sheet.y, 0.2, HAIR)
        if alike:
            _short(sheet, band)
        else:
            _numbers(sheet, band, band.sizes, band.pieces)
        _file(sheet, band, height, alike=alike)
        sheet.y += height
    sheet.rule(sheet.left, sheet.y, sheet.right - CODE_MM, sheet.y, 0.2, HAIR)
    if len(bands) < len(item.bands):
        text = words.SAME_FILE.format(
            sizes=" · ".join(f"{words.run_of(b.sizes)} {b.pieces}" for b in item.bands)
        )
        sheet.need(sheet.height_of(text, STRONG, sheet.span))
        sheet.y += sheet.tell(sheet.left + 1, sheet.y + 0.6, text, STRONG, sheet.span - 1) + 0.6


def _joined(bands: tuple[BandFacts, ...]) -> tuple[BandFacts, ...]:
    """Return one band for all where they share one file and lie alike, else the bands as they are."""
    first = bands[0]
    if not first.files or any((b.files, _numbers_of(b)) != (first.files, _numbers_of(first)) for b in bands):
        return bands
    sizes = tuple(size for band in bands for size in band.sizes)
    return (replace(first, sizes=sizes, pieces=sum(band.pieces for band in bands)),)


def _for_all(sheet: Sheet, bands: tuple[BandFacts, ...]) -> None:
    """Write A to D once for bands that lie alike, each with a file of its own."""
    first = bands[0]
    sheet.need(LABEL.height + 2 * _NUMBERS + _bar(sheet) + 10)
    _heads(sheet)
    sizes = tuple(size for band in bands for size in band.sizes)
    _numbers(sheet, first, sizes, sum(band.pieces for band in bands))
    sheet.y += _NUMBERS + 0.8
    if first.width_px:
        text = words.ALIKE.format(pixels=_pixels(first))
        sheet.y += sheet.say(sheet.left + 1, sheet.y - 0.4, text, TINY, sheet.span)


def _places(sheet: Sheet) -> list[tuple[str, float, float]]:
    unit = (sheet.span - CODE_MM) / sum(width for _, width in _COLUMNS)
    x, places = sheet.left, []
    for label, width in _COLUMNS:
        places.append((label, x + 1, width * unit - 2))
        x += width * unit
    return places


def _heads(sheet: Sheet) -> None:
    for label, x, width in _places(sheet):
        sheet.say(x, sheet.y, label, LABEL, width)
    sheet.y += LABEL.height + 0.3


def _numbers(sheet: Sheet, band: BandFacts, sizes: tuple[str, ...], pieces: int) -> None:
    """Write sizes, pieces and A to D: mm large, the unit and inches small beside them."""
    values: tuple[str | float, ...] = (words.run_of(sizes), str(pieces), *_numbers_of(band))
    for value, (_, x, width) in zip(values, _places(sheet), strict=True):
        if isinstance(value, str):
            sheet.figure(x, sheet.y + 0.3, value, BIG, width)
            continue
        inches = words.inches(value)
        small = max(sheet.width_of(inches, TINY), 4.0) + 0.3
        room = width - small - 0.8
        large = words.number(value)
        sheet.figure(x, sheet.y + 0.5, large, LARGE, room)
        at = x + min(sheet.width_of(large, LARGE), room) + 0.8
        sheet.say(at, sheet.y + 0.3, "mm", TINY, small)
        sheet.say(at, sheet.y + 3.1, inches, TINY, small)


def _short(sheet: Sheet, band: BandFacts) -> None:
    """Write sizes and pieces of a band whose A to D stand above, with its files beside."""
    (_, x, width), (_, x2, width2), (_, x3, _), *_ = _places(sheet)
    sheet.figure(x, sheet.y + 0.3, words.run_of(band.sizes), BIG, width)
    sheet.figure(x2, sheet.y + 0.3, str(band.pieces), BIG, width2)
    if band.files:
        sheet.tell(x3, sheet.y + 0.9, _file_text(band, pixels=False), MONO, sheet.right - CODE_MM - x3)


def _short_text(sheet: Sheet, band: BandFacts) -> float:
    x3 = _places(sheet)[2][1]
    return sheet.height_of(_file_text(band, pixels=False), MONO, sheet.right - CODE_MM - x3)


def _pixels(band: BandFacts) -> str:
    return f"{band.width_px}\u00a0×\u00a0{band.height_px}\u00a0px"


def _file_text(band: BandFacts, *, pixels: bool = True) -> str:
    """Return the first file's name whole, the others by what differs, and the size in pixels."""
    first, *others = band.files or ("",)
    parts = [first]
    for name in others:
        same = next(
            (i for i, (a, b) in enumerate(zip(first, name, strict=False)) if a != b),
            min(len(first), len(name)),
        )
        cut = max(first.rfind("_", 0, same + 1), 0)
        parts.append(f"…{name[cut:]}" if cut > 4 else name)
    if band.width_px and pixels:
        parts.append(_pixels(band))
    return "  ".join(part for part in parts if part)


def _bar_place(sheet: Sheet, text: str) -> tuple[float, float, float]:
    """Return (x, width, free width beside it) of the line code: a long one goes out into the rail; width 0 if too long.

    The quiet zone may lie where the page is white anyway.
    """
    end = sheet.right - CODE_MM
    for x in (sheet.left - 2.4, MARGIN - 3.2):
        used = line_width(text, end + 1.2 - x)
        if used:
            return x, used, end - x - used
    return sheet.left, 0.0, 0.0


def _height(sheet: Sheet, band: BandFacts, *, alike: bool) -> float:
    if not band.files:
        return _NUMBERS + 0.8
    _, used, beside = _bar_place(sheet, band.files[0])
    bar = _bar(sheet) + 0.6 if used else 0.0
    if alike:
        height = max(_NUMBERS, _short_text(sheet, band) + 1.2) + bar + 0.6
    elif beside > 45:
        height = _NUMBERS + max(bar, sheet.height_of(_file_text(band), MONO, beside - 2)) + 0.8
    else:
        height = _NUMBERS + bar + sheet.height_of(_file_text(band), MONO, sheet.span - CODE_MM) + 0.6
    return max(height, row_height(band.files[0]))


def _file(sheet: Sheet, band: BandFacts, height: float, *, alike: bool) -> None:
    """Draw the bar codes of a band's first file; its names beside the line code, or below it when that is long."""
    if not band.files:
        return
    row_code(sheet, sheet.right - CODE_MM, sheet.y, CODE_MM, height, band.files[0])
    y = sheet.y + (max(_NUMBERS, _short_text(sheet, band) + 1.2) if alike else _NUMBERS + 0.2)
    x, used, beside = _bar_place(sheet, band.files[0])
    if used:
        line_code(sheet, x, y, used + 0.01, _bar(sheet), band.files[0])
    if alike:
        return
    if beside > 45:
        sheet.tell(x + used + 2, y, _file_text(band), MONO, beside - 2)
    else:
        below = _bar(sheet) + 0.4 if used else 0
        sheet.tell(sheet.left + 1, y + below, _file_text(band), MONO, sheet.span - CODE_MM)
