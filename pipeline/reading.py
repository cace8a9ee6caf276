"""Reads the art of an order and puts it on the spool, in a disposable child; and takes it from there again."""

from __future__ import annotations

import hashlib
import pickle
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.art.around import around
from pipeline.art.limits import Limits
from pipeline.art.piece import Art, BitmapArt, PageArt, VectorArt
from pipeline.art.spool import art_file, drawing_name
from pipeline.faults import Refused
from pipeline.first_look import Looked, Wanted

PICTURES = "pictures"
"""Folder of what shows findings, on the spool and in a release."""

_PPI = 96.0


def read_drawings(wanted: tuple[Wanted, ...], spool: Path, limits: Limits) -> dict[str, Looked | Refused]:
    """Read art and put every drawing of it on the spool; meant to run in a child (`first_look.read_apart`).

    Art nobody has seen yet is drawn here for the first time, small.
    """
    found: dict[str, Looked | Refused] = {}
    for entry in wanted:
        try:
            found[entry.art] = _read(entry, spool, limits)
        except Refused as refusal:
            found[entry.art] = refusal
    return found


def _read(entry: Wanted, spool: Path, limits: Limits) -> Looked:
    from pipeline.art.read import art_of, read_bytes

    data = read_bytes(entry.path, entry.art, limits)
    art, seconds = _looked_at(art_of(data, entry.path.suffix, entry.art, limits), spool)
    for turn in entry.turns:
        drawing = art if turn % 360 == 0 else _turned(art, turn)
        _store(spool, drawing_name(entry.art, turn), drawing)
    return Looked(hashlib.sha256(data).hexdigest(), seconds)


def _store(spool: Path, name: str, drawing: Art) -> None:
    """Keep a drawing: normalised SVG as a file that any program opens, pixels as one that all processes map.

    All else is kept as it is in memory.
    """
    path = art_file(spool, name)
    if isinstance(drawing, VectorArt):
        path.with_suffix(".svg").write_bytes(drawing.svg)
        drawing = replace(drawing, svg=b"")
    if isinstance(drawing, BitmapArt):
        np.save(path.with_suffix(".npy"), drawing.pixels)
        drawing = replace(drawing, pixels=drawing.pixels[:0])
    with path.open("wb") as stream:
        pickle.dump(drawing, stream, protocol=5)


def _looked_at(art: Art, spool: Path) -> tuple[Art, float]:
    """Return vector art with what its first, small drawing shows, and the seconds that the second renderer took.

    It shows whether two renderers agree and whether a block lies under the drawing. Where they don't agree, both
    drawings and the difference lie in the spool's pictures, under the name the finding gives. What runs out of its
    drawing area, a page too, is returned with what lies around it.
    """
    if isinstance(art, PageArt):
        return replace(art, around=around(art)), 0.0
    if not isinstance(art, VectorArt) or any(finding.severity == "stop" for finding in art.findings):
        return art, 0.0
    from pipeline.art import svg
    from pipeline.stages.preflight.ground import flat_block

    small = svg.small(art)
    findings = art.findings
    began = time.perf_counter()
    disagreement = svg.agreement(art, small)
    seconds = time.perf_counter() - began
    if disagreement is not None:
        name = _kept_picture(disagreement.finding.code, disagreement.picture, spool)
        findings = (*findings, replace(disagreement.finding, picture=name))
    block = flat_block(small) is not None
    return replace(art, findings=findings, block=block, around=around(art, small)), seconds


def _kept_picture(code: str, picture: NDArray[np.uint8], spool: Path) -> str:
    from pipeline.press.png import write_png
    from pipeline.stages.preflight.pictures import name_of

    name = name_of(code, picture)
    (spool / PICTURES).mkdir(exist_ok=True)
    write_png(spool / PICTURES / name, np.dstack([picture, np.full_like(picture[..., :1], 255)]), _PPI)
    return name


def move_pictures(spool: Path, folder: Path) -> None:
    """Move the pictures that reading has put on the spool into `folder`/pictures, where papers find them by name."""
    if (spool / PICTURES).is_dir():
        (folder / PICTURES).mkdir(exist_ok=True)
        for picture in sorted((spool / PICTURES).iterdir()):
            picture.rename(folder / PICTURES / picture.name)


def _turned(art: Art, degrees: float) -> Art:
    if isinstance(art, VectorArt):
        from pipeline.art.svg.normal import turned

        return turned(art, degrees)
    from pipeline.art import bitmap, page

    return page.turned(art, degrees) if isinstance(art, PageArt) else bitmap.turned(art, degrees)


def load_drawing(spool: Path, name: str) -> Art:
    """Return a drawing from the spool; the pixels of a bitmap are mapped, and cannot be written."""
    with art_file(spool, name).open("rb") as stream:
        art: Art = pickle.load(stream)
    if isinstance(art, VectorArt):
        art = replace(art, svg=art_file(spool, name).with_suffix(".svg").read_bytes())
    if isinstance(art, BitmapArt):
        art = replace(art, pixels=np.load(art_file(spool, name).with_suffix(".npy"), mmap_mode="r"))
    return art
