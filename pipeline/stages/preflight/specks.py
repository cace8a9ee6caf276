"""Ink that will not hold or should not be there: specks, islands, soft alpha."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.finding import Finding
from pipeline.raster import MM_PER_INCH, Pixels
from pipeline.stages.preflight import words
from pipeline.stages.preflight.islands import Patches, patches

INK = 64
"""Alpha (of 255) from which a pixel belongs to a patch; the area is then corrected to what alpha says."""
EDGE_MM = 0.2
"""Soft alpha further than this from anything bare or solid is no antialiasing."""


def specks(
    pixels: Pixels, ppi: float, *, speck_warn_mm2: float, island_warn_mm: float = 0.0
) -> tuple[Finding, ...]:
    """Return `specks` for stray patches under `speck_warn_mm2`, and islands narrower than `island_warn_mm`.

    `island_warn_mm` is for transfers, where a patch must carry its own adhesive; 0 leaves it out.
    """
    mm = MM_PER_INCH / ppi
    alpha = pixels[..., 3]
    ink = patches(alpha >= INK)
    found: list[Finding] = []
    small = [(area, n) for n, area in _small(alpha, ink, mm, speck_warn_mm2)]
    if small:
        area, n = min(small)
        found.append(
            Finding(
                code="specks",
                severity="warn",
                message=f"{_specks(len(small))} of ink under {speck_warn_mm2:g} mm², the smallest {area:.2f} mm², "
                f"{words.place(_box(ink, n, mm))}: dust, or a dot too small to print.",
                remedy=words.accept("specks"),
                measured=round(area, 3),
                limit=speck_warn_mm2,
                where_mm=_box(ink, n, mm),
            )
        )
    narrow = [
        (width, n) for n, width in _narrow(alpha, ink, mm, island_warn_mm) if n not in {s[1] for s in small}
    ]
    if narrow:
        width, n = min(narrow)
        found.append(
            Finding(
                code="specks",
                severity="warn",
                message=f"{len(narrow)} separate patch{'es' if len(narrow) > 1 else ''} of ink narrower than "
                f"{words.mm(island_warn_mm, 1)}, the narrowest {words.mm(width)}, {words.place(_box(ink, n, mm))}: "
                "too little adhesive to hold in the wash.",
                remedy=words.accept("specks"),
                measured=round(width, 3),
                limit=island_warn_mm,
                where_mm=_box(ink, n, mm),
            )
        )
    return tuple(found)


def _specks(count: int) -> str:
    return "One speck" if count == 1 else f"{count} specks"


def _box(p: Patches, n: int, mm: float) -> tuple[float, float, float, float]:
    return (
        float(p.x0[n] * mm),
        float(p.y0[n] * mm),
        float((p.x1[n] - p.x0[n]) * mm),
        float((p.y1[n] - p.y0[n]) * mm),
    )


def _small(alpha: NDArray[np.uint8], p: Patches, mm: float, limit: float) -> list[tuple[int, float]]:
    """Return number and area in mm² of the patches under `limit`; what the drawing's edge cuts is left out."""
    perhaps = (p.area * mm * mm < limit * 1.5) & ~p.touches_border
    out = []
    for n in np.flatnonzero(perhaps).tolist():
        area = _cover(alpha, p, n).sum() * mm * mm
        if area < limit:
            out.append((n, float(area)))
    return out


def _cover(alpha: NDArray[np.uint8], p: Patches, n: int) -> NDArray[np.float64]:
    """Return the coverage of a patch and its antialiased skirt, 0–1."""
    return alpha[max(p.y0[n] - 1, 0) : p.y1[n] + 1, max(p.x0[n] - 1, 0) : p.x1[n] + 1] / 255.0


def _narrow(alpha: NDArray[np.uint8], p: Patches, mm: float, limit: float) -> list[tuple[int, float]]:
    """Return number and width in mm of the patches that are nowhere as wide as `limit`."""
    most = limit / mm
    box = np.minimum(p.x1 - p.x0, p.y1 - p.y0)
    # A patch as long as ten widths is a line, which has its own check.
    perhaps = (p.area < 10 * most * most) & ~p.touches_border & (limit > 0)
    out = []
    for n in np.flatnonzero(perhaps).tolist():
        wide = _widest(_cover(alpha, p, n)) if box[n] > most - 1 else float(box[n])
        if wide < most:
            out.append((n, wide * mm))
    return out


def _widest(cover: NDArray[np.float64]) -> float:
    """Return the diameter in pixels of the largest disc inside, from the distance transform four times finer."""
    from scipy.ndimage import distance_transform_edt, zoom

    fine = zoom(np.pad(cover, 2), 4, order=1, grid_mode=True, mode="grid-constant") >= 0.5
    return float(distance_transform_edt(fine).max() * 2 - 1) / 4


def soft_alpha(pixels: Pixels, ppi: float, *, soft_alpha_warn_percent: float) -> tuple[Finding, ...]:
    """Return `soft-alpha` when more of the inked area is half transparent, away from edges, than allowed."""
    mm = MM_PER_INCH / ppi
    inked = int(np.count_nonzero(pixels[..., 3]))
    if not inked:
        return ()
    side = max(3, 2 * round(EDGE_MM / mm) + 1)
    top, left, soft = _around_squares(pixels[..., 3], side)
    core = eroded(soft, side)
    area = int(np.count_nonzero(dilated(core, side) & soft)) if core.any() else 0
    percent = 100 * area / inked
    if percent <= soft_alpha_warn_percent:
        return ()
    ys, xs = np.flatnonzero(core.any(axis=1)) + top, np.flatnonzero(core.any(axis=0)) + left
    where = (xs[0] * mm, ys[0] * mm, (xs[-1] - xs[0] + 1) * mm, (ys[-1] - ys[0] + 1) * mm)
    return (
        Finding(
            code="soft-alpha",
            severity="warn",
            message=f"{percent:.1f} % of the inked area is half transparent away from edges (shadows, glows): "
            "white under it shows, or too little adhesive holds it.",
            remedy=words.accept("soft-alpha"),
            measured=round(percent, 2),
            limit=soft_alpha_warn_percent,
            where_mm=tuple(float(v) for v in where),  # type: ignore[arg-type]
        ),
    )


def _around_squares(alpha: NDArray[np.uint8], side: int) -> tuple[int, int, NDArray[np.bool_]]:
    """Return where alpha is soft around all squares of `side` of such pixels, and the top and left of that part.

    Often it is small: every such square crosses one row in `side`, and has `side` pixels there.
    """
    rows = _soft(alpha[side - 1 :: side])
    here = _windowed(rows, side, 1) if rows.size else rows
    ys, xs = np.flatnonzero(here.any(axis=1)), np.flatnonzero(here.any(axis=0))
    if not ys.size:
        return 0, 0, np.zeros((0, 0), bool)
    top, left = max((int(ys[0]) - 1) * side, 0), max(int(xs[0]) - 2 * side, 0)
    return top, left, _soft(alpha[top : (int(ys[-1]) + 3) * side, left : int(xs[-1]) + 2 * side])


def _soft(alpha: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Say where alpha is neither 0, which wraps round to 255 here, nor 255."""
    return np.asarray(np.ascontiguousarray(alpha) - np.uint8(1) < 254)


def eroded(mask: NDArray[np.bool_], side: int) -> NDArray[np.bool_]:
    """Return where a square of odd `side` around a pixel lies wholly inside the mask; outside the picture is not."""
    return _windowed(_windowed(mask, side, 0), side, 1)


def dilated(mask: NDArray[np.bool_], side: int) -> NDArray[np.bool_]:
    """Return where a square of odd `side` around a pixel meets the mask."""
    half = side // 2
    padded = np.pad(~mask, half, constant_values=True)
    return np.asarray(~eroded(padded, side)[half : half + mask.shape[0], half : half + mask.shape[1]])


def _windowed(mask: NDArray[np.bool_], side: int, axis: int) -> NDArray[np.bool_]:
    """Return, along an axis, where `side` pixels around each are all True, in log₂(side) passes."""
    done, out = 1, mask
    while done < side:
        step = min(done, side - done)
        length = max(out.shape[axis] - step, 0)
        out = out[_along(0, length, axis)] & out[_along(step, step + length, axis)]
        done += step
    full = np.zeros(mask.shape, bool)
    full[_along(side // 2, side // 2 + out.shape[axis], axis)] = out
    return full


def _along(start: int, end: int, axis: int) -> tuple[slice, ...]:
    return (slice(start, end),) if axis == 0 else (slice(None), slice(start, end))
