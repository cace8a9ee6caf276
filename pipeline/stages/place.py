"""Placement: how large a print is on every size, where it lies, and which sizes share a press file.

width(size) = width(reference) × half-chest(size) / half-chest(reference) for positions that scale with the garment; a
size so derived is held within the print area, the platen, a share of the half chest, and clear of keep-outs. A size
that the order states is never changed: what does not fit is cut, and found from the pixels. Axes: x to the viewer's
right with the printed side up, y down, in mm from the centre line and the position's seam line. Common practice, no
source.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from pipeline.faults import Refused
from pipeline.finding import Finding
from pipeline.order_parts import Print
from pipeline.raster import MM_PER_INCH
from pipeline.shop_parts import Garment, KeepOut, Position
from pipeline.shop_presses import Platen, Press

Box = tuple[float, float, float, float]
"""x, y of the upper left corner, width, height, in mm."""


@dataclass(frozen=True, slots=True)
class Placement:
    """The print on one band of sizes.

    `origin_mm` is its upper left corner from the centre line and `line`. `area_mm` is the print area and `keep_outs`
    (name, box) what to keep clear of, both from the print's own upper left corner. `wanted_mm` is the width it would
    have had where it was held smaller. `hangs`: the middle of its upper edge stays where it is whatever its size,
    else the middle of its lower edge.
    """

    sizes: tuple[str, ...]
    width_mm: float
    height_mm: float
    width_px: int
    height_px: int
    ppi: float
    origin_mm: tuple[float, float]
    line: str
    platen: str
    area_mm: Box
    keep_outs: tuple[tuple[str, Box], ...] = ()
    wanted_mm: float | None = None
    hangs: bool = True
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True)
class Spot:
    """What a print is placed on: a garment and its position, the reference, and the shop's share of the half chest."""

    garment: Garment
    position: Position
    reference: Garment
    reference_size: str
    widest_of_half_chest: float


def place(
    print_: Print, spot: Spot, press: Press, art_size: tuple[float, float], pieces: Mapping[str, int]
) -> tuple[Placement, ...]:
    """Return one placement a band, the smallest print first.

    `art_size` is the art's drawing area (any unit, turned already), `pieces` the pieces by size; sizes with none do
    not count. Raises Refused for sizes that the garment does not have, or bands that leave a size out.
    """
    platen_name, platen = _platen(print_, press, spot.garment.wearer)
    aspect = art_size[1] / art_size[0]
    bands = _bands(print_, spot, press, pieces)
    made = [_on_band(print_, spot, press, aspect, band, platen_name, platen) for band in bands]
    return tuple(sorted(made, key=lambda p: (p.width_mm, spot.garment.size_order.index(p.sizes[0]))))


def _bands(print_: Print, spot: Spot, press: Press, pieces: Mapping[str, int]) -> list[tuple[str, ...]]:
    """Return the sizes with pieces, band by band, each band from its smallest garment up."""
    order = spot.garment.size_order
    unknown = [size for size in pieces if size not in order]
    if unknown:
        raise Refused(
            f"The garment has no size {', '.join(unknown)}. Its sizes: {', '.join(order)}. Correct `sizes`, or add the "
            "size to the garment in the shop file."
        )
    sizes = tuple(size for size in order if pieces.get(size, 0) > 0)
    rule = (
        print_.bands
        or spot.position.bands.get(print_.route)
        or spot.garment.bands.get(print_.route)
        or press.bands
    )
    if rule == "each size":
        return [(size,) for size in sizes]
    if rule == "one":
        return [sizes]
    listed = [tuple(size for size in sizes if size in band) for band in rule]
    left = [size for size in sizes if not any(size in band for band in listed)]
    if left:
        raise Refused(
            f'The bands of the print "{print_.name}" leave out the size {", ".join(left)}. Add it to a band, or write '
            'bands = "each size".'
        )
    return [band for band in listed if band]


def _on_band(
    print_: Print,
    spot: Spot,
    press: Press,
    aspect: float,
    band: tuple[str, ...],
    platen_name: str,
    platen: Platen | None,
) -> Placement:
    size = band[0]
    position = spot.position
    area, keep_outs = _area(spot.garment, position, size, platen), _keep_outs(position, size)
    anchor = _anchor(position, size, print_.shift_mm)
    wanted, stated = _width(print_, spot, aspect, size, platen)
    width = wanted if stated else min(wanted, _room(area, keep_outs, anchor, aspect))
    if not stated and _scaled(print_, position):
        width = min(width, spot.widest_of_half_chest * spot.garment.sizes[size].half_chest_mm)
    height = width * aspect
    x, y = anchor.x - width / 2, anchor.y if anchor.hangs else anchor.y - height
    ppi = press.resolution_ppi
    held = width < wanted - 0.05
    return Placement(
        sizes=band,
        width_mm=width,
        height_mm=height,
        width_px=max(1, round(width * ppi / MM_PER_INCH)),
        height_px=max(1, round(height * ppi / MM_PER_INCH)),
        ppi=ppi,
        origin_mm=(x, y),
        line=position.line,
        platen=platen_name,
        area_mm=(area[0] - x, area[1] - y, area[2], area[3]),
        keep_outs=tuple((k.name, (k.area_mm[0] - x, k.area_mm[1] - y, *k.area_mm[2:])) for k in keep_outs),
        wanted_mm=wanted if held else None,
        hangs=anchor.hangs,
        findings=(
            *((_size_held(band, wanted, width),) if held else ()),
            *_band_size(print_, spot, aspect, band, width),
        ),
    )


def _width(print_: Print, spot: Spot, aspect: float, size: str, platen: Platen | None) -> tuple[float, bool]:
    """Return the width on a size, and whether the order states it for that size."""
    own = print_.by_size.get(size)
    if own is not None:
        return (own.width_mm or (own.height_mm or 0.0) / aspect), True
    if print_.fit:
        base = _fitting(print_, spot, aspect, platen)
    else:
        base = print_.width_mm or (print_.height_mm or 0.0) / aspect
    if not _scaled(print_, spot.position):
        return base, not print_.fit
    chest = spot.garment.sizes[size].half_chest_mm
    reference = spot.reference.sizes[spot.reference_size].half_chest_mm
    same = spot.garment == spot.reference and size == spot.reference_size
    return base * chest / reference, same and not print_.fit


def _scaled(print_: Print, position: Position) -> bool:
    return (print_.scale or position.scale) == "with garment"


def _fitting(print_: Print, spot: Spot, aspect: float, platen: Platen | None) -> float:
    """Return the width that fills the print area of the reference size on the reference garment."""
    position = spot.reference.positions.get(print_.position, spot.position)
    size = spot.reference_size
    area = _area(spot.reference, position, size, platen)
    room = _room(area, _keep_outs(position, size), _anchor(position, size, print_.shift_mm), aspect)
    if not _scaled(print_, spot.position):
        return room
    return min(room, spot.widest_of_half_chest * spot.reference.sizes[size].half_chest_mm)


@dataclass(frozen=True, slots=True)
class _Anchor:
    """Where a print is held: the middle of its upper edge when it `hangs`, else of its lower edge."""

    x: float
    y: float
    hangs: bool


def _anchor(position: Position, size: str, shift: tuple[float, float]) -> _Anchor:
    own = position.by_size.get(size)
    centre, top, bottom = position.centre_mm, position.top_mm, position.bottom_mm
    if own is not None:
        centre = centre if own.centre_mm is None else own.centre_mm
        top = top if own.top_mm is None else own.top_mm
        bottom = bottom if own.bottom_mm is None else own.bottom_mm
    y = top if top is not None else -(bottom or 0.0)
    return _Anchor(centre + shift[0], y + shift[1], top is not None)


def _keep_outs(position: Position, size: str) -> tuple[KeepOut, ...]:
    own = position.by_size.get(size)
    return position.keep_outs if own is None or own.keep_outs is None else own.keep_outs


def _area(garment: Garment, position: Position, size: str, platen: Platen | None) -> Box:
    """Return the print area on a size, from centre line and line, within what the press reaches on the platen."""
    own = position.by_size.get(size)
    if own is not None and own.area_mm is not None:
        area = own.area_mm
    else:
        area = position.area_mm
        if position.scale == "with garment":
            sizes = garment.sizes
            factor = sizes[size].half_chest_mm / sizes[garment.reference_size].half_chest_mm
            # the collar stays where it is: the area grows sideways from the centre and downwards from its top
            area = (area[0] * factor, area[1], area[2] * factor, area[3] * factor)
    return area if platen is None else _common(area, _reach(position, platen))


def _reach(position: Position, platen: Platen) -> Box:
    top = -platen.collar_line_mm - position.line_below_collar_mm
    return (-platen.centre_mm, top, platen.area_mm[0], platen.area_mm[1])


def _common(one: Box, other: Box) -> Box:
    left, top = max(one[0], other[0]), max(one[1], other[1])
    right = min(one[0] + one[2], other[0] + other[2])
    bottom = min(one[1] + one[3], other[1] + other[3])
    return (left, top, max(right - left, 0.0), max(bottom - top, 0.0))


def _room(area: Box, keep_outs: tuple[KeepOut, ...], anchor: _Anchor, aspect: float) -> float:
    """Return the largest width, from this anchor, that lies in the area and clear of the keep-outs.

    Infinite where no width does: then the print keeps its size, and what is cut or covered is found from its pixels.
    """
    left, above, width, height = area
    widest = 2 * min(anchor.x - left, left + width - anchor.x)
    tallest = above + height - anchor.y if anchor.hangs else anchor.y - above
    room = min(widest, tallest / aspect)
    clear = [w for k in keep_outs if (w := _clear_of(k.area_mm, anchor, aspect)) > 0]
    return min([room, *clear]) if room > 0 else math.inf


def _clear_of(box: Box, anchor: _Anchor, aspect: float) -> float:
    """Return the largest width that stays clear of a box, on one side of it or short of it; 0 if none does."""
    left, top, width, height = box
    sideways = 2 * max(left - anchor.x, anchor.x - (left + width), 0.0)
    behind = top + height <= anchor.y if anchor.hangs else top >= anchor.y
    short = top - anchor.y if anchor.hangs else anchor.y - (top + height)
    return math.inf if behind else max(sideways, short / aspect)


def _platen(print_: Print, press: Press, wearer: str) -> tuple[str, Platen | None]:
    for name, platen in press.platens.items():
        if (not platen.positions or print_.position in platen.positions) and platen.wearer in (None, wearer):
            return name, platen
    if press.platens:
        raise Refused(
            f'No platen of the press carries the position "{print_.position}" for this garment. Platens: '
            f"{', '.join(press.platens)}. Add the position to one in the shop file, or choose another press."
        )
    return "", None


def _size_held(band: tuple[str, ...], wanted: float, width: float) -> Finding:
    return Finding(
        code="size-held",
        severity="note",
        message=f"Scaled with the garment the print would be {wanted:.0f} mm wide; it is held at {width:.0f} mm, "
        "to stay within the print area, clear of what must not be printed on, and in proportion to the garment.",
        remedy=f"by_size = {{ {band[0]} = {{ width_mm = {wanted:.0f} }} }}",
        sizes=band,
        measured=round(wanted, 1),
        limit=round(width, 1),
    )


def _band_size(
    print_: Print, spot: Spot, aspect: float, band: tuple[str, ...], width: float
) -> tuple[Finding, ...]:
    """Return what is told where sizes of a band have a stated width other than the band's."""
    stated = [(s, _width(print_, spot, aspect, s, None)) for s in band[1:]]
    other = {s: w for s, (w, own) in stated if own and abs(w - width) > 0.5}
    if not other:
        return ()
    told = ", ".join(f"{s} {w:.0f} mm" for s, w in other.items())
    return (
        Finding(
            code="band-size",
            severity="warn" if any(s in print_.by_size for s in other) else "note",
            message=f"The sizes {', '.join(band)} share one print, {width:.0f} mm wide as {band[0]}, the smallest of "
            f"them, gets it; the width stated for {told} is not used.",
            remedy=f'bands = "each size", or by_size = {{ {band[0]} = {{ width_mm = … }} }} for the width they share',
            sizes=band,
            measured=round(width, 1),
        ),
    )
