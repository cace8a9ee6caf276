"""What workers run: from the spool, down the line, to the spool or the staged release. The only place that does both.

The spool is a folder: `art-*.pickle` drawings, `draw-*.npy` pixels that processes map instead of receive.
"""

from __future__ import annotations

import os
import pickle
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from pipeline import line
from pipeline.line import Drawn, Notes
from pipeline.plan import Draw, Job, Plate, drawing_name
from pipeline.raster import Pixels
from pipeline.reading import load_drawing
from pipeline.stages.base import BaseDecision
from pipeline.study import Study, study


@dataclass(frozen=True, slots=True)
class Plated:
    """One plate as written: its files (role, path below the release) and areas in mm²."""

    files: tuple[tuple[str, str], ...]
    knocked_out_mm2: float
    ink_mm2: float
    base_mm2: float


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
    pressed = line.press(job, plate, load_drawn(spool, plate), base)
    target = release / folder
    target.mkdir(parents=True, exist_ok=True)
    write = _write_film if job.print.route == "transfer" else _write_direct
    files = write(job, plate, pressed, target, deliver)
    return Plated(
        files=tuple((role, f"{folder}/{name}") for role, name in files),
        knocked_out_mm2=round(pressed.knocked_out_mm2, 2),
        ink_mm2=round(pressed.ink_mm2, 2),
        base_mm2=round(pressed.base_mm2, 2),
    )


def _write_direct(
    job: Job, plate: Plate, pressed: line.Pressed, target: Path, deliver: tuple[str, ...]
) -> tuple[tuple[str, str], ...]:
    from pipeline.art.profiles import srgb_profile
    from pipeline.press.direct import write_direct

    placement = plate.placement
    return write_direct(
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


def _write_film(
    job: Job,
    plate: Plate,
    pressed: line.Pressed,
    target: Path,
    deliver: tuple[str, ...],  # noqa: ARG001 – rolls are made of the plates: film delivers them always
) -> tuple[tuple[str, str], ...]:
    from pipeline.press.film import write_film

    return write_film(
        pressed.colour,
        pressed.base,
        target,
        plate.stem,
        ppi=plate.placement.ppi,
        mirrored=job.press.mirror_in == "file",
        dark_is_ink=job.press.base_polarity == "dark is ink",
        base_from_press=job.press.base_from == "press",
    )


def write_bytes_task(path: Path, function: Any, facts: Any) -> None:
    """Make one paper and write it."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(function(facts))
