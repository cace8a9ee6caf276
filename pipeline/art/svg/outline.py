"""Outlines: path data and basic shapes as moves, lines and cubics in absolute coordinates.

Sources: SVG 1.1 section 8.3 (path data, its error handling: all up to the error is drawn), section 9 (basic shapes),
appendix F.6 (arcs: endpoint to centre form).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field

from pipeline.art.svg.units import NUMBER, Matrix, apply, text_of

ROUND = 0.5522847498307936
"""Handle length of a cubic that stands for a quarter of a unit circle: 4/3·(√2 − 1)."""

_COUNTS = {"m": 2, "l": 2, "h": 1, "v": 1, "c": 6, "s": 4, "q": 4, "t": 2, "a": 7, "z": 0}
_N = rf"(?>{NUMBER.pattern})"  # atomic: a number is never cut short to make the rest fit
_ARC = re.compile(rf"[\s,]*({_N})[\s,]*({_N})[\s,]*({_N})[\s,]*([01])[\s,]*([01])[\s,]*({_N})[\s,]*({_N})")
_LETTER = re.compile(r"[\s,]*([A-Za-z])")
_RUN = re.compile(rf"[\s,]*({NUMBER.pattern})")


@dataclass(slots=True)
class Outline:
    """`ops` holds the letters M, L, C, Z; `points` their coordinates one after the other (2, 2, 6, 0 a letter)."""

    ops: list[str] = field(default_factory=list)
    points: list[float] = field(default_factory=list)
    inner: set[int] = field(default_factory=set)
    """Places in `ops` of the pieces that go on with an arc: no vertex lies before them."""

    def move(self, x: float, y: float) -> None:
        """Start a new part."""
        self.ops.append("M")
        self.points += (x, y)

    def line(self, x: float, y: float) -> None:
        """Draw a straight line."""
        self.ops.append("L")
        self.points += (x, y)

    def curve(self, x1: float, y1: float, x2: float, y2: float, x: float, y: float) -> None:
        """Draw a cubic."""
        self.ops.append("C")
        self.points += (x1, y1, x2, y2, x, y)

    def quad(self, x0: float, y0: float, x1: float, y1: float, x: float, y: float) -> None:
        """Draw a quadratic from (x0, y0) as the cubic that it is."""
        self.curve(
            x0 + (x1 - x0) * 2 / 3, y0 + (y1 - y0) * 2 / 3, x + (x1 - x) * 2 / 3, y + (y1 - y) * 2 / 3, x, y
        )

    def close(self) -> None:
        """Close the part."""
        self.ops.append("Z")

    def d(self) -> str:
        """Return the path data."""
        parts, at = [], 0
        for op in self.ops:
            count = _WIDTH[op]
            parts.append(op + " ".join([text_of(v) for v in self.points[at : at + count]]))
            at += count
        return "".join(parts)

    def moved(self, matrix: Matrix) -> Outline:
        """Return the outline with every point moved by the matrix."""
        points: list[float] = []
        for i in range(0, len(self.points), 2):
            points += apply(matrix, self.points[i], self.points[i + 1])
        return Outline(list(self.ops), points)

    def box(self) -> tuple[float, float, float, float] | None:
        """Return (left, top, right, bottom) of the geometry without stroke, curves by their extremes."""
        if len(self.points) < 4:
            return None
        xs, ys = list(self.points[0::2]), list(self.points[1::2])
        if "C" in self.ops:
            xs, ys = self._extremes()
        return min(xs), min(ys), max(xs), max(ys)

    def _extremes(self) -> tuple[list[float], list[float]]:
        out: tuple[list[float], list[float]] = ([], [])
        p, at, last = self.points, 0, (0.0, 0.0)
        for op in self.ops:
            count = _WIDTH[op]
            if op == "C":
                for axis in (0, 1):
                    out[axis].extend(
                        _cubic_extremes(last[axis], p[at + axis], p[at + 2 + axis], p[at + 4 + axis])
                    )
            elif op in "ML":
                out[0].append(p[at])
                out[1].append(p[at + 1])
            at += count
            if count:
                last = (p[at - 2], p[at - 1])
        return out


_WIDTH = {"M": 2, "L": 2, "C": 6, "Z": 0}


def _cubic_extremes(p0: float, p1: float, p2: float, p3: float) -> list[float]:
    values = [p0, p3]
    if min(p0, p3) <= min(p1, p2) and max(p1, p2) <= max(p0, p3):
        return values
    a, b, c = p3 - 3 * p2 + 3 * p1 - p0, 2 * (p2 - 2 * p1 + p0), p1 - p0
    roots: list[float] = []
    if abs(a) < 1e-12:
        roots = [-c / b] if abs(b) > 1e-12 else []
    elif b * b - 4 * a * c >= 0:
        root = math.sqrt(b * b - 4 * a * c)
        roots = [(-b + root) / (2 * a), (-b - root) / (2 * a)]
    for t in roots:
        if 0 < t < 1:
            s = 1 - t
            values.append(s * s * s * p0 + 3 * s * s * t * p1 + 3 * s * t * t * p2 + t * t * t * p3)
    return values


class TooManyPointsError(Exception):
    """A path has more segments than the cap allows."""


def parse(text: str, most: int = 5_000_000) -> Outline:
    """Return the outline of path data, all up to the first error; raises TooManyPointsError beyond `most` segments."""
    pen = _Pen()
    at, end, op = 0, len(text), ""
    while at < end:
        found = _LETTER.match(text, at)
        if found:
            op, at = found.group(1), found.end()
            if op.lower() not in _COUNTS or (not pen.out.ops and op not in "Mm"):
                break
            if op in "Zz":
                pen.close()
                continue
        elif op in ("", "z", "Z") or not _RUN.match(text, at):
            break
        values, at = _values(text, at, op.lower())
        if values is None or not pen.add(op, values):
            break
        op = {"M": "L", "m": "l"}.get(op, op)
        if len(pen.out.ops) > most:
            raise TooManyPointsError
    return pen.out


def _values(text: str, at: int, op: str) -> tuple[list[float] | None, int]:
    if op == "a":
        found = _ARC.match(text, at)
        return ([float(g) for g in found.groups()], found.end()) if found else (None, at)
    values = []
    for _ in range(_COUNTS[op]):
        found = _RUN.match(text, at)
        if not found:
            return None, at
        values.append(float(found.group(1)))
        at = found.end()
    return values, at


class _Pen:
    """Carries the current point, the start of the part and the last handle."""

    def __init__(self) -> None:
        self.out = Outline()
        self.x = self.y = self.start_x = self.start_y = 0.0
        self.handle: tuple[str, float, float] = ("", 0.0, 0.0)

    def close(self) -> None:
        if self.out.ops and self.out.ops[-1] != "Z":
            self.out.close()
        self.x, self.y, self.handle = self.start_x, self.start_y, ("", 0.0, 0.0)

    def add(self, op: str, v: list[float]) -> bool:
        """Add one segment; False where a number is not finite."""
        if not all(math.isfinite(n) and abs(n) < 1e15 for n in v):
            return False
        kind, x0, y0 = op.lower(), self.x, self.y
        if op.islower() and kind not in "hva":
            v = [n + (y0 if i % 2 else x0) for i, n in enumerate(v)]
        if self.out.ops and self.out.ops[-1] == "Z" and kind != "m":
            self.out.move(x0, y0)
        handle = ("", 0.0, 0.0)
        if kind == "m":
            self._move(*v)
        elif kind in "lhv":
            base = (x0, y0) if op.islower() else (0.0, 0.0)
            x, y = (
                (v[0], v[1])
                if kind == "l"
                else ((base[0] + v[0], y0) if kind == "h" else (x0, base[1] + v[0]))
            )
            self.out.line(x, y)
            self.x, self.y = x, y
        elif kind in "cs":
            if kind == "s":
                v = [*self._mirrored("c"), *v]
            self.out.curve(v[0], v[1], v[2], v[3], v[4], v[5])
            self.x, self.y, handle = v[4], v[5], ("c", v[2], v[3])
        elif kind in "qt":
            if kind == "t":
                v = [*self._mirrored("q"), *v]
            self.out.quad(x0, y0, v[0], v[1], v[2], v[3])
            self.x, self.y, handle = v[2], v[3], ("q", v[0], v[1])
        else:
            x, y = (v[5] + x0, v[6] + y0) if op.islower() else (v[5], v[6])
            arc(self.out, x0, y0, v[0], v[1], v[2], large=v[3] != 0, sweep=v[4] != 0, x=x, y=y)
            self.x, self.y = x, y
        self.handle = handle
        return True

    def _move(self, x: float, y: float) -> None:
        if self.out.ops and self.out.ops[-1] == "M":  # a move right after a move draws nothing
            self.out.ops.pop()
            del self.out.points[-2:]
        self.out.move(x, y)
        self.x, self.y, self.start_x, self.start_y = x, y, x, y

    def _mirrored(self, kind: str) -> tuple[float, float]:
        if self.handle[0] != kind:
            return self.x, self.y
        return 2 * self.x - self.handle[1], 2 * self.y - self.handle[2]


def arc(
    out: Outline,
    x0: float,
    y0: float,
    rx: float,
    ry: float,
    turn: float,
    *,
    large: bool,
    sweep: bool,
    x: float,
    y: float,
) -> None:
    """Draw an elliptical arc from (x0, y0) to (x, y) as cubics of at most a quarter each (SVG 1.1 F.6.5)."""
    rx, ry = abs(rx), abs(ry)
    if (x0, y0) == (x, y):
        return
    if rx == 0 or ry == 0:
        out.line(x, y)
        return
    phi = math.radians(turn % 360)
    cos, sin = math.cos(phi), math.sin(phi)
    dx, dy = (x0 - x) / 2, (y0 - y) / 2
    x1, y1 = cos * dx + sin * dy, -sin * dx + cos * dy
    scale = math.hypot(x1 / rx, y1 / ry)
    if scale > 1:
        rx, ry = rx * scale, ry * scale
    under = (rx * ry) ** 2 - (rx * y1) ** 2 - (ry * x1) ** 2
    over = (rx * y1) ** 2 + (ry * x1) ** 2
    root = math.sqrt(max(0.0, under / over)) if over else 0.0
    if large == sweep:
        root = -root
    cx1, cy1 = root * rx * y1 / ry, -root * ry * x1 / rx
    cx, cy = cos * cx1 - sin * cy1 + (x0 + x) / 2, sin * cx1 + cos * cy1 + (y0 + y) / 2
    first = math.atan2((y1 - cy1) / ry, (x1 - cx1) / rx)
    span = math.atan2((-y1 - cy1) / ry, (-x1 - cx1) / rx) - first
    if sweep and span < 0:
        span += 2 * math.pi
    elif not sweep and span > 0:
        span -= 2 * math.pi
    pieces = max(1, math.ceil(abs(span) / (math.pi / 2) - 1e-9))
    step = span / pieces
    reach = 4 / 3 * math.tan(step / 4)
    for i in range(pieces):
        a, b = first + i * step, first + (i + 1) * step
        ca, sa, cb, sb = math.cos(a), math.sin(a), math.cos(b), math.sin(b)
        local = ((ca - reach * sa, sa + reach * ca), (cb + reach * sb, sb - reach * cb), (cb, sb))
        moved = [(cos * u * rx - sin * w * ry + cx, sin * u * rx + cos * w * ry + cy) for u, w in local]
        if i == pieces - 1:
            moved[2] = (x, y)
        if i:
            out.inner.add(len(out.ops))
        out.curve(*moved[0], *moved[1], *moved[2])


def rectangle(x: float, y: float, width: float, height: float, rx: float = 0.0, ry: float = 0.0) -> Outline:
    """Return a rectangle, with rounded corners where rx and ry are above 0."""
    out = Outline()
    if rx <= 0 or ry <= 0:
        out.move(x, y)
        out.line(x + width, y)
        out.line(x + width, y + height)
        out.line(x, y + height)
        out.close()
        return out
    rx, ry = min(rx, width / 2), min(ry, height / 2)
    right, bottom, kx, ky = x + width, y + height, rx * (1 - ROUND), ry * (1 - ROUND)
    out.move(x + rx, y)
    out.line(right - rx, y)
    out.curve(right - kx, y, right, y + ky, right, y + ry)
    out.line(right, bottom - ry)
    out.curve(right, bottom - ky, right - kx, bottom, right - rx, bottom)
    out.line(x + rx, bottom)
    out.curve(x + kx, bottom, x, bottom - ky, x, bottom - ry)
    out.line(x, y + ry)
    out.curve(x, y + ky, x + kx, y, x + rx, y)
    out.close()
    return out


def oval(cx: float, cy: float, rx: float, ry: float) -> Outline:
    """Return an ellipse, clockwise from its rightmost point (where dashes start, SVG 2 section 10.4)."""
    out, kx, ky = Outline(), rx * ROUND, ry * ROUND
    out.move(cx + rx, cy)
    out.curve(cx + rx, cy + ky, cx + kx, cy + ry, cx, cy + ry)
    out.curve(cx - kx, cy + ry, cx - rx, cy + ky, cx - rx, cy)
    out.curve(cx - rx, cy - ky, cx - kx, cy - ry, cx, cy - ry)
    out.curve(cx + kx, cy - ry, cx + rx, cy - ky, cx + rx, cy)
    out.close()
    return out
