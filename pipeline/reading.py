"""The art of an order, read in a disposable child and put on the spool; and taken from there again."""

from __future__ import annotations

import hashlib
import pickle
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.art.piece import Art, Limits, PageArt, VectorArt
from pipeline.plan import drawing_name

PICTURES = "pictures"
"""Folder of what shows findings, on the spool and in a release."""

_PPI = 96.0


@dataclass(frozen=True, slots=True)
class Wanted:
    """A drawing to read: the art's name, its file, and how far it is turned."""

    art: str
    path: Path
    turns: tuple[float, ...]


def read_drawings(wanted: tuple[Wanted, ...], spool: Path, limits: Limits) -> dict[str, str]:
    """Read art and put every drawing of it on the spool; returns the digest of each file by the art's name.

    Runs in a disposable child: art nobody has seen yet is drawn here for the first time, small.
    """
    from pipeline.art.read import read_art

    digests = {}
    for entry in wanted:
        art = _looked_at(read_art(entry.path, entry.art, limits), spool)
        digests[entry.art] = hashlib.sha256(entry.path.read_bytes()).hexdigest()
        for turn in entry.turns:
            drawing = art if turn % 360 == 0 else _turned(art, turn)
            with _art_file(spool, drawing_name(entry.art, turn)).open("wb") as stream:
                pickle.dump(drawing, stream, protocol=5)
    return digests


def _looked_at(art: Art, spool: Path) -> Art:
    """Return vector art with what its first, small drawing shows: whether two renderers agree, and a block below it.

    Where they don't, both drawings and the difference lie in the spool's pictures, under the name the finding gives.
    """
    if not isinstance(art, VectorArt) or any(finding.severity == "stop" for finding in art.findings):
        return art
    from pipeline.art import svg
    from pipeline.stages.preflight.ground import flat_block

    small = svg.small(art)
    findings = art.findings
    disagreement = svg.agreement(art, small)
    if disagreement is not None:
        name = _kept_picture(disagreement.finding.code, disagreement.picture, spool)
        findings = (*findings, replace(disagreement.finding, picture=name))
    return replace(art, findings=findings, block=flat_block(small) is not None)


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
    """Return a drawing from the spool."""
    with _art_file(spool, name).open("rb") as stream:
        art: Art = pickle.load(stream)
    return art


def _art_file(spool: Path, name: str) -> Path:
    return spool / f"art-{hashlib.sha256(name.encode()).hexdigest()[:16]}.pickle"
