"""Runs tasks in their order of need: in this process or on a pool of processes, with the same results.

A task is a module-level function and small picklable arguments: paths and settings, never pixels. Pixels pass
between tasks as files on the spool, so that processes map them instead of receiving them.
"""

from __future__ import annotations

import atexit
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


class Feed:
    """What there is to do beside the tasks that `Engine.run` was given; this one has nothing.

    Both methods are called where `run` was called, while other tasks run.
    """

    def ended(self, task: Task, result: Any) -> None:
        """Take note that a task has ended."""

    def more(self) -> Iterable[Task]:
        """Return tasks for workers that would stand idle; nothing when there are none for now."""
        return ()


class Queue:
    """The tasks of one call to `Engine.run` that have not ended yet, and the results of those that have."""

    def __init__(self, tasks: Iterable[Task], feed: Feed | None = None) -> None:
        self.waiting = {task.key: task for task in tasks}
        self.done: dict[str, Any] = {}
        self._feed = feed or Feed()

    def take(self, room: int) -> list[Task]:
        """Return at most `room` tasks whose needs are met, the costliest first; the feed is asked when they are few."""
        able = self._able()
        while len(able) < room and (more := tuple(self._feed.more())):
            self.waiting |= {task.key: task for task in more}
            able = self._able()
        for task in able[:room]:
            del self.waiting[task.key]
        return able[:room]

    def end(self, task: Task, result: Any) -> None:
        """Note the result of a task."""
        self.done[task.key] = result
        self._feed.ended(task, result)

    def stuck(self) -> Fault:
        """Return the fault that nothing runs and nothing can."""
        return Fault(f"These tasks wait for something nobody makes: {', '.join(sorted(self.waiting))}")

    def _able(self) -> list[Task]:
        able = [task for task in self.waiting.values() if all(need in self.done for need in task.needs)]
        return sorted(able, key=lambda task: (-task.cost, task.key))


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
        if self.workers <= 1:
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

    def run(self, tasks: Iterable[Task], feed: Feed | None = None, *, largest: float = 0.0) -> dict[str, Any]:
        """Run all tasks, and what `feed` has beside them, and return the results by key.

        The first failure is raised once nothing runs any more. `largest` is the highest cost among the feed's.
        """
        queue = Queue(tasks, feed)
        if self.workers <= 1 or (feed is None and len(queue.waiting) <= 1):
            return _run_here(queue)
        pool = self._start(wanted_bytes(max((largest, *(task.cost for task in queue.waiting.values())))))
        try:
            return self._run_on_pool(pool, queue)
        except BrokenProcessPool as broken:
            self._pool = None
            raise Fault(
                "A worker process died while making the order, most likely for want of memory. Nothing was published. "
                "Try again with fewer --workers, or on a machine with more memory."
            ) from broken

    def _run_on_pool(self, pool: ProcessPoolExecutor, queue: Queue) -> dict[str, Any]:
        running: dict[Future[Any], Task] = {}
        try:
            while True:
                for task in queue.take(2 * self._slots - len(running)):
                    running[pool.submit(task.function, *task.arguments)] = task
                if not running:
                    break
                for future in wait(running, return_when=FIRST_COMPLETED).done:
                    queue.end(running.pop(future), future.result())
        finally:
            for future in running:
                future.cancel()
        if queue.waiting:
            raise queue.stuck()
        return queue.done

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
                max_workers=slots, mp_context=context, initializer=_begin, initargs=(self._limit,)
            )
        return self._pool

    def _stop(self) -> None:
        if self._pool is not None:
            self._pool.shutdown(wait=True, cancel_futures=True)
            self._pool = None


def _begin(limit_bytes: int | None) -> None:
    """Begin a worker: it has its limit, and leaves at once when it ends, for there is nothing to be tidied up."""
    settle(limit_bytes)
    atexit.register(os._exit, 0)


def _run_here(queue: Queue) -> dict[str, Any]:
    while taken := queue.take(1):
        queue.end(taken[0], taken[0].function(*taken[0].arguments))
    if queue.waiting:
        raise queue.stuck()
    return queue.done
