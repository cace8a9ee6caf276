"""Small lettering is found and measured: against the glyphs of an open font, whose heights its own tables state."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from fontTools.ttLib import TTFont
from PIL import Image, ImageDraw, ImageFont

from pipeline.colour.palette import main_colours_of
from pipeline.raster import Pixels
from pipeline.raster_runs import runs_of
from pipeline.stages.preflight import lettering
from tests.test_preflight import codes, draw, rect

DEJAVU = Path("/usr/share/fonts/truetype/dejavu")
DARK, LIGHT = (20, 40, 90), (240, 230, 210)
LIMITS = {"x_height_warn_mm": 1.5, "x_height_reversed_warn_mm": 2.0}
PPI = 300.0

pytestmark = pytest.mark.skipif(not DEJAVU.is_dir(), reason="the DejaVu fonts are not installed")


def written(name: str, px: int, *, reverse: bool, words: str = "Handed out at the spring regatta") -> Pixels:
    image = Image.new("L", (900, 200), 0)
    ImageDraw.Draw(image).text(
        (40, 50), words, font=ImageFont.truetype(str(DEJAVU / f"{name}.ttf"), px), fill=255
    )
    cover = np.array(image)
    pixels = np.zeros((200, 900, 4), np.uint8)
    if reverse:
        share = cover[..., None] / 255
        pixels[..., :3] = np.rint(share * LIGHT + (1 - share) * DARK)
        pixels[..., 3] = 255
    else:
        pixels[..., 3] = cover
        pixels[cover > 0, :3] = DARK
    return pixels


def lines(pixels: Pixels) -> tuple[lettering.Line, ...]:
    return lettering.lines(runs_of(pixels), PPI, [c.rgb for c in main_colours_of(pixels)])


@pytest.mark.parametrize("reverse", [False, True])
@pytest.mark.parametrize("px", [30, 36, 44])
@pytest.mark.parametrize("name", ["DejaVuSans", "DejaVuSerif", "DejaVuSans-Bold", "DejaVuSansMono"])
def test_x_height_is_that_of_the_fonts_own_x(name: str, px: int, reverse: bool):  # noqa: FBT001
    """The glyph x of the font's glyf table, scaled to the size, to a pixel of 0.085 mm and its overshoot."""
    font = TTFont(DEJAVU / f"{name}.ttf")
    height_mm = font["glyf"]["x"].yMax / font["head"].unitsPerEm * px * 25.4 / PPI
    (line, *_) = lines(written(name, px, reverse=reverse))
    assert line.x_height_mm == pytest.approx(height_mm, abs=0.15)
    assert line.reverse == reverse


def test_reversed_lettering_must_be_larger():
    """1.8 mm passes as it is and not reversed (common practice, no source)."""
    assert lettering.small_text(lines(written("DejaVuSans", 39, reverse=False)), **LIMITS) == ()
    found = lettering.small_text(lines(written("DejaVuSans", 39, reverse=True)), **LIMITS)
    assert codes(found) == [("small-text", "warn")]
    assert found[0].limit == 2.0


def test_dots_dashes_and_stars_in_a_row_are_no_lettering():
    dots = "".join(f'<circle cx="{4 + 2 * i}" cy="6" r="0.7" fill="#1a3a8f"/>' for i in range(11))
    dashes = "".join(rect(4 + 2 * i, 12, 1.2, 0.5, "#1a3a8f") for i in range(11))
    star = "M0 -.8L.2 -.2L.8 -.2L.3 .2L.5 .8L0 .4L-.5 .8L-.3 .2L-.8 -.2L-.2 -.2z"
    stars = "".join(
        f'<path transform="translate({4 + 2 * i} 20)" d="{star}" fill="#1a3a8f"/>' for i in range(11)
    )
    assert lines(draw(dots + dashes + stars)) == ()


ROWS = {
    "bars": [
        rect(4 + 1.2 * i, 6 - h, 0.7, h, "#1a3a8f") for i, h in enumerate((1.8, 2.2, 2.6, 3.0, 2.4, 2.8))
    ],
    "grass": [
        f'<path d="M{4 + 0.8 * i} 6l.3 {-h}l.3 {h}z" fill="#1a3a8f"/>'
        for i, h in enumerate((1.2, 1.6, 1.1, 1.8, 1.4, 1.9, 1.3))
    ],
    "balls": [
        f'<ellipse cx="{4 + 2.2 * i}" cy="6" rx="{rx}" ry="0.9" fill="#1a3a8f"/>'
        for i, rx in enumerate((0.33, 0.63, 0.83, 0.9, 0.83, 0.63, 0.33))
    ],
    "leaves": [
        f'<ellipse transform="translate({4 + 1.6 * i} 6) rotate({turn})" rx=".4" ry=".9" fill="#1a3a8f"/>'
        for i, turn in enumerate((-30, -15, 0, 10, 20, 35))
    ],
}


@pytest.mark.parametrize("shapes", ROWS.values(), ids=ROWS)
def test_solid_shapes_of_unlike_size_in_a_row_are_no_lettering(shapes: list[str]):
    """Of patches like letters in size; lettering has strokes beside each other."""
    assert lines(draw("".join(shapes))) == ()


@pytest.mark.parametrize("words", ["little feet fill it", "TITLE FIELD", "illicit still life"])
@pytest.mark.parametrize("name", ["DejaVuSans", "DejaVuSans-Bold", "DejaVuSerif"])
def test_words_of_simple_letters_are_found(name: str, words: str):
    assert lines(written(name, 30, reverse=False, words=words))
