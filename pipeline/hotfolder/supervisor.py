"""The one process that works on a hot folder: takes what is dropped, gives it to workers, writes down the outcome.

It is single-threaded and light; whatever looks at art does so in a worker. Every step is safe to be cut off: what was
begun is found at the next start (recover.py).
"""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from pipeline.engine import cores
from pipeline.hotfolder import admit, claim, outcomes, recover, tell
from pipeline.hotfolder.intake import Intake
from pipeline.hotfolder.journal import UNFINISHED, Claim, Journal, now
from pipeline.hotfolder.lane import WORKER, Died, Lane
from pipeline.hotfolder.layout import HotFolder
from pipeline.hotfolder.taking import Taking
from pipeline.log import logger
from pipeline.shelf import Shelf
from pipeline.shop import load_shop

HEALTH_S = 5.0

FIRST_WAIT_S, LONGEST_WAIT_S = 2.0, 300.0
"""Waits before an order that met a fault of the machine is tried again: each twice the one before, up to a limit."""

LEAST_MEMORY = 2**31
"""Address space that a worker's libraries and a full front need."""


class Gone(Exception):  # noqa: N818 – a state of the world
    """The hot folder is no longer the one that was opened: unmounted, moved or replaced."""


@dataclass(frozen=True, slots=True)
class Setting:
    """How a hot folder is worked: the shop file, the number of processes, clock and worker."""

    shop: Path | None = None
    workers: int | None = None
    clock: Callable[[], float] = time.monotonic
    worker: tuple[str, ...] = WORKER


class Supervisor:
    """Works on one hot folder from opening to closing it."""

    def __init__(self, hot: HotFolder, setting: Setting, *, charge: bool = True) -> None:
        """Set up, lock, check the journal and put in order what was left. Refused, Busy or OSError when it cannot."""
        self.hot, self.setting = hot, setting
        self._shop = setting.shop or _own_shop(hot)
        rules = load_shop(self._shop).hot_folder
        hot.set_up()
        self._inode = _inode(hot.inner)
        self.teller = tell.Teller(rules.notify, setting.clock)
        self.intake = Intake(hot.incoming, setting.clock)
        self._seconds = rules.order_minutes * 60.0
        self._processes = setting.workers or cores()
        memory = int(rules.order_memory_gb * 2**30) or _fair_memory(self._processes)
        self.lanes = [
            Lane(hot.root, number, memory, worker=setting.worker, clock=setting.clock)
            for number in range(self._processes)
        ]
        self._not_before: dict[int, float] = {}
        self._tries: dict[int, int] = {}
        self._health_due = 0.0
        self._lock: IO[str] = hot.lock()
        try:
            self.journal = self._recovered(charge=charge)
            self.taking = Taking(hot, self.journal, self.intake, self.teller, setting.clock)
        except BaseException:
            self._lock.close()
            raise

    def _recovered(self, *, charge: bool) -> Journal:
        journal, mended = recover.open_journal(self.hot)
        try:
            if mended:
                self.teller.tell(journal, "journal rebuilt", now(), mended)
            for doomed in recover.recover(self.hot, journal, charge=charge):
                text = "The whole program ended while this order, found unfinished before, was made alone."
                self._tell_end(outcomes.set_aside(doomed, text, journal, self.hot), journal)
        except BaseException:
            journal.close()
            raise
        return journal

    # -- one turn --------------------------------------------------------------------------------------------

    def look(self) -> None:
        """Look at incoming/ and take what is ready. Raises OSError when it cannot be read."""
        self.taking.look()

    def check_there(self) -> None:
        """Raise Gone unless the folder is the one that was opened."""
        if _inode(self.hot.inner) != self._inode or not self.hot.incoming.is_dir():
            raise Gone(f"{self.hot.root} is no longer there, or another disk is mounted in its place")

    def collect(self) -> None:
        """Take the answers of workers, and note the deaths."""
        for lane in self.lanes:
            number = lane.claim
            answer = lane.collect()
            if answer is None or number is None:
                continue
            made = self.journal.claim(number)
            self._ended(outcomes.apply(answer, made, self.journal, self.hot))
            if isinstance(answer, Died):
                logger().warning("a worker died", order=made.label, how=answer.text)

    def dispatch(self) -> None:
        """Give free workers what is next."""
        if self.paused:
            return
        while (free := next((lane for lane in self.lanes if lane.claim is None), None)) is not None:
            running = [self.journal.claim(lane.claim) for lane in self.lanes if lane.claim is not None]
            if any(one.alone for one in running) or not self._start_next(free, running):
                return

    def _start_next(self, lane: Lane, running: list[Claim]) -> bool:
        at = self.setting.clock()
        waiting = self.journal.queue(200 + len(self._not_before))
        ready = [one for one in waiting if self._not_before.get(one.id, at) <= at]
        for number, one in enumerate(ready):
            if one.alone and running:
                continue
            others = [other for other in self.journal.of_order(one.name) if other.id != one.id]
            word, why = admit.verdict(one, others, self.hot)
            if word == "replaced":
                self.journal.move(one, "replaced", why, before=("queued", "waiting"))
            elif word == "refused":
                self._tell_end(outcomes.refuse(one, why, self.journal, self.hot), self.journal)
            elif word == "make" and self._start(lane, one, others, len(running) + len(ready) - number):
                return True
        return False

    def _start(self, lane: Lane, one: Claim, others: list[Claim], busy: int) -> bool:
        moved = self.journal.move(one, "making", "begun", before=("queued", "waiting"))
        if moved is None:
            return False
        lane.start(one.id, self._job(moved, others, busy), self._seconds)
        logger().info("begun", order=one.label)
        return True

    def _job(self, one: Claim, others: list[Claim], busy: int) -> dict[str, Any]:
        previous = admit.previous_of(one, others, self.hot)
        places = self.hot.places
        return {
            "manifest": str(claim.folder_of(self.hot, one) / one.manifest),
            "shop": str(self._shop) if self._shop else "",
            "released": str(places.released),
            "held": str(places.held),
            "aside": str(places.aside),
            "shelf": str(self.hot.shelf),
            "log": str(self.hot.logs / f"{one.key}.log"),
            "approved_by": one.approved_by,
            "previous": str(previous) if previous else "",
            "declined": admit.declined_before(one, others),
            # one order alone gets all cores; many get one each, which wastes less
            "workers": self._processes if one.alone else max(1, self._processes // max(1, busy)),
        }

    # -- what became of it -------------------------------------------------------------------------------------

    def _ended(self, one: Claim) -> None:
        if one.state == "waiting":
            tries = self._tries[one.id] = self._tries.get(one.id, 0) + 1
            self._not_before[one.id] = self.setting.clock() + min(
                FIRST_WAIT_S * 2.0 ** (tries - 1), LONGEST_WAIT_S
            )
            logger().warning("waits and is tried again", order=one.label, why=one.reason)
            if tries >= 3:
                self.teller.tell(self.journal, "waiting", f"{one.id}", one.reason, one.label)
            return
        self._tries.pop(one.id, None)
        self._not_before.pop(one.id, None)
        self._tell_end(one, self.journal)

    def _tell_end(self, one: Claim, journal: Journal) -> None:
        if one.state in ("held", "refused", "set aside"):
            self.teller.tell(journal, one.state, f"{one.id} {one.changed_at}", one.reason, one.label)
        else:
            logger().info(one.state, order=one.label, why=one.reason)

    def waiting_tries(self, one: Claim) -> int:
        """Return how often a waiting order was tried in this run."""
        return self._tries.get(one.id, 0)

    # -- around it -------------------------------------------------------------------------------------------

    @property
    def paused(self) -> bool:
        """Whether somebody paused the work."""
        return bool(self.journal.fact("paused"))

    @property
    def busy(self) -> bool:
        """Whether a worker is making an order."""
        return any(lane.claim is not None for lane in self.lanes)

    def next_retry(self) -> float | None:
        """Return when the next waiting order may be tried, by the clock; None when there is none."""
        return min(self._not_before.values(), default=None)

    def health(self) -> None:
        """Look after notification commands, and write heartbeat and metrics every few seconds."""
        self.teller.poll()
        at = self.setting.clock()
        if at >= self._health_due:
            self._health_due = at + HEALTH_S
            with suppress(OSError):  # no room for it: work goes on, and an old heartbeat says enough
                tell.write_health(
                    self.hot,
                    self.journal.counts(),
                    self.intake.waiting(),
                    [f"{claim.shown(path, self.hot)}: {text}" for path, text in self.intake.overdue()],
                    paused=self.paused,
                )

    def daily(self) -> None:
        """Keep a copy of the journal, one a day of the week, and clear the shelf of what nobody takes any more."""
        Shelf(self.hot.shelf).tidy()
        self.journal.backup(self.hot.backups / f"journal-{time.strftime('%w')}.sqlite")

    def put_back(self) -> None:
        """End the workers; what they were making goes back into the queue, uncharged."""
        for lane in self.lanes:
            number = lane.claim
            lane.end()
            if number is not None:
                self.journal.move(
                    self.journal.claim(number),
                    "queued",
                    "put back: the program was stopped",
                    before=("making",),
                )

    def close(self, *, lost: bool = False) -> None:
        """End the workers and let go of the folder; `lost` when it is away and nothing can be written any more."""
        try:
            if lost:
                for lane in self.lanes:
                    lane.end()
            else:
                self.put_back()
        finally:
            self.teller.close()
            try:
                self.journal.close()
            except sqlite3.Error:
                logger().warning("the journal could not be closed in order")
            self._lock.close()

    def unfinished(self) -> list[Claim]:
        """Return what is taken and not at its end."""
        return self.journal.in_states(*UNFINISHED)


def _own_shop(hot: HotFolder) -> Path | None:
    own = hot.root / "shop.toml"
    return own if own.is_file() else None


def _inode(path: Path) -> tuple[int, int] | None:
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino


def _fair_memory(workers: int) -> int:
    """Return a worker's share of four fifths of the machine's memory, in bytes."""
    whole = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")
    return max(int(whole * 0.8 / workers), LEAST_MEMORY)
