"""Whether a shop has all that an order names, told at once and by key path."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from pipeline.faults import Refused
from pipeline.manifest_check import nearest
from pipeline.manifest_text import Loc, Problem, refusal, shorten
from pipeline.order import garment_of, prints_of
from pipeline.order_parts import Colourway, Order, Print
from pipeline.shop import Shop, press_of
from pipeline.shop_parts import Garment


def check_in_shop(order: Order, shop: Shop, source: str) -> None:
    """Raise one Refused that lists every garment, size, position, fabric and press that the shop does not have."""
    problems = list(_by_size_problems(order, shop))
    for index, colourway in enumerate(order.colourways):
        problems += _colourway_problems(order, shop, colourway, ("colourways", index))
    if problems:
        # What several colourways share is told once.
        raise refusal(source, dict.fromkeys(problems), "manifest")


def _by_size_problems(order: Order, shop: Shop) -> Iterator[Problem]:
    garments = [shop.garments[n] for c in order.colourways if (n := garment_of(order, c)) in shop.garments]
    # Garments of one order may differ in their sizes: each size needs to be on one of them.
    known = dict.fromkeys(size for garment in garments for size in garment.sizes)
    for index, print_ in enumerate(order.prints):
        for size in print_.by_size if known else ():
            yield from _unknown(
                known, size, ("prints", index, "by_size", size), "size of the order's garments"
            )


def _colourway_problems(order: Order, shop: Shop, colourway: Colourway, loc: Loc) -> Iterator[Problem]:
    name = garment_of(order, colourway)
    yield from _unknown(
        shop.garments, name, (*loc, "garment") if colourway.garment else ("garment",), "garment"
    )
    if isinstance(colourway.fabric, str):
        yield from _unknown(shop.fabrics, colourway.fabric, (*loc, "fabric"), "fabric")
    garment = shop.garments.get(name)
    if garment is None:
        return
    for size in colourway.sizes:
        yield from _unknown(garment.sizes, size, (*loc, "sizes", size), f'size of the garment "{name}"')
    for print_ in prints_of(order, colourway):
        yield from _print_problems(order, shop, colourway, print_, garment, loc)


def _print_problems(
    order: Order, shop: Shop, colourway: Colourway, print_: Print, garment: Garment, loc: Loc
) -> Iterator[Problem]:
    changes = colourway.prints if isinstance(colourway.prints, Mapping) else {}
    changed = changes[print_.name].model_fields_set if print_.name in changes else frozenset()
    index = [p.name for p in order.prints].index(print_.name)

    def at(key: str) -> Loc:
        return (*loc, "prints", print_.name, key) if key in changed else ("prints", index, key)

    name = garment_of(order, colourway)
    yield from _unknown(
        garment.positions, print_.position, at("position"), f'position on the garment "{name}"'
    )
    meant = print_.reference.garment or order.garment or name
    yield from _unknown(shop.garments, meant, (*at("reference"), "garment"), "garment")
    if meant in shop.garments and print_.reference.size:
        sizes = shop.garments[meant].sizes
        yield from _unknown(
            sizes, print_.reference.size, (*at("reference"), "size"), f'size of the garment "{meant}"'
        )
    try:
        press_of(shop, print_)
    except Refused as fault:
        yield Problem(at("press" if print_.press else "route"), "", fault.message)


def _unknown(known: Mapping[str, Any], name: str, loc: Loc, what: str) -> Iterator[Problem]:
    if name not in known:
        text = f"is not a {what} in the shop file.{nearest(name, known)} Correct the name, or add it there."
        yield Problem(loc, shorten(name), text)
