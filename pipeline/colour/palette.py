"""The colours of a picture: an exact index of flat art, and the few main colours an operator would name.

Flat art has some thousand colours on tens of millions of pixels, in long runs. The index is found from the starts
of the runs, once a raster; then a colour is worked out once, and spread over the pixels with one look-up.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from pipeline.colour.difference import delta_e_00
from pipeline.colour.spaces import lab_of_rgb8

Rgb8: TypeAlias = tuple[int, int, int]

MAIN_SHARE = 0.005
"""A main colour covers at least this share of the inked area."""

MOST_MAIN_COLOURS = 12
SAME_DE00 = 2.0
"""Flat colours nearer than this are one main colour."""

SCATTER_DE00 = 4.0
"""How far the noise of a lossy file may scatter round a flat colour and still be that colour."""

BLEND_DE00 = 8.0
"""How far from its middle a main colour of a gradient or photograph may reach."""

_FLAT_RUNS_PER_PIXEL = 1 / 8
_ALWAYS_FLAT_PIXELS = 2**18
_SAMPLE_PIXELS = 2**20
_FAINT_ALPHA = 32  # below it, colour brought back from premultiplied pixels is noise
_QUIET_STEP = 8  # levels between neighbours inside a surface, gradients and grain included
_ON_LINE_LEVELS = 6.0
_MOST_GATHERED = 64


@dataclass(frozen=True, slots=True, eq=False)
class Palette:
    """The distinct `colours` (N, 4) uint8 in a fixed order, which of them each pixel has, and how often each is met.

    `index` (H, W) is of the smallest unsigned type that holds N; `counts` (N,) are pixels.
    """

    colours: NDArray[np.uint8]
    index: NDArray[np.unsignedinteger]
    counts: NDArray[np.int64]


class Counted(NamedTuple):
    """The distinct colours (N, 4) uint8 of a picture and how many pixels (N,) have each."""

    colours: NDArray[np.uint8]
    counts: NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class MainColour:
    """A colour that covers `share` (0–1) of the inked area."""

    rgb: Rgb8
    share: float

    @property
    def lab(self) -> tuple[float, float, float]:
        """CIE Lab under D65, 2° observer."""
        L, a, b = lab_of_rgb8(self.rgb).tolist()
        return L, a, b


def _words(pixels: NDArray[np.uint8]) -> NDArray[np.uint32]:
    if pixels.dtype != np.uint8 or pixels.ndim < 2 or pixels.shape[-1] != 4:
        raise ValueError(f"pixels must be uint8 (…, 4), got {pixels.dtype} {pixels.shape}")
    return np.ascontiguousarray(pixels).view("<u4").reshape(-1)


def _colours_of(words: NDArray[np.uint32]) -> NDArray[np.uint8]:
    return np.ascontiguousarray(words, dtype="<u4").view(np.uint8).reshape(-1, 4)


def _run_starts(words: NDArray[np.uint32]) -> NDArray[np.int64]:
    changes = np.flatnonzero(words[1:] != words[:-1])
    return np.concatenate([np.zeros(min(1, words.size), dtype=np.int64), changes + 1])


def unique_colours(pixels: NDArray[np.uint8]) -> Palette:
    """Index every pixel (H, W, 4) by its colour, exactly. Slow on photographs: ask `flat_palette` first."""
    words = _words(pixels)
    return _indexed(words, _run_starts(words), pixels.shape[:2])


def flat_palette(pixels: NDArray[np.uint8]) -> Palette | None:
    """The index of `unique_colours` where it pays (flat art, small pictures), None for photographs and grain."""
    words = _words(pixels)
    runs = int(np.count_nonzero(words[1:] != words[:-1])) + 1
    if runs > max(_ALWAYS_FLAT_PIXELS, words.size * _FLAT_RUNS_PER_PIXEL):
        return None
    return _indexed(words, _run_starts(words), pixels.shape[:2])


def _indexed(words: NDArray[np.uint32], starts: NDArray[np.int64], shape: tuple[int, ...]) -> Palette:
    values, of_run = np.unique(words[starts], return_inverse=True)
    lengths = np.diff(starts, append=words.size)
    # Sums of whole numbers far below 2**53 are exact in float64.
    counts = np.bincount(of_run, weights=lengths, minlength=values.size).astype(np.int64)
    small = np.uint8 if values.size <= 2**8 else np.uint16 if values.size <= 2**16 else np.uint32
    index = np.repeat(of_run.astype(small), lengths).reshape(shape)
    return Palette(_colours_of(values), index, counts)


def counted(words: NDArray[np.uint32], lengths: NDArray[np.int64]) -> Counted:
    """The distinct colours of runs of packed RGBA (n,), `lengths` pixels each; in the order of `Palette.colours`."""
    values, of_run = np.unique(words, return_inverse=True)
    counts = np.bincount(of_run, weights=lengths, minlength=values.size).astype(np.int64)
    return Counted(_colours_of(values), counts)


def main_colours_of(
    pixels: NDArray[np.uint8], palette: Palette | Counted | None = None
) -> tuple[MainColour, ...]:
    """Main colours of a picture (H, W, 4), the largest first; `palette` is `flat_palette`'s, or its colours alone.

    Flat art has exact shares, and its edges are told from its surfaces on a regular sample of a million pixels. In
    photographs grain looks like edges, so there the sample alone counts.
    """
    sample, quiet = _sampled(pixels)
    taken = unique_colours(sample[:, np.newaxis])
    if palette is None:
        return main_colours(taken.colours, taken.counts)
    inside = np.zeros(len(palette.colours))
    calm = sums(taken.index[quiet, 0], np.ones(np.count_nonzero(quiet)), len(taken.colours))
    scale = int(palette.counts.sum()) / len(sample)
    inside[np.searchsorted(_words(palette.colours), _words(taken.colours))] = calm * scale
    return main_colours(palette.colours, palette.counts, inside=inside)


def _sampled(pixels: NDArray[np.uint8]) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    height, width = pixels.shape[:2]
    step = max(1, int(np.ceil(np.sqrt(height * width / _SAMPLE_PIXELS))))
    rows, columns = np.arange(step // 2, height, step), np.arange(step // 2, width, step)
    centre = np.ascontiguousarray(pixels[step // 2 :: step, step // 2 :: step])
    quiet = np.ones(centre.shape[:2], dtype=np.bool_)
    for down, right in ((1, 0), (-1, 0), (0, 1), (0, -1)):
        beside = (np.clip(rows + down, 0, height - 1), np.clip(columns + right, 0, width - 1))
        words = _words(pixels).reshape(height, width)[beside[0]][:, beside[1]]
        near = _colours_of(words.reshape(-1)).reshape(centre.shape)
        step_up = np.maximum(centre, near) - np.minimum(centre, near)
        # Four channels at once: no byte of the word may be above the limit.
        quiet &= (step_up > _QUIET_STEP).view("<u4")[..., 0] == 0
    return centre.reshape(-1, 4), quiet.reshape(-1)


def main_colours(
    colours: NDArray[np.uint8],
    counts: NDArray[np.int64],
    *,
    inside: NDArray[np.float64] | None = None,
    share: float = MAIN_SHARE,
) -> tuple[MainColour, ...]:
    """Main colours, at most a dozen, the largest first, of distinct `colours` (N, 4) uint8 met `counts` (N,) times.

    Flat colours stay apart down to ΔE00 2; what is left is gathered round its heaviest colours within ΔE00 8.
    `inside` (N,) is how many of them, about, lie inside a surface: a gathered colour that is mostly not inside is
    antialiasing and no main colour. Without `inside`, a gathered mixture of two larger colours is taken
    for antialiasing unless it covers four times `share`. Shares are of the area weighted by alpha.
    """
    area = counts * (colours[:, 3] / 255)
    total = float(area.sum())
    if total == 0:
        return ()
    solid = colours[:, 3] >= _FAINT_ALPHA
    surface = None if inside is None else inside[solid] * (colours[solid, 3] / 255)
    rgb, weight, surface = _by_rgb(colours[solid], area[solid], surface)
    rgb, weight, surface = _heaviest(rgb, weight, surface)
    found = _gather(rgb, weight, surface, share * total)
    kept = [c for c in found if c.weight >= share * total and not _is_edge(c, found, share * total)]
    kept.sort(key=lambda c: (-c.weight, c.rgb))
    return tuple(MainColour(c.rgb, c.weight / total) for c in kept[:MOST_MAIN_COLOURS])


class _Cluster(NamedTuple):
    rgb: Rgb8
    weight: float
    inside: float | None  # share of its area known to lie inside a surface
    flat: bool


def sums(place: NDArray[np.integer], weight: NDArray[np.float64], length: int) -> NDArray[np.float64]:
    """Sum of the weights (N,) that fall on each of `length` places; always float64, also for no weights at all."""
    return np.bincount(place, weights=weight, minlength=length).astype(np.float64)


def _by_rgb(
    colours: NDArray[np.uint8], area: NDArray[np.float64], inside: NDArray[np.float64] | None
) -> tuple[NDArray[np.uint8], NDArray[np.float64], NDArray[np.float64] | None]:
    """Add up colours that differ in alpha alone."""
    opaque = colours.copy()
    opaque[:, 3] = 255
    words, place = np.unique(_words(opaque), return_inverse=True)
    weight = sums(place, area, words.size)
    surface = None if inside is None else sums(place, inside, words.size)
    return _colours_of(words)[:, :3], weight, surface


def _heaviest(
    rgb: NDArray[np.uint8], weight: NDArray[np.float64], surface: NDArray[np.float64] | None, most: int = 4096
) -> tuple[NDArray[np.uint8], NDArray[np.float64], NDArray[np.float64] | None]:
    """At most `most` colours: the heaviest of each cell of a 32³ lattice stands for it, the heaviest cells stay."""
    if len(rgb) <= most:
        return rgb, weight, surface
    cell = (rgb[:, 0].astype(np.int64) >> 3 << 10) | (rgb[:, 1].astype(np.int64) >> 3 << 5) | (rgb[:, 2] >> 3)
    order = np.lexsort((np.arange(len(rgb)), -weight, cell))
    first = np.flatnonzero(np.diff(cell[order], prepend=-1))
    leader = order[first]
    total = sums(cell, weight, 2**15)[cell[leader]]
    inner = None if surface is None else sums(cell, surface, 2**15)[cell[leader]]
    top = np.argsort(-total, kind="stable")[:most]
    return rgb[leader][top], total[top], None if inner is None else inner[top]


def _gather(
    rgb: NDArray[np.uint8], weight: NDArray[np.float64], surface: NDArray[np.float64] | None, least: float
) -> list[_Cluster]:
    lab = lab_of_rgb8(rgb)
    free = np.ones(len(rgb), dtype=np.bool_)

    def take(leader: int, radius: float) -> NDArray[np.bool_]:
        near: NDArray[np.bool_] = free & (delta_e_00(lab, lab[leader]) <= radius)
        free[near] = False
        return near

    order = np.argsort(-weight, kind="stable").tolist()
    flat = [(i, take(i, SAME_DE00)) for i in order if weight[i] >= least and free[i]]
    for leader, near in flat:  # what a lossy file scatters round a flat colour belongs to it
        near |= take(leader, SCATTER_DE00)
    clusters = [_Cluster(_rgb(rgb[i]), *_extent(weight, surface, near), flat=True) for i, near in flat]
    for leader in order:
        if len(clusters) >= len(flat) + _MOST_GATHERED or float(weight[free].sum()) < least:
            break
        if free[leader]:
            near = take(leader, BLEND_DE00)
            mean = (rgb[near] * weight[near, np.newaxis]).sum(axis=0) / weight[near].sum()
            clusters.append(_Cluster(_rgb(np.rint(mean)), *_extent(weight, surface, near), flat=False))
    return clusters


def _extent(
    weight: NDArray[np.float64], surface: NDArray[np.float64] | None, near: NDArray[np.bool_]
) -> tuple[float, float | None]:
    total = float(weight[near].sum())
    return total, None if surface is None else float(surface[near].sum()) / total


def _rgb(levels: NDArray[np.uint8] | NDArray[np.float64]) -> Rgb8:
    r, g, b = (int(v) for v in levels)
    return r, g, b


def _is_edge(one: _Cluster, others: list[_Cluster], least: float) -> bool:
    """Whether a colour is what antialiasing leaves between two larger ones.

    A flat colour can be: a small shape repeated often repeats its edge pixels. A thin line of its own has few pixels
    inside too, but is seldom an exact mixture.
    """
    if one.inside is None:
        doubtful = not one.flat and one.weight < 4 * least
    elif one.flat:
        doubtful = one.inside < 0.1
    else:
        return one.inside < 0.5
    return doubtful and _between_two(one, [o for o in others if o.weight > one.weight])


def _between_two(one: _Cluster, others: list[_Cluster]) -> bool:
    point = np.array(one.rgb, dtype=np.float64)
    ends = [np.array(o.rgb, dtype=np.float64) for o in others]
    for i, start in enumerate(ends):
        for end in ends[i + 1 :]:
            span = end - start
            along = float(((point - start) * span).sum() / (span * span).sum())
            off = float(np.sqrt(((start + along * span - point) ** 2).sum()))
            if 0.02 < along < 0.98 and off <= _ON_LINE_LEVELS:
                return True
    return False
