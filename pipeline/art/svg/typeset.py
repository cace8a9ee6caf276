"""Text before it is shaped: characters with their styles and places, white space settled, the face of each."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING
from xml.etree.ElementTree import Element

from pipeline.art.fonts import Face
from pipeline.art.svg import css, units
from pipeline.art.svg.job import Job, Place, owners_of
from pipeline.art.svg.servers import href
from pipeline.art.svg.units import Frame

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


def _raise(own: css.Style, above: css.Style, place: Place) -> None:
    """Add the shift of the elements around to an own one, so that it stands in pixels from the text's baseline."""
    before = units.number(above.get("--shift")) or 0.0
    text = own.get("baseline-shift", "0").strip().lower()
    share = units.number(text[:-1]) if text.endswith("%") else None
    size = units.length(own.get("font-size"), place.frame, "d") or place.frame.font_size
    shift = share / 100 * size if share is not None else units.length(text, place.frame, "d") or 0.0
    own["--shift"] = f"{before + shift:.9f}"
