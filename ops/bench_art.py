"""Makes art of three kinds for measurements: flat shapes, an illustration of two thousand shapes, a photograph."""

from __future__ import annotations

import random
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

SEED = 2041
SIDE = 3400


def flat(folder: Path) -> Path:
    """Write a crest of few flat shapes."""
    rings = "".join(
        f'<circle cx="100" cy="100" r="{90 - 15 * n}" fill="{colour}"/>'
        for n, colour in enumerate(("#f3e9d2", "#2f7f86", "#d9a441", "#f3e9d2", "#8f2430"))
    )
    return _svg(folder / "flat.svg", rings)


def illustration(folder: Path) -> Path:
    """Write two thousand overlapping shapes in forty colours."""
    rng = random.Random(SEED)
    colours = [
        f"#{rng.randrange(64, 256):02x}{rng.randrange(64, 256):02x}{rng.randrange(64, 256):02x}"
        for _ in range(40)
    ]
    shapes = "".join(
        f'<circle cx="{rng.uniform(20, 180):.1f}" cy="{rng.uniform(20, 180):.1f}" r="{rng.uniform(2, 9):.1f}" '
        f'fill="{rng.choice(colours)}"/>'
        for _ in range(2000)
    )
    return _svg(folder / "illustration.svg", shapes)


def photograph(folder: Path) -> Path:
    """Write a picture of smooth tones with grain, such as a camera gives."""
    from PIL import Image

    Image.fromarray(_tones()).save(folder / "photograph.jpg", quality=92)
    return folder / "photograph.jpg"


def cut_out_photograph(folder: Path, colours: Sequence[str]) -> Path:
    """Write the same picture as a disc, with alpha soft at the edge alone, and a small disc in each of `colours`.

    With the fabrics' colours in it something is knocked out for every fabric, so that none shares another's plate.
    """
    from PIL import Image

    tones, middle = _tones().astype(np.float64), (SIDE - 1) / 2
    for number, colour in enumerate(colours):
        share = _disc((middle, SIDE * (number + 1) / (len(colours) + 1)), SIDE / 20)[..., None]
        tones += share * (np.array(tuple(bytes.fromhex(colour.lstrip("#")))) - tones)
    alpha = _disc((middle, middle), SIDE / 2 - 10) * 255
    pixels = np.rint(np.dstack([tones, alpha])).astype(np.uint8)
    Image.fromarray(pixels).save(folder / "photograph.png", compress_level=1)
    return folder / "photograph.png"


def _disc(middle: tuple[float, float], radius: float) -> NDArray[np.float64]:
    y, x = np.ogrid[0:SIDE, 0:SIDE]
    return np.clip(radius - np.hypot(y - middle[0], x - middle[1]) + 0.5, 0, 1)


def _tones() -> NDArray[np.uint8]:
    y, x = np.mgrid[0:SIDE, 0:SIDE] / SIDE
    rng = np.random.default_rng(SEED)
    tones = np.stack([120 + 70 * np.sin(9 * x + n) * np.cos(7 * y - n) for n in range(3)], axis=-1)
    grain = rng.normal(0, 3, (SIDE, SIDE, 1))
    return np.clip(tones + grain, 40, 230).astype(np.uint8)


def _svg(path: Path, shapes: str) -> Path:
    path.write_text(
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 200 200">{shapes}</svg>', encoding="utf-8"
    )
    return path
