"""Plain drawn garments: our own outlines, schematic in proportion, true in half chest and length.

The seam that heights are measured from is y = 0, the centre line or the sleeve's fold is x = 0; y down, in mm.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, TypeAlias

from pipeline.papers.facts import SizeFacts

View: TypeAlias = Literal["front", "back", "sleeve"]
Points: TypeAlias = list[tuple[float, float]]

HALF_CHEST_MM, BODY_LENGTH_MM = 508.0, 737.0  # an adult M, where the facts give no measures (common practice)

_VIEWS: dict[str, View] = {
    "full front": "front",
    "left chest": "front",
    "right chest": "front",
    "full back": "back",
    "nape": "back",
    "neck label": "back",
    "left sleeve": "sleeve",
    "right sleeve": "sleeve",
}


def view_of(position: str) -> View:
    """Return which side of the garment is drawn for a position."""
    return _VIEWS.get(position, "front")


@dataclass(frozen=True, slots=True)
class Outline:
    """A closed outline, inner seams, and what shows behind it, such as a hood or handles; all in mm."""

    edge: Points
    seams: tuple[Points, ...] = ()
    behind: tuple[Points, ...] = ()

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """Return (left, top, right, bottom) in mm."""
        points = [point for part in (self.edge, *self.behind) for point in part]
        xs, ys = [x for x, _ in points], [y for _, y in points]
        return min(xs), min(ys), max(xs), max(ys)


def outline(view: View, size: SizeFacts, line: str = "collar seam", drawn_as: str = "tee") -> Outline:
    """Return the outline of a garment of this size, seen from one side."""
    w = size.half_chest_mm or HALF_CHEST_MM
    length = size.body_length_mm or BODY_LENGTH_MM
    if drawn_as in ("bag", "flat"):
        return _flat(w, length, handles=drawn_as == "bag")
    if view == "sleeve":
        return _sleeve(w, line, long=drawn_as in ("long sleeve", "hooded"))
    drop = (0.15 if view == "front" else 0.045) * w
    if drawn_as == "hooded":
        return _hooded(w, length - drop, drop, view)
    return _BODIES.get(drawn_as, _tee)(w, length - drop, drop)


def _bow(half: float, drop: float, steps: int = 10) -> Points:
    """Return a neckline from (half, -drop) over (0, 0) to (-half, -drop)."""
    return [
        (half * (1 - 2 * i / steps), -drop * abs(1 - 2 * i / steps) ** 2.2 + 0.0) for i in range(steps + 1)
    ]


def _mirrored(points: Points) -> Points:
    return [(-x, y) for x, y in reversed(points)]


def _body(neck: Points, right: Points, w: float, seams: tuple[Points, ...] = ()) -> Outline:
    collar = [(x * 1.16, y + 0.035 * w) for x, y in neck]
    return Outline([*neck[::-1], *right, *_mirrored(right)], (collar, *seams))


def _tee(w: float, bottom: float, drop: float) -> Outline:
    right = [
        (0.44 * w, -drop + 0.09 * w),
        (0.72 * w, -drop + 0.40 * w),
        (0.585 * w, -drop + 0.50 * w),
        (0.5 * w, -drop + 0.44 * w),
        (0.5 * w, bottom),
    ]
    return _body(_bow(0.17 * w, drop), right, w)


def _fitted(w: float, bottom: float, drop: float) -> Outline:
    right = [
        (0.43 * w, -drop + 0.09 * w),
        (0.66 * w, -drop + 0.31 * w),
        (0.55 * w, -drop + 0.42 * w),
        (0.5 * w, -drop + 0.40 * w),
        (0.445 * w, bottom * 0.55),
        (0.455 * w, bottom * 0.7),
        (0.5 * w, bottom),
    ]
    return _body(_bow(0.19 * w, drop), right, w)


def _long(w: float, bottom: float, drop: float) -> Outline:
    right, cuff = _long_arm(w, bottom, drop)
    return _body(_bow(0.17 * w, drop), right, w, (cuff, _mirrored(cuff)))


def _long_arm(w: float, bottom: float, drop: float) -> tuple[Points, Points]:
    """Return the right side from the shoulder to the hem with a hanging sleeve, and the seam of its cuff."""
    top = -drop
    right = [
        (0.44 * w, top + 0.09 * w),
        (0.58 * w, top + 0.22 * w),
        (0.80 * w, top + 1.10 * w),
        (0.68 * w, top + 1.14 * w),
        (0.5 * w, top + 0.46 * w),
        (0.5 * w, bottom),
    ]
    return right, [(0.785 * w, top + 1.03 * w), (0.664 * w, top + 1.07 * w)]


def _hooded(w: float, bottom: float, drop: float, view: View) -> Outline:
    """Return a hooded garment: rib hem, cuffs, and the pocket in front, or the hood lying on the back."""
    right, cuff = _long_arm(w, bottom, drop)
    hem = [(-0.5 * w, bottom - 0.1 * w), (0.5 * w, bottom - 0.1 * w)]
    seams = (cuff, _mirrored(cuff), hem)
    neck = _bow(0.17 * w, drop)
    top = -drop
    if view == "back":
        hood = [(-0.23 * w, top + 0.03 * w), (-0.2 * w, top + 0.2 * w), (0, top + 0.28 * w), (0.2 * w, top + 0.2 * w),
                (0.23 * w, top + 0.03 * w)]  # fmt: skip
        return _body(neck, right, w, (*seams, hood))
    half = [(0.31 * w, 1.02 * w), (0.31 * w, 0.84 * w), (0.2 * w, 0.64 * w)]
    pocket = [*half, *_mirrored(half), half[0]]
    hood = [(0.0, top + 0.24 * w), (-0.25 * w, top + 0.06 * w), (-0.24 * w, top - 0.16 * w),
            (-0.14 * w, top - 0.33 * w), (0, top - 0.38 * w),
            (0.14 * w, top - 0.33 * w), (0.24 * w, top - 0.16 * w), (0.25 * w, top + 0.06 * w)]  # fmt: skip
    body = _body(neck, right, w, (*seams, pocket))
    return Outline(body.edge, body.seams, (hood,))


def _sleeve(w: float, line: str, *, long: bool) -> Outline:
    """Return a sleeve opened flat on its fold; measured from the hem it lies above y = 0, else below."""
    height, top, hem = (1.1 * w, 0.22 * w, 0.12 * w) if long else (0.46 * w, 0.21 * w, 0.17 * w)
    shift = -height if "hem" in line else 0.0
    edge = [(-top, shift), (top, shift), (hem, shift + height), (-hem, shift + height)]
    near = shift + height * 0.93
    return Outline(edge, ([(-hem * 1.02, near), (hem * 1.02, near)],))


def _flat(w: float, length: float, *, handles: bool) -> Outline:
    """Return a bag with its handles, or a plain piece of cloth; y = 0 is the upper edge."""
    edge = [(-w / 2, 0.0), (w / 2, 0.0), (w / 2, length), (-w / 2, length)]
    hem = [(-w / 2, 0.06 * w), (w / 2, 0.06 * w)]
    if not handles:
        return Outline(edge)
    handle = [(-0.28 * w, 0.03 * w), (-0.24 * w, -0.5 * w), (0.24 * w, -0.5 * w), (0.28 * w, 0.03 * w),
              (0.2 * w, 0.03 * w), (0.17 * w, -0.43 * w), (-0.17 * w, -0.43 * w), (-0.2 * w, 0.03 * w)]  # fmt: skip
    return Outline(edge, (hem,), (handle,))


_BODIES: dict[str, Callable[[float, float, float], Outline]] = {
    "tee": _tee,
    "fitted tee": _fitted,
    "long sleeve": _long,
}
