"""Decisions of people: approve, decline, again, pause; by command or by a file dropped in incoming/."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pipeline.faults import Refused
from pipeline.hotfolder.claim import free_name
from pipeline.hotfolder.journal import Claim, Journal
from pipeline.hotfolder.layout import HotFolder
from pipeline.release import retire

_KEYS = {"decision", "order", "revision", "by", "why"}


def approve(journal: Journal, name: str, revision: int, by: str, why: str = "") -> Claim:
    """Approve the held content of an order: it is made again and released. Refused when nothing such is held."""
    by = _said(by, "by", 80)
    claim = _held(journal, name, revision)
    reason = f"approved by {by}" + (f": {_said(why, 'why', 400)}" if why.strip() else "")
    moved = journal.move(claim, "queued", reason, before=("held",), approved_by=by, declined="")
    return moved or _held(journal, name, revision)


def decline(journal: Journal, name: str, revision: int, by: str, why: str) -> Claim:
    """Send a held order back with a reason, which shows on the next proof."""
    by, why = _said(by, "by", 80), _said(why, "why", 400)
    claim = _held(journal, name, revision)
    moved = journal.move(
        claim, "held", f"declined by {by}: {why}", before=("held",), declined=f"{by}: {why}", approved_by=""
    )
    return moved or _held(journal, name, revision)


def again(journal: Journal, hot: HotFolder, name: str) -> Claim:
    """Put the newest content of an order back in the queue.

    A release that is damaged moves to the archive and is made anew; one that is whole is never made again under its
    revision. Refused for that, and when there is no such order or it is under way.
    """
    claims = journal.of_order(name)
    if not claims:
        raise Refused(
            f"No order {name} was ever taken here. `washfast status` lists what was.", code="decision"
        )
    claim = ([c for c in claims if c.state != "replaced"] or claims)[-1]
    if claim.state in ("queued", "making", "waiting"):
        raise Refused(f"{claim.label} is {claim.state} already.", code="decision")
    folder = hot.root / claim.folder
    if claim.state == "released" and folder.is_dir():
        if not _damage(folder):
            raise Refused(
                f"{claim.label} is released and whole. To make it otherwise, raise its revision and hand it in.",
                code="decision",
            )
        retire(folder, free_name(hot.archive / claim.key / "released"))
    moved = journal.move(claim, "queued", "asked for again", attempts=0, interrupted=0, alone=0)
    return moved or journal.claim(claim.id)


def _damage(folder: Path) -> bool:
    from pipeline.postflight import audit

    try:
        return bool(audit(folder, pixels=False))
    except Refused:
        return True


def from_file(journal: Journal, data: Mapping[str, Any]) -> tuple[Claim, str]:
    """Carry out a decision file; return the claim and what was decided. Refused says what is wrong with it.

    Its keys: decision = "approve" | "decline", order, revision, by, and why (needed to decline).
    """
    unknown = sorted(set(map(str, data)) - _KEYS)
    if unknown:
        raise Refused(
            f"A decision has no key {', '.join(unknown)}. Known are: {', '.join(sorted(_KEYS))}.", "decision"
        )
    name, revision, decision = data.get("order"), data.get("revision"), data.get("decision")
    by, why = data.get("by", ""), data.get("why", "")
    if not (isinstance(name, str) and isinstance(by, str) and isinstance(why, str)):
        raise Refused("A decision needs order, by and why as text in quotes.", "decision")
    if not isinstance(revision, int) or isinstance(revision, bool):
        raise Refused("A decision needs the revision as a whole number.", "decision")
    if decision == "approve":
        return approve(journal, name, revision, by, why), "approved"
    if decision == "decline":
        return decline(journal, name, revision, by, why), "declined"
    raise Refused('The decision must be "approve" or "decline".', "decision")


def _held(journal: Journal, name: str, revision: int) -> Claim:
    claims = [c for c in journal.of_order(name) if c.revision == revision]
    held = [c for c in claims if c.state == "held"]
    if held:
        return held[-1]
    if claims:
        last = claims[-1]
        raise Refused(f"{last.label} is not held, it is {last.state} ({last.reason}).", code="decision")
    others = sorted({c.revision for c in journal.of_order(name)})
    known = (
        f" Known revisions: {', '.join(map(str, others))}." if others else " No such order was taken here."
    )
    raise Refused(f"There is no {name} revision {revision} here.{known}", code="decision")


def _said(text: str, what: str, longest: int) -> str:
    plain = " ".join(text.split())
    if not plain or len(plain) > longest or not plain.isprintable():
        raise Refused(f"State {what}: 1 to {longest} printable characters.", code="decision")
    return plain
