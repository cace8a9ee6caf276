"""What a revision changed since the one before, in plain words, for the operator and the customer.

Compares the `colourways` that record.json keeps: garments, pieces by size, prints, and each band's size,
place and plate.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

Entry = Mapping[str, Any]
_NEAR_MM = 0.05


def changes_since(before: Entry, colourways: Sequence[Entry]) -> dict[str, tuple[str, ...]]:
    """Return what changed since the record `before`, by colourway; "" holds what concerns the whole order.

    `colourways` has the form of record.json's. A colourway that stayed as it was has no entry.
    """
    old = {entry["name"]: entry for entry in before["colourways"]}
    new = {entry["name"]: entry for entry in colourways}
    said = {
        "": (
            *(f"{name} is new." for name in new if name not in old),
            *(f"{name} is no longer ordered." for name in old if name not in new),
        )
    }
    for name in new:
        said[name] = (
            ("New in this revision.",) if name not in old else tuple(_colourway(old[name], new[name]))
        )
    return {name: lines for name, lines in said.items() if lines}


def _colourway(old: Entry, new: Entry) -> Iterator[str]:
    for key, what in (("garment", "The garment"), ("fabric", "The fabric")):
        if old[key] != new[key]:
            yield f"{what} was {old[key]} and is {new[key]}."
    if old["fabric"] == new["fabric"] and old["fabric_srgb"] != new["fabric_srgb"]:
        yield f"The fabric's colour was {old['fabric_srgb']} and is {new['fabric_srgb']}."
    if old["sizes"] != new["sizes"]:
        sizes = dict.fromkeys((*old["sizes"], *new["sizes"]))
        counts = [
            f"{size} {old['sizes'].get(size, 0)} → {new['sizes'].get(size, 0)}"
            for size in sizes
            if old["sizes"].get(size, 0) != new["sizes"].get(size, 0)
        ]
        yield f"Pieces: {', '.join(counts)}." if counts else "The sizes stand in another order."
    prints = {entry["name"]: entry for entry in old["prints"]}
    for entry in new["prints"]:
        if entry["name"] not in prints:
            yield f"The print {entry['name']} is new."
        else:
            yield from _print(prints.pop(entry["name"]), entry)
    for name in prints:
        yield f"The print {name} is left out."


def _print(old: Entry, new: Entry) -> Iterator[str]:
    name = new["name"]
    for key, what in (("position", "moves"), ("route", "changes route"), ("press", "changes press")):
        if old[key] != new[key]:
            yield f"{name} {what}: {old[key]} → {new[key]}."
    before = {tuple(band["sizes"]): band for band in old["bands"]}
    if list(before) != [tuple(band["sizes"]) for band in new["bands"]]:
        yield f"{name}: sizes share print sizes in another way."
    moved, remade = [], []
    for band in new["bands"]:
        was = before.get(tuple(band["sizes"]))
        if was is None:
            continue
        sizes = "–".join(dict.fromkeys((band["sizes"][0], band["sizes"][-1])))
        if _far(_size(was), _size(band)):
            yield f"{name} {sizes}: {_said(was)} → {_said(band)} mm."
        else:
            remade += [sizes] if was["plate"] != band["plate"] else []
            moved += [sizes] if _far(was["origin_mm"], band["origin_mm"]) else []
    if moved:
        yield f"{name}: placed elsewhere on {', '.join(moved)}; see the position drawing."
    if remade:
        yield f"{name}: new press files for {', '.join(remade)}; the art, its colours or settings are others."


def _far(one: Sequence[float], other: Sequence[float]) -> bool:
    return any(abs(a - b) > _NEAR_MM for a, b in zip(one, other, strict=True))


def _size(band: Entry) -> tuple[float, float]:
    return band["width_mm"], band["height_mm"]


def _said(band: Entry) -> str:
    return f"{band['width_mm']:.0f} × {band['height_mm']:.0f}"
