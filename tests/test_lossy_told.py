"""JPEGs whose file no longer holds an edge are told of, and those that come out well are not.

Reference: coverage by 8 × 8 samples a pixel, and the art as drawn, before it went through Pillow's libjpeg; table K.1
of ITU-T T.81, which is the quantiser of quality 50 there.
"""

from __future__ import annotations

import io
from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image
from scipy import ndimage

from ops.exactness import FABRICS, fringe_of
from ops.exactness_art import SIZE, Piece, crest, disc, lettering, paint, star
from pipeline.art.bitmap import decode
from pipeline.plan_paints import Treatment
from pipeline.raster import Pixels
from pipeline.stages.knockout import KnockOutSettings, knock_out
from pipeline.treat import treat

SUN, SEA, INK, CREAM = (0.95, 0.72, 0.1), (0.05, 0.35, 0.62), (0.03, 0.03, 0.03), (0.96, 0.93, 0.82)
PIECES: dict[str, Callable[[], NDArray[np.float64]]] = {
    "badge": lambda: paint(
        [(disc(120, 120, 100), INK), (disc(120, 120, 97), SUN), (star(120, 120, 80), SEA)]
    ),
    "lettering 12 px": lambda: paint([(lettering(12), CREAM), (disc(120, 220, 18), SEA)]),
    "lettering 22 px": lambda: paint([(lettering(22), SUN)]),
    "ring": lambda: paint([(disc(120, 120, 100) - disc(120, 120, 60), SEA), (star(120, 122, 50), CREAM)]),
    "crest": crest,
}


def saved(pixels: Pixels, quality: int) -> bytes:
    box = io.BytesIO()
    Image.fromarray(pixels[..., :3]).save(box, "JPEG", quality=quality)
    return box.getvalue()


def told(name: str, fabric: str, quality: int) -> tuple[bool, float]:
    """Return whether an edge is told of, and the greater fringe, of coverage or of colour."""
    piece, cloth = Piece(name, PIECES[name]()), FABRICS[fabric]
    art = decode(saved(piece.on(cloth), quality), name)
    settings = KnockOutSettings(lossy=art.lossy, step=art.step)
    seen, notes = treat(art.pixels, Treatment(cloth_srgb=cloth, knock_out=settings, lossy=art.lossy))
    codes = {finding.code for finding in notes.findings}
    return "lossy-edges" in codes, max(map(abs, fringe_of(seen, piece.truth, cloth)))


@pytest.mark.parametrize(
    ("name", "fabric", "quality"),
    [
        ("lettering 12 px", "white", 60),
        ("lettering 12 px", "white", 75),
        ("badge", "black", 60),
        ("badge", "black", 75),
        ("crest", "black", 60),
        ("crest", "black", 85),
        ("crest", "barn red", 85),
    ],
)
def test_faint_strokes_and_bands_of_low_quality_are_told(name: str, fabric: str, quality: int) -> None:
    """Each of these has more than 0.06 of fringe, too much or too little."""
    said, fringe = told(name, fabric, quality)
    assert fringe > 0.06
    assert said


@pytest.mark.parametrize(
    ("name", "fabric", "quality"),
    [
        ("lettering 12 px", "white", 90),
        ("lettering 12 px", "black", 60),
        ("lettering 12 px", "heather", 60),
        ("lettering 22 px", "white", 75),
        ("lettering 22 px", "black", 75),
        ("lettering 22 px", "barn red", 60),
        ("badge", "black", 90),
        ("badge", "white", 60),
        ("ring", "white", 60),
        ("ring", "black", 75),
        ("ring", "heather", 75),
        ("crest", "white", 85),
        ("crest", "heather", 85),
    ],
)
def test_what_comes_out_well_is_not_told(name: str, fabric: str, quality: int) -> None:
    said, fringe = told(name, fabric, quality)
    assert fringe <= 0.03
    assert not said


def test_the_step_is_that_of_the_file() -> None:
    """The coefficients 1 to 15 in zigzag order of table K.1; a PNG has none."""
    first = [11, 12, 14, 12, 10, 16, 14, 13, 14, 18, 17, 16, 19, 24, 40]
    art = Piece("ring", PIECES["ring"]()).on(FABRICS["white"])
    assert decode(saved(art, 50), "ring").step == pytest.approx(sum(first) / 15)
    box = io.BytesIO()
    Image.fromarray(art).save(box, "PNG")
    assert decode(box.getvalue(), "ring").step == 0.0


@pytest.mark.parametrize("name", ["camera", "coins", "immunohistochemistry"])
@pytest.mark.parametrize("fabric", ["white", "black", "heather"])
def test_a_soft_photograph_of_few_hues_is_not_taken_for_flat_art(name: str, fabric: str) -> None:
    """Cut to a disc and blurred by a pixel. Taken for flat art, it lost 0.1 to 0.2 of its edges.

    Photographs of scikit-image (public domain or free licences), sent through Pillow's libjpeg.
    """
    picture = getattr(pytest.importorskip("skimage.data"), name)()
    picture = picture if picture.ndim == 3 else np.stack([picture] * 3, axis=-1)
    top, left = (picture.shape[0] - SIZE) // 3, (picture.shape[1] - SIZE) // 2
    part = picture[top : top + SIZE, left : left + SIZE, :3] / 255.0
    truth = ndimage.gaussian_filter(paint([(disc(120, 120, 104), part)]), (1.0, 1.0, 0.0))
    cloth = FABRICS[fabric]
    art = decode(saved(Piece(name, truth).on(cloth), 90), name)
    done = knock_out(art.pixels, cloth, KnockOutSettings(lossy=True, step=art.step, forced="edges"))
    assert abs(fringe_of(done.pixels, truth, cloth)[0]) <= 0.08
