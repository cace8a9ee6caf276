"""The proof: what the customer approves, every print on every fabric colour, on plain drawn garments in scale."""

from __future__ import annotations

from pipeline.papers import words
from pipeline.papers.facts import BandFacts, ColourwayFacts, PrintFacts, ProofFacts, SizeFacts
from pipeline.papers.garment import Frame, Outline, draw_garment, outline, view_of
from pipeline.papers.kit import (
    BIG,
    BODY,
    GIANT,
    HAIR,
    INK,
    LABEL,
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
from pipeline.papers.parts import (
    bullets,
    chip,
    common_scale,
    findings_list,
    foot,
    heading,
    order_title,
    print_picture,
    reduced,
    tick,
)

PICTURES_BYTES = 2_500_000
CELL_MM = 62.0


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
    scale = _garment_scale(facts)
    pictures = sum(1 for way in facts.colourways for item in way.prints if item.picture is not None)
    for way in facts.colourways:
        _colourway(sheet, way, scale, PICTURES_BYTES // max(1, 2 * pictures))
    heading(sheet, "Δ", words.PROOF_CHANGES, 10)
    bullets(sheet, facts.changes + _said(facts) or (words.PROOF_UNCHANGED,))
    if facts.decisions:
        heading(sheet, "!", words.PROOF_AGREED, 14)
        findings_list(sheet, (), facts.decisions)
    _answer(sheet, facts)
    return sheet


def _furniture(sheet: Sheet, facts: ProofFacts) -> None:
    job = facts.job
    foot(sheet, f"{job.order} · revision {job.revision} · proof · {job.shop}".rstrip(" ·"))
    width = sheet.right - MARGIN
    if sheet.page > 1:
        sheet.figure(MARGIN, sheet.y, f"Proof {job.order} r{job.revision}", BIG, width * 0.55)
        sheet.say(MARGIN + width * 0.56, sheet.y + 1, sheet.running, STRONG, width * 0.44, "right")
        sheet.y += BIG.height + 1
        return
    top = sheet.y
    order_title(sheet, MARGIN, f"Proof {job.order}", GIANT, width * 0.68)
    sheet.say(MARGIN + width * 0.72, top + 1, f"revision {job.revision}", LARGE, width * 0.28, "right")
    if job.due:
        sheet.say(MARGIN + width * 0.7, top + 7, f"due {job.due}", STRONG, width * 0.3, "right")
    sheet.y = max(sheet.y, top + GIANT.height)
    about = " · ".join(part for part in (job.customer, job.title) if part)
    sheet.y += sheet.tell(MARGIN, sheet.y, about, LARGE, width, most=3) + 1
    height = sheet.height_of(words.PROOF_ASK, STRONG, width - 6) + 3
    sheet.fill(MARGIN, sheet.y, width, height, PALE)
    sheet.tell(MARGIN + 3, sheet.y + 1.2, words.PROOF_ASK, STRONG, width - 6)
    sheet.y += height + 1
    sheet.y += sheet.tell(MARGIN, sheet.y, words.PROOF_SCREEN, SMALL, width)


# -- garments ----------------------------------------------------------------------------------------------


def _side(item: PrintFacts) -> str:
    """Return what is drawn together: front, back, or one of the sleeves."""
    view = view_of(item.position)
    return item.position if view == "sleeve" else view


def _shown(way: ColourwayFacts) -> tuple[SizeFacts, ...]:
    """Return the smallest and the largest size that is ordered."""
    ordered = [size for size in way.sizes if size.pieces] or list(way.sizes)
    return (ordered[0],) if len(ordered) == 1 else (ordered[0], ordered[-1])


def _shape(item: PrintFacts, size: SizeFacts) -> Outline:
    return outline(view_of(item.position), size, item.line)


def _garment_scale(facts: ProofFacts) -> float:
    """Return sheet mm per garment mm, one for the whole proof, so that the largest garment fits its cell."""
    wide, high = 1.0, 1.0
    for way in facts.colourways:
        for item in way.prints:
            left, top, right, bottom = _shape(item, _shown(way)[-1]).bounds
            wide, high = max(wide, right - left), max(high, bottom - top)
    return min((CELL_MM * 0.84) / wide, CELL_MM / high)


def _colourway(sheet: Sheet, way: ColourwayFacts, scale: float, budget: int) -> None:
    heading(sheet, "", f"{way.name} · {way.garment}", CELL_MM + 40)
    sizes = "   ".join(f"{size.size}: {size.pieces}" for size in way.sizes)
    sheet.y += sheet.tell(sheet.left, sheet.y, sizes, BODY, sheet.span)
    total = f"{words.count(way.garments, 'garment')} · fabric {way.cloth.name}"
    sheet.y += (
        sheet.tell(sheet.left, sheet.y, f"{total} · {way.cloth.fibres}".rstrip(" ·"), STRONG, sheet.span) + 2
    )
    for side in dict.fromkeys(_side(item) for item in way.prints):
        _garments(sheet, way, side, scale)
    enlarged = common_scale(way.prints, 56, 56)
    for item in way.prints:
        _closer(sheet, item, enlarged, budget)


def _garments(sheet: Sheet, way: ColourwayFacts, side: str, scale: float) -> None:
    """Draw one side of the garment small, large and, when it is known, large after washing."""
    prints = [item for item in way.prints if _side(item) == side]
    washed = any(item.fade_calibrated and item.picture_washed is not None for item in prints)
    cells = [(size, False) for size in _shown(way)] + ([(_shown(way)[-1], True)] if washed else [])
    wide = sheet.span / 3
    captions = [_caption(prints, size, side, after_wash=after) for size, after in cells]
    text = max(sum(sheet.height_of(line, SMALL, wide - 4) for line in lines) for lines in captions)
    heights = [_shape(prints[0], size).bounds for size, _ in cells]
    high = max(bottom - top for _, top, _, bottom in heights) * scale
    sheet.need(high + text + 4)
    for k, ((size, after), lines) in enumerate(zip(cells, captions, strict=True)):
        shape = _shape(prints[0], size)
        x = sheet.left + k * wide
        frame = Frame(x + wide / 2 - 2, sheet.y + 1 - shape.bounds[1] * scale, scale)
        stroke = WHITE if luminance(way.cloth.srgb) < 0.03 else INK
        draw_garment(sheet, frame, shape, way.cloth.srgb, stroke, 0.2)
        for item in prints:
            _place(sheet, frame, item, size, after_wash=after)
        y = sheet.y + high + 2.5
        for line in lines:
            y += sheet.tell(x, y, line, SMALL, wide - 4)
    sheet.y += high + text + 5


def _band_of(item: PrintFacts, size: SizeFacts) -> BandFacts | None:
    return next((band for band in item.bands if size.size in band.sizes), None)


def _caption(prints: list[PrintFacts], size: SizeFacts, side: str, *, after_wash: bool) -> list[str]:
    if after_wash:
        return [words.PROOF_WASHED.format(size=size.size, washes=max(item.washes for item in prints))]
    lines = [f"{side}, size {size.size}"]
    for item in prints:
        band = _band_of(item, size)
        if band is not None:
            lines.append(f"{item.name}: {words.area(band.width_mm, band.height_mm)}")
    return lines


def _place(sheet: Sheet, frame: Frame, item: PrintFacts, size: SizeFacts, *, after_wash: bool) -> None:
    band = _band_of(item, size)
    if band is None:
        return
    x, y = frame.at(*band.origin_mm)
    wide, high = band.width_mm * frame.scale, band.height_mm * frame.scale
    picture = item.picture_washed if after_wash and item.fade_calibrated else item.picture
    if picture is None or item.position == "neck label":
        sheet.frame(x, y, wide, high, 0.2)
    else:
        sheet.image(x, y, wide, high, reduced(picture, 260, 260))


# -- closer ------------------------------------------------------------------------------------------------


def _closer(sheet: Sheet, item: PrintFacts, scale: float, budget: int) -> None:
    """Show a print larger, after washing beside it when that is known, with its numbered colours."""
    if item.picture is None:
        return
    band = max(item.bands, key=lambda b: b.width_mm)
    wide, high = band.width_mm / scale, band.height_mm / scale
    pictures = [(item.picture, f"{item.name}, {item.position}")]
    if item.fade_calibrated and item.picture_washed is not None:
        pictures.append((item.picture_washed, f"predicted at {words.count(item.washes, 'wash', 'washes')}"))
    step = max(wide, 36.0) + 4
    rest = sheet.span - step * len(pictures)
    beside = rest >= 36
    columns = max(1, int((rest if beside else sheet.span) // 18))
    rows = -(-len(item.colours) // columns)
    chips = rows * 11.5
    height = max(high, chips) if beside else high + chips + 3
    sheet.need(LABEL.height + height + 4)
    for k, (picture, label) in enumerate(pictures):
        sheet.say(sheet.left + k * step, sheet.y, label, LABEL, step - 2)
        print_picture(
            sheet, sheet.left + k * step, sheet.y + LABEL.height + 0.5, wide, high, picture, None, budget
        )
    x = sheet.right - rest if beside else sheet.left
    top = sheet.y + LABEL.height + 0.5 + (0 if beside else high + 2)
    for i, colour in enumerate(item.colours):
        at, y = x + i % columns * 18, top + i // columns * 11.5
        chip(sheet, at, y, 16.5, 6.6, colour.printed, str(colour.number))
        sheet.say(at, y + 7, colour.name or f"colour {colour.number}", SMALL, 16.5)
    sheet.y += LABEL.height + height + 4


def _said(facts: ProofFacts) -> tuple[str, ...]:
    """Say in plain words what the line itself changed; once for all colourways it is equal on."""
    said: dict[str, list[str]] = {}
    for way in facts.colourways:
        for item in way.prints:
            for line in _said_of(item):
                said.setdefault(line, []).append(way.name)
    return tuple(f"{', '.join(names)}: {line}" for line, names in said.items())


def _said_of(item: PrintFacts) -> list[str]:
    lines = []
    if item.knocked_out_mm2:
        lines.append(
            words.PROOF_KNOCKED_OUT.format(print=item.name, share=words.percent(item.knocked_out_share))
        )
    if item.base:
        lines.append(words.PROOF_BASE.format(print=item.name, why=item.base_why or words.PROOF_BASE_WHY))
    if item.fade != "none":
        known = "" if item.fade_calibrated else f" {words.PROOF_GUESS}"
        after = words.count(item.washes, "wash", "washes") if item.washes else "washing"
        lines.append(words.PROOF_FADE.format(print=item.name, washes=after) + known)
    return lines


def _answer(sheet: Sheet, facts: ProofFacts) -> None:
    """Draw where to say yes or no, with order and revision, so that the slip stands alone."""
    heading(sheet, "✓", words.PROOF_ANSWER, 52)
    top = sheet.y
    sheet.frame(sheet.left, top, sheet.span, 50, 0.5)
    x, wide = sheet.left + 4, sheet.span - 8
    sheet.figure(x, top + 2.5, f"{facts.job.order} · revision {facts.job.revision}", BIG, wide)
    tick(sheet, x, top + 12, 6)
    sheet.say(x + 9, top + 12, words.PROOF_YES, LARGE, wide - 9)
    tick(sheet, x, top + 21, 6)
    sheet.say(x + 9, top + 21, words.PROOF_NO, LARGE, wide - 9)
    sheet.rule(x + 60, top + 26.5, sheet.right - 4, top + 26.5, 0.2, HAIR)
    sheet.rule(x + 9, top + 34, sheet.right - 4, top + 34, 0.2, HAIR)
    for k, label in enumerate(("name", "date", "signature")):
        at = x + k * wide / 3
        sheet.rule(at, top + 44, at + wide / 3 - 4, top + 44, 0.2, INK)
        sheet.say(at, top + 44.6, label, SMALL, wide / 3 - 4)
    sheet.y = top + 51
