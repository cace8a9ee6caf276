"""What the drawing's own edge cuts off: measured where the drawing goes on beyond it, else told by its looks."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.art.paint import Rgb, hex_of
from pipeline.finding import Finding
from pipeline.raster import MM_PER_INCH, Pixels
from pipeline.stages.preflight import words
from pipeline.stages.preflight.bounds import INK, along, in_mm, ink_in

TRIFLE_MM = 0.25
"""A cut no deeper is not seen at arm's length: a curve of 20 mm radius is flat over 6 mm then (ours)."""
SHAVED = 0.0025
"""A cut no deeper, as a share of the drawing's longer side, only shaves a shape: a warning (ours).

Of 1,400 drawings of open icon and emoji sets one stops, at 100 mm and at 280 mm: an arrow's tip is cut. At 280 mm 17
more are warned of: shapes that overshoot their viewBox by 0.1 to 0.2 %, which nobody would send back."""
GROUND_SHARE = 0.95
"""A ground or frame runs over a side when so much of its edge is inked."""
CUT_SHARE = 0.1
"""Contact with the drawing's edge shorter than this share of the side may be a letter's flat end, not a cut."""
CUT_DEPTH_MM = 1.0
REMEDY = "cut_ok = true  # when it is meant; otherwise ask for art with a larger drawing area"

_AROUND = ("right", "lower right", "bottom", "lower left", "left", "upper left", "top", "upper right")
_SIDE_DEG = (180.0, 270.0, 0.0, 90.0)
"""Where the left, top, right and bottom of a drawing look, clockwise from the right."""


@dataclass(frozen=True, slots=True, eq=False)
class _Ink:
    """Inked pixels: rows, columns, coverage, and how far in mm each centre lies beyond each of the four sides."""

    rows: NDArray[np.intp]
    columns: NDArray[np.intp]
    cover: NDArray[np.float64]
    past: NDArray[np.float64]
    mm: float

    @property
    def side(self) -> NDArray[np.intp]:
        """The side, 0 to 3, that each pixel lies most beyond."""
        return np.asarray(np.argmax(self.past, axis=0))

    @property
    def reach(self) -> NDArray[np.float64]:
        """How far in mm the ink of each pixel reaches over each side."""
        return self.past + (self.cover - 0.5) * self.mm

    @property
    def mm2(self) -> NDArray[np.float64]:
        """The inked area beyond the edge; a pixel that lies on it is inked from within first."""
        own = np.clip(0.5 - self.past.max(axis=0) / self.mm, 0, 1)
        return np.asarray(np.maximum(self.cover - own, 0) * self.mm * self.mm)


def cut_by_own_edge(
    pixels: Pixels,
    ppi: float,
    drawing_mm: tuple[float, float],
    turn_deg: float,
    box_mm: tuple[float, float],
) -> tuple[Finding, ...]:
    """Return `outside-area` for ink that goes on beyond the drawing area, per side in mm and mm².

    `pixels` show the drawing with a margin, printed side up; its area, width and height `drawing_mm`, is turned
    clockwise by `turn_deg` about the middle of the pixels, and `box_mm` is the print's box around it. Ink that lies
    wholly outside is none of it. A ground or frame over all four sides is meant, and a note; a shape that is only
    shaved is a warning.
    """
    lost, over = _lost(pixels, MM_PER_INCH / ppi, drawing_mm, turn_deg)
    if not lost.rows.size:
        return ()
    side_of, area, reach = lost.side, lost.mm2, lost.reach.max(axis=1).tolist()
    mm2 = [float(area[side_of == side].sum()) for side in range(4)]
    cut = [side for side in range(4) if reach[side] > TRIFLE_MM and mm2[side] > 0.005]
    if not cut:
        return ()
    margin = min((n * lost.mm - w) / 2 for n, w in zip(pixels.shape[1::-1], box_mm, strict=True)) - lost.mm
    parts = [
        f"{'more than ' if reach[side] > margin else ''}{words.mm(min(reach[side], margin), 1)} "
        f"({mm2[side]:.1f} mm²) {words.on(_name(side, turn_deg))}"
        for side in cut
    ]
    deep = max(reach) > SHAVED * max(drawing_mm)
    finding = Finding(
        code="outside-area",
        severity="stop" if deep else "warn",
        message=f"The design goes on beyond its own drawing area, by {words.listed(parts)}, and is cut off there "
        f"(mostly {hex_of(_colour(pixels, lost))}).",
        remedy=REMEDY,
        measured=round(sum(mm2), 2),
        limit=0.0,
        where_mm=_box(lost, max(cut, key=lambda side: reach[side]), pixels.shape[:2], box_mm),
    )
    return (_meant(finding, min(reach)) if all(over) else finding,)


def _meant(finding: Finding, least_mm: float) -> Finding:
    message = (
        f"The ground or frame of the design goes on beyond its drawing area on all sides, by at least "
        f"{words.mm(least_mm, 1)}. This is taken as meant; the print ends where the drawing area ends."
    )
    return replace(finding, severity="note", message=message, remedy="")


def _name(side: int, turn_deg: float) -> str:
    """Return where a side of the drawing lies on the print."""
    return _AROUND[round((_SIDE_DEG[side] + turn_deg) / 45) % 8]


def _box(
    lost: _Ink, side: int, shape: tuple[int, int], box_mm: tuple[float, float]
) -> tuple[float, float, float, float]:
    """Return the box around what a side cuts off, in mm from the upper left corner of the print's box."""
    rows, columns = lost.rows[lost.side == side], lost.columns[lost.side == side]
    x0, y0, x1, y1 = columns.min(), rows.min(), columns.max() + 1, rows.max() + 1
    left, top = (shape[1] * lost.mm - box_mm[0]) / 2, (shape[0] * lost.mm - box_mm[1]) / 2
    return (
        float(x0 * lost.mm - left),
        float(y0 * lost.mm - top),
        float((x1 - x0) * lost.mm),
        float((y1 - y0) * lost.mm),
    )


def _colour(pixels: Pixels, lost: _Ink) -> Rgb:
    """Return the colour that most of the lost ink has."""
    rgb = pixels[lost.rows, lost.columns, :3].astype(np.int64)
    found, count = np.unique((rgb[:, 0] << 16) + (rgb[:, 1] << 8) + rgb[:, 2], return_counts=True)
    most = int(found[int(np.argmax(count))])
    return most >> 16, (most >> 8) & 255, most & 255


def _lost(
    pixels: Pixels, mm: float, drawing_mm: tuple[float, float], turn_deg: float
) -> tuple[_Ink, tuple[bool, ...]]:
    """Return the ink beyond the edge that goes on from within, and whether it lies all along each of the four sides."""
    from scipy import ndimage

    alpha = pixels[..., 3]
    height, width = alpha.shape
    turn = math.radians(turn_deg)
    cos, sin = math.cos(turn), math.sin(turn)
    x = (np.arange(width) + 0.5 - width / 2) * mm
    y = ((np.arange(height) + 0.5 - height / 2) * mm)[:, None]
    across, down = x * cos + y * sin, y * cos - x * sin  # from the middle, in the drawing before its turn
    nearest = np.maximum(np.abs(across) - drawing_mm[0] / 2, np.abs(down) - drawing_mm[1] / 2)
    inked = alpha >= INK
    pieces, count = ndimage.label(inked, np.ones((3, 3), bool))
    within = np.zeros(count + 1, bool)
    within[pieces[inked & (nearest < -0.9 * mm)]] = True
    within[0] = False

    def beyond(where: NDArray[np.bool_]) -> _Ink:
        rows, columns = np.nonzero(where)
        u, v = across[where], down[where]
        past = np.stack(
            (-u - drawing_mm[0] / 2, -v - drawing_mm[1] / 2, u - drawing_mm[0] / 2, v - drawing_mm[1] / 2)
        )
        return _Ink(rows, columns, alpha[where] / 255, past, mm)

    ring = beyond((nearest > 0.2 * mm) & (nearest < 1.8 * mm))
    full = tuple(
        bool(np.mean(ring.cover[ring.side == side] * 255 >= INK) >= GROUND_SHARE) for side in range(4)
    )
    return beyond(within[pieces] & (nearest > -0.45 * mm)), full


def looks_cut(pixels: Pixels, ppi: float, *, box: tuple[int, int, int, int]) -> tuple[Finding, ...]:
    """Return `near-edge` where a shape runs into the drawing's own edge as if it went on, for all that can be told.

    `box` is that of `bounds.ink_px`.
    """
    ends = (box[0], box[1], pixels.shape[1] - box[2], pixels.shape[0] - box[3])
    sides = [
        side for side in range(4) if ends[side] <= 1 and _slanting(_from_side(pixels[..., 3], side), ppi)
    ]
    if not sides:
        return ()
    names = words.listed(words.on(words.SIDES[side]) for side in sides)
    return (
        Finding(
            code="near-edge",
            severity="warn",
            message=f"The design looks cut by the drawing's own edge {names}: "
            "its outline runs into the edge at a slant, as if it went on.",
            remedy=REMEDY,
            measured=0.0,
            limit=0.0,
            where_mm=ink_in(pixels, ppi, along(in_mm(box, ppi), sides[0], CUT_DEPTH_MM)),
        ),
    )


def _from_side(alpha: NDArray[np.uint8], side: int) -> NDArray[np.uint8]:
    """Return the alpha plane turned so that the given side is the first row."""
    return (alpha.T, alpha, alpha.T[::-1], alpha[::-1])[side]


def _slanting(alpha: NDArray[np.uint8], ppi: float) -> bool:
    """Say whether a shape runs into the first row as if it went on beyond it.

    Where a shape only touches the edge its outline lies along it (a circle's does) or stands straight on it (a
    letter's stem, a picture's corner); one that is cut mostly meets it at a slant, over a good part of the side.
    """
    width = alpha.shape[1]
    depth = max(4, round(CUT_DEPTH_MM * ppi / MM_PER_INCH))
    if alpha.shape[0] <= depth:
        return False
    rows = [_spans(alpha[d] >= 128) for d in (0, depth // 2, depth)]
    for begin, end in rows[0]:
        if end - begin < CUT_SHARE * width:
            continue
        ends = [
            _meets(edge, which, rows, depth)
            for edge, which in ((begin, 0), (end, 1))
            if 0 < edge < width  # else it runs into the corner
        ]
        if "slant" in ends and "along" not in ends:
            return True
    return False


def _spans(ink: NDArray[np.bool_]) -> list[tuple[int, int]]:
    step = np.diff(np.concatenate(([0], ink.astype(np.int8), [0])))
    begins, ends = np.flatnonzero(step == 1), np.flatnonzero(step == -1)
    return [(int(a), int(b)) for a, b in zip(begins, ends, strict=True)]


def _meets(edge: int, which: int, rows: list[list[tuple[int, int]]], depth: int) -> str:
    """Say how the outline that meets the first row at `edge` goes on: "straight" in, at a "slant", or "along"."""
    half, full = (min((s[which] - edge for s in spans), key=abs, default=0) for spans in rows[1:])
    if abs(full) < 0.25 * depth:
        return "straight"
    # A tangent outline bends away: over half the depth it has done 71 % of its way, a straight one 50 %.
    slant = abs(full) <= 4 * depth and half * full > 0 and abs(half / full - 0.5) <= 0.1
    return "slant" if slant else "along"
