"""Pieces that several papers share: headings, banners, tick boxes, chips, pictures with hatching."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from pipeline.art.paint import Rgb
from pipeline.finding import Finding
from pipeline.papers import words
from pipeline.papers.facts import Decision, Mask, Picture, PrintFacts
from pipeline.papers.kit import (
    BODY,
    HAIR,
    INK,
    LABEL,
    LARGE,
    MARGIN,
    MM,
    PALE,
    QUIET,
    SMALL,
    STRONG,
    TINY,
    WHITE,
    Sheet,
    Style,
)

SCALES = (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 10.0, 12.0, 15.0, 20.0)
PICTURE_BYTES = 1_000_000
"""Raw bytes that all pictures of one ticket share, so that it stays far below 1.5 MB."""

_QUIET_SMALL = Style("plain", SMALL.size, QUIET)
_QUIET_TINY = Style("plain", TINY.size, QUIET)


def mark(sheet: Sheet, sign: str) -> None:
    """Write a step's number or sign into the rail."""
    sheet.fill(MARGIN, sheet.y, 9, 9, INK)
    sheet.say(MARGIN, sheet.y + 0.9, sign, Style("bold", 17), 9, "centre")


def heading(sheet: Sheet, sign: str, title: str, room: float, aside: str = "") -> None:
    """Start a section: a rule over the full width, its number or sign in the rail, its title, a remark beside it.

    `room` is the height in mm of what must stay with the heading on one page.
    """
    sheet.running = ""
    sheet.y += 2.2
    sheet.need(room + 9)
    sheet.bookmark(f"{sign} {title}".strip())
    sheet.rule(MARGIN, sheet.y, sheet.right, sheet.y, 0.5)
    sheet.y += 1.4
    if sign:
        mark(sheet, sign)
    if aside:
        sheet.say(sheet.left + 40, sheet.y + 1.8, aside, SMALL, sheet.span - 40, "right")
    sheet.say(sheet.left, sheet.y + 0.2, title, LARGE, 38 if aside else sheet.span)
    sheet.running = f"{sign} {title}".strip()
    sheet.y += 6.8


def banner(sheet: Sheet, text: str, x: float, width: float) -> None:
    """Write a loud line, white on black, with a warning sign; moves the cursor."""
    height = sheet.height_of(text, STRONG, width - 13) + 2.4
    sheet.need(height + 1)
    sheet.fill(x, sheet.y, width, height, INK)
    top = sheet.y + height / 2
    sheet.shape([(x + 2, top + 2.4), (x + 8, top + 2.4), (x + 5, top - 2.7)], fill=WHITE, stroke=WHITE)
    sheet.rule(x + 5, top - 0.9, x + 5, top + 0.9, 0.7, INK)
    sheet.rule(x + 5, top + 1.4, x + 5, top + 2.0, 0.7, INK)
    sheet.tell(x + 11, sheet.y + 1, text, STRONG, width - 13)
    sheet.y += height + 1.2


def order_title(sheet: Sheet, x: float, text: str, style: Style, width: float) -> None:
    """Write an order's number as large as it fits, over several lines if it is long; moves the cursor."""
    if sheet.height_of(text, replace(style, size=style.size * 0.6), width) <= style.height * 0.61:
        sheet.y += sheet.figure(x, sheet.y, text, style, width)
    else:
        sheet.y += sheet.tell(x, sheet.y, text, LARGE, width)


def tick(sheet: Sheet, x: float, y: float, side: float = 4.5) -> None:
    """Draw an empty box to tick."""
    sheet.frame(x, y, side, side, 0.35)


def pair(
    sheet: Sheet, x: float, y: float, width: float, label: str, value: str, style: Style = BODY, most: int = 2
) -> float:
    """Write a small label with its value below, `most` lines at most; return the height used."""
    used = sheet.say(x, y, label, _QUIET_TINY, width)
    return used + sheet.tell(x, y + used, value, style, width, most=most) + 0.8


def chip(sheet: Sheet, x: float, y: float, width: float, height: float, colour: Rgb, label: str) -> None:
    """Draw a colour field that carries its number on a white plate, so colour is never the only carrier."""
    sheet.fill(x, y, width, height, colour)
    sheet.frame(x, y, width, height, 0.2)
    if label:
        side = min(height - 1.4, 5.2)
        plate = side + (1.6 if len(label) > 1 else 0)
        sheet.fill(x + 0.7, y + 0.7, plate, side, WHITE)
        style = Style("bold", side * MM * 0.72)
        sheet.say(x + 0.7, y + 0.7 + (side - style.height) / 2, label, style, plate, "centre")


INLINE = Style("plain", 8.0)
INLINE_LABEL = 18.0


def inline(sheet: Sheet, x: float, width: float, label: str, value: str) -> None:
    """Write a small label and its value on one line from the cursor on, the value wrapped in its column."""
    sheet.say(x, sheet.y + 0.2, label, _QUIET_TINY, INLINE_LABEL - 1)
    sheet.y += sheet.tell(x + INLINE_LABEL, sheet.y, value, INLINE, width - INLINE_LABEL) + 0.4


def common_scale(prints: tuple[PrintFacts, ...], width: float, height: float) -> float:
    """Return the n of 1 : n at which the largest band of every print fits into width × height mm."""
    wide = max((b.width_mm for p in prints for b in p.bands), default=width)
    high = max((b.height_mm for p in prints for b in p.bands), default=height)
    wanted = max(wide / width, high / height)
    return next((s for s in SCALES if s >= wanted), SCALES[-1] * max(1.0, wanted / SCALES[-1]))


def hatched(picture: Picture, mask: Mask | None, step: int = 7) -> Picture:
    """Return the picture with black and white diagonal lines where `mask` is true: visible on any fabric."""
    if mask is None or not mask.any():
        return picture
    rows, columns = np.nonzero(mask)
    phase = (rows + columns) % step
    out = picture.copy()
    out[rows[phase == 0], columns[phase == 0]] = 0
    out[rows[phase == 1], columns[phase == 1]] = 255
    return out


def reduced(picture: Picture, width_px: int, height_px: int) -> Picture:
    """Return the picture at most this large; never enlarged."""
    from PIL import Image

    height, width = picture.shape[:2]
    if width <= width_px and height <= height_px:
        return picture
    size = (max(1, min(width, width_px)), max(1, min(height, height_px)))
    return np.asarray(Image.fromarray(picture).resize(size, Image.Resampling.BOX))


def print_picture(
    sheet: Sheet,
    x: float,
    y: float,
    width: float,
    height: float,
    picture: Picture,
    mask: Mask | None = None,
    budget: int = PICTURE_BYTES,
) -> None:
    """Place a picture at a size in mm, at 200 ppi or as fine as `budget` raw bytes allow, hatched by `mask`."""
    finest = min(200 / 25.4, (budget / 3 / (width * height)) ** 0.5)
    small = reduced(picture, max(1, int(width * finest)), max(1, int(height * finest)))
    if mask is not None and mask.any():
        grey = np.where(mask, 255, 0).astype(np.uint8)
        mask = reduced(np.repeat(grey[..., None], 3, 2), small.shape[1], small.shape[0])[..., 0] > 127
    sheet.image(x, y, width, height, hatched(small, mask))
    sheet.frame(x, y, width, height, 0.15)


FINDING_MM, FINDING_COMPACT_MM = (40.0, 20.0), (28.0, 14.0)
FINDING_BYTES = 90_000


def findings_list(
    sheet: Sheet,
    findings: tuple[Finding, ...],
    decisions: tuple[Decision, ...],
    pictures: Mapping[str, Picture] | None = None,
) -> None:
    """Write findings with their severity as a word, their pictures in a column beside them, then who accepted what."""
    known = pictures or {}
    shown = any(finding.picture in known for finding in findings)
    box = FINDING_COMPACT_MM if sheet.compact else FINDING_MM
    width = sheet.span - 18 - (box[0] + 3 if shown else 0)
    free = sheet.y  # where the column of pictures ends
    for finding in findings:
        place = [finding.print or finding.art or "", words.run_of(finding.sizes) if finding.sizes else ""]
        line = " · ".join(part for part in (finding.code, *place) if part)
        picture = known.get(finding.picture)
        tall = 0.0 if picture is None else fitted(picture, *box)[1] + TINY.height + 1
        height = sheet.height_of(finding.told, SMALL, width) + STRONG.height
        if sheet.need(max(height, max(free - sheet.y, 0) + tall if tall else 0)):
            free = sheet.y
        top = sheet.y
        loud = finding.severity == "stop"
        _tagged(sheet, words.SEVERITIES[finding.severity], line, finding.told, width, loud=loud)
        if picture is not None:
            _beside(sheet, max(top, free), picture, finding.code, box)
            free = max(top, free) + tall
    sheet.y = max(sheet.y, free)
    for decision in decisions:
        head = " · ".join(part for part in (decision.what, decision.where) if part)
        body = f"Accepted by {decision.by}." + (f" Why: {decision.why}" if decision.why else "")
        _tagged(sheet, "AGREED", head, body, sheet.span - 18)


def _beside(sheet: Sheet, y: float, picture: Picture, label: str, box: tuple[float, float]) -> None:
    wide, tall = fitted(picture, *box)
    print_picture(sheet, sheet.right - wide, y, wide, tall, picture, None, FINDING_BYTES)
    sheet.say(sheet.right - box[0], y + tall + 0.2, label, TINY, box[0], "right")


def _tagged(sheet: Sheet, tag: str, line: str, body: str, width: float, *, loud: bool = False) -> None:
    height = sheet.height_of(body, SMALL, width) + STRONG.height + 1.2
    sheet.need(height)
    sheet.fill(sheet.left, sheet.y + 0.4, 14, 5, INK if loud else PALE)
    sheet.say(sheet.left, sheet.y + 0.8, tag, LABEL, 14, "centre")
    sheet.say(sheet.left + 17, sheet.y, line, STRONG, width)
    sheet.tell(sheet.left + 17, sheet.y + STRONG.height, body, SMALL, width)
    sheet.y += height


def fitted(picture: Picture, width: float, height: float) -> tuple[float, float]:
    """Return width and height in mm of a picture that fills a box of width × height mm one way."""
    tall, wide = picture.shape[:2]
    unit = min(width / wide, height / tall)
    return wide * unit, tall * unit


def bullets(sheet: Sheet, lines: tuple[str, ...], style: Style = BODY) -> None:
    """Write a list, one dash a line."""
    for line in lines:
        height = sheet.height_of(line, style, sheet.span - 5)
        sheet.need(height)
        sheet.say(sheet.left, sheet.y, "–", style, 4)
        sheet.tell(sheet.left + 5, sheet.y, line, style, sheet.span - 5)
        sheet.y += height + 0.6


def foot(sheet: Sheet, left: str) -> None:
    """Write the foot of a page: what it belongs to, and page n of m."""
    y = sheet.height - MARGIN - 1
    sheet.rule(MARGIN, y - 1.2, sheet.right, y - 1.2, 0.15, HAIR)
    sheet.say(MARGIN, y, left, _QUIET_TINY, sheet.right - MARGIN - 35)
    number = f"page {sheet.page} of {sheet.pages}" if sheet.pages else f"page {sheet.page}"
    sheet.say(sheet.right - 30, y, number, _QUIET_SMALL, 30, "right")
