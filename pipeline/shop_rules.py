"""What must hold between the keys of a shop file; the rules read the raw tables, as those of the order do."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from pipeline.fabric import fabric_problems
from pipeline.manifest_check import nearest
from pipeline.manifest_text import Loc, Problem, shorten, tidy
from pipeline.order_types import Route

ROUTES: tuple[Route, ...] = ("direct", "transfer", "screen")
_NEEDS = {"direct": ("platens",), "transfer": ("roll",), "screen": ("film", "screen")}


def shop_problems(data: Mapping[str, Any]) -> Iterator[Problem]:
    """Yield every problem between the keys of the (tidied, layered) raw shop file."""
    for name, fabric in _table(data.get("fabrics")).items():
        yield from fabric_problems(fabric, ("fabrics", name))
    for name, garment in _table(data.get("garments")).items():
        yield from _garment_problems(_table(garment), ("garments", name))
    for name, press in _table(data.get("presses")).items():
        route = _table(press).get("route")
        if "profile_icc" in _table(press):
            yield Problem(
                ("presses", name, "profile_icc"), "", 'is not a key. Name the file with "profile" instead.'
            )
        for key in _NEEDS.get(route, ()) if isinstance(route, str) else ():
            if not press.get(key):
                yield Problem(
                    ("presses", name, key), "", f"is missing; a {route} press needs it. Add the table."
                )
        yield from _roll_problems(_table(_table(press).get("roll")), ("presses", name, "roll"))
    yield from _delivery_problems(data)
    for key in ("washes", "thresholds"):
        for route in ROUTES:
            if key in data and route not in _table(data[key]):
                yield Problem((key, route), "", "is missing. Add the table.")
    for route, wash in _table(data.get("washes")).items():
        fibres = _table(_table(wash).get("fibres"))
        if fibres and "other" not in fibres:
            yield Problem(
                ("washes", route, "fibres", "other"), "", "is missing: the rates of fibres not named."
            )


def _delivery_problems(data: Mapping[str, Any]) -> Iterator[Problem]:
    wanted = _table(data.get("deliver")).get("transfer")
    if not isinstance(wanted, list | tuple) or not wanted:
        return
    loc = ("deliver", "transfer")
    if "press-roll" not in wanted:
        yield Problem(loc, shorten(wanted), 'must hold "press-roll": film is delivered on rolls.')
    presses = _table(data.get("presses"))
    nights = [name for name, one in presses.items() if _table(_table(one).get("roll")).get("gang") == "night"]
    if nights and not {"press-colour", "press-base"} <= set(map(str, wanted)):
        text = f'must hold "press-colour" and "press-base": {nights[0]} gangs by the night, from the plates of orders.'
        yield Problem(loc, shorten(wanted), text)


def _roll_problems(roll: Mapping[str, Any], loc: Loc) -> Iterator[Problem]:
    width, margin, gutter = (roll.get(key) for key in ("width_mm", "margin_mm", "gutter_mm"))
    if not isinstance(width, int | float):
        return
    left = width - 2 * margin if isinstance(margin, int | float) else width
    if left <= 0:
        yield Problem((*loc, "margin_mm"), shorten(margin), f"leaves nothing of a film {width:g} mm wide.")
    elif isinstance(gutter, int | float) and gutter >= left:
        yield Problem(
            (*loc, "gutter_mm"), shorten(gutter), f"is wider than the {left:g} mm that can be printed."
        )


def _garment_problems(garment: Mapping[str, Any], loc: Loc) -> Iterator[Problem]:
    sizes = list(_table(garment.get("sizes")))
    reference = garment.get("reference_size")
    if isinstance(reference, str) and tidy(reference) not in sizes:
        text = f"is not a size of the garment.{nearest(reference, sizes)} Correct it."
        yield Problem((*loc, "reference_size"), shorten(reference), text)
    for name, position in _table(garment.get("positions")).items():
        here = (*loc, "positions", name)
        if isinstance(position, Mapping) and ("top_mm" in position) == ("bottom_mm" in position):
            yield Problem(here, "", "needs exactly one of top_mm and bottom_mm. Keep one of them.")
        for size, own in _table(_table(position).get("by_size")).items():
            if size not in sizes:
                yield Problem(
                    (*here, "by_size", size), "", f"is not a size of the garment.{nearest(size, sizes)}"
                )
            other = "bottom_mm" if "top_mm" in _table(position) else "top_mm"
            if other in _table(own):
                text = f"cannot be stated here: the position does not have {other}. Remove it."
                yield Problem((*here, "by_size", size, other), "", text)


def _table(value: object) -> Mapping[str, Any]:
    return value if isinstance(value, Mapping) else {}
