"""Runs tasks in their order of need: in this process or on a pool of processes, with the same results.

A task is a module-level function and small picklable arguments: paths and settings, never pixels. Pixels pass
between tasks as files on the spool, so that processes map them instead of receiving them.
"""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Callable, Iterable
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from types import TracebackType
from typing import Any, Self

from pipeline.faults import Fault
from pipeline.memory import free_bytes, settle, wanted_bytes


@dataclass(frozen=True, slots=True)
class Task:
    """One call to make. `needs` names the tasks that must have ended before.

    `cost`, in pixels, orders the ready ones, and says how much memory the task wants.
    """

    key: str
    function: Callable[..., Any]
    arguments: tuple[Any, ...]
    needs: tuple[str, ...] = ()
    cost: float = 0.0


def cores() -> int:
    """Return the number of cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


class Engine:
    """Runs tasks; one pool serves any number of calls to `run`. Use it as a context manager.

    `far`: workers may not see the files of this process.
    """

    far = False

    def __init__(self, workers: int | None = None) -> None:
        self.workers = cores() if workers is None else workers
        self._pool: ProcessPoolExecutor | None = None
        self._slots = 0
        self._limit: int | None = None

    def __enter__(self) -> Self:
        settle(None)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stop()

    def warm(self, function: Callable[[], None]) -> None:
        """Start the workers and have each call `function`, which loads what they will need; don't wait for them."""
        if self.workers > 1:
            pool = self._start(wanted_bytes(0))
            for _ in range(self._slots):
                pool.submit(function)

    def run(self, tasks: Iterable[Task]) -> dict[str, Any]:
        """Run all tasks and return their results by key; the first failure is raised once nothing runs any more."""
        waiting = {task.key: task for task in tasks}
        if self.workers <= 1 or len(waiting) <= 1:
            return _run_here(waiting)
        pool = self._start(wanted_bytes(max(task.cost for task in waiting.values())))
        try:
            return self._run_on_pool(pool, waiting)
        except BrokenProcessPool as broken:
            self._pool = None
            raise Fault(
                "A worker process died while making the order, most likely for want of memory. Nothing was published. "
                "Try again with fewer --workers, or on a machine with more memory."
            ) from broken

    def _run_on_pool(self, pool: ProcessPoolExecutor, waiting: dict[str, Task]) -> dict[str, Any]:
        done: dict[str, Any] = {}
        running: dict[Future[Any], str] = {}
        try:
            while waiting or running:
                for task in ready(waiting, done)[: 2 * self._slots - len(running)]:
                    del waiting[task.key]
                    running[pool.submit(task.function, *task.arguments)] = task.key
                if not running:
                    raise Fault(f"These tasks wait for something nobody makes: {', '.join(sorted(waiting))}")
                for future in wait(running, return_when=FIRST_COMPLETED).done:
                    done[running.pop(future)] = future.result()
        finally:
            for future in running:
                future.cancel()
        return done

    def _start(self, wanted: int) -> ProcessPoolExecutor:
        """Return a pool of as many workers as there are cores, and as the memory holds that each of them wants."""
        free = free_bytes()
        slots = self.workers if free is None else max(1, min(self.workers, free // wanted))
        if slots < self._slots or (self._limit is not None and wanted > self._limit):
            self._stop()
        if self._pool is None:
            # spawn: a forked child would inherit locks, threads and open files of the parent
            context = multiprocessing.get_context("spawn")
            self._limit = None if free is None else max(wanted, free // slots)
            self._slots = slots
            self._pool = ProcessPoolExecutor(
                max_workers=slots, mp_context=context, initializer=settle, initargs=(self._limit,)
            )
        return self._pool

    def _stop(self) -> None:
        if self._pool is not None:
            self._pool.shutdown(wait=True, cancel_futures=True)
            self._pool = None


def _run_here(waiting: dict[str, Task]) -> dict[str, Any]:
    done: dict[str, Any] = {}
    while waiting:
        now = ready(waiting, done)
        if not now:
            raise Fault(f"These tasks wait for something nobody makes: {', '.join(sorted(waiting))}")
        for task in now:
            del waiting[task.key]
            done[task.key] = task.function(*task.arguments)
    return done


def ready(waiting: dict[str, Task], done: dict[str, Any]) -> list[Task]:
    """Return the tasks whose needs are met, the costliest first, ties by key."""
    able = [task for task in waiting.values() if all(need in done for need in task.needs)]
    return sorted(able, key=lambda task: (-task.cost, task.key))
