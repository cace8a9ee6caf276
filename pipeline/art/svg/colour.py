"""CSS colours in all their spellings, turned into 8-bit sRGB and opacity.

Source: CSS Color Module Level 4, sections 4–8 (hex, named, rgb(), hsl(), hwb());
conversions of its sections 7.1 and 8.1.
Colours of other spaces (lab(), oklch(), color(), device-cmyk(), icc-color()) are named, not guessed.
"""

from __future__ import annotations

import re

import tinycss2
from tinycss2.color3 import parse_color as _parse_named

from pipeline.art.paint import Rgb

Rgba = tuple[int, int, int, float]
"""8-bit sRGB and an opacity, 0–1."""

FOREIGN = frozenset(
    {"lab", "lch", "oklab", "oklch", "color", "color-mix", "device-cmyk", "icc-color", "light-dark"}
)
_HEX = re.compile(r"#([0-9a-f]{3,4}|[0-9a-f]{6}|[0-9a-f]{8})$", re.IGNORECASE)
_HUE_UNITS = {"deg": 1.0, "grad": 0.9, "rad": 57.29577951308232, "turn": 360.0}


class ForeignColourError(Exception):
    """The colour belongs to a space other than sRGB; the message is its function's name."""


def byte(value: float) -> int:
    """Return a channel 0–255 as an integer, halves up, held within the range."""
    return int(min(255.0, max(0.0, value)) + 0.5)


def parse(text: str) -> Rgba | None:
    """Return the colour that `text` names, None where it is no colour (also for currentColor).

    Raises ForeignColourError for a colour that is not an sRGB one.
    """
    text = text.strip()
    found = _HEX.match(text)
    if found:
        return _from_hex(found.group(1))
    tokens = [
        t for t in tinycss2.parse_component_value_list(text, skip_comments=True) if t.type != "whitespace"
    ]
    if not tokens:
        return None
    if len(tokens) == 2 and tokens[1].type == "function" and tokens[1].lower_name == "icc-color":
        tokens.pop()  # the sRGB colour before icc-color() is the stated fallback
    if len(tokens) != 1:
        return None
    token = tokens[0]
    if token.type == "ident":
        named = _parse_named(token.lower_value) if token.lower_value != "currentcolor" else None
        return (
            None
            if named is None
            else (byte(named[0] * 255), byte(named[1] * 255), byte(named[2] * 255), named[3])
        )
    return _from_function(token) if token.type == "function" else None


def _from_hex(digits: str) -> Rgba:
    if len(digits) <= 4:
        digits = "".join(d * 2 for d in digits)
    values = [int(digits[i : i + 2], 16) for i in range(0, len(digits), 2)]
    return values[0], values[1], values[2], values[3] / 255 if len(values) == 4 else 1.0


def _from_function(token: object) -> Rgba | None:
    name = token.lower_name  # type: ignore[attr-defined]
    if name in FOREIGN:
        raise ForeignColourError(name)
    arguments = [
        t
        for t in token.arguments  # type: ignore[attr-defined]
        if t.type not in ("whitespace", "comment") and not (t.type == "literal" and t.value in (",", "/"))
    ]
    if len(arguments) not in (3, 4) or name not in ("rgb", "rgba", "hsl", "hsla", "hwb"):
        return None
    alpha = 1.0 if len(arguments) == 3 else _unit(arguments[3], 1.0)
    if name.startswith("rgb"):
        kinds = {t.type for t in arguments[:3]}
        if len(kinds) > 1 and any(t.type == "literal" for t in token.arguments):  # type: ignore[attr-defined]
            return None  # the form with commas does not mix numbers and percentages
        channels = [_unit(t, 255.0) for t in arguments[:3]]
        if alpha is None or None in channels:
            return None
        red, green, blue = (byte(c * 255) for c in channels if c is not None)
        return red, green, blue, alpha
    hue, second, third = _hue(arguments[0]), _unit(arguments[1], 100.0), _unit(arguments[2], 100.0)
    if alpha is None or hue is None or second is None or third is None:
        return None
    rgb = _hsl(hue, second, third) if name.startswith("hsl") else _hwb(hue, second, third)
    return (*rgb, alpha)


def _unit(token: object, full: float) -> float | None:
    """Return a number token (0–full), percentage or `none` as 0–1."""
    kind = token.type  # type: ignore[attr-defined]
    if kind == "number":
        value = token.value / full  # type: ignore[attr-defined]
    elif kind == "percentage":
        value = token.value / 100  # type: ignore[attr-defined]
    elif kind == "ident" and token.lower_value == "none":  # type: ignore[attr-defined]
        value = 0.0
    else:
        return None
    return min(1.0, max(0.0, float(value)))


def _hue(token: object) -> float | None:
    kind = token.type  # type: ignore[attr-defined]
    if kind == "number":
        return float(token.value) % 360  # type: ignore[attr-defined]
    if kind == "dimension" and token.lower_unit in _HUE_UNITS:  # type: ignore[attr-defined]
        return float(token.value) * _HUE_UNITS[token.lower_unit] % 360  # type: ignore[attr-defined]
    return 0.0 if kind == "ident" and token.lower_value == "none" else None  # type: ignore[attr-defined]


def _hsl(hue: float, saturation: float, lightness: float) -> Rgb:
    def channel(n: int) -> int:
        k = (n + hue / 30) % 12
        a = saturation * min(lightness, 1 - lightness)
        return byte(255 * (lightness - a * max(-1.0, min(k - 3, 9 - k, 1.0))))

    return channel(0), channel(8), channel(4)


def _hwb(hue: float, white: float, black: float) -> Rgb:
    if white + black >= 1:
        grey = byte(255 * white / (white + black))
        return grey, grey, grey
    red, green, blue = _hsl(hue, 1.0, 0.5)
    scale = 1 - white - black
    return (
        byte(red * scale + 255 * white),
        byte(green * scale + 255 * white),
        byte(blue * scale + 255 * white),
    )
