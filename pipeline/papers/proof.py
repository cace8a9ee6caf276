"""The proof: what the customer approves, every print on every fabric colour, on plain drawn garments in scale."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.papers import words
from pipeline.papers.facts import BandFacts, ColourwayFacts, PrintFacts, ProofFacts, SizeFacts
from pipeline.papers.garment import Frame, draw_garment
from pipeline.papers.kit import (
    BIG,
    BODY,
    GIANT,
    INK,
    LARGE,
    MARGIN,
    PALE,
    PAPERS,
    SMALL,
    STRONG,
    WHITE,
    Sheet,
    in_two_runs,
    luminance,
)
from pipeline.papers.outline import Outline, outline, view_of
from pipeline.papers.parts import banner, foot, heading, order_title, reduced
from pipeline.papers.proof_answer import ending
from pipeline.papers.proof_closer import closer, closer_height

PICTURES_BYTES = 2_500_000
HIGH_MM = 58.0
"""Height of the largest garment at most."""


def proof_pdf(facts: ProofFacts) -> bytes:
    """Return the proof of one order as PDF; the same facts give the same bytes."""
    return proof_sheet(facts).finish()


def proof_sheet(facts: ProofFacts) -> Sheet:
    """Return the proof as drawn, with its boxes, before it is written out."""
    return in_two_runs(lambda pages: _draw(facts, pages))


def _draw(facts: ProofFacts, pages: int) -> Sheet:
    job = facts.job
    sheet = Sheet(
        PAPERS[job.paper],
        title=f"Proof {job.order} revision {job.revision}",
        subject=job.title,
        author=job.shop,
        furniture=lambda s: _furniture(s, facts),
        pages=pages,
    )
    grid = _grid(sheet, facts)
    pictures = sum(1 for way in facts.colourways for item in way.prints if item.picture is not None)
    for way in facts.colourways:
        _colourway(sheet, way, grid, PICTURES_BYTES // max(1, 2 * pictures))
    ending(sheet, facts)
    return sheet


def _furniture(sheet: Sheet, facts: ProofFacts) -> None:
    job = facts.job
    foot(sheet, f"{job.order} · revision {job.revision} · proof · {job.shop}".rstrip(" ·"))
    width = sheet.right - MARGIN
    if sheet.page > 1:
        sheet.figure(MARGIN, sheet.y, f"Proof {job.order} r{job.revision}", BIG, width * 0.6)
        sheet.say(MARGIN + width * 0.62, sheet.y + 1, sheet.running, STRONG, width * 0.38, "right")
        sheet.y += BIG.height + 1
        return
    top = sheet.y
    sheet.say(sheet.right - 60, top + 0.8, f"revision {job.revision}", LARGE, 60, "right")
    if job.due:
        sheet.say(sheet.right - 60, top + 0.8 + LARGE.height, f"due {job.due}", STRONG, 60, "right")
    order_title(sheet, MARGIN, f"Proof {job.order}", GIANT, width - 64)
    sheet.y = max(sheet.y, top + LARGE.height + STRONG.height + 2)
    about = " · ".join(part for part in (job.customer, job.title) if part)
    sheet.y += sheet.tell(MARGIN, sheet.y, about, LARGE, width, most=3) + 1
    ask = words.PROOF_ASK if facts.asks else words.PROOF_NOT_YET if facts.held else words.PROOF_SHOWN
    if job.approved_by:
        ask = words.APPROVED.format(name=job.approved_by)
    sheet.fill(MARGIN, sheet.y, width, 7.5, PALE)
    sheet.say(MARGIN + 3, sheet.y + 1.4, ask, STRONG, width - 6)
    sheet.y += 9
    if facts.declined:
        banner(sheet, words.PROOF_DECLINED.format(why=facts.declined), MARGIN, width)
    sheet.y += sheet.tell(MARGIN, sheet.y, words.PROOF_SCREEN, SMALL, width)


# -- garments ----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Grid:
    """Columns of garments, the width of one in mm, and sheet mm per garment mm: one for the whole proof."""

    columns: int
    wide: float
    scale: float


@dataclass(frozen=True, slots=True)
class _Cell:
    """One garment to draw: its side, a size, and whether it is shown after washing."""

    side: str
    size: SizeFacts
    prints: tuple[PrintFacts, ...]
    washed: bool = False


def _side(item: PrintFacts) -> str:
    """Return what is drawn together: front, back, or one of the sleeves."""
    view = view_of(item.position)
    return item.position if view == "sleeve" else view


def _shown(way: ColourwayFacts) -> tuple[SizeFacts, ...]:
    """Return the smallest and the largest size that is ordered."""
    some = [size for size in way.sizes if size.pieces] or list(way.sizes)
    return (some[0],) if len(some) == 1 else (some[0], some[-1])


def _cells(way: ColourwayFacts) -> list[_Cell]:
    """Return the garments of a colourway, side by side: small, large and, when it is known, large after washing."""
    cells = []
    for side in dict.fromkeys(_side(item) for item in way.prints):
        prints = tuple(item for item in way.prints if _side(item) == side)
        cells += [_Cell(side, size, prints) for size in _shown(way)]
        if any(item.fade_calibrated and item.picture_washed is not None for item in prints):
            cells.append(_Cell(side, _shown(way)[-1], prints, washed=True))
    return cells


def _shape(way: ColourwayFacts, cell: _Cell) -> Outline:
    first = cell.prints[0]
    return outline(view_of(first.position), cell.size, first.line, way.drawn_as)


def _grid(sheet: Sheet, facts: ProofFacts) -> _Grid:
    cells = [(way, cell) for way in facts.colourways for cell in _cells(way)]
    columns = min(5, max(2, *(len(_cells(way)) for way in facts.colourways)))
    wide, high = 1.0, 1.0
    for way, cell in cells:
        left, top, right, bottom = _shape(way, cell).bounds
        wide, high = max(wide, right - left), max(high, bottom - top)
    cell_mm = sheet.span / columns
    return _Grid(columns, cell_mm, min((cell_mm - 4) / wide, HIGH_MM / high))


def _colourway(sheet: Sheet, way: ColourwayFacts, grid: _Grid, budget: int) -> None:
    cells = _cells(way)
    rows = [cells[first : first + grid.columns] for first in range(0, len(cells), grid.columns)]
    whole = sum(_measured(sheet, way, row, grid)[2] for row in rows) + closer_height(way.prints) + 14
    least = _measured(sheet, way, rows[0], grid)[2] + 14
    heading(sheet, "", f"{way.name} · {way.garment}", whole if whole < sheet.bottom - 40 else least)
    total = f"{words.count(way.garments, 'garment')} · fabric {way.cloth.name} · {way.cloth.fibres}".rstrip(
        " ·"
    )
    sizes = "   ".join(f"{size.size}: {size.pieces}" for size in way.sizes)
    sheet.y += sheet.tell(sheet.left, sheet.y, total, STRONG, sheet.span)
    sheet.y += sheet.tell(sheet.left, sheet.y, sizes, BODY, sheet.span) + 2
    for row in rows:
        _row(sheet, way, row, grid)
    closer(sheet, way.prints, budget)


def _measured(
    sheet: Sheet, way: ColourwayFacts, cells: list[_Cell], grid: _Grid
) -> tuple[list[Outline], float, float]:
    """Return the outlines of a row of garments, the height of the tallest, and of the whole row, in mm."""
    text = max(sum(sheet.height_of(line, SMALL, grid.wide - 3) for line in _caption(cell)) for cell in cells)
    shapes = [_shape(way, cell) for cell in cells]
    high = max(shape.bounds[3] - shape.bounds[1] for shape in shapes) * grid.scale
    return shapes, high, high + text + 4


def _row(sheet: Sheet, way: ColourwayFacts, cells: list[_Cell], grid: _Grid) -> None:
    shapes, high, height = _measured(sheet, way, cells, grid)
    sheet.need(height)
    stroke = WHITE if luminance(way.cloth.srgb) < 0.03 else INK
    for k, (cell, shape) in enumerate(zip(cells, shapes, strict=True)):
        x = sheet.left + k * grid.wide
        frame = Frame(x + (grid.wide - 3) / 2, sheet.y + 1 - shape.bounds[1] * grid.scale, grid.scale)
        draw_garment(sheet, frame, shape, way.cloth.srgb, stroke, 0.2)
        for item in cell.prints:
            _place(sheet, frame, item, cell)
        y = sheet.y + high + 2.2
        for line in _caption(cell):
            y += sheet.tell(x, y, line, SMALL, grid.wide - 3)
    sheet.y += height


def _band_of(item: PrintFacts, size: SizeFacts) -> BandFacts | None:
    return next((band for band in item.bands if size.size in band.sizes), None)


def _caption(cell: _Cell) -> list[str]:
    if cell.washed:
        washes = max(item.washes for item in cell.prints)
        return [words.PROOF_WASHED.format(size=cell.size.size, washes=washes)]
    lines = [f"{cell.side}, size {cell.size.size}"]
    for item in cell.prints:
        band = _band_of(item, cell.size)
        if band is not None:
            lines.append(
                f"{item.name}: {words.number(band.width_mm, 0)} × {words.number(band.height_mm, 0)} mm"
            )
    return lines


def _place(sheet: Sheet, frame: Frame, item: PrintFacts, cell: _Cell) -> None:
    band = _band_of(item, cell.size)
    if band is None:
        return
    x, y = frame.at(*band.origin_mm)
    wide, high = band.width_mm * frame.scale, band.height_mm * frame.scale
    picture = item.picture_washed if cell.washed and item.fade_calibrated else item.picture
    if picture is None or item.position == "neck label":
        sheet.frame(x, y, wide, high, 0.2)
    else:
        sheet.image(x, y, wide, high, reduced(picture, 260, 260))
