"""Washing constants of one linear-light channel from reflectances measured before and after washing.

The colourant left is m(0) = 1, m(n) = (1 − f)·exp(−k·n) (fading.py), so for a patch printed with any amount of it
ln(K/S_n − K/S_ground) = ln(K/S_0 − K/S_ground) + ln(1 − f) − k·n, n ≥ 1: linear in one level a patch, ln(1 − f)
and k. Fitted by weighted least squares; a reading's noise is taken as equal in lightness and carried through K/S.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.colour.fading import colourant_left, ks_to_reflectance, reflectance_to_ks

CONFIDENCE = 0.95
_LEAST_COLOURANT = 0.05  # K/S above the ground when new, below which a channel tells nothing of its loss
_WASHED_OUT = 0.005  # K/S above the ground that noise cannot be told from
DARKEST_READ = 0.002  # below it, and below 0, is what sRGB cannot hold

_Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Constant:
    """A fitted value with its confidence interval (95 %)."""

    value: float
    low: float
    high: float

    def at_least_0(self) -> Constant:
        """Return it with what lies below 0, which a colourant cannot do, counted as 0."""
        return Constant(max(self.value, 0.0), max(self.low, 0.0), max(self.high, 0.0))


@dataclass(frozen=True, slots=True, eq=False)
class ChannelFit:
    """k a wash and first loss; `used` (N,) tells which readings count, `level` (N,) is K/S_0 − K/S_ground of theirs."""

    k: Constant
    first_loss: Constant
    used: NDArray[np.bool_]
    level: _Floats

    def curve(self, cycles: NDArray[np.int64], ground: float) -> _Floats:
        """Reflectance (N,) that the fit gives each reading; not a number where it is not used."""
        left = colourant_left(cycles, self.k.value, self.first_loss.value)
        return np.where(self.used, ks_to_reflectance(reflectance_to_ks(ground) + self.level * left), np.nan)


def fit_channel(
    patch: NDArray[np.int64], cycles: NDArray[np.int64], reflectance: _Floats, ground: float
) -> ChannelFit | None:
    """Fit N readings of patches numbered 0…P−1, each read at 0 cycles too; `ground` is the bare base's reflectance.

    None where no patch has enough colourant in this channel, or too few readings have.
    """
    readable = reflectance > DARKEST_READ
    colourant = reflectance_to_ks(np.where(readable, reflectance, 1.0)) - reflectance_to_ks(ground)
    enough = [
        bool(new.any()) and colourant[new].mean() >= _LEAST_COLOURANT
        for new in ((patch == p) & (cycles == 0) & readable for p in range(int(patch.max()) + 1))
    ]
    used: NDArray[np.bool_] = readable & np.array(enough)[patch] & (colourant > _WASHED_OUT)
    names, place = np.unique(patch[used], return_inverse=True)
    n, y = cycles[used], np.log(colourant[used])
    columns = [*(place == i for i in range(len(names))), n > 0, -n]
    design = np.stack([c.astype(np.float64) for c in columns], axis=1) if len(n) else np.zeros((0, 2))
    spare = len(n) - design.shape[1]
    if spare < 1 or np.linalg.matrix_rank(design) < design.shape[1]:
        return None
    R = reflectance[used]
    weight = colourant[used] / ((1 - R * R) / (2 * R * R) * R ** (2 / 3))
    scaled = design * weight[:, np.newaxis]
    solution = np.linalg.lstsq(scaled, y * weight, rcond=None)[0]
    spread = np.sum((scaled @ solution - y * weight) ** 2) / spare
    half = _quantile(spare) * np.sqrt(spread * np.diag(np.linalg.inv(scaled.T @ scaled)))
    drop, slope = float(solution[-2]), float(solution[-1])
    level = np.zeros(len(patch))
    level[used] = np.exp(solution[place])
    return ChannelFit(
        k=Constant(slope, slope - float(half[-1]), slope + float(half[-1])),
        first_loss=Constant(*(float(-np.expm1(drop + d)) for d in (0.0, float(half[-2]), -float(half[-2])))),
        used=used,
        level=level,
    )


def _quantile(freedom: int) -> float:
    """Half width, in standard errors, of the two-sided interval of Student's t."""
    from scipy import stats

    return float(stats.t.ppf((1 + CONFIDENCE) / 2, freedom))
