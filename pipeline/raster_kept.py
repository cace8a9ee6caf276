"""Which colour a pixel of an edge keeps: the nearest that explains it, or that of the stroke it belongs to."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.raster_ops import Floats, Index, disc, luma_chroma

STROKE_PX = 10.0
WEAK = 14.0
_SEARCH_PX = 6.0
_PER_PX = 2.0
"""A colour one pixel farther off must fit better by so many levels."""
_NOISE = 2.0
_LOSSY_NOISE = 6.0
_BLED = 0.4
_PEAKS = 24
_COMPANY, _COMPANY_IN_BLUR = 3, 20
"""So many peaks, and in blurred art one in so many, lie beyond the one that leads."""
_PEAK_SHARE, _BLURRED_PEAK_SHARE = 0.65, 0.25
"""Strokes thinner than a pixel, or than the blur, reach this part of their colour somewhere."""
_TOP = 0.85
"""In noise the farthest is too far: the colour of a stroke is the mean of what is so nearly as far."""
_NEAR_TOP = 0.94
"""A flat patch in blurred art that reaches less of its stroke's colour is the saddle between two strokes."""
_NEAR_PX = 4.0
_ALIKE = 0.4
_ENOUGH = 3


@dataclass(frozen=True, slots=True, eq=False)
class Padded:
    """The picture with a margin wide enough that no offset leaves it; all planes flat.

    `share_of_noise`: of the difference across an edge; None for art that never was lossy. `bled`: its chroma still
    lies as it has bled. `blurred`: strokes nowhere reach their colour; `shallow`: nor come near it.
    """

    width: int
    colours: NDArray[np.uint8]
    visible: NDArray[np.bool_]
    gone: NDArray[np.bool_]
    share_of_noise: float | None
    bled: bool
    blurred: bool = False
    shallow: bool = False

    @property
    def noise(self) -> float:
        """Levels that count as the same colour."""
        return _NOISE if self.share_of_noise is None else _LOSSY_NOISE

    def seen(self, apart: Floats) -> Floats:
        """Return differences of colour as they are to be judged: where chroma has bled, lightness counts more."""
        return luma_chroma(apart) * (1.0, _BLED, _BLED) if self.bled else apart

    def step(self, dy: int, dx: int) -> int:
        """Return how far a pixel lies from its neighbour."""
        return dy * self.width + dx


def nearest_fit(
    pic: Padded, at: Index, apart: Floats, backs: Floats, sure: NDArray[np.bool_]
) -> tuple[Floats, Floats]:
    """Return for each pixel the kept colour that explains it best, nearer ones first, and how far it misses."""
    kept = np.zeros((at.size, 3))
    best = np.full(at.size, np.inf)
    misfit = np.full(at.size, np.inf)
    todo = np.arange(at.size)
    last = 0.0
    for dy, dx in disc(_SEARCH_PX):
        away = _PER_PX * float(np.sqrt(dy * dy + dx * dx))
        if away > last:
            todo = todo[best[todo] > away]
            last = away
        there = at[todo] + pic.step(dy, dx)
        hit = sure[there]
        who = todo[hit]
        if not who.size:
            continue
        colour = pic.colours[there[hit], :3].astype(np.float64)
        span = pic.seen(colour - backs[who])
        length2 = dot(span, span)
        t = np.clip(dot(apart[who], span) / np.maximum(length2, 1.0), 0.0, 1.0)
        off = length_of(apart[who] - t[:, None] * span)
        price = off + away
        better = (price < best[who]) & (length2 > 36.0)
        won = who[better]
        best[won], misfit[won], kept[won] = price[better], off[better], colour[better]
    return kept, misfit


def typical(
    pic: Padded, at: Index, kept: Floats, backs: Floats, sure: NDArray[np.bool_]
) -> tuple[Floats, Floats]:
    """Return the mean of the sure colours like each kept one around its pixel, and their spread along it, 0–1."""
    span = pic.seen(kept - backs)
    length2 = np.maximum(dot(span, span), 1.0)
    count, once, twice = np.zeros(at.size), np.zeros(at.size), np.zeros(at.size)
    total = np.zeros((at.size, 3))
    for dy, dx in disc(_NEAR_PX):
        there = at + pic.step(dy, dx)
        hit = np.flatnonzero(sure[there])
        colour = pic.colours[there[hit], :3].astype(np.float64)
        apart = pic.seen(colour - backs[hit])
        along = dot(apart, span[hit]) / length2[hit]
        off = length_of(apart - along[:, None] * span[hit])
        like = (np.abs(along - 1.0) <= _ALIKE) & (off <= pic.noise + 0.2 * np.sqrt(length2[hit]))
        who, along = hit[like], along[like]
        count[who] += 1
        once[who] += along
        twice[who] += along * along
        total[who] += colour[like]
    enough = count >= _ENOUGH
    divisor = np.maximum(count, 1.0)
    mean = once / divisor
    spread = np.sqrt(np.maximum(twice / divisor - mean * mean, 0.0))
    return np.where(enough[:, None], total / divisor[:, None], kept), np.where(enough, spread, 0.0)


def stroke_colour(pic: Padded, at: Index, apart: Floats, backs: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """Return the colour of a stroke too thin for a core: the farthest peak nearby in the same direction from the back.

    A pixel that is itself the farthest is its own colour; in noise the peak is the mean of what is nearly as far.
    Where peaks nearly as far lie elsewhere in the art in the same direction, the stroke nowhere fills a pixel here,
    and has their colour. The second value is False where the pixel is too close to the back to tell.
    """
    own = pic.colours[at, :3].astype(np.float64)
    kept, most = own.copy(), length_of(apart)
    for hit, colour, length in _same_way(pic, at, apart, backs):
        better = length > most[hit]
        won = hit[better]
        most[won], kept[won] = length[better], colour[better]
    if pic.share_of_noise is not None:
        total, count = (
            own * (length_of(apart) >= _TOP * most)[:, None],
            (length_of(apart) >= _TOP * most) * 1.0,
        )
        for hit, colour, length in _same_way(pic, at, apart, backs):
            top = length >= _TOP * most[hit]
            total[hit[top]] += colour[top]
            count[hit[top]] += 1
        kept = total / count[:, None]
    return _common_peaks(pic, kept, backs), most > pic.noise


def is_peak(pic: Padded, at: Index, backs: Floats) -> NDArray[np.bool_]:
    """Whether pixels are nearly as far from their back as any of their stroke's colour."""
    apart = pic.seen(pic.colours[at, :3] - backs)
    kept, _ = stroke_colour(pic, at, apart, backs)
    return np.asarray(length_of(apart) >= _NEAR_TOP * length_of(pic.seen(kept - backs)))


def _same_way(pic: Padded, at: Index, apart: Floats, backs: Floats) -> Iterator[tuple[Index, Floats, Floats]]:
    """Yield, neighbour by neighbour, which pixels have one in their own direction from the back, and how far it is."""
    far = length_of(apart)
    for dy, dx in disc(STROKE_PX):
        there = at + pic.step(dy, dx)
        hit = np.flatnonzero(pic.visible[there] & ~pic.gone[there])
        colour = pic.colours[there[hit], :3].astype(np.float64)
        span = pic.seen(colour - backs[hit])
        length = length_of(span)
        along = dot(apart[hit], span) / np.maximum(length, 1.0)
        off2 = far[hit] * far[hit] - along * along
        limit = np.maximum(2 * pic.noise, 4.0) + 0.08 * far[hit]
        same = (along > 0) & (off2 <= limit * limit)
        yield hit[same], colour[same], length[same]


def _common_peaks(pic: Padded, kept: Floats, backs: Floats) -> Floats:
    """Return for each peak the farthest peak of the art in its direction, if it itself is nearly as far."""
    out = kept.copy()
    span = pic.seen(kept - backs)
    length = length_of(span)
    open_ = length > WEAK
    least = _BLURRED_PEAK_SHARE if pic.blurred else _PEAK_SHARE
    for _ in range(_PEAKS):
        if not open_.any():
            break
        # The farthest are few and may be noise: the leader has some company beyond it.
        ranked = np.flatnonzero(open_)[np.argsort(-length[open_], kind="stable")]
        company = max(_COMPANY, ranked.size // _COMPANY_IN_BLUR) if pic.blurred else _COMPANY
        leader = ranked[min(company, ranked.size - 1)]
        along = dot(span, np.broadcast_to(span[leader], span.shape)) / length[leader]
        off2 = np.maximum(length * length - along * along, 0.0)
        limit = np.maximum(2 * pic.noise, 4.0) + 0.05 * length
        same = open_ & (along > 0) & (off2 <= limit * limit)
        same[leader] = True
        near = same & (length >= least * length[leader]) & (length < length[leader])
        out[near] = kept[leader]
        open_ &= ~(same & (length >= least * length[leader]))
    return out


def dot(a: Floats, b: Floats) -> Floats:
    """Return the inner product of each row."""
    return a[:, 0] * b[:, 0] + a[:, 1] * b[:, 1] + a[:, 2] * b[:, 2]


def length_of(a: Floats) -> Floats:
    """Return the length of each row."""
    return np.sqrt(dot(a, a))
