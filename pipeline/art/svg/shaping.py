"""Text shaped: glyph outlines of a face, laid one after the other, anchored, stretched and decorated."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from pipeline.art.fonts import Face
from pipeline.art.svg import css, units
from pipeline.art.svg.job import Job
from pipeline.art.svg.outline import Outline, rectangle
from pipeline.art.svg.typeset import Letter, asked
from pipeline.art.svg.units import Matrix, multiply

if TYPE_CHECKING:
    from pipeline.art.svg.expand import Walker


@dataclass(slots=True)
class Glyph:
    """One shaped cluster: its outline in place, the cell it takes, where the pen stood; `advance` counts spacing."""

    letter: Letter
    outline: Outline
    cell: tuple[float, float, float, float]
    x: float
    y: float
    advance: float
    width: float
    turn: float
    bare: Outline


@lru_cache(maxsize=64)
def shaper(face: Face, weight: float) -> Any:
    """Return the font that shapes with a face, at its units per em."""
    import uharfbuzz

    font = uharfbuzz.Font(uharfbuzz.Face(uharfbuzz.Blob(face.path.read_bytes()), face.index))
    if face.heaviest > face.lightest:
        font.set_variations({"wght": min(max(weight, face.lightest), face.heaviest)})
    return font


class _Pen:
    """Takes a glyph's outline from the shaper (y up, font units)."""

    def __init__(self) -> None:
        self.out = Outline()
        self._at = self._start = (0.0, 0.0)

    def moveTo(self, p: tuple[float, float]) -> None:
        self.out.move(*p)
        self._at = self._start = p

    def lineTo(self, p: tuple[float, float]) -> None:
        self.out.line(*p)
        self._at = p

    def qCurveTo(self, c: tuple[float, float], p: tuple[float, float]) -> None:
        self.out.quad(*self._at, *c, *p)
        self._at = p

    def curveTo(self, a: tuple[float, float], b: tuple[float, float], p: tuple[float, float]) -> None:
        self.out.curve(*a, *b, *p)
        self._at = p

    def closePath(self) -> None:
        out = self.out  # a last line back to the start is what closing draws
        if out.ops[-1:] == ["L"] and (out.points[-2], out.points[-1]) == self._start:
            out.ops.pop()
            del out.points[-2:]
        out.close()


def set_chunk(walk: Walker, chunk: list[Letter]) -> list[Glyph]:
    """Return the glyphs of one chunk, placed and anchored."""
    first = chunk[0]
    previous = walk.pen if first.path is None else (0.0, 0.0)
    x, y = first.spots.get("x", previous[0]), first.spots.get("y", previous[1])
    start = x
    glyphs: list[Glyph] = []
    for run in _runs(chunk):
        for glyph in shape(run):
            spots = glyph.letter.spots
            x, y = x + spots.get("dx", 0.0), y + spots.get("dy", 0.0)
            glyph.x, glyph.y, glyph.turn = x, y + _below(glyph.letter), spots.get("rotate", 0.0)
            glyphs.append(glyph)
            x += glyph.advance
    x = _fitted(first, glyphs, start, x)
    if glyphs:  # the space after the last letter is no part of what is anchored
        x -= (loose := max(0.0, glyphs[-1].advance - glyphs[-1].width))
    anchor = css.word(first.style, "text-anchor", "start")
    back = {"middle": (x - start) / 2, "end": x - start}.get(anchor, 0.0)
    for glyph in glyphs:
        glyph.x -= back
        lay(glyph, multiply((1.0, 0.0, 0.0, 1.0, glyph.x, glyph.y), units.rotation(glyph.turn)))
    walk.pen = (x + (loose if glyphs else 0.0) - back, y)
    return glyphs


def lay(glyph: Glyph, matrix: Matrix) -> None:
    """Put the glyph where the matrix says."""
    glyph.outline = glyph.bare.moved(matrix)
    left, top, right, bottom = glyph.cell
    corners = [units.apply(matrix, cx, cy) for cx in (left, right) for cy in (top, bottom)]
    xs, ys = [c[0] for c in corners], [c[1] for c in corners]
    glyph.cell = min(xs), min(ys), max(xs), max(ys)


BASELINES: dict[str, tuple[float, float, float]] = {
    "middle": (0.5, 0.0, 0.0),
    "central": (0.0, 0.5, 0.5),
    "hanging": (0.0, 0.8, 0.0),
    "mathematical": (0.0, 0.5, 0.0),
    "text-before-edge": (0.0, 1.0, 0.0),
    "text-after-edge": (0.0, 0.0, 1.0),
    "ideographic": (0.0, 0.0, 1.0),
}
"""Height of a baseline over the letters' own, in parts of the face's x-height, ascent and (negative) descent.

Source of the parts: what browsers do where a font has no `BASE` table (CSS Inline 3 section 4.2 leaves them open).
"""


def _below(letter: Letter) -> float:
    """Return how far the letter's own baseline lies below the line that it is set on."""
    import uharfbuzz

    shift = units.number(letter.style.get("--shift")) or 0.0
    parts = BASELINES.get(css.word(letter.style, "dominant-baseline", "auto"))
    if parts is None or letter.face is None:
        return -shift
    font = shaper(letter.face, asked(letter.style)[1])
    extents = font.get_font_extents("ltr")
    height = font.get_metric_position_with_fallback(uharfbuzz.OTMetricsTag.X_HEIGHT)
    over = parts[0] * height + parts[1] * extents.ascender + parts[2] * extents.descender
    return float(over * letter.frame.font_size / font.face.upem) - shift


def _fitted(first: Letter, glyphs: list[Glyph], start: float, end: float) -> float:
    """Stretch the chunk to its textLength where it has one; return where it ends."""
    wanted = first.spots.get("length")
    if wanted is None or not glyphs or end <= start:
        return end
    if first.spots["stretch"]:
        factor = wanted / (end - start)
        for glyph in glyphs:
            glyph.x = start + (glyph.x - start) * factor
            glyph.bare = glyph.bare.moved((factor, 0.0, 0.0, 1.0, 0.0, 0.0))
            glyph.cell = glyph.cell[0] * factor, glyph.cell[1], glyph.cell[2] * factor, glyph.cell[3]
            glyph.advance *= factor
    elif len(glyphs) > 1:
        extra = (wanted - (end - start)) / (len(glyphs) - 1)
        for i, glyph in enumerate(glyphs):
            glyph.x += i * extra
            glyph.advance += extra
    return start + wanted


def _runs(chunk: list[Letter]) -> Iterator[list[Letter]]:
    """Yield characters that are shaped together: same face, size and spacing, whatever their paint."""
    start = 0
    for i in range(1, len(chunk) + 1):
        if i == len(chunk) or _kind(chunk[i]) != _kind(chunk[start]):
            yield chunk[start:i]
            start = i


def _kind(letter: Letter) -> tuple[object, ...]:
    own = [letter.style.get(n) for n in ("letter-spacing", "word-spacing", "font-kerning", "kerning")]
    return letter.face, letter.frame.font_size, asked(letter.style)[1], *own


def shape(run: list[Letter]) -> list[Glyph]:
    """Return the shaped clusters of a run, each at the origin."""
    import uharfbuzz

    letter = run[0]
    assert letter.face is not None
    font = shaper(letter.face, asked(letter.style)[1])
    scale = letter.frame.font_size / font.face.upem
    spacing = units.length(letter.style.get("letter-spacing"), letter.frame, "x") or 0.0
    between = units.length(letter.style.get("word-spacing"), letter.frame, "x") or 0.0
    buffer = uharfbuzz.Buffer()
    buffer.add_str("".join(x.char for x in run))
    buffer.guess_segment_properties()
    buffer.language = "en"
    apart = spacing or any(n in x.spots for x in run[1:] for n in ("dx", "dy", "rotate"))
    features = {"liga": False, "clig": False} if apart else {}
    if (
        css.word(letter.style, "font-kerning", "auto") == "none"
        or letter.style.get("kerning", "auto").strip() == "0"
    ):
        features["kern"] = False
    uharfbuzz.shape(font, buffer, features)
    extents = font.get_font_extents("ltr")
    out: list[Glyph] = []
    cluster = -1
    for info, position in zip(buffer.glyph_infos, buffer.glyph_positions, strict=True):
        if info.cluster != cluster:
            cluster = info.cluster
            empty = Outline()
            cell = (0.0, -extents.ascender * scale, 0.0, -extents.descender * scale)
            out.append(Glyph(run[cluster], empty, cell, 0.0, 0.0, 0.0, 0.0, 0.0, empty))
            out[-1].bare = Outline()
        glyph = out[-1]
        pen = _Pen()
        font.draw_glyph_with_pen(info.codepoint, pen)
        left = glyph.advance + position.x_offset * scale
        placed = pen.out.moved((scale, 0.0, 0.0, -scale, left, -position.y_offset * scale))
        glyph.bare.ops += placed.ops
        glyph.bare.points += placed.points
        glyph.advance += position.x_advance * scale
    for glyph in out:
        glyph.cell = 0.0, glyph.cell[1], glyph.advance, glyph.cell[3]
        glyph.width = glyph.advance
        glyph.advance += spacing + (between if glyph.letter.char in " \u00a0" else 0.0)
    return out


def decorations(job: Job, run: list[Glyph]) -> list[tuple[str, Outline, css.Style]]:
    """Return the lines under, over and through a run: (kind, rectangle, style that paints it)."""
    letter = run[0].letter
    if not letter.decoration or letter.face is None:
        return []
    if letter.path is not None or any(g.turn or g.y != run[0].y for g in run):
        job.unsupported(letter.element, "a line under or through text that does not stand in one line")
        return []
    from fontTools.ttLib import TTFont

    with TTFont(letter.face.path, fontNumber=letter.face.index, lazy=True) as font:
        em, post, metrics = font["head"].unitsPerEm, font["post"], font["OS/2"]
        thick, under = post.underlineThickness or em / 20, post.underlinePosition
        through, ascent = metrics.yStrikeoutPosition or em * 0.25, font["hhea"].ascent
    scale = letter.frame.font_size / em
    out = []
    for kind, style in letter.decoration:
        height = {"underline": under, "overline": ascent, "line-through": through + thick / 2}[kind] * scale
        top = run[0].y - height - (thick * scale / 2 if kind != "line-through" else 0.0)
        made = rectangle(run[0].x, top, run[-1].x + run[-1].advance - run[0].x, thick * scale)
        out.append((kind, made, style))
    return out
