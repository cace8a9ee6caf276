"""Gives the work of an order to the engine: draws, studies, plates. What stands on the shelf is not made again."""

from __future__ import annotations

import pickle
import shutil
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from pipeline import tasks
from pipeline.engine import Engine, Task
from pipeline.keys import key_of
from pipeline.plan import Draw, Job, Plan, Plate
from pipeline.shelf import Shelf
from pipeline.stages.base import BaseDecision
from pipeline.study import Study
from pipeline.tasks import Plated


@dataclass(frozen=True, slots=True)
class Floor:
    """Where an order is made: its spool, what runs its tasks, and the shelf, if there is one."""

    spool: Path
    engine: Engine
    shelf: Shelf | None = None


def study_jobs(plan: Plan, floor: Floor) -> dict[str, Study]:
    """Draw the smallest plate of every job and walk it down the line; returns the studies by the job's key."""
    keys = {job.key: key_of("study", tasks.nameless(job)) for job in plan.jobs}
    known = {job.key: study for job in plan.jobs if (study := _study_of(floor, keys[job.key])) is not None}
    new = [job for job in plan.jobs if job.key not in known]
    todo = _draws(floor, [job.plates[0] for job in new])
    drawn = [task.key for task in todo]
    todo += [
        Task(
            f"study {job.key}",
            tasks.study_task,
            (floor.spool, job),
            _needs(job.plates[0], drawn),
            _pixels(job.plates[0]),
        )
        for job in new
    ]
    done = floor.engine.run(todo)
    _keep_draws(floor, plan, drawn)
    for job in new:
        known[job.key] = done[f"study {job.key}"]
        _keep_study(floor, keys[job.key], known[job.key])
    return {job.key: known[job.key] for job in plan.jobs}


def make_plates(
    plan: Plan, bases: Mapping[str, BaseDecision], floor: Floor, made: Path, deliver: tuple[str, ...]
) -> dict[str, Plated]:
    """Write the press files of every plate into a staged release; returns what was written by the plate's stem.

    `bases` says by the job's key how much white lies under its colours.
    """
    once: dict[str, tuple[Job, Plate]] = {}  # plates of one stem are one file
    for job in plan.jobs:
        for plate in job.plates:
            once.setdefault(plate.stem, (job, plate))
    plated: dict[str, Plated] = {}
    keys = {stem: tasks.files_key(job, plate, bases[job.key], deliver) for stem, (job, plate) in once.items()}
    for stem, (job, plate) in once.items():
        taken = _plate_of(floor, keys[stem], plate, made, plan.folder(job))
        if taken is not None:
            plated[stem] = taken
    makers: dict[str, str] = {}  # equal plates are made once, and copied
    for stem in once:
        if stem not in plated:
            makers.setdefault(keys[stem], stem)
    new = {stem: once[stem] for stem in makers.values()}
    todo = _draws(floor, [plate for _, plate in new.values()])
    drawn = [task.key for task in todo]
    for stem, (job, plate) in new.items():
        arguments = (floor.spool, job, plate, bases[job.key], made, plan.folder(job), deliver)
        todo.append(Task(stem, tasks.plate_task, arguments, _needs(plate, drawn), _pixels(plate)))
    done = floor.engine.run(todo)
    _keep_draws(floor, plan, drawn)
    for stem, (_, plate) in new.items():
        _keep_plate(floor, keys[stem], plate, done[stem], made)
    for stem, (job, plate) in once.items():
        if stem in done:
            plated[stem] = done[stem]
        elif stem not in plated:
            maker = makers[keys[stem]]
            plated[stem] = _copied(done[maker], maker, plate.stem, made, plan.folder(job))
    return {stem: plated[stem] for stem in once}


def _copied(plated: Plated, maker: str, stem: str, made: Path, folder: str) -> Plated:
    """Copy the files of an equal plate under a name of their own."""
    (made / folder).mkdir(parents=True, exist_ok=True)
    files = tuple(
        (role, f"{folder}/{stem}{Path(path).name.removeprefix(maker)}") for role, path in plated.files
    )
    for (_, source), (_, target) in zip(plated.files, files, strict=True):
        shutil.copyfile(made / source, made / target)
    return replace(plated, files=files)


def _draws(floor: Floor, plates: Iterable[Plate]) -> list[Task]:
    """Return the tasks for the draws of these plates that are neither on the spool nor on the shelf."""
    wanted = {draw.key: draw for plate in plates for draw in plate.draws}
    return [
        Task(_name(draw), tasks.draw_task, (floor.spool, draw), cost=draw.width_px * draw.height_px)
        for draw in wanted.values()
        if not tasks.is_drawn(floor.spool, draw) and not _take_draw(floor, draw)
    ]


def _name(draw: Draw) -> str:
    return f"draw {draw.key}"


def _needs(plate: Plate, drawn: list[str]) -> tuple[str, ...]:
    return tuple(name for draw in plate.draws if (name := _name(draw)) in drawn)


def _pixels(plate: Plate) -> float:
    return float(plate.placement.width_px * plate.placement.height_px)


def _take_draw(floor: Floor, draw: Draw) -> bool:
    files = tasks.draw_files(floor.spool, draw)
    return floor.shelf is not None and floor.shelf.take(draw.key, files, link=True) is not None


def _keep_draws(floor: Floor, plan: Plan, drawn: list[str]) -> None:
    if floor.shelf is not None:
        plates = tuple(plate for job in plan.jobs for plate in job.plates)
        for draw in plan.draws(plates).values():
            if _name(draw) in drawn:
                floor.shelf.keep(draw.key, tasks.draw_files(floor.spool, draw))


def _study_of(floor: Floor, key: str) -> Study | None:
    path = floor.spool / f"study-{key}.pickle"
    if floor.shelf is None or floor.shelf.take(key, {"study": path}) is None:
        return None
    with path.open("rb") as stream:
        study: Study = pickle.load(stream)
    return study


def _keep_study(floor: Floor, key: str, study: Study) -> None:
    if floor.shelf is not None:
        path = floor.spool / f"study-{key}.pickle"
        path.write_bytes(pickle.dumps(study, protocol=5))
        floor.shelf.keep(key, {"study": path})


def _plate_of(floor: Floor, key: str, plate: Plate, made: Path, folder: str) -> Plated | None:
    if floor.shelf is None or (note := floor.shelf.note(key)) is None:
        return None
    files = tuple((role, f"{folder}/{plate.stem}{end}") for role, end in note["files"])
    (made / folder).mkdir(parents=True, exist_ok=True)
    if floor.shelf.take(key, {role: made / path for role, path in files}) is None:
        return None
    return Plated(files=files, **note["areas"])


def _keep_plate(floor: Floor, key: str, plate: Plate, plated: Plated, made: Path) -> None:
    if floor.shelf is not None:
        ends = [(role, Path(path).name.removeprefix(plate.stem)) for role, path in plated.files]
        areas = {name: getattr(plated, name) for name in ("knocked_out_mm2", "ink_mm2", "base_mm2")}
        files = {role: made / path for role, path in plated.files}
        floor.shelf.keep(key, files, {"files": ends, "areas": areas})
