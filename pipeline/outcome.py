"""How an order ended, and what was known of it beyond its manifest."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from pipeline.faults import ExitCode
from pipeline.finding import Finding

State = Literal["released", "held", "refused", "failed"]


@dataclass(frozen=True, slots=True)
class Outcome:
    """How an order ended. `path` is where it lies now, `message` why it was refused or failed."""

    order: str
    revision: int
    state: State
    exit_code: ExitCode
    findings: tuple[Finding, ...] = ()
    path: Path | None = None
    message: str = ""
    totals: Mapping[str, int] | None = None
    held_for: tuple[str, ...] = ()
    unchanged: bool = False

    def headline(self) -> str:
        """Return one line for people."""
        words = [f"{self.order} r{self.revision}", self.state.upper()]
        if self.held_for:
            words.append(f"for {' and '.join(self.held_for)}")
        if self.unchanged:
            words.append("already, nothing changed")
        if self.totals:
            words.append(", ".join(f"{value} {key.replace('_', ' ')}" for key, value in self.totals.items()))
        if self.path:
            words.append(str(self.path))
        return "  ".join(words)

    def as_json(self) -> dict[str, Any]:
        """Return the outcome for programs."""
        return {
            "order": self.order,
            "revision": self.revision,
            "state": self.state,
            "held_for": list(self.held_for),
            "path": None if self.path is None else str(self.path),
            "message": self.message,
            "totals": None if self.totals is None else dict(self.totals),
            "findings": [finding.as_json() for finding in self.findings],
        }


@dataclass(frozen=True, slots=True)
class Decided:
    """What is known of an order beyond its manifest.

    `approved_by` names who approved this very content; empty where nobody did. `previous` is the folder of the last
    revision that was released or held, for what changed since; `declined` is why that one was sent back.
    """

    approved_by: str = ""
    previous: Path | None = None
    declined: str = ""
