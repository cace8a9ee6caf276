"""`watch` and `night`: turns of the supervisor, woken by events, timers, workers and signals."""

from __future__ import annotations

import os
import select
import signal
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from types import FrameType

from pipeline.faults import Busy, Fault
from pipeline.hotfolder.events import Events
from pipeline.hotfolder.journal import Damaged
from pipeline.hotfolder.layout import HotFolder
from pipeline.hotfolder.supervisor import Gone, Setting, Supervisor
from pipeline.hotfolder.tell import service
from pipeline.log import logger

SETTLING_S = 0.35
"""Between looks while something in incoming/ is not settled."""

IDLE_S = 5.0
"""Between looks otherwise; events make it sooner."""

POLL_S = 0.1
"""Longest sleep while workers work, for deadlines; a worker's answer wakes at once."""

STOP_S = 20.0
"""After a request to stop, what is being made may take so long to end."""

AWAY_S = (1.0, 2.0, 5.0, 10.0, 30.0)
"""Waits between tries to come back to a folder that is away."""


class Stop:
    """Whether somebody asked to stop: once for an orderly end, twice for now."""

    def __init__(self) -> None:
        self.asked = 0
        self.at = 0.0

    def __call__(self, number: int, frame: FrameType | None) -> None:  # noqa: ARG002
        """Take a signal."""
        self.asked += 1
        self.at = time.monotonic()


@contextmanager
def signals(stop: Stop) -> Iterator[int]:
    """Take SIGTERM and SIGINT into `stop`; yield a handle that becomes readable when one came."""
    read, write = os.pipe()
    for handle in (read, write):
        os.set_blocking(handle, False)
    before = {number: signal.signal(number, stop) for number in (signal.SIGTERM, signal.SIGINT)}
    wake = signal.set_wakeup_fd(write)
    try:
        yield read
    finally:
        signal.set_wakeup_fd(wake)
        for number, handler in before.items():
            signal.signal(number, handler)
        os.close(read)
        os.close(write)


class Turns:
    """Runs a supervisor turn after turn, and comes back to a folder that was away."""

    def __init__(self, hot: HotFolder, setting: Setting) -> None:
        self.hot, self.setting = hot, setting
        self.stop = Stop()
        self.supervisor: Supervisor | None = None
        self._look_due = self._looked = 0.0

    def run(self, done: Callable[[Supervisor], bool]) -> None:
        """Work until `done` says so, or somebody asks to stop."""
        self.supervisor = Supervisor(self.hot, self.setting)
        with signals(self.stop) as woken, Events(self.hot.incoming) as events:
            service("READY=1")
            away = 0
            while not self._stopped():
                try:
                    supervisor = self.supervisor or self._come_back(events)
                    self._turn(supervisor, events)
                    if done(supervisor):
                        break
                    away = 0
                    self._sleep(supervisor, woken, events)
                except (Gone, OSError, sqlite3.Error, Damaged, Fault) as error:
                    self._lost(error)
                    select.select([woken], [], [], AWAY_S[min(away, len(AWAY_S) - 1)])
                    away += 1
        service("STOPPING=1")
        if self.supervisor is not None:
            self.supervisor.close()

    def _come_back(self, events: Events) -> Supervisor:
        # only to a folder that was ours: an empty mount point must not be taken for a new hot folder
        supervisor = Supervisor(self.hot.existing(), self.setting, charge=False)
        self.supervisor, self._look_due = supervisor, 0.0
        events.renew()
        logger().info("the hot folder is there again", folder=str(self.hot.root))
        return supervisor

    def _turn(self, supervisor: Supervisor, events: Events) -> None:
        supervisor.check_there()
        supervisor.collect()
        started = time.monotonic()
        if events.seen():
            self._look_due = min(self._look_due, self._looked + SETTLING_S)
        if started >= self._look_due:
            events.keep_alive()
            supervisor.look()
            self._looked = time.monotonic()
            pause = SETTLING_S if supervisor.intake.waiting() else IDLE_S
            # with thousands waiting a look takes a while: most of the time stays for work
            self._look_due = self._looked + max(pause, 3 * (self._looked - started))
        if not self.stop.asked:
            supervisor.dispatch()
        supervisor.health()
        service("WATCHDOG=1")

    def _sleep(self, supervisor: Supervisor, woken: int, events: Events) -> None:
        handles = [woken, events.fileno()]
        handles += [
            h for lane in supervisor.lanes if lane.claim is not None and (h := lane.fileno()) is not None
        ]
        longest = POLL_S if supervisor.busy else max(0.0, self._look_due - time.monotonic())
        ready, _, _ = select.select(handles, [], [], min(longest, 1.0))
        if woken in ready:
            with suppress(BlockingIOError):
                os.read(woken, 64)

    def _lost(self, error: BaseException) -> None:
        """Let go of a folder that cannot be worked on now; it is tried again."""
        text = error.message if isinstance(error, Fault) else str(error)
        logger().error(
            "the hot folder cannot be worked on; nothing is lost, it is tried again",
            folder=str(self.hot.root),
            why=text,
        )
        service(f"STATUS=cannot work: {text[:200]}\nWATCHDOG=1")
        supervisor, self.supervisor = self.supervisor, None
        if supervisor is not None:
            with suppress(OSError, sqlite3.Error):
                supervisor.teller.tell(None, "hot folder away", "", text)
                supervisor.close(lost=True)

    def _stopped(self) -> bool:
        if not self.stop.asked:
            return False
        supervisor = self.supervisor
        if supervisor is None or not supervisor.busy or self.stop.asked > 1:
            return True
        return time.monotonic() - self.stop.at > STOP_S


def watch(hot: HotFolder, setting: Setting) -> None:
    """Work on a hot folder until somebody asks to stop. Busy when another process does already."""
    last_day = ""

    def done(supervisor: Supervisor) -> bool:
        nonlocal last_day
        today = time.strftime("%Y-%m-%d")
        if today != last_day:
            supervisor.daily()
            last_day = today
        return False

    Turns(hot, setting).run(done)


def busy_elsewhere(hot: HotFolder) -> bool:
    """Whether another process works on the folder."""
    try:
        hot.lock().close()
    except Busy:
        return True
    return False
