"""What workers run: from the spool, down the line, to the spool or the staged release. The only place that does both.

The spool is a folder: `art-*.pickle` drawings, their pixels in `art-*.npy` where they are bitmaps, `draw-*.npy` pixels,
or runs of flat art, that processes map instead of receive.
"""

from __future__ import annotations

import os
import pickle
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, BinaryIO, Literal

import numpy as np
from numpy.typing import NDArray

from pipeline import line
from pipeline.art.piece import BitmapArt
from pipeline.art.spool import drawing_name
from pipeline.keys import key_of
from pipeline.line import Drawn, DrawnRuns
from pipeline.memory import give_back
from pipeline.plan import Draw, Job, Plate
from pipeline.raster import Pixels
from pipeline.raster_runs import Picture, Runs, as_pixels
from pipeline.reading import load_drawing
from pipeline.stages.base import BaseDecision
from pipeline.study import Study, forget_looks, study
from pipeline.treat import Notes, joined, treat


@dataclass(frozen=True, slots=True)
class Plated:
    """One plate as written: its files (role, path below the release) and areas in mm²."""

    files: tuple[tuple[str, str], ...]
    knocked_out_mm2: float
    ink_mm2: float
    base_mm2: float


def draw_files(spool: Path, draw: Draw) -> dict[str, Path]:
    """Return where a draw lies on the spool: its pixels, and what was noticed."""
    return {"pixels": spool / f"draw-{draw.key}.npy", "notes": spool / f"draw-{draw.key}.notes"}


def is_drawn(spool: Path, draw: Draw) -> bool:
    """Say whether a draw lies on the spool."""
    return draw_files(spool, draw)["pixels"].exists()


def nameless(job: Job) -> Job:
    """Return a job without what only names it: what is decided for it does not hang on that."""
    return replace(job, findings=(), plates=tuple(replace(plate, stem="", pieces=0) for plate in job.plates))


def draw_task(spool: Path, draw: Draw) -> None:
    """Draw once and put the pixels, or their runs, on the spool."""
    art = load_drawing(spool, drawing_name(draw.art, draw.turn_deg))
    if isinstance(art, BitmapArt):
        pixels, notes = _treated(spool, art, draw)
        picture = line.fitted(pixels, draw)
    else:
        picture, notes = line.draw_art(art, draw)
    files = draw_files(spool, draw)
    with _spooled(files["notes"]) as stream:
        pickle.dump(notes, stream)
    with _spooled(files["pixels"]) as stream:
        np.save(stream, _laid_out(picture) if isinstance(picture, Runs) else picture)


def _treated(spool: Path, art: BitmapArt, draw: Draw) -> tuple[Pixels, Notes]:
    """Return a bitmap treated at its own resolution; the sizes of a print share what one of them put on the spool."""
    path = spool / f"treated-{key_of(drawing_name(draw.art, draw.turn_deg), draw.treatment)}.npy"
    notes_path = path.with_suffix(".notes")
    if path.exists():
        with notes_path.open("rb") as stream:
            return np.load(path, mmap_mode="r"), pickle.load(stream)
    pixels, notes = treat(art.pixels, draw.treatment)
    if pixels is not art.pixels:
        with _spooled(notes_path) as stream:
            pickle.dump(notes, stream)
        with _spooled(path) as stream:
            np.save(stream, pixels)
    give_back()
    return pixels, notes


@contextmanager
def _spooled(path: Path) -> Iterator[BinaryIO]:
    aside = path.with_suffix(f"{path.suffix}.{os.getpid()}")
    with aside.open("wb") as stream:
        yield stream
    aside.rename(path)


def _laid_out(runs: Runs) -> NDArray[np.uint32]:
    """Return runs as one array: starts and words below the size of the picture."""
    return np.array([np.append(runs.height, runs.starts), np.append(runs.width, runs.words)], np.uint32)


def load_drawn(spool: Path, plate: Plate, *, to_change: bool = False) -> Drawn | DrawnRuns:
    """Return the draws of a plate: runs where all of them are flat, else pixels that processes share.

    With `to_change` the last of them may be written to: what is changed is this process's own.
    """
    last = plate.second or plate.plain
    plain, first, second = (
        None if draw is None else _picture(spool, draw, "c" if to_change and draw is last else "r")
        for draw in (plate.plain, plate.first, plate.second)
    )
    if isinstance(plain, Runs) and not isinstance(first, np.ndarray) and not isinstance(second, np.ndarray):
        return DrawnRuns(plain, first, second)
    assert plain is not None
    return Drawn(
        as_pixels(plain),
        None if first is None else as_pixels(first),
        None if second is None else as_pixels(second),
    )


def load_notes(spool: Path, plate: Plate) -> Notes:
    """Return what was noticed when a plate was drawn."""
    notes: list[Notes] = []
    for draw in (plate.plain, plate.second):
        if draw is not None:
            with draw_files(spool, draw)["notes"].open("rb") as stream:
                notes.append(pickle.load(stream))
    return joined(notes)


def _picture(spool: Path, draw: Draw, mode: Literal["r", "c"]) -> Picture:
    stored: NDArray[Any] = np.load(draw_files(spool, draw)["pixels"], mmap_mode=mode)
    if stored.ndim == 3:
        return stored
    (height, *_), (width, *_) = stored[:, :1].tolist()
    return Runs(height, width, stored[0, 1:], stored[1, 1:])


def study_task(spool: Path, job: Job) -> Study:
    """Walk the smallest plate of a job down the line, and decide for all of them."""
    first = job.plates[0]
    around = None
    if job.edge == "crossed":
        art = load_drawing(spool, drawing_name(first.plain.art, first.plain.turn_deg))
        around = None if isinstance(art, BitmapArt) else art.around
    return study(nameless(job), load_drawn(spool, first), load_notes(spool, first), around)


def files_key(job: Job, plate: Plate, base: BaseDecision, deliver: tuple[str, ...]) -> str:
    """Return the digest of all that can change a byte of a plate's press files.

    The cloth is in it only as far as it is in the drawings, the keys and the base: where nothing is knocked out, one
    plate serves many cloths.
    """
    place = plate.placement
    return key_of(
        "press files",
        [draw.key for draw in plate.draws],
        (place.width_px, place.height_px, place.width_mm, place.height_mm, place.ppi, place.area_mm),
        (job.keys, job.print.route, job.press, job.limits.hairline, base.strength, sorted(deliver)),
        job.fade.that_matters(on_base=base.strength > 0),
    )


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
    forget_looks()  # studies are begun before any plate
    pressed = line.press(job, plate, load_drawn(spool, plate, to_change=True), base)
    target = release / folder
    target.mkdir(parents=True, exist_ok=True)
    write = _write_film if job.print.route == "transfer" else _write_direct
    files = write(job, plate, pressed, target, deliver, files_key(job, plate, base, deliver))
    return Plated(
        files=tuple((role, f"{folder}/{name}") for role, name in files),
        knocked_out_mm2=round(pressed.knocked_out_mm2, 2),
        ink_mm2=round(pressed.ink_mm2, 2),
        base_mm2=round(pressed.base_mm2, 2),
    )


def _write_direct(
    job: Job, plate: Plate, pressed: line.Pressed, target: Path, deliver: tuple[str, ...], key: str
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
        title=f"plate {key}",
    )


def _write_film(
    job: Job,
    plate: Plate,
    pressed: line.Pressed,
    target: Path,
    deliver: tuple[str, ...],  # noqa: ARG001 – rolls are made of the plates: film delivers them always
    key: str,  # noqa: ARG001 – nothing in the files of film names them
) -> tuple[tuple[str, str], ...]:
    from pipeline.press.film import write_film

    return write_film(
        as_pixels(pressed.colour),
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
