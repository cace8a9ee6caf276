"""Setting text: characters with their places, the face of each, shaped glyphs, chunks and anchors."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any
from xml.etree.ElementTree import Element

from pipeline.art.fonts import Face
from pipeline.art.svg import css, units
from pipeline.art.svg.job import Job, Place, owners_of
from pipeline.art.svg.outline import Outline, rectangle
from pipeline.art.svg.servers import href
from pipeline.art.svg.units import Frame, Matrix, multiply

if TYPE_CHECKING:
    from pipeline.art.svg.expand import Walker

SILENT = units.words("title desc metadata style script")
MOST = 200_000
"""Characters of one text element."""


@dataclass(slots=True)
class Letter:
    """One character with its style and, where given, its own place (absolute x, y, relative dx, dy, turn)."""

    char: str
    element: Element
    style: css.Style
    frame: Frame
    owners: tuple[str, ...]
    path: Element | None
    decoration: tuple[tuple[str, css.Style], ...]
    spots: dict[str, float]
    face: Face | None = None


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


def collect(walk: Walker, element: Element, style: css.Style, place: Place) -> list[Letter]:
    """Return the characters of a text element in order, white space settled, with the places they were given."""
    out: list[Letter] = []
    ranges: list[tuple[Element, Frame, list[Letter]]] = []
    outer = [walk.job.style_of(above) for above in reversed(list(walk.job.document.ancestors(element)))]
    lines = tuple((word, style) for above in outer for word in _lines(above))
    _collect(walk, element, style, place, None, lines, out, ranges)
    if len(out) > MOST:
        walk.job.unsupported(element, f"a text of more than {MOST:,} characters")
        return []
    kept = _settled(out)
    alive = {id(letter) for letter in kept}
    for owner, frame, letters in ranges:
        _spots(walk.job, owner, frame, [x for x in letters if id(x) in alive])
    return kept


def _collect(
    walk: Walker,
    element: Element,
    style: css.Style,
    place: Place,
    path: Element | None,
    decoration: tuple[tuple[str, css.Style], ...],
    out: list[Letter],
    ranges: list[tuple[Element, Frame, list[Letter]]],
) -> None:
    job = walk.job
    job.step(element, place.depth)
    first = len(out)
    decoration = (*decoration, *((word, style) for word in _lines(style)))

    def add(text: str | None) -> None:
        out.extend(
            Letter(c, element, style, place.frame, place.owners, path, decoration, {}) for c in text or ""
        )

    add(element.text)
    for child in element:
        if child.tag in ("tspan", "a", "textPath"):
            own = css.computed(job.declared(child), style)
            _raise(own, style, place)
            ids = [*owners_of(child), *([child.get("id", "")] if child.get("id") else [])]
            inner = replace(place, depth=place.depth + 1, style=own, owners=(*place.owners, *ids))
            inner = replace(inner, frame=walk.frame_of(own, replace(place, style=style)))
            if own.get("display") != "none" and walk.applies(child):
                way = _path_of(job, child) if child.tag == "textPath" else path
                if child.tag != "textPath" or way is not None:
                    _collect(walk, child, own, inner, way, decoration, out, ranges)
        elif child.tag in ("tref", "altGlyph", "switch", "set"):
            job.unsupported(child, f"<{child.tag}> in text")
        add(child.tail)
    ranges.append((element, place.frame, out[first:]))


def _lines(style: css.Style) -> list[str]:
    words = f"{style.get('text-decoration', '')} {style.get('text-decoration-line', '')}".lower().split()
    return [w for w in ("underline", "overline", "line-through") if w in words]


def _path_of(job: Job, element: Element) -> Element | None:
    address = href(element)
    if address and not address.startswith("#"):
        job.external(element, address)
    if element.get("side", "left") != "left" or element.get("method", "align") != "align":
        job.unsupported(element, "text on the other side of a path")
    target = job.document.ids.get(address[1:])
    if target is None or target.tag != "path":
        job.unsupported(element, "text on a path that is not in the file")
        return None
    return element


def _spots(job: Job, element: Element, frame: Frame, letters: list[Letter]) -> None:
    """Hand out the element's lists of places; elements further in have had theirs already and keep them."""
    for name, axis in (("x", "x"), ("y", "y"), ("dx", "x"), ("dy", "y"), ("rotate", "d")):
        text = element.get(name)
        if not text or element.tag == "textPath":
            continue
        words = text.replace(",", " ").split()
        values = [units.number(w) if name == "rotate" else units.length(w, frame, axis) for w in words]
        if any(v is None for v in values):
            continue
        for i, letter in enumerate(letters):
            if i < len(values) or name == "rotate":
                letter.spots.setdefault(name, values[min(i, len(values) - 1)] or 0.0)
    if element.get("textLength") and letters:
        wanted = units.length(element.get("textLength"), frame, "x")
        if wanted is not None and wanted < 0:
            return
        if (
            wanted is not None
            and element.tag == "text"
            and not any("x" in x.spots or "y" in x.spots for x in letters[1:])
        ):
            letters[0].spots["length"] = wanted
            letters[0].spots["stretch"] = 1.0 if element.get("lengthAdjust") == "spacingAndGlyphs" else 0.0
        else:
            job.unsupported(element, "textLength on a part of the text")


def _settled(letters: list[Letter]) -> list[Letter]:
    """Return the characters after white space is collapsed, or kept where xml:space says so."""
    out: list[Letter] = []
    for letter in letters:
        if letter.char in "\t\n\r ":
            letter.char = " "
            kept = letter.style.get("xml:space") == "preserve" or letter.style.get("white-space") in (
                "pre",
                "pre-wrap",
            )
            if not kept and (not out or out[-1].char == " "):
                continue
        out.append(letter)
    while out and out[-1].char == " " and out[-1].style.get("xml:space") != "preserve":
        out.pop()
    return out


def left_to_right(job: Job, letters: list[Letter]) -> bool:
    """Note text that runs from right to left, which is not set here."""
    for letter in letters:
        if unicodedata.bidirectional(letter.char) in ("R", "AL", "RLE", "RLO", "RLI", "AN"):
            job.unsupported(letter.element, "text that runs from right to left")
            return False
    return True


_WEIGHTS = {"normal": 400.0, "bold": 700.0, "bolder": 700.0, "lighter": 300.0}
STRETCHES = {
    "ultra-condensed": 1, "extra-condensed": 2, "condensed": 3, "semi-condensed": 4, "normal": 5, "semi-expanded": 6,
    "expanded": 7, "extra-expanded": 8, "ultra-expanded": 9,
}  # fmt: skip


def choose(job: Job, letters: list[Letter]) -> bool:
    """Give every character its face; note faces used (warn) and missing (stop). True where none is missing."""
    text = "".join(x.char for x in letters)
    missing: dict[str, tuple[Element, str]] = {}
    for letter in letters:
        wanted = asked(letter.style)
        faces = [
            f
            for name in wanted[0]
            if (f := job.fonts.find(name, wanted[1], italic=wanted[2], stretch=wanted[3]))
        ]
        letter.face = next((f for f in faces if f.holds(letter.char)), None)
        if letter.face is None:
            label = ", ".join(n for n in wanted[0] if n) or "(no font named)"
            label += f" {wanted[1]:g}" + (" italic" if wanted[2] else "")
            before = missing.get(label, (letter.element, ""))
            missing[label] = (before[0], before[1] + letter.char)
    for label, (element, characters) in missing.items():
        job.find("font-missing", "stop", element,
                 f"the font '{label}' is missing, or its glyphs are, for {characters[:40]!r} in {text[:40]!r}",
                 "Convert the text to outlines in the drawing program, or install the font.",
                 measured=label)  # fmt: skip
    if missing:
        return False
    for face in dict.fromkeys(x.face for x in letters if x.face is not None):
        job.find("live-text", "warn", letters[0].element,
                 f"the text {text[:40]!r} was outlined with {face.path.name} (SHA-256 {face.digest()[:16]}…)",
                 "Check its look on the proof; outlined text would not depend on the font.",
                 measured=face.path.name)  # fmt: skip
    return True


def asked(style: css.Style) -> tuple[tuple[str, ...], float, bool, int]:
    """Return (families, weight, italic, stretch) that the style asks for."""
    families = tuple(n.strip().strip("\"'") for n in style.get("font-family", "").split(","))
    text = style.get("font-weight", "normal").strip().lower()
    weight = _WEIGHTS.get(text) or units.number(text) or 400.0
    italic = style.get("font-style", "normal").strip().lower().split(" ")[0] in ("italic", "oblique")
    return families, weight, italic, STRETCHES.get(style.get("font-stretch", "normal").strip().lower(), 5)


def chunks(letters: list[Letter]) -> Iterator[list[Letter]]:
    """Yield runs of characters that are anchored as one: a new one starts at every absolute place and every path."""
    start = 0
    for i in range(1, len(letters) + 1):
        if (
            i == len(letters)
            or "x" in letters[i].spots
            or "y" in letters[i].spots
            or letters[i].path is not letters[i - 1].path
        ):
            yield letters[start:i]
            start = i


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
        self._at = (0.0, 0.0)

    def moveTo(self, p: tuple[float, float]) -> None:
        self.out.move(*p)
        self._at = p

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
        self.out.close()


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
            glyph.x, glyph.y, glyph.turn = x, y - _shift(glyph.letter), spots.get("rotate", 0.0)
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


def _raise(own: css.Style, above: css.Style, place: Place) -> None:
    """Add the shift of the elements around to an own one, so that it stands in pixels from the text's baseline."""
    before = units.number(above.get("--shift")) or 0.0
    text = own.get("baseline-shift", "0").strip().lower()
    share = units.number(text[:-1]) if text.endswith("%") else None
    size = units.length(own.get("font-size"), place.frame, "d") or place.frame.font_size
    shift = share / 100 * size if share is not None else units.length(text, place.frame, "d") or 0.0
    own["--shift"] = f"{before + shift:.9f}"


def _shift(letter: Letter) -> float:
    return units.number(letter.style.get("--shift")) or 0.0


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
