"""What workers run: from the spool, down the line, to the spool or the staged release. The only place that does both.

The spool is a folder: `art-*.pickle` drawings, `draw-*.npy` pixels that processes map instead of receive.
"""

from __future__ import annotations

import hashlib
import os
import pickle
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from pipeline import line
from pipeline.art.piece import Art, Limits, PageArt, VectorArt
from pipeline.line import Drawn, Notes
from pipeline.plan import Draw, Job, Plate, drawing_name
from pipeline.raster import Pixels
from pipeline.stages.base import BaseDecision
from pipeline.study import Study, study

SMALL_PX = 600
"""Longer side of the first drawing of unknown art, in pixels."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """A drawing to read: the art's name, its file, and how far it is turned."""

    art: str
    path: Path
    turns: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Plated:
    """One plate as written: its files (role, path below the release) and areas in mm²."""

    files: tuple[tuple[str, str], ...]
    knocked_out_mm2: float
    ink_mm2: float
    base_mm2: float


def read_drawings(wanted: tuple[Wanted, ...], spool: Path, limits: Limits) -> dict[str, str]:
    """Read art and put every drawing of it on the spool; returns the digest of each file by the art's name.

    Runs in a disposable child: art nobody has seen yet is drawn here for the first time, small.
    """
    from pipeline.art.read import read_art

    digests = {}
    for entry in wanted:
        art = _looked_at(read_art(entry.path, entry.art, limits))
        digests[entry.art] = hashlib.sha256(entry.path.read_bytes()).hexdigest()
        for turn in entry.turns:
            drawing = art if turn % 360 == 0 else _turned(art, turn)
            with _art_file(spool, drawing_name(entry.art, turn)).open("wb") as stream:
                pickle.dump(drawing, stream, protocol=5)
    return digests


def _looked_at(art: Art) -> Art:
    """Return vector art with what its first, small drawing shows: whether two renderers agree, and a block below it."""
    if not isinstance(art, VectorArt) or any(finding.severity == "stop" for finding in art.findings):
        return art
    from pipeline.art.draw import draw
    from pipeline.art.svg import agreement
    from pipeline.stages.preflight.ground import flat_block

    scale = SMALL_PX / max(art.width, art.height)
    small = draw(art, max(1, round(art.width * scale)), max(1, round(art.height * scale)))
    disagree = agreement(art)
    findings = art.findings if disagree is None else (*art.findings, disagree)
    return replace(art, findings=findings, block=flat_block(small) is not None)


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


def draw_task(spool: Path, draw: Draw) -> None:
    """Draw once and put the pixels on the spool."""
    art = load_drawing(spool, drawing_name(draw.art, draw.turn_deg))
    pixels, notes = line.draw_art(art, draw)
    _write(spool / f"draw-{draw.key}.npy", pixels)
    with (spool / f"draw-{draw.key}.notes").open("wb") as stream:
        pickle.dump(notes, stream)


def _write(path: Path, pixels: Pixels) -> None:
    aside = path.with_suffix(f".{os.getpid()}")
    with aside.open("wb") as stream:
        np.save(stream, pixels)
    aside.rename(path)


def load_drawn(spool: Path, plate: Plate) -> Drawn:
    """Return the draws of a plate, mapped."""

    def pixels(draw: Draw | None) -> Pixels | None:
        return None if draw is None else np.load(spool / f"draw-{draw.key}.npy", mmap_mode="r")

    notes: list[Notes] = []
    for draw in (plate.plain, plate.second):
        if draw is not None:
            with (spool / f"draw-{draw.key}.notes").open("rb") as stream:
                notes.append(pickle.load(stream))
    plain = pixels(plate.plain)
    assert plain is not None
    return Drawn(plain, pixels(plate.first), pixels(plate.second), line.joined(notes))


def study_task(spool: Path, job: Job) -> Study:
    """Walk the smallest plate of a job down the line, and decide for all of them."""
    return study(job, load_drawn(spool, job.plates[0]))


def plate_task(
    spool: Path,
    job: Job,
    plate: Plate,
    base: BaseDecision,
    release: Path,
    folder: str,
    deliver: tuple[str, ...],
) -> Plated:
    """Make one plate and write its press files into the staged release."""
    from pipeline.art.profiles import srgb_profile
    from pipeline.press.direct import write_direct

    pressed = line.press(job, plate, load_drawn(spool, plate), base)
    target = release / folder
    target.mkdir(parents=True, exist_ok=True)
    placement = plate.placement
    files = write_direct(
        pressed.colour,
        pressed.base,
        target,
        plate.stem,
        ppi=placement.ppi,
        size_mm=(placement.width_mm, placement.height_mm),
        wanted=deliver,
        dark_is_ink=job.press.base_polarity == "dark is ink",
        base_from_press=job.press.base_from == "press",
        plate_name=job.press.base_plate_name,
        profile=srgb_profile(),
    )
    return Plated(
        files=tuple((role, f"{folder}/{name}") for role, name in files),
        knocked_out_mm2=round(pressed.knocked_out_mm2, 2),
        ink_mm2=round(pressed.ink_mm2, 2),
        base_mm2=round(pressed.base_mm2, 2),
    )


def write_bytes_task(path: Path, function: Any, facts: Any) -> None:
    """Make one paper and write it."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(function(facts))
