"""What a look at incoming/ brings: orders are taken, decisions carried out, what stays wrong is refused."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

from pipeline.faults import Refused
from pipeline.hotfolder import claim, decide, outcomes
from pipeline.hotfolder.intake import Intake, Sighting
from pipeline.hotfolder.journal import Claim, Journal, now
from pipeline.hotfolder.layout import HotFolder
from pipeline.hotfolder.tell import Teller
from pipeline.log import logger

TAKE_BUDGET_S = 0.3
"""Time for taking orders in one turn: work on what is taken must begin before thousands are."""

SPENT_S = 60.0
"""Art that was taken stays this long in incoming/ for further manifests of the same burst."""


class Taking:
    """Takes what the intake finds ready, one supervisor's life long."""

    def __init__(
        self, hot: HotFolder, journal: Journal, intake: Intake, teller: Teller, clock: Callable[[], float]
    ) -> None:
        self.hot, self.journal, self.intake, self.teller, self._clock = hot, journal, intake, teller, clock
        self._spent_since: dict[str, float] = {}

    def look(self) -> None:
        """Look once and act on it. Raises OSError when incoming/ cannot be read; what concerns one file never does."""
        self.intake.look()
        self._decide()
        self._refuse(self.intake.refusable())
        started = time.monotonic()
        for sighting in self.intake.ready():
            self._take(sighting)
            if time.monotonic() - started > TAKE_BUDGET_S:
                break
        claim.sweep(self.hot, self.journal, self.intake.wants, self._lain_long)
        for path, text in self.intake.overdue():
            self._overdue(path, text)

    def _take(self, sighting: Sighting) -> None:
        path = sighting.manifest
        try:
            _, new = claim.copy(sighting, self.hot)
            known = self.journal.by_digest(new.digest)
            taken = known or self.journal.add(new)
            whole = self.intake.alone_in(path.parent)
            claim.clear_away(sighting, taken, self.hot, self.journal, whole=whole)
        except claim.Changed:
            sighting.looks = 0
            return
        except OSError as error:
            self._later(sighting, error)
            return
        self.intake.forget(sighting)
        if known is not None and known.archived:
            self._dropped_again(known)
        else:
            logger().info("taken", order=taken.label, path=claim.shown(path, self.hot))

    def _dropped_again(self, known: Claim) -> None:
        if known.state in ("refused", "set aside"):
            self.journal.move(
                known,
                "queued",
                "dropped again",
                before=("refused", "set aside"),
                attempts=0,
                interrupted=0,
                alone=0,
            )
            return
        self.journal.note(f"dropped again with the same content: nothing changed, it is {known.state}", known)
        logger().info("dropped again, nothing changed", order=known.label, state=known.state)

    def _decide(self) -> None:
        for sighting in self.intake.decisions():
            data, path = sighting.data or {}, sighting.manifest
            try:
                one, what = decide.from_file(self.journal, data)
            except Refused as fault:
                self._refuse_file(sighting, fault.message)
                continue
            try:
                target = self.hot.archive / one.key
                target.mkdir(parents=True, exist_ok=True)
                path.rename(claim.free_name(target / claim.manifest_name(path)))
            except OSError as error:
                self._later(sighting, error)
                continue
            self.intake.forget(sighting)
            logger().info(what, order=one.label, path=claim.shown(path, self.hot))

    def _refuse(self, sightings: list[Sighting]) -> None:
        for sighting in sightings:
            self._refuse_file(sighting, sighting.problem)

    def _refuse_file(self, sighting: Sighting, message: str) -> None:
        try:
            folder = outcomes.refuse_dropped(sighting.manifest, message, self.hot)
        except OSError as error:
            self._later(sighting, error)
            return
        self.intake.forget(sighting)
        text = f"{claim.shown(sighting.manifest, self.hot)} was refused: {message}"
        self.journal.note(text)
        self.teller.tell(self.journal, "refused", folder.name + now(), text)

    def _later(self, sighting: Sighting, error: OSError) -> None:
        sighting.later(self._clock(), error.strerror or str(error))
        path = claim.shown(sighting.manifest, self.hot)
        logger().warning("cannot be taken now, tried again", path=path, error=str(error))

    def _overdue(self, path: Path, text: str) -> None:
        shown = claim.shown(path, self.hot)
        message = f"{shown} cannot be taken yet: {text}"
        if self.journal.first_time(f"noted overdue {shown} {text}"):
            self.journal.note(message)
        self.teller.tell(self.journal, "not complete", f"{shown} {text}", message)

    def _lain_long(self, key: str) -> bool:
        return self._clock() - self._spent_since.setdefault(key, self._clock()) >= SPENT_S

    def finish(self) -> None:
        """At the end of a night: refuse what reads wrongly, and move spent art without waiting any longer."""
        self._refuse(self.intake.refusable(now=True))
        claim.sweep(self.hot, self.journal, self.intake.wants, lambda _: True)
