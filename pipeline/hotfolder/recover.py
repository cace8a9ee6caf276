"""What is done at every start: nothing taken is lost, nothing is made twice, and who was at fault is not guessed."""

from __future__ import annotations

import fcntl
import json
import shutil
import time
from pathlib import Path

from pipeline.faults import Busy
from pipeline.hotfolder.admit import replace_older, stands
from pipeline.hotfolder.claim import ABOUT, folder_of, free_name
from pipeline.hotfolder.journal import Claim, Damaged, Journal, NewClaim
from pipeline.hotfolder.layout import HotFolder

ORPHANS_S = 30.0
"""Workers end themselves when their supervisor is gone; they are given so long."""

SUSPECT_AFTER = 3
"""Starts that found an order unfinished; from then on it runs alone."""


def open_journal(hot: HotFolder) -> tuple[Journal, str]:
    """Return the journal, checked, and a message when it was damaged and begun anew."""
    try:
        journal = Journal(hot.journal)
        try:
            journal.check()
        except BaseException:
            journal.close()
            raise
        return journal, ""
    except Damaged as damage:
        kept = free_name(hot.inner / "journal-damaged.sqlite")
        for suffix in ("", "-wal", "-shm"):
            part = hot.journal.with_name(hot.journal.name + suffix)
            if part.exists():
                part.rename(kept.with_name(kept.name + suffix))
        journal = Journal(hot.journal)
        text = (
            f"The journal was damaged ({damage}) and is written again from the folders. Approvals that were given but "
            f"not yet released must be given again. The damaged file is kept as .washfast/{kept.name}; have the disk "
            "looked at."
        )
        journal.note(text)
        return journal, text


def adopt(hot: HotFolder, journal: Journal) -> None:
    """Write down the claims whose copies are there and of which the journal knows nothing.

    That is one claim when the last run ended right between copying and writing down, and all of them when the journal
    was lost, or an older copy of it was put back. Their outcomes are found in released/ and held/.
    """
    known = {folder_of(hot, claim) for claim in journal.all()}
    places = [path for path in hot.claims.iterdir() if path.is_dir() and path not in known]
    for place in sorted(places, key=_age):
        try:
            told = json.loads((place / ABOUT).read_text(encoding="utf-8"))
            if not told["digest"].startswith(place.name):
                raise ValueError("not in its place yet")
            claim = journal.add(NewClaim(**{key: told[key] for key in NewClaim.__slots__}))
        except (OSError, ValueError, KeyError, TypeError):
            shutil.rmtree(place, ignore_errors=True)  # cut off while copying; what was dropped is still there
            continue
        _settle(claim, journal, hot)


def _age(place: Path) -> int:
    try:
        return (place / ABOUT).stat().st_mtime_ns
    except OSError:
        return 0


def recover(hot: HotFolder, journal: Journal, *, charge: bool) -> list[Claim]:
    """Put in order what the last run left; return the claims that must be set aside.

    `charge` says that the last run ended by itself (power cut, kill) and the unfinished orders are counted; not when
    the hot folder merely went away and came back under a living supervisor.
    """
    _wait_for_workers(hot)
    _clear(hot.aside)
    adopt(hot, journal)
    doomed = []
    for claim in journal.in_states("making"):
        if _settle(claim, journal, hot):
            continue
        interrupted = claim.interrupted + charge
        if charge and claim.alone:
            doomed.append(claim)
            continue
        journal.move(
            claim,
            "queued",
            f"found unfinished at start {interrupted}" if charge else "the hot folder was away; begins anew",
            before=("making",),
            interrupted=interrupted,
            alone=int(claim.alone or interrupted >= SUSPECT_AFTER),
        )
    for claim in journal.in_states("released", "held"):
        replace_older(claim, journal, hot)
    for claim in journal.all():
        if not claim.archived and (hot.archive / claim.key / claim.manifest).exists():
            journal.archived(claim)
    return doomed


def _settle(claim: Claim, journal: Journal, hot: HotFolder) -> bool:
    """Write down an outcome that was published just before the end; False when there is none.

    A held order that somebody approved since is made again; so is one whose outcome is not of this very content.
    """
    state = stands(claim, hot)
    if not state or (state == "held" and claim.approved_by):
        return False
    record = json.loads((hot.root / state / claim.label / "record.json").read_text(encoding="utf-8"))
    journal.move(
        claim,
        "released" if state == "released" else "held",
        "was published just before the last end" if state == "released" else "held; see its record",
        folder=f"{state}/{claim.label}",
        totals=record["totals"],
    )
    return True


def _wait_for_workers(hot: HotFolder) -> None:
    """Wait until the workers of the last run have ended: one about to publish must not have its work cleared away."""
    until = time.monotonic() + ORPHANS_S
    for path in sorted(hot.inner.glob("lane-*.lock")):
        with path.open("a") as lock:
            while True:
                try:
                    fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
                    break
                except OSError:
                    if time.monotonic() > until:
                        raise Busy(
                            "A worker of the last run does not end. End the process that holds "
                            f".washfast/{path.name} (fuser tells which), and start again."
                        ) from None
                    time.sleep(0.05)


def _clear(aside: Path) -> None:
    """Clear unfinished work."""
    for path in aside.iterdir():
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path, ignore_errors=True)
