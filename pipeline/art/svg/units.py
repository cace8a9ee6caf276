"""Numbers, lengths and transforms as SVG writes them, and the one way they are written back.

Sources: SVG 1.1 sections 4.2 and 7.6 (numbers, transform lists), CSS Values 3 section 5 (lengths; 1in = 96px),
SVG 1.1 section 7.8 (preserveAspectRatio).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

Matrix = tuple[float, float, float, float, float, float]
"""(a, b, c, d, e, f): x' = a·x + c·y + e, y' = b·x + d·y + f."""

IDENTITY: Matrix = (1.0, 0.0, 0.0, 1.0, 0.0, 0.0)
NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")
_LENGTH = re.compile(rf"\s*({NUMBER.pattern})\s*([a-zA-Z%]*)\s*$")
_ABSOLUTE = {
    "": 1.0,
    "px": 1.0,
    "in": 96.0,
    "mm": 96 / 25.4,
    "cm": 96 / 2.54,
    "q": 96 / 101.6,
    "pt": 96 / 72,
    "pc": 16.0,
}
_FUNCTION = re.compile(r"\s*,?\s*([a-zA-Z]+)\s*\(([^()]*)\)")
LARGEST = 1e9
"""Coordinates beyond it are refused: no drawing needs them, and renderers overflow."""


@dataclass(frozen=True, slots=True)
class Frame:
    """What relative lengths refer to: the nearest viewport and the font size, all in user units."""

    width: float
    height: float
    font_size: float = 16.0
    root_font_size: float = 16.0

    def reference(self, axis: str) -> float:
        """Return what 100 % means along x, y, or for lengths without a direction."""
        if axis == "x":
            return self.width
        return self.height if axis == "y" else math.hypot(self.width, self.height) / math.sqrt(2)


def words(text: str) -> frozenset[str]:
    """Return the words of a list."""
    return frozenset(text.split())


def number(text: str | None) -> float | None:
    """Return a finite number, or None."""
    found = NUMBER.fullmatch(text.strip()) if text else None
    value = float(found.group()) if found else math.nan
    return value if math.isfinite(value) else None


def numbers(text: str) -> list[float]:
    """Return all numbers of a list separated by blanks or commas; raises ValueError for anything else."""
    if NUMBER.sub("", text).strip(" ,\t\r\n"):
        raise ValueError(f"{text!r} is not a list of numbers")
    return [float(n) for n in NUMBER.findall(text)]


def opacity(text: str | None) -> float:
    """Return an opacity 0–1 from a number or percentage; what is no opacity counts as 1."""
    text = (text or "").strip()
    value = number(text[:-1]) if text.endswith("%") else number(text)
    if value is None:
        return 1.0
    return min(1.0, max(0.0, value / 100 if text.endswith("%") else value))


def length(text: str | None, frame: Frame, axis: str) -> float | None:
    """Return a length in user units, or None where `text` is none (wrong unit, not finite)."""
    found = _LENGTH.match(text) if text else None
    if not found:
        return None
    value, unit = float(found.group(1)), found.group(2).lower()
    if unit in _ABSOLUTE:
        value *= _ABSOLUTE[unit]
    elif unit == "%":
        value *= frame.reference(axis) / 100
    elif unit in ("em", "ex", "ch"):
        value *= frame.font_size * (1.0 if unit == "em" else 0.5)
    elif unit == "rem":
        value *= frame.root_font_size
    else:
        return None
    return value if math.isfinite(value) else None


def multiply(outer: Matrix, inner: Matrix) -> Matrix:
    """Return the matrix that applies `inner` first, then `outer`."""
    if outer == IDENTITY:
        return inner
    if inner == IDENTITY:
        return outer
    a, b, c, d, e, f = outer
    g, h, i, j, k, m = inner
    return a * g + c * h, b * g + d * h, a * i + c * j, b * i + d * j, a * k + c * m + e, b * k + d * m + f


def invert(matrix: Matrix) -> Matrix:
    """Return the inverse; raises ZeroDivisionError where there is none."""
    a, b, c, d, e, f = matrix
    det = a * d - b * c
    return d / det, -b / det, -c / det, a / det, (c * f - d * e) / det, (b * e - a * f) / det


def flat(matrix: Matrix) -> bool:
    """Is the matrix one that draws nothing (no inverse, or not finite)?"""
    return (
        not all(math.isfinite(v) for v in matrix)
        or abs(matrix[0] * matrix[3] - matrix[1] * matrix[2]) < 1e-18
    )


def apply(matrix: Matrix, x: float, y: float) -> tuple[float, float]:
    """Return the point moved by the matrix."""
    a, b, c, d, e, f = matrix
    return a * x + c * y + e, b * x + d * y + f


def transform(text: str | None) -> Matrix | None:
    """Return the matrix of a transform list, IDENTITY for nothing, None where it cannot be read.

    CSS spellings are taken too: units px and deg, and the functions translateX/Y, scaleX/Y, skew.
    """
    text = (text or "").strip()
    if not text or text == "none":
        return IDENTITY
    result, end = IDENTITY, 0
    while end < len(text.rstrip()):
        found = _FUNCTION.match(text, end)
        if not found:
            return None
        one = _single(found.group(1), found.group(2))
        if one is None:
            return None
        result, end = multiply(result, one), found.end()
    return result


def _single(name: str, arguments: str) -> Matrix | None:
    plain = re.sub(r"(?<=[\d.])(px|deg)(?![a-z])", "", arguments)
    turn = re.fullmatch(rf"\s*({NUMBER.pattern})(rad|turn|grad)\s*", plain)
    if turn:
        plain = str(float(turn.group(1)) * {"rad": 180 / math.pi, "turn": 360.0, "grad": 0.9}[turn.group(2)])
    try:
        v = numbers(plain)
    except ValueError:
        return None
    name, count = name.lower(), len(v)
    if name == "matrix" and count == 6:
        return v[0], v[1], v[2], v[3], v[4], v[5]
    if name == "translate" and count in (1, 2):
        return 1.0, 0.0, 0.0, 1.0, v[0], v[1] if count == 2 else 0.0
    if name == "scale" and count in (1, 2):
        return v[0], 0.0, 0.0, v[-1], 0.0, 0.0
    if name == "rotate" and count in (1, 3):
        return rotation(v[0], *v[1:])
    if name == "skew" and count in (1, 2):
        return (
            1.0,
            math.tan(math.radians(v[1])) if count == 2 else 0.0,
            math.tan(math.radians(v[0])),
            1.0,
            0.0,
            0.0,
        )
    if count != 1:
        return None
    return {
        "skewx": (1.0, 0.0, math.tan(math.radians(v[0])), 1.0, 0.0, 0.0),
        "skewy": (1.0, math.tan(math.radians(v[0])), 0.0, 1.0, 0.0, 0.0),
        "translatex": (1.0, 0.0, 0.0, 1.0, v[0], 0.0),
        "translatey": (1.0, 0.0, 0.0, 1.0, 0.0, v[0]),
        "scalex": (v[0], 0.0, 0.0, 1.0, 0.0, 0.0),
        "scaley": (1.0, 0.0, 0.0, v[0], 0.0, 0.0),
    }.get(name)


def rotation(degrees: float, x: float = 0.0, y: float = 0.0) -> Matrix:
    """Return the matrix that turns clockwise (y points down) about (x, y); quarter turns are exact."""
    quarter = {0.0: (1.0, 0.0), 90.0: (0.0, 1.0), 180.0: (-1.0, 0.0), 270.0: (0.0, -1.0)}.get(degrees % 360)
    cos, sin = quarter or (math.cos(math.radians(degrees)), math.sin(math.radians(degrees)))
    return cos, sin, -sin, cos, x - cos * x + sin * y, y - sin * x - cos * y


def view_box(text: str | None) -> tuple[float, float, float, float] | None:
    """Return (x, y, width, height), or None where there is none or it is no area."""
    try:
        v = numbers(text or "")
    except ValueError:
        return None
    if len(v) != 4 or not all(math.isfinite(n) for n in v) or v[2] <= 0 or v[3] <= 0:
        return None
    return v[0], v[1], v[2], v[3]


def fit(
    box: tuple[float, float, float, float], width: float, height: float, ratio: str | None
) -> tuple[Matrix, bool]:
    """Return the matrix that lays `box` into width × height, and whether it may stick out (slice)."""
    words = [w for w in (ratio or "").split() if w != "defer"]
    align = words[0] if words else "xMidYMid"
    scale_x, scale_y = width / box[2], height / box[3]
    if align == "none":
        return (scale_x, 0.0, 0.0, scale_y, -box[0] * scale_x, -box[1] * scale_y), False
    if not re.fullmatch(r"x(Min|Mid|Max)Y(Min|Mid|Max)", align):
        align, words = "xMidYMid", []
    cut = len(words) > 1 and words[1] == "slice"
    scale = max(scale_x, scale_y) if cut else min(scale_x, scale_y)
    share = {"Min": 0.0, "Mid": 0.5, "Max": 1.0}
    left = (width - box[2] * scale) * share[align[1:4]] - box[0] * scale
    top = (height - box[3] * scale) * share[align[5:8]] - box[1] * scale
    return (scale, 0.0, 0.0, scale, left, top), cut


def text_of(value: float) -> str:
    """Return the number as it is written: at most 9 significant digits, no minus zero, read back unchanged."""
    written = f"{value:.9g}"
    return "0" if written == "-0" else written


def matrix_text(matrix: Matrix) -> str:
    """Return the matrix as a transform attribute."""
    return f"matrix({' '.join(text_of(v) for v in matrix)})"
