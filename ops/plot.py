"""Draws a plain line chart as SVG, for the pages that show measurements."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from xml.sax.saxutils import escape

Point = tuple[float, float]

WIDTH, HEIGHT = 640, 400
LEFT, RIGHT, TOP, BOTTOM = 70, 150, 40, 50
COLOURS = ("#0b3c5d", "#b8532f", "#3f7d4e", "#7a4f9a", "#8a6d1d", "#444444")
DASHES = ("", "7 4", "2 3", "10 3 2 3", "4 2", "1 2")


def line_chart(
    title: str,
    x_label: str,
    y_label: str,
    series: Mapping[str, Sequence[Point]],
    *,
    logarithmic: bool = False,
) -> str:
    """Return the chart as an SVG text; lines differ by dash as well as by colour. `logarithmic` spaces both axes so."""
    xs = [x for points in series.values() for x, _ in points]
    ys = [y for points in series.values() for _, y in points]
    across = _Axis(xs, (LEFT, WIDTH - RIGHT), logarithmic=logarithmic)
    up = _Axis(ys, (HEIGHT - BOTTOM, TOP), logarithmic=logarithmic)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" font-family="sans-serif" '
        'font-size="12">',
        f'<rect width="{WIDTH}" height="{HEIGHT}" fill="#ffffff"/>',
        f'<text x="{LEFT}" y="22" font-size="15">{escape(title)}</text>',
        f'<text x="{(LEFT + WIDTH - RIGHT) / 2}" y="{HEIGHT - 12}" text-anchor="middle">{escape(x_label)}</text>',
        f'<text transform="translate(18 {(TOP + HEIGHT - BOTTOM) / 2}) rotate(-90)" text-anchor="middle">'
        f"{escape(y_label)}</text>",
    ]
    for value in across.ticks():
        x = across.at(value)
        parts.append(f'<path d="M{x:.1f} {TOP}V{HEIGHT - BOTTOM}" stroke="#dddddd"/>')
        parts.append(f'<text x="{x:.1f}" y="{HEIGHT - BOTTOM + 16}" text-anchor="middle">{value:g}</text>')
    for value in up.ticks():
        y = up.at(value)
        parts.append(f'<path d="M{LEFT} {y:.1f}H{WIDTH - RIGHT}" stroke="#dddddd"/>')
        parts.append(f'<text x="{LEFT - 6}" y="{y + 4:.1f}" text-anchor="end">{value:g}</text>')
    for number, (name, points) in enumerate(series.items()):
        colour, dash = COLOURS[number % len(COLOURS)], DASHES[number % len(DASHES)]
        path = " ".join(f"{across.at(x):.1f},{up.at(y):.1f}" for x, y in points)
        style = f'stroke="{colour}" stroke-width="2" stroke-dasharray="{dash}"'
        parts.append(f'<polyline points="{path}" fill="none" {style}/>')
        y = TOP + 10 + 20 * number
        x = WIDTH - RIGHT + 10
        parts.append(f'<path d="M{x} {y}h26" {style}/><text x="{x + 32}" y="{y + 4}">{escape(name)}</text>')
    return "\n".join((*parts, "</svg>", ""))


class _Axis:
    """Maps values to places along one side of the chart."""

    def __init__(self, values: Sequence[float], ends: tuple[float, float], *, logarithmic: bool) -> None:
        self.logarithmic = logarithmic
        self.low = min(values) if logarithmic else 0.0
        self.high = max(values) if max(values) > self.low else self.low + 1
        self.ends = ends

    def at(self, value: float) -> float:
        if self.logarithmic:
            share = math.log(value / self.low) / math.log(self.high / self.low)
        else:
            share = (value - self.low) / (self.high - self.low)
        return self.ends[0] + share * (self.ends[1] - self.ends[0])

    def ticks(self) -> list[float]:
        if self.logarithmic:
            decades = range(math.floor(math.log10(self.low)), math.ceil(math.log10(self.high)) + 1)
            marks = [step * 10.0**decade for decade in decades for step in (1, 2, 5)]
            return [mark for mark in marks if self.low <= mark <= self.high * 1.0001]
        step = 10 ** math.floor(math.log10((self.high - self.low) / 4))
        step *= next(factor for factor in (1, 2, 5, 10) if (self.high - self.low) / (step * factor) <= 7)
        return [n * step for n in range(int(self.high / step) + 1)]
