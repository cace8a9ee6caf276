"""The order manifest: read strictly, checked as a whole, resolved into each print on each colourway."""

from __future__ import annotations

import os
import re
import stat
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Any

from pipeline.faults import Refused
from pipeline.manifest_check import checked
from pipeline.manifest_text import printable, read_manifest
from pipeline.order_parts import (
    Accept,
    ArtEntry,
    Colourway,
    Fade,
    Ink,
    Order,
    Overs,
    Print,
    PrintChange,
    SwapRule,
)
from pipeline.order_rules import order_problems
from pipeline.order_types import Answer, KnockOut, NearFabric, Route

__all__ = [
    "Accept", "ArtChoices", "ArtEntry", "Colourway", "Fade", "Ink", "Order", "Overs", "Print", "PrintChange",
    "Route", "SwapRule", "art_path", "choices_of", "garment_of", "load_order", "order_schema", "parse_order",
    "prints_of", "slug", "slugs",
]  # fmt: skip

_SIZES_OF_A_PRINT = {"width_mm", "height_mm", "fit"}
_LETTERS = {"ß": "ss", "ø": "o", "æ": "ae", "œ": "oe", "ł": "l", "đ": "d", "ı": "i"}
"""Letters that do not come apart into base and accent."""

_RESERVED = frozenset(
    {"con", "prn", "aux", "nul", "rolls", *(f"{p}{n}" for p in ("com", "lpt") for n in range(10))}
)
"""Folder names that some systems do not allow, and the one beside the colourways."""


def load_order(path: Path) -> Order:
    """Return the order in a JSON or TOML file; raises Refused that lists everything wrong with it."""
    return parse_order(read_manifest(path, "manifest"), printable(path.name))


def parse_order(data: Mapping[str, Any], source: str) -> Order:
    """Return the order in `data` (as JSON or TOML would give it); `source` names it in messages."""
    return checked(Order, data, order_problems, source=source, code="manifest")


def order_schema() -> dict[str, Any]:
    """Return the JSON Schema (2020-12) of the order manifest."""
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **Order.model_json_schema()}


def garment_of(order: Order, colourway: Colourway) -> str:
    """Return the name of the garment of a colourway."""
    return colourway.garment or order.garment or ""


def prints_of(order: Order, colourway: Colourway) -> tuple[Print, ...]:
    """Return the prints on a colourway in the order's sequence, its own changes merged in."""
    chosen = colourway.prints
    if chosen is None:
        return order.prints
    if isinstance(chosen, Mapping):
        return tuple(_changed(p, chosen[p.name]) for p in order.prints if p.name in chosen)
    return tuple(p for p in order.prints if p.name in chosen)


def _changed(print_: Print, change: PrintChange) -> Print:
    stated = {key: value for key in change.model_fields_set if (value := getattr(change, key)) is not None}
    if _SIZES_OF_A_PRINT & stated.keys():
        # A size stated here replaces the print's own way of stating it.
        stated = {"width_mm": None, "height_mm": None, "fit": False, **stated}
    return print_.model_copy(update=stated)


@dataclass(frozen=True, slots=True)
class ArtChoices:
    """How a piece of art is read and recoloured for one print on one colourway.

    Choices of the colourway win over the art's; its lists of elements and colours add to the art's.
    `of_colourway` are the elements that the colourway names: each must be in one of its pieces of art.
    """

    art: str
    near_fabric: NearFabric
    knock_out: KnockOut
    preview: Answer
    ground: Answer
    cut_out: tuple[str, ...]
    omit: tuple[str, ...]
    only: tuple[str, ...]
    shows_fabric: tuple[str, ...]
    swap: tuple[SwapRule, ...]
    of_colourway: frozenset[str]


def choices_of(order: Order, colourway: Colourway, print_: Print) -> ArtChoices:
    """Return the choices for the art of `print_` (as `prints_of` gives it) on `colourway`."""
    art = order.art[print_.art]
    swapped = [rule.element for rule in colourway.swap if rule.element]
    return ArtChoices(
        art=print_.art,
        near_fabric=colourway.near_fabric or art.near_fabric,
        knock_out=colourway.knock_out or art.knock_out,
        preview=art.preview,
        ground=art.ground,
        cut_out=_joined(art.cut_out, colourway.cut_out),
        omit=_joined(art.omit, colourway.omit),
        only=art.only,
        shows_fabric=_joined(art.shows_fabric, colourway.shows_fabric),
        swap=colourway.swap,
        of_colourway=frozenset({*colourway.cut_out, *colourway.omit, *swapped}),
    )


def _joined(first: tuple[str, ...], second: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(dict.fromkeys((*first, *second)))


def slug(text: str) -> str:
    """Return a name as a folder name: lower case a–z 0–9 and "-", 1 to 60 characters, the same everywhere."""
    folded = "".join(_LETTERS.get(c, c) for c in text.lower())
    plain = unicodedata.normalize("NFKD", folded).encode("ascii", "ignore").decode("ascii")
    words = re.sub("[^a-z0-9]+", "-", plain.lower()).strip("-")[:60].strip("-")
    return (
        words or f"n-{sha256(unicodedata.normalize('NFC', text).encode('utf-8', 'replace')).hexdigest()[:8]}"
    )


def slugs(names: Iterable[str]) -> dict[str, str]:
    """Return the slug of each name, made unique by "-2", "-3" in the sequence given."""
    found: dict[str, str] = {}
    taken = set(_RESERVED)
    for name in names:
        first = slug(name)
        unique, count = first, 1
        while unique in taken:
            count += 1
            unique = f"{first}-{count}"
        taken.add(unique)
        found[name] = unique
    return found


def art_path(order_folder: Path, entry: ArtEntry) -> Path:
    """Return the art's file: a regular file inside the folder, reached through no symbolic link.

    A name that differs only in how accents are composed (NFC, NFD) is found when it is the only such one.
    Raises Refused for anything else.
    """
    here = order_folder
    for part in entry.file.split("/"):
        here = _inside(here, part, entry.file)
        if here.is_symlink():
            raise _no_art(
                entry, "is reached through a symbolic link. Put the file itself beside the manifest."
            )
    try:
        mode = here.stat().st_mode
    except OSError as fault:
        raise _no_art(
            entry, f"cannot be read ({os.strerror(fault.errno or 0)}). Check its permissions."
        ) from None
    if not stat.S_ISREG(mode):
        raise _no_art(entry, "is not a file. Name the art's file.")
    return here


def _inside(folder: Path, part: str, file: str) -> Path:
    exact = folder / part
    try:
        if exact.is_symlink() or exact.exists():
            return exact
        wanted = unicodedata.normalize("NFC", part)
        alike = [p for p in folder.iterdir() if unicodedata.normalize("NFC", p.name) == wanted]
    except (OSError, ValueError):
        alike = []
    if len(alike) == 1:
        return alike[0]
    raise Refused(
        f'The art "{printable(file)}" is not beside the manifest. Put it there, or correct the name.',
        "manifest",
    )


def _no_art(entry: ArtEntry, text: str) -> Refused:
    return Refused(f'The art "{printable(entry.file)}" {text}', "manifest")
