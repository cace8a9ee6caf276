"""Checks that hold for every paper, on the boxes the kit recorded and on what PDFium reads from the page."""

from __future__ import annotations

from itertools import groupby

import numpy as np
import pypdfium2
from numpy.typing import NDArray

from pipeline.papers.kit import Box, Sheet

TOUCH_MM = 0.25  # a box is a whole em high; letters leave more than this free inside it


def linear(colour: NDArray[np.float64]) -> NDArray[np.float64]:
    """Linear light of encoded sRGB 0–1 (IEC 61966-2-1)."""
    return np.where(colour <= 0.04045, colour / 12.92, ((colour + 0.055) / 1.055) ** 2.4)


def contrast(one: tuple[int, int, int], other: tuple[int, int, int]) -> float:
    """Contrast ratio by WCAG 2.2, written again here, apart from the kit's."""
    a, b = (float((linear(np.array(c) / 255) * (0.2126, 0.7152, 0.0722)).sum()) for c in (one, other))
    return (max(a, b) + 0.05) / (min(a, b) + 0.05)


def outside(sheet: Sheet) -> list[Box]:
    """Boxes that leave the page or its 5 mm edge."""
    return [
        b
        for b in sheet.boxes
        if b.x < 5 or b.y < 5 or b.x + b.width > sheet.width - 5 or b.y + b.height > sheet.height - 5
    ]


def overlaps(boxes: list[Box]) -> list[tuple[Box, Box]]:
    """Pairs of text boxes on one page that cover each other by more than a touch."""
    found = []
    for _, group in groupby(boxes, key=lambda b: b.page):
        page = list(group)
        x, y = np.array([b.x for b in page]), np.array([b.y for b in page])
        r, d = x + [b.width for b in page], y + [b.height for b in page]
        wide = np.minimum(r[:, None], r) - np.maximum(x[:, None], x)
        high = np.minimum(d[:, None], d) - np.maximum(y[:, None], y)
        for i, j in np.argwhere(np.triu((wide > TOUCH_MM) & (high > TOUCH_MM), 1)):
            found.append((page[i], page[j]))
    return found


def faint(sheet: Sheet) -> list[Box]:
    """Boxes whose ink is below 4.5 : 1 against their ground."""
    return [b for b in sheet.boxes if contrast(b.ink, b.ground) < 4.5]


def read(pdf: bytes) -> str:
    """All text of a PDF as PDFium extracts it."""
    document = pypdfium2.PdfDocument(pdf)
    return "\n".join(page.get_textpage().get_text_bounded() for page in document)


def rendered(pdf: bytes, page: int, ppi: float) -> NDArray[np.uint8]:
    """One page as an RGB picture, drawn by PDFium."""
    return np.asarray(pypdfium2.PdfDocument(pdf)[page].render(scale=ppi / 72).to_pil().convert("RGB"))
