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
_NOISE = 2.0
_LOSSY_NOISE = 8.0
_CHROMA = 0.4
_SHARP = 0.6
"""Across a sharp edge the pixel behind one that holds so much of the kept colour holds nothing else."""
_SOFT_MEDIAN = 0.94
_FEW_COLOURS = 32
"""Art with fewer colours along its edges is drawn without antialiasing."""
_PEAKS = 24
_COMPANY = 3
_PEAK_SHARE = 0.65
"""Strokes thinner than a pixel reach this part of their colour somewhere."""


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
    lossy: bool

    @property
    def noise(self) -> float:
        """Levels that count as the same colour."""
        return _LOSSY_NOISE if self.lossy else _NOISE

    def seen(self, apart: Floats) -> Floats:
        """Return differences of colour as they are to be judged: in lossy art the lightness counts, chroma has bled.

        YCbCr of ITU-T T.871, chroma at less than half its weight.
        """
        if not self.lossy:
            return apart
        r, g, b = apart[:, 0], apart[:, 1], apart[:, 2]
        y = 0.299 * r + 0.587 * g + 0.114 * b
        return np.stack([y, _CHROMA * (b - y) / 1.772, _CHROMA * (r - y) / 1.402], axis=1)

    def step(self, dy: int, dx: int) -> int:
        return dy * self.width + dx


def unmix_edges(pixels: Pixels, gone: Mask, back: Floats, *, lossy: bool = False) -> Mixtures:
    """Return the mixtures in the ring around `gone`.

    `pixels` (H, W, 4) uint8, `gone` (H, W); `back` (3,): the nominal colour of `gone` in levels, used where the
    picture itself shows none nearby; `lossy`: the picture went through JPEG, so that its colours carry block noise
    and its chroma has bled.
    """
    margin = int(_STROKE_PX) + 1
    width = gone.shape[1]
    wide = np.pad(pixels, ((margin, margin), (margin, margin), (0, 0)))
    pad_gone = np.pad(gone, margin)
    visible = wide[..., 3] > 0
    pic = _Padded(width + 2 * margin, wide.reshape(-1, 4), visible.reshape(-1), pad_gone.reshape(-1), lossy)
    near = (grow(pad_gone, RING_PX) & ~pad_gone & visible).reshape(-1)
    zone = np.flatnonzero(near)
    backs = _local_back(pic, zone, back)
    flat = _plateau(pic, zone, backs)
    sure = pic.visible & ~pic.gone & ~near
    sure[zone[flat]] = True
    found = _grow_ring(pic, zone, backs, sure)
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


def _plateau(pic: _Padded, at: Index, backs: Floats) -> NDArray[np.bool_]:
    """Whether a pixel lies in a block of one colour that no edge makes: 2 × 2, or 3 × 3 in antialiased art.

    There a stroke may fall on two pixels, half and half, and so may the gap between two strokes.
    """
    here = pic.colours[at, :3].astype(np.int16)
    far = np.max(np.abs(here - backs), axis=1)
    limit = np.maximum(pic.noise, 0.05 * far)
    same = {}
    for dy in (-1, 0, 1):
        for dx in (-1, 0, 1):
            there = at + pic.step(dy, dx)
            apart = np.max(np.abs(pic.colours[there, :3].astype(np.int16) - here), axis=1)
            same[dy, dx] = (apart <= limit) & pic.visible[there] & ~pic.gone[there]
    flat = np.zeros(at.size, np.bool_)
    if pic.lossy or not _antialiased(pic, at):
        for dy in (-1, 1):
            for dx in (-1, 1):
                flat |= same[dy, 0] & same[0, dx] & same[dy, dx]
        return flat
    middle = np.zeros(pic.gone.size, np.bool_)
    middle[at] = np.logical_and.reduce(list(same.values()))
    for (dy, dx), alike in same.items():
        flat |= alike & middle[at + pic.step(dy, dx)]
    return flat


def _antialiased(pic: _Padded, at: Index) -> bool:
    colours = np.ascontiguousarray(pic.colours[at]).view(np.uint32)
    return int(np.unique(colours).size) >= _FEW_COLOURS


def _grow_ring(pic: _Padded, zone: Index, backs: Floats, sure: NDArray[np.bool_]) -> Mixtures:
    """Take the ring pixel by pixel outwards from what goes, as long as pixels hold a share of it."""
    place = np.full(pic.gone.size, -1, np.int32)
    place[zone] = np.arange(zone.size, dtype=np.int32)
    open_ = np.zeros(pic.gone.size, np.bool_)
    open_[zone] = ~sure[zone]
    front = np.where(pic.gone, np.float32(0.0), np.float32(2.0))
    parts = [_no_mixtures()]
    for step in range(RING_PX):
        at, behind = _touching(pic, front, zone[open_[zone]])
        if not at.size:
            break
        open_[at] = False
        mixed, along = _estimate(pic, at, backs[place[at]], sure)
        if step:
            mixed = _while_soft(mixed, along, at, behind)
        parts.append(mixed)
        front = np.full(pic.gone.size, np.float32(2.0))
        front[mixed.at] = mixed.share
    return Mixtures(
        np.concatenate([p.at for p in parts]),
        np.concatenate([p.share for p in parts]),
        np.concatenate([p.kept for p in parts]),
        np.concatenate([p.back for p in parts]),
        np.concatenate([p.settled for p in parts]),
    )


def _no_mixtures() -> Mixtures:
    none = np.zeros((0, 3))
    return Mixtures(np.zeros(0, np.int64), none[:, 0], none, none, np.zeros(0, np.bool_))


def _touching(pic: _Padded, front: NDArray[np.float32], at: Index) -> tuple[Index, Floats]:
    """Return those pixels that touch the front, and the least share among the front pixels they touch."""
    least = np.full(at.size, np.float32(2.0))
    for dy in (-1, 0, 1):
        for dx in (-1, 0, 1):
            if dy or dx:
                least = np.minimum(least, front[at + pic.step(dy, dx)])
    hit = least <= 1.0
    return at[hit], least[hit].astype(np.float64)


def _while_soft(mixed: Mixtures, along: Floats, at: Index, behind: Floats) -> Mixtures:
    """Drop what lies behind a pixel that already was mostly kept colour, unless the art's edges prove soft.

    In sharp art such pixels are wholly the kept colour, give or take its own texture: their median says so.
    """
    late = behind >= _SHARP
    if not late.any() or float(np.median(along[late])) < _SOFT_MEDIAN:
        return mixed
    stay = ~late[np.searchsorted(at, mixed.at)]
    return Mixtures(
        mixed.at[stay], mixed.share[stay], mixed.kept[stay], mixed.back[stay], mixed.settled[stay]
    )


def _estimate(pic: _Padded, at: Index, backs: Floats, sure: NDArray[np.bool_]) -> tuple[Mixtures, Floats]:
    """Return the mixtures among `at`, less what is wholly the kept colour, and the unclipped share of each."""
    apart = pic.seen(pic.colours[at, :3] - backs)
    far = _length(apart)
    kept, misfit = _nearest_fit(pic, at, apart, backs, sure)
    poor = misfit > np.maximum(3 * pic.noise, 6.0) + 0.2 * far
    settled = ~poor
    if poor.any():
        kept[poor], settled[poor] = _stroke_colour(pic, at[poor], apart[poor], backs[poor])
    span = pic.seen(kept - backs)
    length2 = _dot(span, span)
    along = _dot(apart, span) / np.maximum(length2, 1.0)
    share = np.clip(along, 0.0, 1.0)
    settled &= length2 > 1.0
    mixed = (settled & (share < _WHOLE)) | (~settled & (far < _WEAK))
    return Mixtures(at[mixed], share[mixed], kept[mixed], backs[mixed], settled[mixed]), along


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
        span = pic.seen(colour - backs[who])
        length2 = _dot(span, span)
        t = np.clip(_dot(apart[who], span) / np.maximum(length2, 1.0), 0.0, 1.0)
        off = _length(apart[who] - t[:, None] * span)
        price = off + away
        better = (price < best[who]) & (length2 > 36.0)
        won = who[better]
        best[won], misfit[won], kept[won] = price[better], off[better], colour[better]
    return kept, misfit


def _stroke_colour(pic: _Padded, at: Index, apart: Floats, backs: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """Return the colour of a stroke too thin for a core: the farthest peak nearby in the same direction from the back.

    A pixel that is itself the farthest is its own colour. Where peaks nearly as far lie elsewhere in the art in the
    same direction, the stroke nowhere fills a pixel here, and has their colour. The second value is False where the
    pixel is too close to the back to tell.
    """
    far = _length(apart)
    kept = pic.colours[at, :3].astype(np.float64)
    most = far.copy()
    for dy, dx in disc(_STROKE_PX):
        there = at + pic.step(dy, dx)
        hit = np.flatnonzero(pic.visible[there] & ~pic.gone[there])
        colour = pic.colours[there[hit], :3].astype(np.float64)
        span = pic.seen(colour - backs[hit])
        length = _length(span)
        along = _dot(apart[hit], span) / np.maximum(length, 1.0)
        off2 = far[hit] * far[hit] - along * along
        limit = np.maximum(2 * pic.noise, 4.0) + 0.08 * far[hit]
        better = (length > most[hit]) & (along > 0) & (off2 <= limit * limit)
        won = hit[better]
        most[won], kept[won] = length[better], colour[better]
    known = most > pic.noise
    return _common_peaks(pic, kept, backs), known


def _common_peaks(pic: _Padded, kept: Floats, backs: Floats) -> Floats:
    """Return for each peak the farthest peak of the art in its direction, if it itself is nearly as far."""
    out = kept.copy()
    span = pic.seen(kept - backs)
    length = _length(span)
    open_ = length > _WEAK
    for _ in range(_PEAKS):
        if not open_.any():
            break
        # The farthest are few and may be noise: the leader has some company beyond it.
        ranked = np.flatnonzero(open_)[np.argsort(-length[open_], kind="stable")]
        leader = ranked[min(_COMPANY, ranked.size - 1)]
        along = _dot(span, np.broadcast_to(span[leader], span.shape)) / length[leader]
        off2 = np.maximum(length * length - along * along, 0.0)
        limit = np.maximum(2 * pic.noise, 4.0) + 0.05 * length
        same = open_ & (along > 0) & (off2 <= limit * limit)
        same[leader] = True
        near = same & (length >= _PEAK_SHARE * length[leader]) & (length < length[leader])
        out[near] = kept[leader]
        open_ &= ~(same & (length >= _PEAK_SHARE * length[leader]))
    return out


def _dot(a: Floats, b: Floats) -> Floats:
    return a[:, 0] * b[:, 0] + a[:, 1] * b[:, 1] + a[:, 2] * b[:, 2]


def _length(a: Floats) -> Floats:
    return np.sqrt(_dot(a, a))
