"""Unmixing antialiased edges: how much of one colour and how much of its neighbour an edge pixel holds.

One area of a picture, `gone`, is to be taken away or recoloured. Beside it lies a ring of pixels that hold a share
of its colour. Their other colour comes from the nearest pixels that hold none of it, and the share is the projection
on the segment between the two, in encoded sRGB, the space in which art is antialiased. The ring is as wide as the
art's own edges are soft: it grows from `gone` outwards until a pixel holds nothing of it any more.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.raster import Pixels
from pipeline.raster_ops import Floats, Index, Mask, disc, grow

RING_PX = 3
"""The widest edge that counts as an edge."""
_SEARCH_PX = 6.0
_STROKE_PX = 10.0
_WHOLE = 0.97
_PER_PX = 2.0
"""A colour one pixel farther off must fit better by so many levels."""
_WEAK = 14.0


@dataclass(frozen=True, slots=True, eq=False)
class Mixtures:
    """The ring: flat indices `at` (n,), share 0–1 of the kept colour, and both colours in levels 0–255, (n, 3).

    `settled`: False where no kept colour explains the pixel, which then is close to the colour that goes.
    """

    at: Index
    share: Floats
    kept: Floats
    back: Floats
    settled: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class _Padded:
    """The picture with a margin wide enough that no offset leaves it; all planes flat."""

    width: int
    colours: NDArray[np.uint8]
    visible: NDArray[np.bool_]
    gone: NDArray[np.bool_]

    def step(self, dy: int, dx: int) -> int:
        return dy * self.width + dx


def unmix_edges(pixels: Pixels, gone: Mask, back: Floats, noise: float = 2.0) -> Mixtures:
    """Return the mixtures in the ring around `gone`.

    `pixels` (H, W, 4) uint8, `gone` (H, W); `back` (3,): the nominal colour of `gone` in levels, used where the
    picture itself shows none nearby; `noise` in levels is what counts as the same colour.
    """
    margin = int(_STROKE_PX) + 1
    width = gone.shape[1]
    wide = np.pad(pixels, ((margin, margin), (margin, margin), (0, 0)))
    pad_gone = np.pad(gone, margin)
    visible = wide[..., 3] > 0
    pic = _Padded(width + 2 * margin, wide.reshape(-1, 4), visible.reshape(-1), pad_gone.reshape(-1))
    near = (grow(pad_gone, RING_PX) & ~pad_gone & visible).reshape(-1)
    zone = np.flatnonzero(near)
    backs = _local_back(pic, zone, back)
    flat = _plateau(pic, zone, backs, noise)
    sure = pic.visible & ~pic.gone & ~near
    sure[zone[flat]] = True
    found = _grow_ring(pic, zone, backs, sure, noise)
    y, x = found.at // pic.width - margin, found.at % pic.width - margin
    return Mixtures(y * width + x, found.share, found.kept, found.back, found.settled)


def _local_back(pic: _Padded, at: Index, nominal: Floats) -> Floats:
    """Return the mean colour of the `gone` pixels around each pixel: what its edge was drawn against."""
    total = np.zeros((at.size, 3))
    count = np.zeros(at.size)
    for dy, dx in disc(RING_PX + 1.5):
        there = at + pic.step(dy, dx)
        hit = np.flatnonzero(pic.gone[there])
        total[hit] += pic.colours[there[hit], :3]
        count[hit] += 1
    return np.where(count[:, None] > 0, total / np.maximum(count, 1)[:, None], nominal)


def _plateau(pic: _Padded, at: Index, backs: Floats, noise: float) -> NDArray[np.bool_]:
    """Whether a pixel lies in a 2 × 2 block of one colour, which no edge makes."""
    here = pic.colours[at, :3].astype(np.int16)
    far = np.max(np.abs(here - backs), axis=1)
    limit = np.maximum(noise, 0.05 * far)
    same = {}
    for dy in (-1, 0, 1):
        for dx in (-1, 0, 1):
            if dy or dx:
                there = at + pic.step(dy, dx)
                apart = np.max(np.abs(pic.colours[there, :3].astype(np.int16) - here), axis=1)
                same[dy, dx] = (apart <= limit) & pic.visible[there] & ~pic.gone[there]
    flat = np.zeros(at.size, np.bool_)
    for dy in (-1, 1):
        for dx in (-1, 1):
            flat |= same[dy, 0] & same[0, dx] & same[dy, dx]
    return flat


def _grow_ring(pic: _Padded, zone: Index, backs: Floats, sure: NDArray[np.bool_], noise: float) -> Mixtures:
    place = np.full(pic.gone.size, -1, np.int32)
    place[zone] = np.arange(zone.size, dtype=np.int32)
    open_ = np.zeros(pic.gone.size, np.bool_)
    open_[zone] = ~sure[zone]
    front = pic.gone
    parts: list[Mixtures] = []
    for _ in range(RING_PX):
        at = _touching(pic, front, open_, zone)
        if not at.size:
            break
        open_[at] = False
        mixed = _estimate(pic, at, backs[place[at]], sure, noise)
        parts.append(mixed)
        front = np.zeros(pic.gone.size, np.bool_)
        front[mixed.at] = True
    if not parts:
        return Mixtures(zone[:0], np.zeros(0), np.zeros((0, 3)), np.zeros((0, 3)), np.zeros(0, np.bool_))
    return Mixtures(
        np.concatenate([p.at for p in parts]),
        np.concatenate([p.share for p in parts]),
        np.concatenate([p.kept for p in parts]),
        np.concatenate([p.back for p in parts]),
        np.concatenate([p.settled for p in parts]),
    )


def _touching(pic: _Padded, front: NDArray[np.bool_], open_: NDArray[np.bool_], zone: Index) -> Index:
    """Return the open pixels of the zone that touch the front."""
    at = zone[open_[zone]]
    hit = np.zeros(at.size, np.bool_)
    for dy in (-1, 0, 1):
        for dx in (-1, 0, 1):
            if dy or dx:
                hit |= front[at + pic.step(dy, dx)]
    return at[hit]


def _estimate(pic: _Padded, at: Index, backs: Floats, sure: NDArray[np.bool_], noise: float) -> Mixtures:
    """Return the mixtures among `at`; what is wholly the kept colour, or no mixture at all, is left out."""
    apart = pic.colours[at, :3] - backs
    far = _length(apart)
    kept, cost = _nearest_fit(pic, at, apart, backs, sure)
    allowed = np.maximum(3 * noise, 6.0) + 0.2 * far
    poor = cost > allowed
    if poor.any():
        kept[poor], fits = _stroke_colour(pic, at[poor], apart[poor], backs[poor], noise)
        settled = ~poor
        settled[np.flatnonzero(poor)[fits]] = True
    else:
        settled = ~poor
    span = kept - backs
    share = np.clip(_dot(apart, span) / np.maximum(_dot(span, span), 1.0), 0.0, 1.0)
    settled &= _dot(span, span) > 1.0
    mixed = (settled & (share < _WHOLE)) | (~settled & (far < _WEAK))
    return Mixtures(at[mixed], share[mixed], kept[mixed], backs[mixed], settled[mixed])


def _nearest_fit(
    pic: _Padded, at: Index, apart: Floats, backs: Floats, sure: NDArray[np.bool_]
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
        span = colour - backs[who]
        length2 = _dot(span, span)
        t = np.clip(_dot(apart[who], span) / np.maximum(length2, 1.0), 0.0, 1.0)
        off = _length(apart[who] - t[:, None] * span)
        price = off + away
        better = (price < best[who]) & (length2 > 36.0)
        won = who[better]
        best[won], misfit[won], kept[won] = price[better], off[better], colour[better]
    return kept, misfit


def _stroke_colour(
    pic: _Padded, at: Index, apart: Floats, backs: Floats, noise: float
) -> tuple[Floats, NDArray[np.bool_]]:
    """Return the colour of a stroke too thin for a core: the farthest peak nearby in the same direction from the back.

    The second value says where one was found; a pixel that is itself the farthest is its own colour.
    """
    far = _length(apart)
    kept = pic.colours[at, :3].astype(np.float64)
    most = far.copy()
    for dy, dx in disc(_STROKE_PX):
        there = at + pic.step(dy, dx)
        hit = np.flatnonzero(pic.visible[there] & ~pic.gone[there])
        colour = pic.colours[there[hit], :3].astype(np.float64)
        span = colour - backs[hit]
        length = _length(span)
        along = _dot(apart[hit], span) / np.maximum(length, 1.0)
        off2 = far[hit] * far[hit] - along * along
        limit = np.maximum(2 * noise, 4.0) + 0.08 * far[hit]
        better = (length > most[hit]) & (along > 0) & (off2 <= limit * limit)
        won = hit[better]
        most[won], kept[won] = length[better], colour[better]
    return kept, most > noise


def _dot(a: Floats, b: Floats) -> Floats:
    return a[:, 0] * b[:, 0] + a[:, 1] * b[:, 1] + a[:, 2] * b[:, 2]


def _length(a: Floats) -> Floats:
    return np.sqrt(_dot(a, a))
