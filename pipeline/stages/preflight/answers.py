"""Findings that somebody has answered, and findings that are the same on every colourway."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import Protocol

from pipeline.finding import SEVERITIES, Finding

NEVER = frozenset(
    {
        "art-unreadable", "art-too-large", "nothing-to-print", "font-missing", "element-not-found",
        "no-pieces", "too-many-pieces", "gutter-too-wide", "larger-than-film",
    }
)  # fmt: skip
"""What nobody can accept: there would be nothing to print, or not what was ordered."""


class Accept(Protocol):
    """An `accept` entry of the manifest; one of art, print and colourway may narrow it down."""

    @property
    def code(self) -> str: ...  # noqa: D102
    @property
    def art(self) -> str | None: ...  # noqa: D102
    @property
    def print(self) -> str | None: ...  # noqa: D102
    @property
    def colourway(self) -> str | None: ...  # noqa: D102
    @property
    def by(self) -> str: ...  # noqa: D102
    @property
    def why(self) -> str: ...  # noqa: D102


def answer(findings: Iterable[Finding], accepts: Sequence[Accept]) -> tuple[Finding, ...]:
    """Return the findings with each accepted stop or warning turned into a note that says who decided and why.

    An entry for one colourway answers that colourway alone: a finding told for several is split.
    """
    out: list[Finding] = []
    for finding in findings:
        open_ways: tuple[Finding, ...] = (finding,)
        for entry in accepts:
            open_ways = tuple(part for one in open_ways for part in _answered(one, entry))
        out.extend(open_ways)
    return tuple(out)


def _answered(finding: Finding, entry: Accept) -> tuple[Finding, ...]:
    if finding.severity == "note" or finding.code != entry.code or finding.code in NEVER:
        return (finding,)
    if (entry.art and entry.art != finding.art) or (entry.print and entry.print != finding.print):
        return (finding,)
    said = f"Accepted by {entry.by}: {entry.why}"
    if not entry.colourway:
        return (finding.answered(said),)
    if entry.colourway not in finding.colourways:
        return (finding,)
    rest = tuple(c for c in finding.colourways if c != entry.colourway)
    yes = replace(finding, colourways=(entry.colourway,)).answered(said)
    return (replace(finding, colourways=rest), yes) if rest else (yes,)


def as_decided(found: Iterable[Finding], decided: bool, by: str) -> Iterator[Finding]:  # noqa: FBT001
    """Yield findings; where the manifest has decided them, as notes that say `by` what."""
    for finding in found:
        yield finding.answered(by) if decided else finding


def merge(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Return the findings with those that differ in colourway, size and picture alone told once, stops first.

    Names keep the order in which they came; findings of one severity too. The first picture stands for all.
    """
    groups: dict[Finding, list[Finding]] = {}
    for finding in findings:
        groups.setdefault(replace(finding, colourways=(), sizes=(), picture="", legend=""), []).append(
            finding
        )
    merged = [
        replace(
            next((f for f in group if f.picture), group[0]),
            colourways=tuple(dict.fromkeys(c for f in group for c in f.colourways)),
            sizes=tuple(dict.fromkeys(s for f in group for s in f.sizes)),
        )
        for group in groups.values()
    ]
    return tuple(sorted(merged, key=lambda f: SEVERITIES.index(f.severity)))
