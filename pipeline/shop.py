"""The shop file: the built-in one, with the shop's own laid over it key by key, and what orders look up in it."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from pathlib import Path
from typing import Any, TypeVar

from pydantic import Field

from pipeline.fabric import Cloth, FabricSpec, cloth_from
from pipeline.faults import Fault, Refused
from pipeline.manifest_check import Line, Model, Name, checked, nearest
from pipeline.manifest_text import Problem, clean, printable, read_manifest, refusal, shorten
from pipeline.order_parts import Colourway, Order, Print
from pipeline.order_types import Route
from pipeline.shop_parts import (
    Defaults,
    Deliver,
    Fabric,
    Garment,
    HotFolderRules,
    Position,
    Thresholds,
    Wash,
)
from pipeline.shop_presses import Press
from pipeline.shop_rules import shop_problems

T = TypeVar("T")

_EITHER = (("srgb", "lab"), ("top_mm", "bottom_mm"))
"""Of each pair one is stated; stating the other takes its place."""

LARGEST_PROFILE = 16 * 2**20
"""Bytes; output profiles have a few MiB."""

_WHOLE = ("fibre",)
"""Tables that make one value, and are replaced whole."""


class Shop(Model):
    """A shop: what it prints on, with what, and by which limits."""

    name: Line = Field(default="", description="Name of the shop for papers, at most 80 characters.")
    fabrics: Mapping[Name, Fabric] = Field(description="Fabrics that orders may name, tables [fabrics.NAME].")
    garments: Mapping[Name, Garment] = Field(min_length=1, description="Garments, tables [garments.NAME].")
    presses: Mapping[Name, Press] = Field(
        min_length=1, description="Presses; the first of a route is its default."
    )
    washes: Mapping[Route, Wash] = Field(description="Wash tests by route.")
    thresholds: Mapping[Route, Thresholds] = Field(description="Limits of the checks by route.")
    defaults: Defaults = Field(description="What holds where an order says nothing.")
    deliver: Deliver = Field(description="Press files to deliver, by route.")
    hot_folder: HotFolderRules = Field(description="How the hot folder works.")

    def garment(self, name: str) -> Garment:
        """Return a garment; Refused names those that exist."""
        return _looked_up(self.garments, name, "garment")

    def position(self, garment: str, name: str) -> Position:
        """Return a position of a garment; Refused names those that exist."""
        return _looked_up(self.garment(garment).positions, name, f'position on the garment "{garment}"')


def load_shop(path: Path | None) -> Shop:
    """Return the built-in shop, with the tables of the shop's own file laid over it (lists are replaced whole).

    Raises Refused that lists everything wrong with the file.
    """
    code = "shop-file"
    built_in = read_manifest(built_in_path("shop.toml"), code)
    if path is None:
        return checked(Shop, built_in, shop_problems, source="shop.toml", code=code)
    source = printable(path.name)
    own, problems = clean(read_manifest(path, code))
    if problems:
        raise refusal(source, problems, code)
    shop = checked(Shop, _laid_over(built_in, own), shop_problems, source=source, code=code)
    return _with_profiles(shop, path.parent, source)


def _with_profiles(shop: Shop, folder: Path, source: str) -> Shop:
    """Return the shop with the output profiles of its presses read in: a value that needs no file any more."""
    presses: dict[str, Press] = {}
    problems: list[Problem] = []
    for name, press in shop.presses.items():
        presses[name] = press
        if press.profile is None:
            continue
        data, wrong = _profile(folder / press.profile)
        if wrong:
            problems.append(Problem(("presses", name, "profile"), shorten(press.profile), wrong))
        presses[name] = press.model_copy(update={"profile_icc": base64.b64encode(data).decode("ascii")})
    if problems:
        raise refusal(source, problems, "shop-file")
    return shop.model_copy(update={"presses": presses})


def _profile(path: Path) -> tuple[bytes, str]:
    """Return the bytes of an output profile, and what is wrong with it as the end of a sentence, or ""."""
    from pipeline.soft_proof import problem_of

    put = "Put the press's output profile beside the shop file, or leave the key out."
    try:
        with path.open("rb") as file:
            data = file.read(LARGEST_PROFILE + 1)
    except OSError:
        return b"", f"is not there, or cannot be read. {put}"
    if len(data) > LARGEST_PROFILE:
        return b"", f"is larger than {LARGEST_PROFILE >> 20} MiB. {put}"
    wrong = problem_of(data)
    return data, f"{wrong}. {put}" if wrong else ""


def built_in_path(name: str) -> Path:
    """Return a bundled file of manifests/: beside the source in a checkout, package data in a wheel."""
    here = Path(__file__).resolve().parent
    for folder in (here / "_data" / "manifests", here.parent / "manifests"):
        if (folder / name).is_file():
            return folder / name
    raise Fault(f"The bundled file {name} is missing: install washfast again.")


def shop_schema() -> dict[str, Any]:
    """Return the JSON Schema (2020-12) of a whole shop file; a shop's own file may leave out what it keeps."""
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **Shop.model_json_schema()}


def cloth_of(shop: Shop, colourway: Colourway) -> Cloth:
    """Return the cloth of a colourway, from the shop's fabrics or its own table."""
    if isinstance(colourway.fabric, FabricSpec):
        return cloth_from(colourway.fabric, colourway.name)
    fabric = _looked_up(shop.fabrics, colourway.fabric, "fabric")
    return cloth_from(fabric, fabric.title or colourway.fabric)


def press_of(shop: Shop, print_: Print) -> tuple[str, Press]:
    """Return the press of a print by name: the one it names, or the shop's first for its route."""
    if print_.press is not None:
        press = _looked_up(shop.presses, print_.press, "press")
        if press.route != print_.route:
            raise Refused(
                f'The print "{print_.name}" takes the route "{print_.route}", but the press "{print_.press}" does '
                f'"{press.route}". Name a press of the route, or leave the press out.'
            )
        return print_.press, press
    for name, press in shop.presses.items():
        if press.route == print_.route:
            return name, press
    raise Refused(
        f'The shop has no press for the route "{print_.route}". Add one to the shop file under [presses].'
    )


def reference_of(shop: Shop, order: Order, print_: Print, garment: str) -> tuple[str, str]:
    """Return the garment and size that a print's width is meant for."""
    name = print_.reference.garment or order.garment or garment
    of = shop.garment(name)
    size = print_.reference.size or of.reference_size
    _looked_up(of.sizes, size, f'size of the garment "{name}"')
    return name, size


def _looked_up(table: Mapping[str, T], name: str, what: str) -> T:
    if name in table:
        return table[name]
    raise Refused(
        f'The shop file has no {what} "{printable(name)}".{nearest(name, table)} Correct the name, or add it.'
    )


def _laid_over(under: Mapping[str, Any], over: Mapping[str, Any], key: str = "") -> dict[str, Any]:
    dropped = {a for pair in _EITHER for a, b in (pair, pair[::-1]) if b in over and a not in over}
    laid = {name: value for name, value in under.items() if name not in dropped}
    for name, value in over.items():
        below = laid.get(name)
        if isinstance(value, Mapping) and isinstance(below, Mapping) and name not in _WHOLE:
            laid[name] = _laid_over(below, value, name)
        else:
            laid[name] = value
    # The first press of a route is its default: the shop's own come before the built-in ones.
    return {**{name: laid[name] for name in over}, **laid} if key == "presses" else laid
