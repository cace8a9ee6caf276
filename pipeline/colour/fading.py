"""How a printed colour fades in the wash: a colourant layer over a ground, one linear-light channel at a time.

Reflectances lie in 0–1. K/S = (1 − R)² / 2R (Kubelka, Munk 1931); K/S of ground and colourant add. After n washes
the share of colourant left is m(0) = 1, m(n) = (1 − f)·exp(−k·n): a loss f at the first wash, then a slow one of k a
wash (first order). A prediction of the colourant alone: cracking and the fading of the cloth are not in it.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray


def reflectance_to_ks(reflectance: ArrayLike) -> NDArray[np.float64]:
    """K/S of an opaque layer of reflectance R, 0 < R ≤ 1; any shape."""
    R = np.asarray(reflectance, dtype=np.float64)
    return np.asarray((1 - R) ** 2 / (2 * R))


def ks_to_reflectance(ks: ArrayLike) -> NDArray[np.float64]:
    """Reflectance, 0–1, of an opaque layer of K/S ≥ 0; any shape."""
    q = np.asarray(ks, dtype=np.float64)
    # The same as 1 + q − √(q² + 2q), without the loss of digits when q is large.
    return np.asarray(1 / (1 + q + np.sqrt(q * q + 2 * q)))


def colourant_left(washes: ArrayLike, k: ArrayLike, first_loss: ArrayLike) -> NDArray[np.float64]:
    """Share of the colourant left, 0–1, after n ≥ 0 washes; shapes broadcast. Between 0 and 1 wash f counts by part."""
    n, loss = np.asarray(washes, dtype=np.float64), np.asarray(first_loss, dtype=np.float64)
    return np.asarray((1 - loss * np.clip(n, 0, 1)) * np.exp(-np.asarray(k, dtype=np.float64) * n))


def predict(reflectance: ArrayLike, ground: ArrayLike, left: ArrayLike) -> NDArray[np.float64]:
    """Reflectance when the share `left` (0–1) of the colourant of a print is still there; shapes broadcast.

    What is lighter than the ground has no colourant to lose and stays.
    """
    R, G = np.asarray(reflectance, dtype=np.float64), np.asarray(ground, dtype=np.float64)
    ks_ground = reflectance_to_ks(G)
    washed = ks_to_reflectance(ks_ground + np.asarray(left) * np.maximum(reflectance_to_ks(R) - ks_ground, 0))
    return np.where(R >= G, R, washed)


class Compensation(NamedTuple):
    """Reflectance to print, and where the press is not dark enough to give it (any shape, both the same)."""

    reflectance: NDArray[np.float64]
    unreachable: NDArray[np.bool_]


def compensate(target: ArrayLike, ground: ArrayLike, left: ArrayLike, darkest: float) -> Compensation:
    """Reflectance to print so that `target` remains when the share `left` of the colourant is; shapes broadcast.

    Held at or above `darkest`, the least reflectance the press prints, before and after. What is lighter than the
    ground stays. `unreachable` tells where the clamp after was needed.
    """
    R, G = np.maximum(np.asarray(target, dtype=np.float64), darkest), np.asarray(ground, dtype=np.float64)
    ks_ground = reflectance_to_ks(G)
    wanted = ks_to_reflectance(ks_ground + np.maximum(reflectance_to_ks(R) - ks_ground, 0) / left)
    stays = R >= G
    short = ~stays & (wanted < darkest * (1 - 1e-9))
    return Compensation(np.where(stays, R, np.maximum(wanted, darkest)), short)
