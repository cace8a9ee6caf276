"""Every code of a finding comes with the art that has it, not with art that just has not, and its remedy clears it.

The orders are those of the generated table (ops/findings_table.py); their sizes, colours and limits are the trade's
figures in the built-in shop file, and what is measured on them follows from how they are drawn.
"""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

import pipeline
from ops.findings_table import cases, checked, report, row
from pipeline.order_rules import FINDING_CODES
from pipeline.stages.preflight.answers import NEVER

PIPELINE = Path(pipeline.__file__).parent
BY_PARTS = {"thin.py": {"thin-line", "thin-gap"}}
"""Files that put a code together, and what comes of it."""
NEVER_MORE = {
    "size-held", "not-served", "fresh-shift", "fade-held-back", "gradient-through-fabric",
    "owner-locked", "wrong-extension",
}  # fmt: skip
"""Codes that are never more than notes."""
PASSED_ON = {"triage.py": {"art-unreadable", "art-too-large"}, "again.py": set()}
"""Files that make a finding of a refusal, or read one back from a record."""


def codes_in(file: Path, calls: dict[str, set[str]]) -> set[str]:
    """Return every code of a Finding made in a file; `calls` are the first arguments of all calls, by function."""
    tree = ast.parse(file.read_text(encoding="utf-8"))
    found: set[str] = set()
    for function in [n for n in ast.walk(tree) if isinstance(n, ast.FunctionDef)]:
        for call in (n for n in ast.walk(function) if isinstance(n, ast.Call)):
            if name_of(call) != "Finding":
                continue
            code = next(
                (k.value for k in call.keywords if k.arg == "code"), call.args[0] if call.args else None
            )
            if isinstance(code, ast.Constant):
                found.add(str(code.value))
            elif file.name in BY_PARTS or file.name in PASSED_ON:
                found |= BY_PARTS.get(file.name, set()) | PASSED_ON.get(file.name, set())
            else:
                passed = {c for c in calls.get(function.name, set()) if re.fullmatch(r"[a-z]+(-[a-z]+)+", c)}
                assert passed, f"{file.name}: where does the code of {function.name} come from?"
                found |= passed
    return found


def name_of(call: ast.Call) -> str:
    return getattr(call.func, "id", getattr(call.func, "attr", ""))


def all_codes() -> set[str]:
    """Return every code of a finding that the program can make, read from its source."""
    files = sorted(PIPELINE.rglob("*.py"))
    calls: dict[str, set[str]] = {}
    for file in files:
        for call in (
            n for n in ast.walk(ast.parse(file.read_text(encoding="utf-8"))) if isinstance(n, ast.Call)
        ):
            first = [*call.args[:1], *(k.value for k in call.keywords if k.arg == "code")]
            said = {str(v.value) for part in first for v in ast.walk(part) if isinstance(v, ast.Constant)}
            calls.setdefault(name_of(call), set()).update(said)
    return set().union(*(codes_in(file, calls) for file in files))


@pytest.mark.parametrize("case", cases(), ids=lambda case: f"{case.code}-{case.route}")
def test_a_finding_comes_and_goes_and_its_remedy_raises_no_other(case):
    made = row(case)
    assert made.finding is not None
    assert made.just_not
    assert (made.cleared, made.new) == (True, ())
    assert "| yes" in report([made])
    if made.warns:  # the line behind it, told as a comment, clears the warning too
        clear = str(made.finding.remedy).split("  # ")[1].removesuffix(" clears the warning too")
        left = checked(case, *case.wrong, clear, shop=case.shop)
        assert case.code not in {f.code for f in left if f.severity != "note"}


def test_the_table_has_every_code_that_the_program_can_tell_and_no_other():
    assert {case.code for case in cases()} == all_codes()


def test_the_manifest_knows_every_code_that_can_be_accepted():
    """Left out is what is never more than a note, what nobody can accept, and what is told after the release."""
    assert set(FINDING_CODES) <= all_codes()
    assert all_codes() - set(FINDING_CODES) <= NEVER | NEVER_MORE | {"on-film-already"}
