"""Manifest lines that clear a finding of size or place, worked out and tried on every band of a job.

A print hangs from (or stands on) an anchor that does not move when its size changes; its ink, the print area and the
keep-outs are boxes around that anchor. A line is proposed only when with it all of them fit together on every band.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from itertools import product

from pipeline.art.paint import Rgb, hex_of
from pipeline.order_parts import SwapRule
from pipeline.plan import Job, Plate

Box = tuple[float, float, float, float]
"""x, y, width, height in mm."""

LEAST_SHARE = 0.3
"""A print is not proposed smaller than this share of what was ordered."""


def sized(job: Job, widths: Mapping[int, float]) -> str:
    """Return the lines of [[prints]] that give some bands (by number) other widths, rounded down to 0.1 mm."""
    share = min(widths[n] / job.plates[n].placement.width_mm for n in widths)
    print_ = job.print
    if len(widths) == len(job.plates) and not print_.by_size and not _held(job):
        if print_.width_mm is not None:
            return f"width_mm = {_down(print_.width_mm * share):g}"
        if print_.height_mm is not None:
            return f"height_mm = {_down(print_.height_mm * share):g}"
    entries = {size: _entry(own.width_mm, own.height_mm) for size, own in print_.by_size.items()}
    entries |= {job.plates[n].placement.sizes[0]: _entry(_down(width), None) for n, width in widths.items()}
    return f"by_size = {{ {', '.join(f'{size} = {text}' for size, text in entries.items())} }}"


def with_warning_too(passing: str, clear: str | None) -> str:
    """Return the line that just clears a stop, and behind it as a comment the one with which no warning is left."""
    return passing if clear in (None, passing) else f"{passing}  # {clear} clears the warning too"


def _entry(width_mm: float | None, height_mm: float | None) -> str:
    return f"{{ width_mm = {width_mm:g} }}" if width_mm else f"{{ height_mm = {height_mm:g} }}"


def _down(value: float) -> float:
    return math.floor(value * 10 + 1e-6) / 10


def swapped(job: Job, changes: Iterable[tuple[Rgb, Rgb]]) -> str:
    """Return the whole `swap` line of [[colourways]]: the colourway's own rules, then the changes (from, to).

    All rules read the art's own colours, so a colour that an own rule has made is changed in that rule.
    """
    new = {hex_of(old): hex_of(colour) for old, colour in changes}
    rules = []
    for rule in job.choices.swap:
        to = rule.to.lower()
        rules.append(_texts(rule.from_, rule.element, new.get(to, to))[1])
    made = {rule.to.lower() for rule in job.choices.swap}
    rules += [_texts(old, None, colour)[1] for old, colour in new.items() if old not in made]
    return f"swap = [{', '.join(rules)}]"


def one_swap(own: Sequence[SwapRule], lines: Iterable[str]) -> str:
    """Return one `swap` line that does what several do, as a colourway takes one alone.

    Each line has the colourway's own rules first, some with another colour; the first line that changes one of them
    or adds a colour decides about it.
    """
    rules = [_texts(rule.from_, rule.element, rule.to) for rule in own]
    mended, added, comments = dict[int, str](), dict[str, str](), list[str]()
    for line in lines:
        for number, entry in enumerate(tomllib.loads(line)["swap"]):
            what, text = _texts(entry.get("from"), entry.get("element"), entry["to"])
            if number >= len(rules):
                added.setdefault(what, text)
            elif text != rules[number][1]:
                mended.setdefault(number, text)
        comments += [comment for comment in line.partition("  # ")[2:] if comment not in ("", *comments)]
    texts = [mended.get(number, text) for number, (_, text) in enumerate(rules)]
    texts += [text for what, text in added.items() if not any(what in other for other in texts)]
    return f"swap = [{', '.join(texts)}]" + (f"  # {', '.join(comments)}" if comments else "")


def _texts(from_: str | None, element: str | None, to: str) -> tuple[str, str]:
    """Return what a rule of `swap` replaces and the whole rule, as the manifest has them."""
    what = f'from = "{from_.lower()}"' if from_ else f'element = "{element}"'
    return what, f'{{ {what}, to = "{to.lower()}" }}'


def fitted(job: Job, ink: Box, margin_mm: float) -> str | None:
    """Return the lines that bring all ink inside the print area, `margin_mm` from its edges, and off all keep-outs.

    `ink` is the box around all ink as shares of the print's width and height. A shift comes first, a smaller size
    behind it as a comment where both are short; None where neither does.
    """
    shift, smaller = _shifted(job, ink, margin_mm), _shrunk(job, ink, margin_mm)
    if shift is None or smaller is None or "\n" in shift:
        return shift or smaller
    return f"{shift}  # or {smaller}"


def _shifted(job: Job, ink: Box, margin_mm: float) -> str | None:
    """Return the least shift; what would grow into the room it makes is given the size it has."""
    for dx, dy in _shifts(job, ink, margin_mm):
        if all(_clear(plate, ink, margin_mm, 1.0, (dx, dy)) for plate in job.plates):
            x, y = job.print.shift_mm
            line = f"shift_mm = [{round(x + dx, 1):g}, {round(y + dy, 1):g}]"
            pinned = {number: job.plates[number].placement.width_mm for number in _held(job)}
            return f"{line}\n{sized(job, pinned)}" if pinned else line
    return None


def _held(job: Job) -> tuple[int, ...]:
    """Return the bands whose width follows from the room there is."""
    return tuple(
        number
        for number, plate in enumerate(job.plates)
        if plate.placement.sizes[0] not in job.print.by_size
        and (job.print.fit or plate.placement.wanted_mm is not None)
    )


def _shrunk(job: Job, ink: Box, margin_mm: float) -> str | None:
    """Return the size at which all is clear where it lies."""
    return smaller(job, lambda plate, share: _clear(plate, ink, margin_mm, share, (0.0, 0.0)))


def smaller(job: Job, fits: Callable[[Plate, float], bool]) -> str | None:
    """Return the lines that make every band so small that it `fits` (the band, share of its size); None for none."""
    widths = {}
    for number, plate in enumerate(job.plates):
        if fits(plate, 1.0):
            continue
        share = next((s for s in _shares() if fits(plate, s)), None)
        if share is None:
            return None
        widths[number] = plate.placement.width_mm * share
    return sized(job, widths) if widths else None


def grown(job: Job, ink: Box, times: float, margin_mm: float) -> str | None:
    """Return the line that makes the smallest print `times` as large, and none smaller; None where it does not fit."""
    least = job.plates[0].placement.width_mm * times
    larger = {
        number: math.ceil(least * 10) / 10
        for number, plate in enumerate(job.plates)
        if plate.placement.width_mm < least
    }
    for number, width in larger.items():
        plate = job.plates[number]
        if not _clear(plate, ink, margin_mm, width / plate.placement.width_mm, (0.0, 0.0)):
            return None
    return sized(job, larger)


def _shares() -> Iterator[float]:
    share = 0.995
    while share >= LEAST_SHARE:
        yield share
        share -= 0.005


def _shifts(job: Job, ink: Box, margin: float) -> Iterator[tuple[float, float]]:
    """Yield shifts that bring the ink just inside the area or just off a keep-out, the smallest first."""
    across, down = {0.0}, {0.0}
    for plate in job.plates:
        box, area = _ink(plate, ink, 1.0), plate.placement.area_mm
        for axis, found in ((0, across), (1, down)):
            low, high = box[axis], box[axis] + box[axis + 2]
            edges = [
                area[axis] + margin - low,
                area[axis] + area[axis + 2] - margin - high,
                *(k[axis] - high for _, k in plate.placement.keep_outs),
                *(k[axis] + k[axis + 2] - low for _, k in plate.placement.keep_outs),
            ]
            found.update(step for edge in edges for step in (_outward(edge),))
    yield from sorted(product(across, down), key=lambda d: (abs(d[0]) + abs(d[1]), d))


def _outward(value: float) -> float:
    """Return a shift in tenths of a millimetre, rounded away from zero, so that it is never a trifle too small."""
    size = math.ceil(abs(value) * 10 - 1e-6) / 10
    return math.copysign(size, value)


def _ink(plate: Plate, ink: Box, share: float) -> Box:
    """Return the box around the ink of a print `share` as large, from the upper left corner of the print as it is."""
    place = plate.placement
    width, height = place.width_mm, place.height_mm
    left, top = width / 2 * (1 - share), 0.0 if place.hangs else height * (1 - share)
    return (
        left + ink[0] * width * share,
        top + ink[1] * height * share,
        ink[2] * width * share,
        ink[3] * height * share,
    )


def _clear(plate: Plate, ink: Box, margin: float, share: float, shift: tuple[float, float]) -> bool:
    """Say whether the ink, so resized and shifted, lies within the area and off the keep-outs."""
    x, y, w, h = _ink(plate, ink, share)
    x, y = x + shift[0], y + shift[1]
    ax, ay, aw, ah = plate.placement.area_mm
    slack = 0.01
    inside = (
        x >= ax + margin - slack
        and y >= ay + margin - slack
        and x + w <= ax + aw - margin + slack
        and y + h <= ay + ah - margin + slack
    )
    return inside and not any(
        x < kx + kw - slack and x + w > kx + slack and y < ky + kh - slack and y + h > ky + slack
        for _, (kx, ky, kw, kh) in plate.placement.keep_outs
    )
