"""Live text becomes outlines of the font found for it, so that no renderer's fonts matter.

Sources: SVG 1.1 section 10 (text layout, chunks, anchors, text on a path), CSS Text 3 section 4.1 (white space), the
OpenType `OS/2` and `post` tables (lines under and through).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING
from xml.etree.ElementTree import Element

from pipeline.art.svg import css, shapes, shaping, typeset, units
from pipeline.art.svg.job import GHOST, Place
from pipeline.art.svg.outline import Outline, rectangle
from pipeline.art.svg.shaping import Glyph
from pipeline.art.svg.textpath import along
from pipeline.art.svg.typeset import Letter

if TYPE_CHECKING:
    from pipeline.art.svg.expand import Walker

_PLAIN: dict[str, frozenset[str]] = {
    "writing-mode": units.words("horizontal-tb lr lr-tb"),
    "direction": units.words("ltr"),
    "unicode-bidi": units.words("normal"),
    "dominant-baseline": units.words("auto alphabetic") | frozenset(shaping.BASELINES),
    "alignment-baseline": units.words("auto baseline alphabetic"),
    "font-variant": units.words("normal none"),
    "font-feature-settings": units.words("normal"),
    "font-variation-settings": units.words("normal"),
    "font-size-adjust": units.words("none"),
    "font-stretch": frozenset(typeset.STRETCHES),
    "text-orientation": units.words("mixed upright sideways"),
}
"""Values of the properties that this layout knows; anything else moves ink and stops."""


def draw(walk: Walker, element: Element, style: css.Style, place: Place) -> None:
    """Append the text as outlines; what cannot be set as asked is noted and stops."""
    letters = typeset.collect(walk, element, style, place)
    if not letters or not _known(walk, letters):
        return
    if not typeset.choose(walk.job, letters):
        return
    glyphs: list[Glyph] = []
    for chunk in typeset.chunks(letters):
        placed = shaping.set_chunk(walk, chunk)
        path = chunk[0].path
        if path is not None:
            placed = along(walk, path, placed, chunk[0])
        glyphs += placed
    _append(walk, glyphs, place)


def _known(walk: Walker, letters: list[Letter]) -> bool:
    """Note what this layout cannot set; True where there is nothing of the kind."""
    fine = True
    for letter in {id(x.style): x for x in letters}.values():
        for name, known in _PLAIN.items():
            value = letter.style.get(name, "").strip().lower()
            if value and value not in known:
                walk.job.unsupported(letter.element, f"text with {name}: {value[:30]}")
                fine = False
        own = letter.style.get("alignment-baseline", "").strip().lower()
        if own == "alphabetic" and css.word(letter.style, "dominant-baseline", "auto") in shaping.BASELINES:
            walk.job.unsupported(letter.element, "text with two different baselines")
            fine = False
        shift = letter.style.get("baseline-shift", "0").strip().lower()
        if shift not in ("baseline", "0") and units.length(shift, letter.frame, "d") is None:
            walk.job.unsupported(letter.element, f"text with baseline-shift: {shift[:20]}")
            fine = False
    return fine and _paths(walk, letters) and typeset.left_to_right(walk.job, letters)


def _paths(walk: Walker, letters: list[Letter]) -> bool:
    """Note text around a path, or placed within one, which programs lay out differently."""
    if all(x.path is None for x in letters):
        return True
    path = letters[0].path
    letters[0].spots.pop("y", None)  # x moves the text along the path, y means nothing on it
    placed = "length" in letters[0].spots or any(n in x.spots for x in letters[1:] for n in ("x", "y"))
    nested = path is not None and any(e.tag == "textPath" for e in path if e is not path)
    if placed or nested or any(x.path is not path for x in letters):
        walk.job.unsupported(letters[0].element, "text beside a path, or with places of its own on it,")
        return False
    return True


def _append(walk: Walker, glyphs: list[Glyph], place: Place) -> None:
    """Draw the glyphs, those of one style as one shape, with the lines that decorate them."""
    boxes = [g.cell for g in glyphs]
    if not boxes:
        return
    whole = (
        min(b[0] for b in boxes),
        min(b[1] for b in boxes),
        max(b[2] for b in boxes),
        max(b[3] for b in boxes),
    )

    def box() -> tuple[float, float, float, float]:
        return whole

    ghost = Element(
        GHOST, {} if place.matrix == units.IDENTITY else {"transform": units.matrix_text(place.matrix)}
    )
    walk.job.outlines[ghost] = rectangle(whole[0], whole[1], whole[2] - whole[0], whole[3] - whole[1])
    place.into.append(ghost)
    at = 0
    while at < len(glyphs):
        end = at
        while end < len(glyphs) and glyphs[end].letter.style is glyphs[at].letter.style:
            end += 1
        _run(walk, glyphs[at:end], place, box)
        at = end


def _run(
    walk: Walker, run: list[Glyph], place: Place, box: Callable[[], tuple[float, float, float, float]]
) -> None:
    letter = run[0].letter
    style = letter.style | {"fill-rule": "nonzero"}
    inner = replace(place, owners=letter.owners if place.ink else place.owners, frame=letter.frame)
    made = Outline()
    for glyph in run:
        made.ops += glyph.outline.ops
        made.points += glyph.outline.points
    lines = shaping.decorations(walk.job, run)
    for under in [line for line in lines if line[0] != "line-through"]:
        shapes.draw(walk, letter.element, under[1], under[2], inner, box=box)
    if made.ops:
        shapes.draw(walk, letter.element, made, style, inner, box=box)
    for over in [line for line in lines if line[0] == "line-through"]:
        shapes.draw(walk, letter.element, over[1], over[2], inner, box=box)
