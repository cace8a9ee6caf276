"""Plain names for main colours, from a small table of our own: a hue word, and how light and how strong it is.

They help people talk about a colour beside its number ("3, dark teal"); nothing is decided by them.
"""

from __future__ import annotations

import math

HUES = (
    (18.0, "crimson"),
    (42.0, "red"),
    (62.0, "orange"),
    (86.0, "gold"),
    (106.0, "yellow"),
    (128.0, "lime"),
    (165.0, "green"),
    (190.0, "sea green"),
    (232.0, "teal"),
    (308.0, "blue"),
    (324.0, "violet"),
    (348.0, "purple"),
    (360.0, "crimson"),
)
"""Upper end of each hue in degrees of CIELAB (D65), and its word (ours)."""

GREYS = (
    (14.0, "black"),
    (38.0, "dark grey"),
    (62.0, "grey"),
    (84.0, "light grey"),
    (95.0, "off-white"),
    (200.0, "white"),
)
"""Upper lightness L* of each grey, for colours of less chroma than `NEUTRAL` (ours)."""

NEUTRAL, WARM, SOFT, STRONG = 5.0, 12.0, 22.0, 60.0
"""Chroma below which a colour is a grey, a warm grey towards yellow, is grey-something or pale, is strong (ours)."""


def colour_name(lab: tuple[float, float, float]) -> str:
    """Return a plain English name of a CIELAB colour (D65): "cream", "dark blue", "grey-teal"."""
    lightness, a, b = lab
    chroma = math.hypot(a, b)
    if chroma < NEUTRAL or lightness < 8:
        return next(word for top, word in GREYS if lightness < top)
    hue = math.degrees(math.atan2(b, a)) % 360
    warm = 35 <= hue < 100
    if warm and lightness >= 85 and chroma < 30:
        return "cream"
    if 30 <= hue < 115 and chroma < WARM:
        return f"{'light ' if lightness >= 62 else 'dark ' if lightness < 38 else ''}warm grey"
    if 86 <= hue < 115 and lightness < 60:
        return _shaded("olive", lightness, chroma)
    if warm and lightness < 60 and chroma < 0.7 * lightness + 15:
        return _shaded("brown", lightness, chroma)
    if (hue < 42 or hue >= 348) and lightness >= 62:
        return _shaded("pink", lightness, chroma)
    return _shaded(next(word for top, word in HUES if hue < top), lightness, chroma)


def _shaded(word: str, lightness: float, chroma: float) -> str:
    if chroma < SOFT:
        if lightness >= 75:
            return f"pale {word}"
        return f"dark grey-{word}" if lightness < 30 else f"grey-{word}"
    if lightness < 22:
        return f"very dark {word}"
    if lightness < 40:
        return f"dark {word}"
    if lightness >= 72 and word not in ("yellow", "gold"):
        return f"light {word}"
    return f"bright {word}" if chroma >= STRONG + 20 else word
