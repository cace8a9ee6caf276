"""What becomes of a claim once its worker has answered, or died."""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from pipeline.faults import ExitCode
from pipeline.hotfolder.admit import replace_older
from pipeline.hotfolder.claim import folder_of, free_name
from pipeline.hotfolder.journal import Claim, Journal
from pipeline.hotfolder.lane import Died
from pipeline.hotfolder.layout import HotFolder
from pipeline.release import retire

ATTEMPTS = 2
"""Times a worker may die or fail over an order before it is set aside; the second time it runs alone."""

LOG_SLICE = 64 * 1024

_PLAIN = frozenset("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789._-")


def apply(answer: Mapping[str, Any] | Died, claim: Claim, journal: Journal, hot: HotFolder) -> Claim:
    """Write down how an order ended, and leave in the folders what people need; return the claim as it is now."""
    if isinstance(answer, Died):
        return _failed(f"The worker {answer.text}.", claim, journal, hot)
    state, message = answer["state"], str(answer.get("message", ""))
    if state in ("released", "held"):
        return _done(state, answer, claim, journal, hot)
    if state == "refused":
        return refuse(claim, message, journal, hot)
    if answer["exit_code"] == ExitCode.BUSY:
        alone = {"alone": 1} if answer.get("memory") else {}
        return journal.move(claim, "waiting", message, before=("making",), **alone) or claim
    return _failed(message, claim, journal, hot)


def _done(state: Any, answer: Mapping[str, Any], claim: Claim, journal: Journal, hot: HotFolder) -> Claim:
    reason = "released"
    if state == "held":
        codes = dict.fromkeys(f["code"] for f in answer["findings"] if f["severity"] == "stop")
        reason = "for " + " and ".join(
            f"findings ({', '.join(codes)})" if why == "findings" else why for why in answer["held_for"]
        )
    elif answer.get("unchanged"):
        reason = "released already, nothing changed"
    moved = journal.move(
        claim,
        state,
        reason,
        before=("making",),
        folder=f"{state}/{claim.label}",
        totals=answer["totals"] or {},
    )
    if moved is None:
        return journal.claim(claim.id)
    replace_older(moved, journal, hot)
    _clear_refusals(moved, journal, hot)
    return moved


def refuse(claim: Claim, message: str, journal: Journal, hot: HotFolder) -> Claim:
    """Refuse a claim: its manifest and the reason go to refused/."""
    folder = _beside(claim, message, hot)
    moved = journal.move(
        claim,
        "refused",
        message,
        before=("queued", "waiting", "making"),
        folder=str(folder.relative_to(hot.root)),
    )
    return moved or journal.claim(claim.id)


def set_aside(claim: Claim, message: str, journal: Journal, hot: HotFolder) -> Claim:
    """Set a claim aside: manifest, reason and the end of its log go to refused/; its copies stay."""
    folder = _beside(
        claim,
        f"{message}\nThis is a fault of the program or the machine, not of the order. Its art and manifest are kept. "
        f"Once the cause is mended: washfast again {hot.root} {claim.name}\n",
        hot,
    )
    log = hot.logs / f"{claim.key}.log"
    with suppress(OSError), log.open("rb") as stream:
        stream.seek(max(0, log.stat().st_size - LOG_SLICE))
        (folder / "log.txt").write_bytes(stream.read())
    moved = journal.move(claim, "set aside", message, folder=str(folder.relative_to(hot.root)))
    return moved or journal.claim(claim.id)


def _failed(message: str, claim: Claim, journal: Journal, hot: HotFolder) -> Claim:
    attempts = claim.attempts + 1
    if attempts >= ATTEMPTS:
        claim = journal.move(claim, "making", message, before=("making",), attempts=attempts) or claim
        return set_aside(claim, f"Failed {attempts} times, the last time alone. {message}", journal, hot)
    moved = journal.move(
        claim,
        "queued",
        f"{message} It is tried once more, alone.",
        before=("making",),
        attempts=attempts,
        alone=1,
    )
    return moved or journal.claim(claim.id)


def _beside(claim: Claim, message: str, hot: HotFolder) -> Path:
    """Lay the manifest and the reason before the operator; where there is no room, the journal alone tells."""
    folder = hot.refused / claim.key
    source = folder_of(hot, claim) / claim.manifest
    with suppress(OSError):
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "reason.txt").write_text(
            f"{message.rstrip()}\n", encoding="utf-8", errors="backslashreplace"
        )
        shutil.copyfile(source, folder / claim.manifest)
    return folder


def refuse_dropped(manifest: Path, message: str, hot: HotFolder) -> Path:
    """Move a manifest that cannot be read to refused/, with the reason beside it; return the folder."""
    plain = "".join(c if c in _PLAIN else "-" for c in manifest.name)[:80].lstrip(".-") or "manifest"
    folder = free_name(hot.refused / plain)
    folder.mkdir(parents=True)
    try:
        (folder / "reason.txt").write_text(f"{message}\n", encoding="utf-8", errors="backslashreplace")
        manifest.rename(folder / manifest.name)
    except OSError:
        shutil.rmtree(folder)
        raise
    return folder


def _clear_refusals(claim: Claim, journal: Journal, hot: HotFolder) -> None:
    """Once an order is released or held, what was refused of it before moves to the archive."""
    for other in journal.of_order(claim.name):
        older = (other.revision, other.id) <= (claim.revision, claim.id)
        folder = hot.refused / other.key
        if older and folder.is_dir():
            retire(folder, free_name(hot.archive / other.key / "refused"))
