"""Gives the work of an order to the engine: draws, studies, plates. What stands on the shelf is not made again.

A job's plates can be made as soon as its own study has decided its base: workers that would stand idle while the last
studies run make plates meanwhile.
"""

from __future__ import annotations

import pickle
import shutil
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from pipeline import tasks
from pipeline.engine import Engine, Feed, Task
from pipeline.keys import key_of
from pipeline.plan import Draw, Job, Plan, Plate
from pipeline.shelf import Shelf
from pipeline.stages.base import BaseDecision
from pipeline.study import Study
from pipeline.tasks import Plated

Studies = Mapping[str, Study]


@dataclass(frozen=True, slots=True)
class Floor:
    """Where an order is made: its spool, what runs its tasks, and the shelf, if there is one."""

    spool: Path
    engine: Engine
    shelf: Shelf | None = None


def study_jobs(plan: Plan, floor: Floor) -> dict[str, Study]:
    """Draw the smallest plate of every job and walk it down the line; returns the studies by the job's key."""
    studying = _Studying(plan, floor, _Draws(floor))
    floor.engine.run(studying.tasks(), studying)
    return studying.studies()


def study_and_print(
    plan: Plan, floor: Floor, made: Path, deliver: tuple[str, ...], may_print: Callable[[Studies], bool]
) -> tuple[dict[str, Study], dict[str, Plated]]:
    """Study every job and write the press files of every plate below `made`; returns studies by job, plates by stem.

    `may_print` says by the studies there are so far whether the order may go to print. Once it says no, no further
    plate is begun, and none is returned.
    """
    draws = _Draws(floor)
    plating = _Plating(plan, floor, made, deliver, draws)
    studying = _Studying(plan, floor, draws, plating, may_print)
    floor.engine.run(studying.tasks(), studying, largest=plating.largest)
    return studying.studies(), plating.plated() if studying.prints else {}


def make_plates(
    plan: Plan, bases: Mapping[str, BaseDecision], floor: Floor, made: Path, deliver: tuple[str, ...]
) -> dict[str, Plated]:
    """Write the press files of every plate into a staged release; returns what was written by the plate's stem.

    `bases` says by the job's key how much white lies under its colours.
    """
    plating = _Plating(plan, floor, made, deliver, _Draws(floor))
    for job in plan.jobs:
        plating.decide(job, bases[job.key])
    floor.engine.run((), plating, largest=plating.largest)
    return plating.plated()


class _Draws:
    """The draws of an order: each is made once, for whoever needs it first."""

    def __init__(self, floor: Floor) -> None:
        self._floor = floor
        self._seen: dict[str, Draw] = {}
        self._made: set[str] = set()
        self._ended: set[str] = set()

    def before(self, task: Task, plate: Plate) -> list[Task]:
        """Return a task about a plate, made to wait for its draws, after those of them that nobody makes yet."""
        wanted = {draw.key: draw for draw in plate.draws}
        new = [draw for key, draw in wanted.items() if key not in self._seen]
        self._seen |= wanted
        todo = [draw for draw in new if not _is_drawn(self._floor, draw)]
        made = [self._task(draw) for draw in todo]
        return [*made, replace(task, needs=tuple(f"draw {key}" for key in wanted if key in self._made))]

    def ahead(self, plates: Iterable[Plate]) -> list[Task]:
        """Return a task for the next draw of these plates that nobody makes yet; nothing when there is none."""
        for draw in (draw for plate in plates for draw in plate.draws if draw.key not in self._seen):
            self._seen[draw.key] = draw
            if not _is_drawn(self._floor, draw):
                return [replace(self._task(draw), cost=0.0)]  # whatever is waited for goes before it
        return []

    def _task(self, draw: Draw) -> Task:
        self._made.add(draw.key)
        pixels = draw.width_px * draw.height_px
        return Task(f"draw {draw.key}", tasks.draw_task, (self._floor.spool, draw), cost=pixels)

    def awaited(self, plate: Plate) -> bool:
        """Say whether a draw of a plate is still being made."""
        return any(draw.key in self._made and draw.key not in self._ended for draw in plate.draws)

    def ended(self, task: Task) -> None:
        """Keep a draw on the shelf."""
        self._ended.add(task.arguments[1].key)
        if self._floor.shelf is not None:
            spool, draw = task.arguments
            self._floor.shelf.keep(draw.key, tasks.draw_files(spool, draw), link=True)


class _Plating(Feed):
    """Makes the plates of jobs whose base is decided. Equal plates are made once, and copied."""

    def __init__(self, plan: Plan, floor: Floor, made: Path, deliver: tuple[str, ...], draws: _Draws) -> None:
        self._plan, self._floor, self._made, self._deliver, self._draws = plan, floor, made, deliver, draws
        self._once: dict[str, tuple[Job, Plate]] = {}  # plates of one stem are one file
        for job in plan.jobs:
            for plate in job.plates:
                self._once.setdefault(plate.stem, (job, plate))
        self._todo: list[tuple[Task, Plate]] = []
        self._keys: dict[str, str] = {}
        self._makers: dict[str, str] = {}
        self._plated: dict[str, Plated] = {}

    @property
    def largest(self) -> float:
        return max((_pixels(plate) for _, plate in self._once.values()), default=0.0)

    def decide(self, job: Job, base: BaseDecision) -> None:
        """Take in a job whose base is decided."""
        for stem, (owner, plate) in self._once.items():
            if owner is not job:
                continue
            folder = self._plan.folder(job)
            key = self._keys[stem] = tasks.files_key(job, plate, base, self._deliver)
            if key in self._makers:
                continue
            taken = _plate_of(self._floor, key, plate, self._made, folder)
            if taken is not None:
                self._plated[stem] = taken
                continue
            self._makers[key] = stem
            arguments = (self._floor.spool, job, plate, base, self._made, folder, self._deliver)
            self._todo.append((Task(stem, tasks.plate_task, arguments, cost=_pixels(plate)), plate))
        self._todo.sort(key=lambda one: (one[0].cost, one[0].key), reverse=True)

    def more(self) -> list[Task]:
        """Return the next plate, the largest there is, with its draws."""
        return self._draws.before(*self._todo.pop(0)) if self._todo else []

    def ended(self, task: Task, result: Any) -> None:
        """Keep what was made on the shelf."""
        if task.function is tasks.draw_task:
            self._draws.ended(task)
        else:
            self._plated[task.key] = result
            _keep_plate(self._floor, self._keys[task.key], self._once[task.key][1], result, self._made)

    def plated(self) -> dict[str, Plated]:
        """Return all plates by stem, once all are made; equal ones are copied from those that were."""
        for stem, (job, plate) in self._once.items():
            if stem not in self._plated:
                maker = self._makers[self._keys[stem]]
                self._plated[stem] = _copied(
                    self._plated[maker], maker, plate.stem, self._made, self._plan.folder(job)
                )
        return {stem: self._plated[stem] for stem in self._once}


class _Studying(Feed):
    """Studies jobs; while it may print, the plates of those that are decided are made beside."""

    def __init__(
        self,
        plan: Plan,
        floor: Floor,
        draws: _Draws,
        plating: _Plating | None = None,
        may_print: Callable[[Studies], bool] | None = None,
    ) -> None:
        self.prints = True
        self._plan, self._floor, self._draws = plan, floor, draws
        self._plating, self._may_print = plating, may_print
        self._keys = {job.key: key_of("study", tasks.nameless(job)) for job in plan.jobs}
        self._jobs = {f"study {job.key}": job for job in plan.jobs}
        self._known: dict[str, Study] = {}

    def tasks(self) -> list[Task]:
        """Return the tasks for what the shelf does not have."""
        todo = []
        for name, job in self._jobs.items():
            study = _study_of(self._floor, self._keys[job.key])
            if study is not None:
                self._known[job.key] = study
                continue
            plate = job.plates[0]
            task = Task(name, tasks.study_task, (self._floor.spool, job), cost=_pixels(plate))
            todo += self._draws.before(task, plate)
        self._decide(*(job for job in self._plan.jobs if job.key in self._known))
        return todo

    def ended(self, task: Task, result: Any) -> None:
        """Keep a study, and let its plates be made."""
        job = self._jobs.get(task.key)
        if job is not None:
            self._known[job.key] = result
            _keep_study(self._floor, self._keys[job.key], result)
            self._decide(job)
        elif task.function is tasks.draw_task:
            self._draws.ended(task)
        elif self._plating is not None:
            self._plating.ended(task, result)

    def more(self) -> list[Task]:
        """Return the next plate while the order may go to print; until one is decided, a draw that one will need."""
        if self._plating is None or not self.prints:
            return []
        undecided = [job for job in self._plan.jobs if job.key not in self._known]
        if any(self._draws.awaited(job.plates[0]) for job in undecided):
            return self._plating.more()  # a study is about to begin: it goes before draws
        return self._plating.more() or self._draws.ahead(plate for job in undecided for plate in job.plates)

    def studies(self) -> dict[str, Study]:
        """Return the studies by the job's key, once all are made."""
        return {job.key: self._known[job.key] for job in self._plan.jobs}

    def _decide(self, *jobs: Job) -> None:
        if self._plating is None or self._may_print is None:
            return
        self.prints = self.prints and self._may_print(self._known)
        for job in jobs if self.prints else ():
            self._plating.decide(job, self._known[job.key].base)


def _copied(plated: Plated, maker: str, stem: str, made: Path, folder: str) -> Plated:
    """Copy the files of an equal plate under a name of their own."""
    (made / folder).mkdir(parents=True, exist_ok=True)
    files = tuple(
        (role, f"{folder}/{stem}{Path(path).name.removeprefix(maker)}") for role, path in plated.files
    )
    for (_, source), (_, target) in zip(plated.files, files, strict=True):
        shutil.copyfile(made / source, made / target)
    return replace(plated, files=files)


def _pixels(plate: Plate) -> float:
    return float(plate.placement.width_px * plate.placement.height_px)


def _is_drawn(floor: Floor, draw: Draw) -> bool:
    """Say whether a draw lies on the spool; it does after this, if the shelf has it."""
    if tasks.is_drawn(floor.spool, draw):
        return True
    files = tasks.draw_files(floor.spool, draw)
    return floor.shelf is not None and floor.shelf.take(draw.key, files, link=True) is not None


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
        floor.shelf.keep(key, {"study": path}, link=True)


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
