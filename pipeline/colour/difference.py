"""Colour differences: CIE76, CIEDE2000, and the grey scale for change in colour.

Arrays of CIE Lab, last axis L*, a*, b*; leading shapes broadcast.

Sources: Sharma, Wu, Dalal, Color Res. Appl. 30 (2005) 21–30; ISO 105-A02:1993; ISO 105-A05:1996.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

_25_TO_7 = 25.0**7
_GRADES = (5.0, 4.5, 4.0, 3.5, 3.0, 2.5, 2.0, 1.5, 1.0)
_GRADE_EDGES = (
    0.4,
    1.25,
    2.1,
    2.95,
    4.1,
    5.8,
    8.2,
    11.6,
)  # ISO 105-A05: ΔE_F from which the next grade begins


def _split(lab: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    values = np.asarray(lab, dtype=np.float64)
    if values.ndim == 0 or values.shape[-1] != 3:
        raise ValueError(f"the last axis must hold L*, a*, b*, got shape {values.shape}")
    return values[..., 0], values[..., 1], values[..., 2]


def delta_e_76(lab_1: ArrayLike, lab_2: ArrayLike) -> NDArray[np.float64]:
    """Euclidean difference (…) of Lab arrays (…, 3). CIE 15."""
    (L1, a1, b1), (L2, a2, b2) = _split(lab_1), _split(lab_2)
    return np.asarray(np.sqrt((L1 - L2) ** 2 + (a1 - a2) ** 2 + (b1 - b2) ** 2))


def delta_e_00(lab_1: ArrayLike, lab_2: ArrayLike) -> NDArray[np.float64]:
    """CIEDE2000 difference (…), kL = kC = kH = 1, of Lab arrays (…, 3). Equation numbers: Sharma et al. 2005."""
    (L1, a1, b1), (L2, a2, b2) = _split(lab_1), _split(lab_2)
    mean_7 = ((np.hypot(a1, b1) + np.hypot(a2, b2)) / 2) ** 7
    stretch = 1.5 - 0.5 * np.sqrt(mean_7 / (mean_7 + _25_TO_7))  # 1 + G, eq. 4
    a1, a2 = a1 * stretch, a2 * stretch
    C1, C2 = np.hypot(a1, b1), np.hypot(a2, b2)  # eq. 6
    h1, h2 = np.degrees(np.arctan2(b1, a1)) % 360, np.degrees(np.arctan2(b2, a2)) % 360  # eq. 7
    grey = C1 * C2 == 0
    turn = h2 - h1
    far = np.abs(turn) > 180
    turn = np.where(far, np.where(turn > 0, turn - 360, turn + 360), turn)  # eq. 10
    dL, dC, dH = L2 - L1, C2 - C1, 2 * np.sqrt(C1 * C2) * np.sin(np.radians(turn) / 2)  # eq. 8, 9, 11
    L, C, total = (L1 + L2) / 2, (C1 + C2) / 2, h1 + h2  # eq. 12, 13
    middle = total / 2 + np.where(far, np.where(total < 360, 180, -180), 0)
    degrees = np.where(grey, total, middle)  # eq. 14; a grey has hue 0, so the sum is the other's hue
    h = np.radians(degrees)
    T = (
        1
        - 0.17 * np.cos(h - np.radians(30))
        + 0.24 * np.cos(2 * h)
        + 0.32 * np.cos(3 * h + np.radians(6))
        - 0.20 * np.cos(4 * h - np.radians(63))
    )  # eq. 15
    from_blue = (degrees - 275) / 25
    theta = np.radians(60) * np.exp(-(from_blue**2))  # 2 Δθ, eq. 16
    C_7 = C**7
    R_T = -2 * np.sqrt(C_7 / (C_7 + _25_TO_7)) * np.sin(theta)  # eq. 17, 21
    mid = (L - 50) ** 2
    term_L = dL / (1 + 0.015 * mid / np.sqrt(20 + mid))  # eq. 18
    term_C = dC / (1 + 0.045 * C)  # eq. 19
    term_H = dH / (1 + 0.015 * C * T)  # eq. 20
    square = term_L**2 + term_C**2 + term_H**2 + R_T * term_C * term_H  # eq. 22
    return np.asarray(np.sqrt(np.maximum(square, 0)))


def iso105_a05_difference(lab_reference: ArrayLike, lab_test: ArrayLike) -> NDArray[np.float64]:
    """ΔE_F (…) of the instrumental assessment of change in colour, of Lab arrays (…, 3). ISO 105-A05, clause 7.

    Not symmetric: the reference is the unwashed specimen.
    """
    (L1, a1, b1), (L2, a2, b2) = _split(lab_reference), _split(lab_test)
    C1, C2 = np.hypot(a1, b1), np.hypot(a2, b2)
    h1, h2 = np.degrees(np.arctan2(b1, a1)) % 360, np.degrees(np.arctan2(b2, a2)) % 360
    dL, dC, step = L2 - L1, C2 - C1, h2 - h1
    dH_size = np.sqrt(np.maximum((a2 - a1) ** 2 + (b2 - b1) ** 2 - dC**2, 0))
    far = np.abs(step) > 180
    dH = np.where((step >= 0) ^ far, dH_size, -dH_size)
    C_M, total = (C1 + C2) / 2, h1 + h2
    h_M = total / 2 + np.where(far, np.where(total < 360, 180, -180), 0)
    from_blue = np.abs(h_M - 280)
    x = (np.where(from_blue <= 180, from_blue, 360 - from_blue) / 30) ** 2
    D = dC * C_M * np.exp(-x) / 100
    dC_F = (dC - D) / (1 + (20 * C_M / 1000) ** 2)
    dH_F = (dH - D) / (1 + (10 * C_M / 1000) ** 2)
    return np.asarray(np.sqrt(dL**2 + dC_F**2 + dH_F**2))


def grade(difference: ArrayLike) -> NDArray[np.float64]:
    """Grey scale grade for change, continuous, 5 (no change) to 1, of ΔE_F (…). ISO 105-A05, clause 8."""
    values = np.asarray(difference, dtype=np.float64)
    large = 5 - np.log2(np.maximum(values, 3.4) / 0.85)
    return np.maximum(np.where(values <= 3.4, 5 - values / 1.7, large), 1.0)


@dataclass(frozen=True, slots=True)
class GreyGrade:
    """A step of the grey scale for change in colour: 5 is no change, 1 is the largest; `label` as the trade says it."""

    value: float

    @property
    def label(self) -> str:
        """ "5", "4-5", "4" … "1": half steps are named by their neighbours."""
        below = int(self.value)
        return str(below) if below == self.value else f"{below}-{below + 1}"


def grey_scale_grade(lab_reference: ArrayLike, lab_test: ArrayLike) -> GreyGrade:
    """Half-step grade of one change in colour, Lab (3,) against Lab (3,), by the table of ISO 105-A05."""
    difference = float(iso105_a05_difference(lab_reference, lab_test))
    return GreyGrade(_GRADES[int(np.searchsorted(_GRADE_EDGES, difference, side="right"))])
