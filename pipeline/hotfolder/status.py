"""How a hot folder stands, for people and for programs; reads the journal and changes nothing."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from pipeline.hotfolder.journal import Claim, Journal
from pipeline.hotfolder.layout import HotFolder
from pipeline.hotfolder.watch import busy_elsewhere
from pipeline.manifest_text import printable

SCHEMA = "washfast-status/1"
_SHOWN_DONE = 20
_SEQUENCE = ("set aside", "refused", "held", "making", "waiting", "queued", "released", "replaced")
"""What needs somebody comes first."""


@dataclass(frozen=True, slots=True)
class Status:
    """A hot folder as it stands; `overdue` says what lies in incoming/ and does not become complete."""

    watched: bool
    paused: bool
    counts: Mapping[str, int]
    overdue: tuple[str, ...]
    orders: tuple[Claim, ...]

    def as_json(self) -> dict[str, Any]:
        """Return it for programs."""
        return {
            "schema": SCHEMA,
            "watched": self.watched,
            "paused": self.paused,
            "counts": dict(self.counts),
            "overdue": list(self.overdue),
            "orders": [_order(claim) for claim in self.orders],
        }

    def as_text(self, columns: int = 100) -> str:
        """Return it as a table for a terminal."""
        counts = " · ".join(f"{count} {state}" for state, count in self.counts.items() if count)
        lines = [
            f"{'watched' if self.watched else 'nobody watches'}"
            f"{' · PAUSED' if self.paused else ''} · {counts or 'no orders yet'}"
        ]
        rows = [claim for claim in self.orders if claim.state not in ("released", "replaced")]
        done = [claim for claim in self.orders if claim.state == "released"]
        wide = max((len(claim.label) for claim in self.orders), default=0)
        for claim in (*rows, *done[:_SHOWN_DONE]):
            rush = "rush " if claim.priority == "rush" else ""
            due = f"due {claim.due} " if claim.due else ""
            text = f"{claim.label:{wide}}  {claim.state:9}  {rush}{due}{_line(claim)}"
            lines.append(text if len(text) <= columns else text[: columns - 1] + "…")
        if len(done) > _SHOWN_DONE:
            lines.append(f"… and {len(done) - _SHOWN_DONE} released before; --json lists all")
        lines += [f"not complete: {text}" for text in self.overdue]
        return "\n".join(lines)


def read_status(hot: HotFolder) -> Status:
    """Return how a hot folder stands. Refused when it is none."""
    journal = Journal(hot.existing().journal, make=False)
    try:
        orders = sorted(
            journal.all(), key=lambda c: (_SEQUENCE.index(c.state), -c.id if c.state == "released" else c.id)
        )
        return Status(
            busy_elsewhere(hot), bool(journal.fact("paused")), journal.counts(), _overdue(hot), tuple(orders)
        )
    finally:
        journal.close()


def _overdue(hot: HotFolder) -> tuple[str, ...]:
    try:
        beat = json.loads((hot.inner / "heartbeat.json").read_text(encoding="utf-8"))
        return tuple(str(text) for text in beat["overdue"])
    except (OSError, ValueError, KeyError):
        return ()


def _line(claim: Claim) -> str:
    totals = ", ".join(f"{value} {key.replace('_', ' ')}" for key, value in claim.totals.items() if value)
    reason = printable(claim.reason.splitlines()[0] if claim.reason else "")
    return f"{totals} · {reason}" if totals and claim.state == "held" else totals or reason


def _order(claim: Claim) -> dict[str, Any]:
    return {
        "order": claim.name,
        "revision": claim.revision,
        "state": claim.state,
        "reason": claim.reason,
        "priority": claim.priority,
        "due": claim.due or None,
        "customer": claim.customer,
        "title": claim.title,
        "approved_by": claim.approved_by,
        "declined": claim.declined,
        "attempts": claim.attempts,
        "folder": claim.folder or None,
        "totals": dict(claim.totals),
        "taken_at": claim.taken_at,
        "changed_at": claim.changed_at,
    }
