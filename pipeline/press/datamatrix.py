"""Data Matrix symbols (ISO/IEC 16022, ECC 200) in two low rectangular sizes, for tags in a gutter."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

_FIELD = 0x12D  # x⁸ + x⁵ + x³ + x² + 1, ISO/IEC 16022, 5.7.1
_PAD = 129


@dataclass(frozen=True, slots=True)
class _Size:
    """Rows and columns of the symbol, its data regions side by side, code words of data and of correction."""

    rows: int
    columns: int
    regions: int
    data: int
    correction: int


_SIZES = (_Size(12, 36, 2, 22, 18), _Size(16, 48, 2, 49, 28))  # ISO/IEC 16022, table 7


def data_matrix(text: str) -> NDArray[np.bool_] | None:
    """Return the modules (12, 36) or (16, 48), True is dark, without quiet zone; None when the text is too long.

    The quiet zone is one module on every side. Raises ValueError for text that is not ASCII.
    """
    words = _encoded(text)
    for size in _SIZES:
        if len(words) <= size.data:
            return _symbol(size, _corrected(_padded(words, size.data), size.correction))
    return None


def _encoded(text: str) -> list[int]:
    """Return the code words of ASCII encodation: digits in pairs, else one a character."""
    if not text.isascii():
        raise ValueError("the code takes ASCII only")
    words, at = [], 0
    while at < len(text):
        pair = text[at : at + 2]
        if len(pair) == 2 and pair.isdigit():
            words.append(130 + int(pair))
            at += 2
        else:
            words.append(ord(text[at]) + 1)
            at += 1
    return words


def _padded(words: list[int], length: int) -> list[int]:
    """Fill up with pads, all but the first scrambled by their place (ISO/IEC 16022, 5.2.3 and annex B)."""
    padded = list(words)
    if len(padded) < length:
        padded.append(_PAD)
    while len(padded) < length:
        scrambled = _PAD + (149 * (len(padded) + 1)) % 253 + 1
        padded.append(scrambled if scrambled <= 254 else scrambled - 254)
    return padded


def _times(a: int, b: int) -> int:
    product_ = 0
    while b:
        if b & 1:
            product_ ^= a
        a = a << 1 ^ (_FIELD if a & 0x80 else 0)
        b >>= 1
    return product_


def _corrected(data: list[int], count: int) -> list[int]:
    """Return the data with its Reed–Solomon code words (ISO/IEC 16022, 5.7)."""
    generator = [1]
    root = 1
    for _ in range(count):
        root = _times(root, 2)
        shifted = [*generator, 0]
        generator = [a ^ _times(b, root) for a, b in zip(shifted, [0, *generator], strict=True)]
    rest = [0] * count
    for word in data:
        lead = word ^ rest[0]
        rest = [a ^ _times(lead, b) for a, b in zip([*rest[1:], 0], generator[1:], strict=True)]
    return data + rest


def _symbol(size: _Size, words: list[int]) -> NDArray[np.bool_]:
    """Return the symbol: the code words' bits in their places, and the finder pattern around each region."""
    inner_rows, inner = size.rows - 2, (size.columns - 2 * size.regions) // size.regions
    places = _places(inner_rows, inner * size.regions)
    bits = np.zeros(places.shape, np.bool_)
    for row, column in product(range(places.shape[0]), range(places.shape[1])):
        word, bit = divmod(int(places[row, column]), 8)
        bits[row, column] = words[word] >> (7 - bit) & 1
    out = np.zeros((size.rows, size.columns), np.bool_)
    for region in range(size.regions):
        left = region * (inner + 2)
        block = out[:, left : left + inner + 2]
        block[1:-1, 1:-1] = bits[:, region * inner : (region + 1) * inner]
        block[0, ::2] = True
        block[1::2, -1] = True
        block[-1] = True
        block[:, 0] = True
    return out


# The bits of one code word, from the most significant: row and column from its corner (annex F, "utah").
_SHAPE = ((-2, -2), (-2, -1), (-1, -2), (-1, -1), (-1, 0), (0, -2), (0, -1), (0, 0))

# One code word of the higher size is split over the corners, counted from the lower left one (annex F, corner 3).
_CORNER = ((-3, 0), (-2, 0), (-1, 0), (0, -2), (0, -1), (1, -1), (2, -1), (3, -1))


def _places(rows: int, columns: int) -> NDArray[np.int64]:
    """Return for each cell 8 × code word + bit (ISO/IEC 16022, annex F); both sizes are filled to the last cell."""
    out = np.full((rows, columns), -1, np.int64)
    word, row, column = 0, 4, 0
    while row < rows or column < columns:
        if row == rows - 2 and column == 0 and columns % 8 == 4:
            for bit, (y, x) in enumerate(_CORNER):
                out[y % rows, x % columns] = 8 * word + bit
            word += 1
        word, row, column = _diagonal(out, word, row, column, up=True)
        word, row, column = _diagonal(out, word, row + 1, column + 3, up=False)
        row, column = row + 3, column + 1
    return out


def _diagonal(out: NDArray[np.int64], word: int, row: int, column: int, *, up: bool) -> tuple[int, int, int]:
    """Place code words along one diagonal; return the next word and where the diagonal left the grid."""
    rows, columns = out.shape
    step = -2 if up else 2
    while True:
        if 0 <= row < rows and 0 <= column < columns and out[row, column] < 0:
            for bit, (dy, dx) in enumerate(_SHAPE):
                y, x = row + dy, column + dx
                if y < 0:
                    y, x = y + rows, x + 4 - (rows + 4) % 8
                if x < 0:
                    y, x = y + 4 - (columns + 4) % 8, x + columns
                out[y, x] = 8 * word + bit
            word += 1
        row, column = row + step, column - step
        if (up and (row < 0 or column >= columns)) or (not up and (row >= rows or column < 0)):
            return word, row, column
