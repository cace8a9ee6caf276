"""How well fade compensation does what it says: rows for the table of ops/exactness.py, measured, not asserted.

For the main colours of what the knock-out leaves of a piece, each by its share, on the ground that the base decision
gives. Washing is the model with the built-in shop's constants for direct printing on cotton, so "round trip" shows
the arithmetic and the press's limits, not a laundry. "exact": the worst ΔE00 between the design and the print after n*
washes with inks as dark as asked for; "round trip" the same with the press's darkest ink, worst and mean; "limited" the
mean with the limit to the fresh print. "life": mean
ΔE00 from the design, as the press prints it, over all washes of the life; "grade": ISO 105-A05 at its end, the
lowest of the main colours. "edges": the farthest that a mixture of two main colours comes to lie from the mixtures of
what they became, ΔE00; of flat art only (none, model, saturation where three stand side by side).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.colour.compensation import FadeSettings, Method, change_of, worn
from pipeline.colour.difference import delta_e_00, grey_scale_grade
from pipeline.colour.palette import flat_palette, main_colours_of
from pipeline.colour.spaces import rgb8_of, srgb_to_lab
from pipeline.raster import Pixels
from pipeline.raster_ops import SrgbColour
from pipeline.stages.base import decide
from pipeline.stages.fade import compensate

Floats = NDArray[np.float64]
WASHES, LIFE = 12, 25
IDEAL = 0.0005
"""Reflectance of an ink that no press has."""
FLAT = 0.7
ON_SEGMENT = 2.0
"""Levels from the segment between two main colours within which a pixel is taken for a mixture of them."""


@dataclass(frozen=True, slots=True)
class FadeRow:
    """One line of the table; `life`, `grades` are for none, model, saturation; `edges` for the last two."""

    piece: str
    fabric: str
    ground: str
    exact: float
    round_trip: tuple[float, float]
    limited: float
    life: tuple[float, ...]
    grades: tuple[str, ...]
    edges: tuple[float, ...] | None


def fade_row(piece: str, fabric: str, cloth: SrgbColour, pixels: Pixels) -> FadeRow:
    """Measure what fading does to the knocked-out pixels of a piece."""
    palette = flat_palette(pixels)
    main = main_colours_of(pixels, palette)
    designs = np.array([colour.rgb for colour in main], np.float64).reshape(-1, 3)
    share = np.array([colour.share for colour in main])
    share = share / share.sum()
    based = decide([(c.rgb, c.share) for c in main], cloth, None, "direct").strength > 0
    red, green, blue = (round(255 * v) for v in cloth)
    model = FadeSettings(
        method="model",
        washes=WASHES,
        life=LIFE,
        darkest=0.01,
        ground_srgb=(red, green, blue),
        calibrated=True,
    )
    unbounded = replace(model, max_fresh_shift=1000.0)
    ideal = replace(unbounded, darkest=IDEAL)
    exact = _apart(designs, _worn(_printed(designs, ideal, based=based), WASHES, ideal, based=based))
    back = _apart(designs, _worn(_printed(designs, unbounded, based=based), WASHES, model, based=based))
    limited = _apart(designs, _worn(_printed(designs, model, based=based), WASHES, model, based=based))
    methods: tuple[Method, ...] = ("none", "model", "saturation")
    lives = [_life(designs, share, replace(model, method=method), based=based) for method in methods]
    edges = None
    if palette is not None and len(main) > 1 and _flat_share(pixels, designs) > FLAT:
        edges = tuple(_edges(pixels, designs, replace(model, method=m), based=based) for m in methods[1:])
    return FadeRow(
        piece=piece,
        fabric=fabric,
        ground="base" if based else "fabric",
        exact=float(exact.max()),
        round_trip=(float(back.max()), _mean(back, share)),
        limited=_mean(limited, share),
        life=tuple(life for life, _ in lives),
        grades=tuple(grade for _, grade in lives),
        edges=edges,
    )


def _flat_share(pixels: Pixels, designs: Floats) -> float:
    """Return how much of the inked pixels is exactly one of the main colours."""
    inked = pixels[pixels[..., 3] > 0][:, :3]
    return sum(float(np.mean(np.all(inked == design, axis=-1))) for design in designs)


def _printed(designs: Floats, settings: FadeSettings, *, based: bool) -> Floats:
    return rgb8_of(change_of(designs, settings, on_base=based).printed / 255).astype(np.float64)


def _worn(colours: Floats, washes: float, settings: FadeSettings, *, based: bool) -> Floats:
    return worn(colours, washes, settings, on_base=based)


def _apart(one: Floats, other: Floats) -> Floats:
    return delta_e_00(srgb_to_lab(one / 255), srgb_to_lab(other / 255))


def _mean(values: Floats, share: Floats) -> float:
    return float(np.sum(values * share))


def _life(designs: Floats, share: Floats, settings: FadeSettings, *, based: bool) -> tuple[float, str]:
    printed = _printed(designs, settings, based=based)
    fresh = _worn(designs, 0, settings, based=based)
    ageing = [_apart(fresh, _worn(printed, n, settings, based=based)) for n in range(LIFE + 1)]
    old = srgb_to_lab(_worn(printed, LIFE, settings, based=based) / 255)
    lowest = min(
        (grey_scale_grade(a, b) for a, b in zip(srgb_to_lab(fresh / 255), old, strict=True)),
        key=lambda g: g.value,
    )
    return _mean(np.mean(ageing, axis=0), share), lowest.label


def _edges(pixels: Pixels, designs: Floats, settings: FadeSettings, *, based: bool) -> float:
    """Return the worst ΔE00 of mixtures of two main colours from the mixtures of what became of these."""
    after = compensate(pixels, based, settings).pixels
    became = _became(pixels, after, designs)
    flat, washed = pixels.reshape(-1, 4), after.reshape(-1, 4)
    colours, at = np.unique(flat[flat[:, 3] > 0].view(np.uint32)[:, 0], return_index=True)
    before = colours.view(np.uint8).reshape(-1, 4)[:, :3].astype(np.float64)
    new = washed[flat[:, 3] > 0][at, :3].astype(np.float64)
    best, off = np.full(len(before), np.inf), np.zeros(len(before))
    for i in range(len(designs)):
        for j in range(i + 1, len(designs)):
            away = _off(before, designs[i], designs[j])[0]
            nearer = away < best
            best[nearer] = away[nearer]
            foot = _off(new[nearer], became[i], became[j])[1]
            off[nearer] = _apart(new[nearer], foot)
    mixed = best <= ON_SEGMENT
    return float(off[mixed].max()) if mixed.any() else 0.0


def _became(pixels: Pixels, after: Pixels, designs: Floats) -> Floats:
    out = designs.copy()
    for n, design in enumerate(designs):
        here = np.all(pixels[..., :3] == design, axis=-1) & (pixels[..., 3] > 0)
        out[n] = after[here][0, :3]
    return out


def _off(points: Floats, start: Floats, end: Floats) -> tuple[Floats, Floats]:
    """Return how far points lie from a segment, in levels, and the nearest points of the segment."""
    span = end - start
    t = np.clip(np.sum((points - start) * span, axis=-1) / max(float(np.sum(span * span)), 1.0), 0.0, 1.0)
    foot = start + t[:, None] * span
    return np.sqrt(np.sum((points - foot) ** 2, axis=-1)), foot


def fade_lines(rows: list[FadeRow]) -> list[str]:
    """Return the rows as Markdown."""
    lines = [
        f"Fade: n* = {WASHES} washes of {LIFE}, built-in constants; none / model / saturation.",
        "",
        "| piece | fabric | ground | exact | round trip, worst | mean | limited | life | grade | edges |",
        "|---|---|---|---|---|---|---|---|---|---|",
    ]
    for r in rows:
        life = " / ".join(f"{v:.1f}" for v in r.life)
        edges = "–" if r.edges is None else " / ".join(f"{v:.1f}" for v in r.edges)
        lines.append(
            f"| {r.piece} | {r.fabric} | {r.ground} | {r.exact:.2f} | {r.round_trip[0]:.2f} | {r.round_trip[1]:.2f} "
            f"| {r.limited:.2f} | {life} | {' / '.join(r.grades)} | {edges} |"
        )
    return lines
