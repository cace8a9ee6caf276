"""Findings as text for people: what was found where, and the lines that answer it, with the table they belong to."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from textwrap import fill

from pipeline.finding import Finding

INDENT = " " * 8
WIDTH = 100

_IN_PRINT = ("shift_mm", "width_mm", "height_mm", "by_size", "cut_ok", "bands")
_IN_COLOURWAY = ("swap", "near_fabric", "knock_out", "shows_fabric")
_IN_ART = ("preview", "ground", "omit", "only", "cut_out")
_SOLID = "\N{NO-BREAK SPACE}"


def findings_text(findings: Iterable[Finding]) -> Iterator[str]:
    """Yield the lines of a report, finding by finding; an answer that was just given is not repeated."""
    before = ""
    for finding in findings:
        where = (finding.print or finding.art, ", ".join(finding.colourways), ", ".join(finding.sizes))
        place = " · ".join(part for part in where if part)
        yield f"  {finding.severity:<4}  {finding.code}  {place}".rstrip()
        yield _filled(finding.told)
        if not finding.remedy or finding.severity == "note":
            continue
        answer = _answer(finding)
        yield f"{INDENT}→ the same answer" if answer == before else f"{INDENT}→ {answer}"
        before = answer


def _filled(text: str) -> str:
    """Return text in lines; a number stays with its unit."""
    whole = re.sub(r"(?<=\d) (?=mm|ppi|%|\()|(?<=ΔE00) ", _SOLID, text)
    return fill(whole, WIDTH, initial_indent=INDENT, subsequent_indent=INDENT).replace(_SOLID, " ")


def _answer(finding: Finding) -> str:
    """Return a remedy: words as they are, manifest lines below the name of the table they belong to."""
    table = _table(finding)
    if table is None:
        return _filled(finding.remedy).strip()
    lines = finding.remedy.replace("\n", f"\n{INDENT}  ")
    return f"{table}:\n{INDENT}  {lines}"


def _table(finding: Finding) -> str | None:
    """Return where the lines of a remedy go; None where it is told in words."""
    if finding.remedy.startswith("[["):
        return "at the end of the manifest"
    found = re.match(r"(\w+) = ", finding.remedy)
    key = found[1] if found else ""
    if key in _IN_PRINT and finding.print:
        return f'in [[prints]] "{finding.print}"'
    if key in _IN_COLOURWAY and finding.colourways:
        names = " and ".join(f'"{name}"' for name in finding.colourways)
        return f"in [[colourways]] {names}"
    return f"in [art.{finding.art}]" if key in _IN_ART and finding.art else None
