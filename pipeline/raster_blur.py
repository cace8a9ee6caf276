"""Whether the edges of flat art are blurred: softer than antialiasing makes them.

Blurred strokes nowhere reach their colour, and what looks like a flat patch may be the saddle between two of them. So
their edges are unmixed in another way than sharp ones. In lossy art lightness tells, which such files keep sharp
whatever their quality: across a sharp edge two pixels span all of its difference. A dim outline before a brighter
colour rises slowly too, but at the beginning only. Photographs, whose texture looks like blur, have many colours along
their edges, or many greys.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.raster_kept import Padded, length_of
from pipeline.raster_ops import Floats, Index, luma

SHALLOW = 0.9
"""Edges of which two pixels span less are blurred so far that thin strokes nowhere come near their colour."""
_SHARE, _MANY = 0.9, 0.23
"""Edges are blurred if that many of their second pixels hold less than that of the kept colour."""
_SLOWLY, _SURELY = 0.98, 0.86
"""In lossy art noise does that too: two pixels must span less than that of them; less still, and they surely are."""
_REACH, _SAMPLES, _FEW = 5, 8_000, 50
_CLEAR, _CLEAR_LOSSY, _OTHER_WAY = 60.0, 40.0, 0.1
"""Levels (in lossy art, of lightness) that an edge must have, and the share of them that it may have the other way."""
_LOW, _HIGH, _EVEN = (0.1, 0.35), (0.65, 0.9), 0.6
_COLOURS, _COMPARED = 2, 400
_ALIKE, _NEARLY_ALL = 0.9962, 0.96
"""The cosine of 5°, within which differences from the fabric are those of one colour; how many must be of few."""

_FARTHEST, _BINS, _MOST_LENGTHS = 0.95, 10, 0.9
"""Distances are counted in tenths of nearly the greatest; so many must be within two pairs of neighbouring tenths."""


@dataclass(frozen=True, slots=True)
class Edges:
    """How flat art's edges rise: the part that two pixels span, on the mean, 0–1; whether they are blurred."""

    steepness: float
    blurred: bool


def edges_of(pic: Padded, at: Index, backs: Floats, second: Floats) -> Edges:
    """Measure edges by the pixels `at` (n,) beside what goes, `backs` (n, 3) the colours they were drawn against.

    `second` (m,): the share of the kept colour in those behind them that hold some of what goes.
    """
    blurred = int(np.count_nonzero(second < _SHARE)) > _MANY * at.size
    lossy = pic.share_of_noise is not None
    if not blurred and not lossy:
        return Edges(1.0, blurred=False)
    every = -(-at.size // _SAMPLES) or 1
    steepness, even = _rise(pic, at[::every], backs[::every])
    if lossy:
        blurred = even and steepness < (_SLOWLY if blurred else _SURELY)
    every = -(-at.size // _COMPARED) or 1
    return Edges(steepness, blurred and _has_few_colours(pic, at[::every], backs[::every]))


def _around(pic: Padded, at: Index) -> Index:
    """Return the pixels around each of `at`, (n, 11, 11)."""
    around = np.arange(-_REACH, _REACH + 1)
    return np.asarray(at[:, None, None] + pic.step(1, 0) * around[:, None] + around)


def _rise(pic: Padded, at: Index, backs: Floats) -> tuple[float, bool]:
    """Return the part of the edges that two pixels span, on the mean, and whether they end as softly as they begin."""
    there = _around(pic, at)
    apart = pic.colours[there, :3] - backs[:, None, None, :]
    lossy = pic.share_of_noise is not None
    far = luma(apart) if lossy else np.max(np.abs(apart), axis=-1)
    far[~pic.visible[there]] = 0.0
    high, low = far.max(axis=(1, 2)), -far.min(axis=(1, 2))
    most, other = np.maximum(high, low), np.minimum(high, low)
    clear = (most >= (_CLEAR_LOSSY if lossy else _CLEAR)) & (other <= _OTHER_WAY * most)
    if int(np.count_nonzero(clear)) < _FEW:
        return 1.0, False
    far, most, there = far[clear], most[clear], there[clear]
    span = np.zeros(most.size)
    inner = slice(1, -1)
    for ahead, behind in (
        (far[:, inner, 2:], far[:, inner, :-2]),
        (far[:, 2:, inner], far[:, :-2, inner]),
        (far[:, 2:, 2:], far[:, :-2, :-2]),
        (far[:, 2:, :-2], far[:, :-2, 2:]),
    ):
        span = np.maximum(span, np.abs(ahead - behind).max(axis=(1, 2)))
    part = np.abs(far) / most[:, None, None]
    part[pic.gone[there]] = 0.0
    begins, ends = (int(np.count_nonzero((part > least) & (part < limit))) for least, limit in (_LOW, _HIGH))
    return float(np.mean(np.minimum(span / most, 1.0))), ends >= _EVEN * begins


def _has_few_colours(pic: Padded, at: Index, backs: Floats) -> bool:
    """Whether nearly all of what lies farthest from the fabric around the edges is of one colour or two."""
    there = _around(pic, at).reshape(at.size, -1)
    apart = pic.colours[there, :3] - backs[:, None]
    far = np.sqrt(apart[..., 0] ** 2 + apart[..., 1] ** 2 + apart[..., 2] ** 2)
    far[~pic.visible[there]] = 0.0
    top = apart[np.arange(at.size), np.argmax(far, axis=1)]
    way = top / np.maximum(length_of(top), 1.0)[:, None]
    cosine = sum(way[:, None, i] * way[None, :, i] for i in range(3))
    alike = np.asarray(cosine) >= _ALIKE
    left = np.ones(at.size, np.bool_)
    for _ in range(_COLOURS):
        most = int(np.argmax(np.count_nonzero(alike & left, axis=1)))
        left &= ~alike[most]
    return int(np.count_nonzero(left)) <= (1.0 - _NEARLY_ALL) * at.size and _has_few_lengths(length_of(top))


def _has_few_lengths(far: Floats) -> bool:
    """Whether most are about one or two distances from the fabric: greys of a photograph lie one way, at many."""
    bins = np.minimum(far / max(float(np.quantile(far, _FARTHEST)), 1.0) * _BINS, _BINS + 1).astype(np.int64)
    counts = np.bincount(bins, minlength=_BINS + 2)
    pairs = counts[:-1] + counts[1:]
    two = max(int(pairs[n] + pairs[n + 2 :].max(initial=0)) for n in range(pairs.size))
    return two >= _MOST_LENGTHS * far.size
