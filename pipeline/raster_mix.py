"""Unmixing antialiased edges: how much of one colour and how much of its neighbour an edge pixel holds.

One area of a picture, `gone`, is to be taken away or recoloured. Beside it lies a ring of pixels that hold a share
of its colour. Their other colour comes from the nearest pixels that hold none of it, and the share is the projection
on the segment between the two, in encoded sRGB, the space in which art is antialiased. The ring is as wide as the
art's own edges are soft: it grows from `gone` outwards until a pixel holds nothing of it any more.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.raster import Pixels
from pipeline.raster_blur import SHALLOW, edges_of
from pipeline.raster_kept import (
    STROKE_PX,
    WEAK,
    Padded,
    dot,
    is_peak,
    length_of,
    nearest_fit,
    stroke_colour,
    typical,
)
from pipeline.raster_ops import Floats, Index, Mask, disc, grow, luma, square, window_min

RING_PX = 3
"""The widest edge that counts as an edge."""
SOFT_RING_PX = 10
"""… in blurred art, that is."""
_WHOLE = 0.97
_SHARP = 0.6
"""Across a sharp edge the pixel behind one that holds so much of the kept colour holds nothing else."""
_SOFT_MEDIAN = 0.94
_BEHIND_NOTHING = 2.0
"""More than any share: no pixel of the front."""
_FEW_COLOURS = 32
"""Art with fewer colours along its edges is drawn without antialiasing."""
_FULL_PX = 3
_FULL = 0.6
"""In noise a block of one colour is a kept one if it is so far from the fabric as the farthest around it."""
_PATCH_PX, _CELL, _CELLS = 2, 4, 64
"""A colour has a patch where it fills a square of so far around a pixel, which a blurred ridge does not; colours in
neighbouring cells of so many levels are alike."""
_LARGE_PX = 2
"""A block of one colour is large if it reaches so far around the middle of 3 × 3."""
_TEXTURE = 2.5
_MOST_TEXTURE = 0.5
"""Times the spread of the kept colour that counts as wholly kept, up to so much."""


@dataclass(frozen=True, slots=True, eq=False)
class Mixtures:
    """The ring: flat indices `at` (n,), share 0–1 of the kept colour, and both colours in levels 0–255, (n, 3).

    `settled`: False where no kept colour explains the pixel, which then is close to the colour that goes. `pale`: True
    in strokes of art so blurred that they nowhere come near their colour, which is taken from the strongest of them.
    """

    at: Index
    share: Floats
    kept: Floats
    back: Floats
    settled: NDArray[np.bool_]
    pale: NDArray[np.bool_]

    def only(self, which: NDArray[np.bool_]) -> Mixtures:
        """Return some of the mixtures."""
        return Mixtures(
            self.at[which],
            self.share[which],
            self.kept[which],
            self.back[which],
            self.settled[which],
            self.pale[which],
        )


def unmix_edges(
    pixels: Pixels, gone: Mask, back: Floats, *, noise: float | None = None, bled: bool = False
) -> Mixtures:
    """Return the mixtures in the ring around `gone`.

    `pixels` (H, W, 4) uint8, `gone` (H, W); `back` (3,): the nominal colour of `gone` in levels, used where the
    picture itself shows none nearby; `noise`: the picture went through JPEG, and its lightness carries block noise of
    this share of the difference across an edge. A share of the kept colour within the noise of none is none, one
    within the noise and the texture of whole is whole, and between them it runs straight. `bled`: chroma tells less.
    """
    margin = int(STROKE_PX) + 1
    width = gone.shape[1]
    wide = np.pad(pixels, ((margin, margin), (margin, margin), (0, 0)))
    pad_gone = np.pad(gone, margin)
    visible = (wide[..., 3] > 0).reshape(-1)
    pic = Padded(width + 2 * margin, wide.reshape(-1, 4), visible, pad_gone.reshape(-1), noise, bled)
    steps = _ring(pic, pad_gone, back, RING_PX)
    if len(steps) > 1:
        edges = edges_of(pic, steps[0].at, steps[0].back, steps[1].share)
        if edges.blurred:
            pic = replace(pic, blurred=True, shallow=edges.steepness < SHALLOW)
            steps = _ring(pic, pad_gone, back, SOFT_RING_PX)
    found = _joined(steps)
    if found.pale.any():
        found = replace(found, pale=found.pale & ~_is_met(pic, found.kept))
    y, x = found.at // pic.width - margin, found.at % pic.width - margin
    return replace(found, at=y * width + x)


def _is_met(pic: Padded, kept: Floats) -> NDArray[np.bool_]:
    """Say of which colours (n, 3) the art has a flat patch: strokes of them do reach their colour."""
    patch = pic.visible & ~pic.gone
    for there in (pic.step(0, 1), pic.step(1, 0)):
        at = np.flatnonzero(patch[:-there])
        apart = pic.colours[at, :3].astype(np.int16) - pic.colours[at + there, :3]
        patch[at] = np.max(np.abs(apart), axis=1) <= pic.noise
    patch = window_min(patch.reshape(-1, pic.width).view(np.uint8), _PATCH_PX).view(np.bool_).reshape(-1)
    met = np.zeros((_CELLS + 2,) * 3, np.bool_)
    flat = np.unique(np.ascontiguousarray(pic.colours[patch]).view(np.uint32)).view(np.uint8).reshape(-1, 4)
    r, g, b = (flat[:, :3].astype(np.int64) // _CELL + 1).T
    for dr, dg, db in itertools.product((-1, 0, 1), repeat=3):
        met[r + dr, g + dg, b + db] = True
    r, g, b = (np.clip(kept, 0, 255).astype(np.int64) // _CELL + 1).T
    return np.asarray(met[r, g, b])


def _ring(pic: Padded, gone: Mask, back: Floats, reach: int) -> list[Mixtures]:
    """Return the ring up to `reach` pixels wide, pixel by pixel outwards."""
    near = grow(gone, reach).reshape(-1) & ~pic.gone & pic.visible
    zone = np.flatnonzero(near)
    backs = _local_back(pic, zone, back, reach)
    flat = _plateau(pic, zone, backs)
    sure = pic.visible & ~pic.gone & ~near
    sure[zone[flat]] = True
    return _grow_ring(pic, zone, backs, sure, reach)


def _local_back(pic: Padded, at: Index, nominal: Floats, reach: int) -> Floats:
    """Return the mean colour of the `gone` pixels around each pixel: what its edge was drawn against."""
    total = np.zeros((at.size, 3))
    count = np.zeros(at.size)
    for dy, dx in disc(reach + 1.5):
        there = at + pic.step(dy, dx)
        hit = np.flatnonzero(pic.gone[there])
        total[hit] += pic.colours[there[hit], :3]
        count[hit] += 1
    return np.where(count[:, None] > 0, total / np.maximum(count, 1)[:, None], nominal)


def _plateau(pic: Padded, at: Index, backs: Floats) -> NDArray[np.bool_]:
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
    lossy = pic.share_of_noise is not None
    if lossy or not _antialiased(pic, at):
        for dy in (-1, 1):
            for dx in (-1, 1):
                flat |= same[dy, 0] & same[0, dx] & same[dy, dx]
        if not lossy:
            return flat
        flat &= _full(pic, at, backs)
    middle = np.zeros(pic.gone.size, np.bool_)
    middle[at] = np.logical_and.reduce(list(same.values()))
    for (dy, dx), alike in same.items():
        flat |= alike & middle[at + pic.step(dy, dx)]
    if pic.blurred:  # a block so large is no ridge of a stroke, and no saddle between two
        middle |= pic.visible & ~pic.gone & ~_among(at, pic.gone.size)
        large = window_min(middle.reshape(-1, pic.width).view(np.uint8), _LARGE_PX).reshape(-1)
        doubtful = np.flatnonzero(flat & (large[at] == 0))
        flat[doubtful] = is_peak(pic, at[doubtful], backs[doubtful])
    return flat


def _among(at: Index, size: int) -> NDArray[np.bool_]:
    some = np.zeros(size, np.bool_)
    some[at] = True
    return some


def _full(pic: Padded, at: Index, backs: Floats) -> NDArray[np.bool_]:
    """Whether a pixel is nearly as much lighter, or darker, than its back as the pixels around it are."""
    own = luma(pic.colours[at, :3] - backs)
    most = np.abs(own)
    for dy, dx in square(_FULL_PX):
        there = at + pic.step(dy, dx)
        other = luma(pic.colours[there, :3] - backs)
        counts = pic.visible[there] & ~pic.gone[there] & (other * own > 0)
        most = np.where(counts, np.maximum(most, np.abs(other)), most)
    return np.asarray(np.abs(own) >= _FULL * most)


def _antialiased(pic: Padded, at: Index) -> bool:
    colours = np.ascontiguousarray(pic.colours[at]).view(np.uint32)
    return int(np.unique(colours).size) >= _FEW_COLOURS


def _grow_ring(
    pic: Padded, zone: Index, backs: Floats, sure: NDArray[np.bool_], reach: int
) -> list[Mixtures]:
    """Take the ring pixel by pixel outwards from what goes, as long as pixels hold a share of it."""
    open_ = ~sure[zone]
    # One plane for all steps: it is as large as the picture.
    front = np.full(pic.gone.size, np.float32(_BEHIND_NOTHING))
    front[pic.gone] = 0.0
    steps: list[Mixtures] = []
    for step in range(reach):
        waiting = np.flatnonzero(open_)
        hit, behind = _touching(pic, front, zone[waiting])
        reached = waiting[hit]
        if not reached.size:
            break
        open_[reached] = False
        at = zone[reached]
        mixed, along = _estimate(pic, at, backs[reached], sure)
        if step:
            mixed = _while_soft(mixed, along, at, behind)
        front[steps[-1].at if steps else pic.gone] = _BEHIND_NOTHING
        front[mixed.at] = mixed.share
        steps.append(mixed)
    return steps


def _joined(steps: list[Mixtures]) -> Mixtures:
    none, never = np.zeros((0, 3)), np.zeros(0, np.bool_)
    parts = [Mixtures(np.zeros(0, np.int64), none[:, 0], none, none, never, never), *steps]
    return Mixtures(
        np.concatenate([p.at for p in parts]),
        np.concatenate([p.share for p in parts]),
        np.concatenate([p.kept for p in parts]),
        np.concatenate([p.back for p in parts]),
        np.concatenate([p.settled for p in parts]),
        np.concatenate([p.pale for p in parts]),
    )


def _touching(pic: Padded, front: NDArray[np.float32], at: Index) -> tuple[Index, Floats]:
    """Return which pixels touch the front (index into `at`), and the least share among the front pixels they touch."""
    least = np.full(at.size, np.float32(_BEHIND_NOTHING))
    for dy in (-1, 0, 1):
        for dx in (-1, 0, 1):
            if dy or dx:
                least = np.minimum(least, front[at + pic.step(dy, dx)])
    hit = np.flatnonzero(least <= 1.0)
    return hit, least[hit].astype(np.float64)


def _while_soft(mixed: Mixtures, along: Floats, at: Index, behind: Floats) -> Mixtures:
    """Drop what lies behind a pixel that already was mostly kept colour, unless the art's edges prove soft.

    In sharp art such pixels are wholly the kept colour, give or take its own texture: their median says so.
    """
    late = behind >= _SHARP
    if not late.any() or float(np.median(along[late])) < _SOFT_MEDIAN:
        return mixed
    return mixed.only(~late[np.searchsorted(at, mixed.at)])


def _estimate(pic: Padded, at: Index, backs: Floats, sure: NDArray[np.bool_]) -> tuple[Mixtures, Floats]:
    """Return the mixtures among `at`, less what is wholly the kept colour, and the unclipped share of each."""
    apart = pic.seen(pic.colours[at, :3] - backs)
    far = length_of(apart)
    kept, misfit = nearest_fit(pic, at, apart, backs, sure)
    poor = misfit > np.maximum(3 * pic.noise, 6.0) + 0.2 * far
    settled = ~poor
    if poor.any():
        kept[poor], settled[poor] = stroke_colour(pic, at[poor], apart[poor], backs[poor])
    texture = np.zeros(at.size)
    if pic.share_of_noise is not None:
        kept[~poor], texture[~poor] = typical(pic, at[~poor], kept[~poor], backs[~poor], sure)
    span = pic.seen(kept - backs)
    length2 = dot(span, span)
    along = dot(apart, span) / np.maximum(length2, 1.0)
    if pic.share_of_noise is not None:
        whole = np.clip(_TEXTURE * texture, pic.share_of_noise, _MOST_TEXTURE)
        along = (along - pic.share_of_noise) / (1.0 - pic.share_of_noise - whole)
    share = np.clip(along, 0.0, 1.0)
    settled &= length2 > 1.0
    mixed = (settled & (share < _WHOLE)) | (~settled & (far < WEAK))
    pale = poor & pic.shallow
    return Mixtures(at, share, kept, backs, settled, pale).only(mixed), along
