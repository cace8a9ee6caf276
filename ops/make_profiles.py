"""Make the colour profiles in pipeline/art/data; run it again and the bytes are the same.

    python ops/make_profiles.py [FOLDER]

srgb.icc: IEC 61966-2-1 primaries and curve, D65 adapted to D50 by Bradford.
inks.icc: what CMYK art without a profile is read through. Neugebauer's equations with Demichel's areas over
the solids and overprints of offset printing on coated paper (ISO 12647-2, paper type 1, white backing), after a
tone value increase of 16 % (black 19 %) at the middle. The four solids are those that public tables give; the
overprints and the increase are from memory. Overprints with black: black times the transmittance of the other
inks to the power 0.25, which gives four solids about L* 9 (house value). Lab is relative to the paper.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.art.iccfile import ink_profile, matrix_profile
from pipeline.art.png import SRGB
from pipeline.art.profiles import srgb_curve

WHITE = np.array([0.9642, 1.0, 0.8249])
SOLIDS = {
    (0, 0, 0): (95, 0, -2),
    (1, 0, 0): (55, -37, -50),
    (0, 1, 0): (48, 74, -3),
    (0, 0, 1): (89, -5, 93),
    (0, 1, 1): (47, 68, 48),
    (1, 0, 1): (50, -65, 27),
    (1, 1, 0): (24, 22, -46),
    (1, 1, 1): (23, 0, 0),
}
BLACK = (16, 0, 0)
INCREASE = (0.16, 0.16, 0.16, 0.19)
OVER_BLACK = 0.25
GRID = 9


def xyz_of(lab: tuple[float, float, float]) -> NDArray[np.float64]:
    """CIE Lab to XYZ, D50."""
    y = (lab[0] + 16) / 116
    f = np.array([y + lab[1] / 500, y, y - lab[2] / 200])
    return WHITE * np.where(f > 6 / 29, f**3, 3 * (6 / 29) ** 2 * (f - 4 / 29))


def lab_of(xyz: NDArray[np.float64]) -> NDArray[np.float64]:
    """XYZ (…, 3) to CIE Lab, D50."""
    t = xyz / WHITE
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.stack(
        [116 * f[..., 1] - 16, 500 * (f[..., 0] - f[..., 1]), 200 * (f[..., 1] - f[..., 2])], axis=-1
    )


def ink_lab() -> NDArray[np.float64]:
    """Lab relative to the paper at GRID equal steps of each ink's area, (n, n, n, n, 3)."""
    paper = xyz_of(SOLIDS[0, 0, 0])
    steps = np.linspace(0, 1, GRID)
    areas = np.meshgrid(steps, steps, steps, steps, indexing="ij")
    total = np.zeros((GRID,) * 4 + (3,))
    for inks, lab in SOLIDS.items():
        light = xyz_of(lab) / paper
        for black in (0, 1):
            weight = np.ones((GRID,) * 4)
            for on, area in zip((*inks, black), areas, strict=True):
                weight = weight * (area if on else 1 - area)
            seen = xyz_of(BLACK) / paper * light**OVER_BLACK if black else light
            total += weight[..., None] * seen
    return lab_of(np.round(total * WHITE, 12))


def tone_curve(increase: float) -> NDArray[np.float64]:
    """Ink area printed for 256 equal steps of the ink asked for; `increase` at one half."""
    asked = np.linspace(0, 1, 256)
    return asked + 4 * increase * asked * (1 - asked)


def main(folder: Path) -> None:
    """Write both profiles."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "srgb.icc").write_bytes(matrix_profile("sRGB (washfast)", SRGB, srgb_curve(1024)))
    inks = ink_profile(
        "Process inks on coated paper, model (washfast)", ink_lab(), [tone_curve(t) for t in INCREASE]
    )
    (folder / "inks.icc").write_bytes(inks)


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path("pipeline/art/data"))
