"""What is done at every start: nothing taken is lost, nothing is made twice, and who was at fault is not guessed."""

from __future__ import annotations

import json
import shutil
import sqlite3
from pathlib import Path

from pipeline.hotfolder.admit import replace_older, stands
from pipeline.hotfolder.claim import ABOUT, folder_of, free_name
from pipeline.hotfolder.journal import Claim, Damaged, Journal, NewClaim
from pipeline.hotfolder.layout import HotFolder

SUSPECT_AFTER = 3
"""Starts that found an order unfinished; from then on it runs alone."""


def open_journal(hot: HotFolder) -> tuple[Journal, str]:
    """Return the journal, checked, and a message when it was damaged and had to be written again."""
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
        count = rebuild(hot, journal)
        text = (
            f"The journal was damaged ({damage}) and was written again from the folders: {count} orders. Approvals "
            "that were given but not yet released must be given again. The damaged file is kept as "
            f".washfast/{kept.name}; have the disk looked at."
        )
        journal.note(text)
        return journal, text


def rebuild(hot: HotFolder, journal: Journal) -> int:
    """Write a new journal from the claims' copies and from what lies in released/ and held/."""
    count = 0
    places = [path for path in hot.claims.iterdir() if (path / ABOUT).is_file()]
    for place in sorted(places, key=lambda path: (path / ABOUT).stat().st_mtime_ns):
        try:
            told = json.loads((place / ABOUT).read_text(encoding="utf-8"))
            new = NewClaim(**{key: told[key] for key in NewClaim.__slots__})
            claim = journal.add(new, reason="taken (written again)")
        except (OSError, ValueError, KeyError, TypeError, sqlite3.IntegrityError):
            continue
        journal.archived(claim)
        count += 1
    for claim in journal.all():
        _settle(claim, journal, hot)
    for claim in journal.in_states("released", "held"):
        replace_older(claim, journal, hot)
    return count


def recover(hot: HotFolder, journal: Journal, *, charge: bool) -> list[Claim]:
    """Put in order what the last run left; return the claims that must be set aside.

    `charge` says that the last run ended by itself (power cut, kill) and the unfinished orders are counted; not when
    the hot folder merely went away and came back under a living supervisor.
    """
    _clear(hot.aside)
    _drop_orphans(hot, journal)
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


def _clear(aside: Path) -> None:
    """Clear unfinished work: whoever made it held the lock that is ours now."""
    for path in aside.iterdir():
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path, ignore_errors=True)


def _drop_orphans(hot: HotFolder, journal: Journal) -> None:
    """Drop copies that were never written down; their originals are still in incoming/."""
    known = {folder_of(hot, claim) for claim in journal.all()}
    for path in hot.claims.iterdir():
        if path.is_dir() and path not in known:
            shutil.rmtree(path, ignore_errors=True)
