"""Text in any script: cleaned, measured, wrapped, shaped and drawn; what no font can draw is spelled out.

Plain runs are set as text of embedded fonts. Right-to-left and combining scripts are shaped (HarfBuzz) in
the order of UAX #9 and drawn as outlines, with the same text laid invisibly over them for search and copying.
"""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass
from functools import cache, lru_cache
from pathlib import Path
from typing import Any, Literal, TypeAlias

FONTS = Path(__file__).parent / "fonts"
FILES = {
    "plain": "DejaVuSansCondensed.ttf",
    "bold": "DejaVuSansCondensed-Bold.ttf",
    "mono": "DejaVuSansMono.ttf",
}
Face: TypeAlias = Literal["plain", "bold", "mono"]

_JOINERS = "\u200c\u200d"  # they steer shaping and have no ink
_BREAKS = "\t\n\v\f\r\x1c\x1d\x1e\x85\u2028\u2029"
_MARKS = 3  # more marks on one letter would run into the lines above and below


@dataclass(frozen=True, slots=True)
class Piece:
    """A run in one face: plain text, or shaped glyphs as (glyph id, x, y) in em; `advance` is in em."""

    face: Face
    text: str
    advance: float
    glyphs: tuple[tuple[int, float, float], ...] | None = None


@cache
def font(face: Face) -> Any:
    """Register a bundled font with the PDF writer once and return it."""
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    made = TTFont(f"paper-{face}", str(FONTS / FILES[face]))
    pdfmetrics.registerFont(made)
    return made


@cache
def hb_font(face: Face) -> Any:
    """Return the same font for shaping."""
    import uharfbuzz

    return uharfbuzz.Font(uharfbuzz.Face((FONTS / FILES[face]).read_bytes()))


def _has(face: Face, char: str) -> bool:
    return ord(char) in font(face).face.charToGlyph


def clean(text: str) -> str:
    """Return text fit for one line: composed, no control or bidirectional marks, at most three marks a letter."""
    out: list[str] = []
    marks = 0
    for char in unicodedata.normalize("NFC", text):
        if char in _BREAKS:
            out.append(" ")
            continue
        kind = unicodedata.category(char)
        if kind == "Cc" or (kind == "Cf" and char not in _JOINERS):
            continue
        marks = marks + 1 if kind == "Mn" else 0
        if marks <= _MARKS:
            out.append(char)
    return " ".join("".join(out).split(" ")).strip()


def undrawable(text: str) -> tuple[str, ...]:
    """Return the characters, each once and in order, that none of the bundled fonts can draw."""
    return tuple(dict.fromkeys(c for c in clean(text) if not _has("plain", c) and c not in _JOINERS))


@lru_cache(maxsize=8192)
def spelled(text: str) -> str:
    """Return clean text in which each undrawable character is its code point, <U+65E5>."""
    missing = set(undrawable(text))
    return "".join(f"<U+{ord(c):04X}>" if c in missing else c for c in clean(text))


def _needs_shaping(text: str) -> bool:
    return any(
        c in _JOINERS
        or unicodedata.category(c)[0] == "M"
        or unicodedata.bidirectional(c) in ("R", "AL", "AN")
        for c in text
    )


def _faced(text: str, face: Face) -> list[tuple[Face, str]]:
    """Split by coverage: a letter the wanted face lacks is taken from the plain one, with its marks."""
    runs: list[tuple[Face, str]] = []
    for char in text:
        wants: Face = face if _has(face, char) else "plain"
        sticks = bool(runs) and (char in _JOINERS or unicodedata.category(char)[0] == "M")
        if runs and (sticks or runs[-1][0] == wants):
            runs[-1] = (runs[-1][0], runs[-1][1] + char)
        else:
            runs.append((wants, char))
    return runs


def _directed(text: str) -> list[tuple[str, bool]]:
    """Return the runs of one direction in the order they stand on paper, each with "is right to left".

    Levels by UAX #9 (python-bidi) in a left-to-right line, for the papers are English whatever the name;
    runs reordered by its rule L2, letters inside a run left logical.
    """
    from bidi import algorithm as uax9

    storage = uax9.get_empty_storage()
    storage["base_level"], storage["base_dir"] = 0, "L"
    uax9.get_embedding_levels(text, storage)
    uax9.explicit_embed_and_overrides(storage)
    uax9.resolve_weak_types(storage)
    uax9.resolve_neutral_types(storage, False)
    uax9.resolve_implicit_levels(storage, False)
    runs: list[tuple[int, str]] = []
    for char in storage["chars"]:
        if runs and runs[-1][0] == char["level"]:
            runs[-1] = (char["level"], runs[-1][1] + char["ch"])
        else:
            runs.append((char["level"], char["ch"]))
    for level in range(max(level for level, _ in runs), 0, -1):
        start = 0
        while start < len(runs):
            end = start
            while end < len(runs) and runs[end][0] >= level:
                end += 1
            runs[start:end] = reversed(runs[start:end])
            start = max(end, start + 1)
    return [(run, level % 2 == 1) for level, run in runs]


def _shape(text: str, face: Face, *, rtl: bool) -> Piece:
    import uharfbuzz

    buffer = uharfbuzz.Buffer()
    buffer.add_str(text)
    buffer.guess_segment_properties()
    buffer.direction = "rtl" if rtl else "ltr"
    shaper = hb_font(face)
    uharfbuzz.shape(shaper, buffer)
    em = float(shaper.face.upem)
    x, glyphs = 0.0, []
    for info, place in zip(buffer.glyph_infos, buffer.glyph_positions, strict=True):
        glyphs.append((info.codepoint, x + place.x_offset / em, place.y_offset / em))
        x += place.x_advance / em
    return Piece(face, text, x, tuple(glyphs))


@lru_cache(maxsize=8192)
def pieces(text: str, face: Face) -> tuple[Piece, ...]:
    """Return the runs of a spelled text from left to right on paper."""
    if not text:
        return ()
    if not _needs_shaping(text):
        return tuple(Piece(f, run, font(f).stringWidth(run, 1)) for f, run in _faced(text, face))
    out: list[Piece] = []
    for run, rtl in _directed(text):
        faced = _faced(run, face)
        out += [_shape(part, f, rtl=rtl) for f, part in (reversed(faced) if rtl else faced)]
    return tuple(out)


def width_of(text: str, face: Face, size: float) -> float:
    """Width of a spelled text in points at `size` points."""
    return size * sum(piece.advance for piece in pieces(text, face))


def fit(text: str, face: Face, size: float, width: float) -> str:
    """Return the spelled text, or as much of its beginning and end as fits into `width` points with "…" between.

    Names of files and colours begin alike and differ at their end.
    """
    text = spelled(text)
    if width_of(text, face, size) <= width:
        return text
    low, high = 0, len(text)
    while low < high:
        middle = (low + high + 1) // 2
        if width_of(_without_middle(text, middle), face, size) <= width:
            low = middle
        else:
            high = middle - 1
    while low and width_of(_without_middle(text, low), face, size) > width:
        low -= 1  # letters that join in other ways may be wider where there are fewer
    return _without_middle(text, low)


def _without_middle(text: str, keep: int) -> str:
    """Return `keep` letters of a text, from its beginning and its end, and "…" between."""
    tail = text[len(text) - keep // 2 :].lstrip()
    while tail and unicodedata.category(tail[0])[0] == "M":
        tail = tail[1:]  # a mark without its letter
    return f"{text[: keep - keep // 2].rstrip()}…{tail}"


def wrap(text: str, face: Face, size: float, width: float) -> tuple[str, ...]:
    """Return the spelled text in lines no wider than `width` points; words longer than a line are broken."""
    lines: list[str] = []
    line = ""
    for word in spelled(text).split(" "):
        joined = f"{line} {word}" if line else word
        if width_of(joined, face, size) <= width:
            line = joined
            continue
        if line:
            lines.append(line)
        line = word
        while width_of(line, face, size) > width and len(line) > 1:
            cut = next((i for i in range(len(line) - 1, 1, -1) if width_of(line[:i], face, size) <= width), 1)
            lines.append(line[:cut])
            line = line[cut:]
    return (*lines, line) if line or not lines else tuple(lines)


class _Outline:
    """Collects glyph outlines as a path of the PDF page; quadratics are raised to cubics (exact)."""

    def __init__(self, path: Any, x: float, y: float, scale: float) -> None:
        self.path, self.x, self.y, self.scale = path, x, y, scale
        self.now = (0.0, 0.0)

    def _at(self, point: tuple[float, float]) -> tuple[float, float]:
        return self.x + point[0] * self.scale, self.y + point[1] * self.scale

    def moveTo(self, point: tuple[float, float]) -> None:
        self.now = point
        self.path.moveTo(*self._at(point))

    def lineTo(self, point: tuple[float, float]) -> None:
        self.now = point
        self.path.lineTo(*self._at(point))

    def qCurveTo(self, control: tuple[float, float], end: tuple[float, float]) -> None:
        first = tuple(n + (c - n) * 2 / 3 for n, c in zip(self.now, control, strict=True))
        second = tuple(e + (c - e) * 2 / 3 for e, c in zip(end, control, strict=True))
        self.curveTo(first, second, end)  # type: ignore[arg-type]

    def curveTo(
        self, first: tuple[float, float], second: tuple[float, float], end: tuple[float, float]
    ) -> None:
        self.now = end
        self.path.curveTo(*self._at(first), *self._at(second), *self._at(end))

    def closePath(self) -> None:
        self.path.close()


def draw(canvas: Any, x: float, y: float, text: str, face: Face, size: float) -> None:
    """Draw a spelled text with its baseline's left end at (x, y), in points, in the canvas's fill colour."""
    start = x
    shaped = False
    for piece in pieces(text, face):
        if piece.glyphs is None:
            font(piece.face)
            canvas.setFont(f"paper-{piece.face}", size)
            canvas.drawString(x, y, piece.text)
        else:
            shaped = True
            shaper = hb_font(piece.face)
            scale = size / shaper.face.upem
            path = canvas.beginPath()
            for glyph, dx, dy in piece.glyphs:
                shaper.draw_glyph_with_pen(glyph, _Outline(path, x + dx * size, y + dy * size, scale))
            canvas.drawPath(path, stroke=0, fill=1, fillMode=1)
        x += piece.advance * size
    if shaped:
        canvas.setFont("paper-plain", size)
        canvas.drawString(start, y, text, mode=3)  # invisible: for search and copying
