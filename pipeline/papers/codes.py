"""Bar codes as rectangles on a sheet: Code 128 (ISO/IEC 15417) and QR (ISO/IEC 18004), ASCII only."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from itertools import groupby
from typing import Any

from pipeline.papers.kit import MM, Sheet

QUIET_MODULES = 10  # on each side (ISO/IEC 15417)
SQUARE_QUIET = 4  # all around (ISO/IEC 18004)
MODULE_MM = 0.5  # at most; three pixels when the page is read at 150 ppi
LEAST_MM = 0.315  # at least; finer ones are not read for sure at 150 ppi
SQUARE_LEAST_MM = 0.28


def ascii_only(text: str) -> bool:
    """Whether a bar code may hold the text: printable ASCII."""
    return bool(text) and all(" " <= c <= "~" for c in text)


def _bars(text: str) -> list[tuple[bool, int]]:
    """Return the (is bar, modules) runs of Code 128."""
    from reportlab.graphics.barcode.code128 import Code128

    code: Any = Code128(text)
    code.validate()
    code.encode()
    return [(c.isupper(), ord(c.lower()) - 96) for c in code.decompose()]


def line_width(text: str, width: float) -> float:
    """Return the width in mm that `line_code` will use of `width`: 0 when the text doesn't fit or isn't ASCII."""
    if not ascii_only(text):
        return 0.0
    modules = sum(many for _, many in _bars(text)) + 2 * QUIET_MODULES
    module = min(MODULE_MM, width / modules)
    return modules * module if module >= LEAST_MM else 0.0


def line_code(sheet: Sheet, x: float, y: float, width: float, height: float, text: str) -> float:
    """Draw Code 128 with its quiet zones from x on; return the width used in mm, 0 when it doesn't fit."""
    used = line_width(text, width)
    if not used:
        return 0.0
    bars = _bars(text)
    module = used / (sum(many for _, many in bars) + 2 * QUIET_MODULES)
    sheet.fill(x, y, used, height, (255, 255, 255))
    at = x + QUIET_MODULES * module
    path = sheet.canvas.beginPath()
    for bar, many in bars:
        if bar:
            path.rect(at * MM, (sheet.height - y - height) * MM, many * module * MM, height * MM)
        at += many * module
    _ink(sheet, path)
    return used


@lru_cache(maxsize=256)
def _square(text: str) -> tuple[tuple[bool, ...], ...]:
    """Return the modules of a QR code, rows from the top: measured and drawn, and that twice, it is made once."""
    from reportlab.graphics.barcode import qrencoder

    code: Any = qrencoder.QRCode(None, qrencoder.QRErrorCorrectLevel.M)
    code.addData(text)
    code.make()
    return tuple(tuple(bool(cell) for cell in row) for row in code.modules)


def square_code(sheet: Sheet, x: float, y: float, side: float, text: str) -> None:
    """Draw a QR code with its quiet zone inside a square of `side` mm; nothing when it isn't ASCII."""
    if ascii_only(text):
        cells = _square(text)
        _draw_square(sheet, x, y, side / (len(cells) + 2 * SQUARE_QUIET), cells)


def row_height(text: str) -> float:
    """Return the least height in mm of a row whose `row_code` can be read; 0 for a text that gets none."""
    return (len(_square(text)) + SQUARE_QUIET) * SQUARE_LEAST_MM if ascii_only(text) else 0.0


def row_code(sheet: Sheet, x: float, y: float, width: float, height: float, text: str) -> None:
    """Draw a QR code at the right of a row, so that it shares its quiet zone with the rows above and below."""
    if not ascii_only(text):
        return
    cells = _square(text)
    module = min(width / (len(cells) + 2 * SQUARE_QUIET), height / (len(cells) + SQUARE_QUIET))
    side = module * (len(cells) + 2 * SQUARE_QUIET)
    _draw_square(sheet, x + width - side, y + (height - side) / 2, module, cells)


def _draw_square(sheet: Sheet, x: float, y: float, module: float, cells: Sequence[Sequence[bool]]) -> None:
    path = sheet.canvas.beginPath()
    for row, line in enumerate(cells):
        at = x + SQUARE_QUIET * module
        below = sheet.height - y - (row + SQUARE_QUIET + 1) * module
        for dark, run in groupby(line):
            many = len(list(run))
            if dark:
                path.rect(at * MM, below * MM, many * module * MM, module * MM)
            at += many * module
    _ink(sheet, path)


def _ink(sheet: Sheet, path: Any) -> None:
    sheet.canvas.setFillColorRGB(0, 0, 0)
    sheet.canvas.drawPath(path, stroke=0, fill=1)
