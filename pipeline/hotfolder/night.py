"""The night run: takes all that waits, sees it through, and writes the night's papers."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from pipeline.faults import ExitCode, Fault
from pipeline.hotfolder.claim import free_name
from pipeline.hotfolder.intake import Identity, identity
from pipeline.hotfolder.journal import UNFINISHED, Claim, Journal
from pipeline.hotfolder.layout import HotFolder
from pipeline.hotfolder.supervisor import Setting, Supervisor
from pipeline.hotfolder.watch import Turns, busy_elsewhere
from pipeline.log import logger
from pipeline.shop import Shop, load_shop

WAITING_TRIES = 4
"""A waiting order is tried so often in a night, then left for the next."""

LOOK_S = 1.0

PAPER_STATES: dict[str, Literal["released", "held", "refused", "failed"]] = {
    "released": "released",
    "held": "held",
    "refused": "refused",
    "set aside": "failed",
}

CODES = {
    "released": ExitCode.DONE,
    "replaced": ExitCode.DONE,
    "held": ExitCode.HELD,
    "refused": ExitCode.REFUSED,
    "set aside": ExitCode.FAULT,
    "queued": ExitCode.BUSY,
    "making": ExitCode.BUSY,
    "waiting": ExitCode.BUSY,
}


@dataclass(frozen=True, slots=True)
class Night:
    """What a night came to: its orders as they are now, its papers, what else is to be said."""

    orders: tuple[Claim, ...]
    papers: tuple[Path, ...]
    notes: tuple[str, ...]
    exit_code: ExitCode


def night(hot: HotFolder, setting: Setting) -> Night:
    """Run a night. While a watcher works on the folder it does the work, and the night waits for it."""
    hot.set_up()
    late = _wait_for_watcher(hot) if busy_elsewhere(hot) else _work(hot, setting)
    journal = Journal(hot.journal)
    try:
        return _report(hot, journal, setting, late)
    finally:
        journal.close()


def _work(hot: HotFolder, setting: Setting) -> list[str]:
    late: list[str] = []

    def done(supervisor: Supervisor) -> bool:
        if supervisor.intake.ready() or supervisor.intake.unsettled() or supervisor.busy:
            return False
        left = supervisor.unfinished()
        if left and not supervisor.paused and not _given_up(supervisor, left):
            return False
        supervisor.taking.finish()
        late[:] = [f"{path.name}: {text}" for path, text in supervisor.intake.unfinished()]
        supervisor.daily()
        return True

    Turns(hot, setting).run(done)
    return late


def _given_up(supervisor: Supervisor, left: Sequence[Claim]) -> bool:
    return all(one.state == "waiting" and supervisor.waiting_tries(one) >= WAITING_TRIES for one in left)


def _wait_for_watcher(hot: HotFolder) -> list[str]:
    """Wait until the watcher has nothing left to do, or has gone."""
    seen: dict[Path, Identity | None] = {}
    while busy_elsewhere(hot):
        now = {path: identity(path) for path in _dropped(hot.incoming)}
        journal = Journal(hot.journal)  # after the look: what has left incoming/ since is in it
        try:
            left = journal.in_states(*UNFINISHED)
            paused = bool(journal.fact("paused"))
        finally:
            journal.close()
        # a manifest that has not changed through a watcher's whole patience is not waited for
        if now == seen and (not left or paused or all(one.state == "waiting" for one in left)):
            return [f"{path.name}: is not taken yet; `washfast status` says why" for path in now]
        seen = now
        time.sleep(LOOK_S if not now else 12.0)
    return []


def _dropped(incoming: Path) -> list[Path]:
    return sorted(
        path
        for pattern in ("*.toml", "*.json", "*/*.toml", "*/*.json")
        for path in incoming.glob(pattern)
        if identity(path)
    )


def _report(hot: HotFolder, journal: Journal, setting: Setting, late: Sequence[str]) -> Night:
    from pipeline.nightpapers import NightEntry, write_night

    since = int(journal.fact("last night") or 0)
    last = journal.last_step()
    steps = journal.transitions(since)
    touched = dict.fromkeys(step.claim for step in steps if step.claim is not None)
    orders = [journal.claim(number) for number in touched]
    orders += [one for one in journal.in_states("held", *UNFINISHED) if one.id not in touched]
    orders = [one for one in orders if one.state != "replaced"]
    notes = [step.reason for step in steps if step.claim is None]
    notes += [f"Not complete: {text}" for text in late]
    entries = [
        NightEntry(
            one.name,
            one.revision,
            PAPER_STATES.get(one.state, "waiting"),
            hot.root / one.folder if one.state in ("released", "held") and one.folder else None,
            one.reason,
            _beside(hot, one),
        )
        for one in orders
    ]
    if journal.fact("paused"):
        notes.append(f"Work is paused: `washfast resume {hot.root}` lets it go on.")
    folder = free_name(hot.reports / time.strftime("%Y-%m-%d"))
    own = hot.root / "shop.toml"
    shop = load_shop(setting.shop or (own if own.is_file() else None))
    said, film_code = _film(hot, shop)
    notes += said
    papers = write_night(folder, time.strftime("%Y-%m-%d"), entries, shop, notes)
    journal.state_fact("last night", str(last))
    codes = [film_code, *(CODES[one.state] for one in orders)] + ([ExitCode.BUSY] if late else [])
    codes += [ExitCode.REFUSED for step in steps if step.claim is None and " was refused: " in step.reason]
    logger().info("night report", folder=str(folder), orders=len(orders))
    return Night(tuple(orders), papers, tuple(notes), max(codes, default=ExitCode.DONE))


def _film(hot: HotFolder, shop: Shop) -> tuple[list[str], ExitCode]:
    """Gang what waits for the film of the night, and say what lies on it; a fault leaves it waiting for the next."""
    from pipeline.rolls import night_rolls, waiting_for_film

    try:
        made = night_rolls(waiting_for_film(hot.released), shop, hot.places)
    except Fault as fault:
        return [
            f"The film of the night was not made; its orders wait for the next. {fault.message}"
        ], fault.exit_code
    notes = []
    for roll in made:
        pieces = sum(count for _, _, count in roll.orders)
        metres = sum(one.length_mm for one in roll.rolls) / 1000
        notes.append(f"Film {roll.name}: {pieces} pieces of {len(roll.orders)} orders on {metres:.2f} m.")
        notes += [finding.message for finding in roll.findings]
    return notes, ExitCode.DONE


def _beside(hot: HotFolder, one: Claim) -> Path | None:
    reason = hot.root / one.folder / "reason.txt"
    return reason if one.folder and reason.is_file() else None
