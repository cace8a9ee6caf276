"""What is left at an edge where a shape of the cloth's colour lies flush on ink: no line, though some ink is there."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.raster import Pixels

MOST = 66
"""Alpha at most: an edge pixel covered to a by ink and to a by what lies on it keeps a(1 − a) of the ink, a quarter."""
BARE, FULL = 8, 247
REACH_PX = 2

Places = tuple[NDArray[np.intp], NDArray[np.intp]]


def without_residue(kept: Pixels, plain: Pixels) -> Pixels | None:
    """Return what the knock-out left of `plain`, both (H, W, 4), without such edges; None where there are none.

    A residue is faint, lies beside no stronger ink, and stands between bare cloth and opaque art that was taken out.
    """
    alpha, before = kept[..., 3], plain[..., 3]
    faint = np.nonzero((alpha > 0) & (alpha <= MOST))
    for test in (
        lambda at: _near(alpha, at, 1).max(axis=0) <= MOST,
        lambda at: (_near(before, at, REACH_PX) <= BARE).any(axis=0),
        lambda at: ((_near(before, at, REACH_PX) >= FULL) & (_near(alpha, at, REACH_PX) <= BARE)).any(axis=0),
    ):
        passed = test(faint)
        faint = faint[0][passed], faint[1][passed]
        if not faint[0].size:
            return None
    out = kept.copy()
    out[faint] = 0
    return out


def _near(values: NDArray[np.uint8], at: Places, reach: int) -> NDArray[np.uint8]:
    """Return the values around places, (neighbours, N); beyond the edge those of the edge."""
    height, width = values.shape
    steps = range(-reach, reach + 1)
    return np.stack(
        [
            values[np.clip(at[0] + down, 0, height - 1), np.clip(at[1] + right, 0, width - 1)]
            for down in steps
            for right in steps
        ]
    )
