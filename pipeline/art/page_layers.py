"""The layers of a PDF page: what is switched off, what is no ink, and a file with only the layers that are wanted.

Source: ISO 32000-1 section 8.11 (optional content).
"""

from __future__ import annotations

import io
from collections.abc import Collection, Iterator
from typing import Any

from pipeline.art.guides import is_guide
from pipeline.finding import Finding

MOST = 12
"""Layers that are told one by one; more are one finding."""


def names(pdf: Any) -> frozenset[str]:
    """Return the names of the layers of an open pikepdf.Pdf."""
    return frozenset(_name(group) for group in _groups(pdf))


def findings(pdf: Any, art: str) -> Iterator[Finding]:
    """Yield what is to be said of the layers: those the file's own view switches off, and those named as guides."""
    off = _off(pdf)
    hidden = dict.fromkeys(_name(group) for group in _groups(pdf) if group.objgen in off)
    guides = dict.fromkeys(_name(group) for group in _groups(pdf) if group.objgen not in off)
    for name in _told(hidden):
        yield Finding(
            "hidden-content",
            "warn",
            f"{art} has a layer that is switched off and does not print: {name}.",
            f'Switch it on if it belongs to the design; omit = ["{name}"] says that it is meant.',
            art=art,
            measured=name,
        )
    for name in _told({name: None for name in guides if is_guide(name)}):
        yield Finding(
            "guide-left",
            "warn",
            f"{art} has a layer named {name!r} that would be printed.",
            f'Switch it off in the art, or omit = ["{name}"].',
            art=art,
            measured=name,
        )


def chosen(data: bytes, only: Collection[str], omit: Collection[str]) -> bytes:
    """Return the PDF with the layers switched off that `omit` names or `only` does not; others stay as they are."""
    import pikepdf

    with pikepdf.open(io.BytesIO(data)) as pdf, io.BytesIO() as out:
        properties = pdf.Root.OCProperties
        if "/D" not in properties:
            properties.D = pikepdf.Dictionary()
        view = properties.D
        gone = [g for g in _groups(pdf) if _name(g) in omit or (only and _name(g) not in only)]
        ids = {group.objgen for group in gone}
        view.OFF = pikepdf.Array([*(g for g in view.get("/OFF", []) if g.objgen not in ids), *gone])
        view.ON = pikepdf.Array([g for g in view.get("/ON", []) if g.objgen not in ids])
        for group in gone:
            if "/Usage" in group:  # its own word on the view would hold against the file's
                del group["/Usage"]
        pdf.save(out, deterministic_id=True)
        return out.getvalue()


def _groups(pdf: Any) -> list[Any]:
    return list(pdf.Root.get("/OCProperties", {}).get("/OCGs", []))


def _off(pdf: Any) -> set[tuple[int, int]]:
    """Return the layers that a viewer does not show: by their own word, or by the file's view."""
    view = pdf.Root.get("/OCProperties", {}).get("/D", {})
    off = {group.objgen for group in view.get("/OFF", [])}
    if view.get("/BaseState") == "/OFF":
        off |= {group.objgen for group in _groups(pdf)} - {group.objgen for group in view.get("/ON", [])}
    for group in _groups(pdf):
        own = group.get("/Usage", {}).get("/View", {}).get("/ViewState")
        if own is not None:
            (off.add if own == "/OFF" else off.discard)(group.objgen)
    return off


def _name(group: Any) -> str:
    return "".join(c for c in str(group.get("/Name", "no name")) if c.isprintable())[:60]


def _told(found: dict[str, None]) -> list[str]:
    listed = sorted(found)
    return listed if len(listed) <= MOST else [f"{', '.join(listed[:MOST])} and {len(listed) - MOST} more"]
