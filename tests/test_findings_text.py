"""What people read of findings on a terminal: where each answer goes, and no answer twice in a row."""

from __future__ import annotations

import tomllib
from dataclasses import replace

import pytest

from pipeline.finding import Finding
from pipeline.findings_text import WIDTH, findings_text

CUT = Finding(
    "outside-area",
    "stop",
    "Ink lies outside.",
    "shift_mm = [1, 0]",
    art="kite",
    print="front",
    colourways=("Sky",),
)


def told(*findings: Finding) -> str:
    return "\n".join(findings_text(findings))


@pytest.mark.parametrize(
    ("remedy", "place"),
    [
        ("shift_mm = [1, 0]  # or width_mm = 90", 'in [[prints]] "front":'),
        ("by_size = { S = { width_mm = 9 } }", 'in [[prints]] "front":'),
        ('swap = [{ from = "#ffffff", to = "#eeeeee" }]', 'in [[colourways]] "Sky":'),
        ('near_fabric = "keep"  # or "knock_out"', 'in [[colourways]] "Sky":'),
        ('ground = "remove"  # or "keep"', "in [art.kite]:"),
        ('[[accept]]\ncode = "specks"\nby = "NAME"\nwhy = "REASON"', "at the end of the manifest:"),
    ],
)
def test_manifest_lines_stand_below_the_table_they_belong_to(remedy: str, place: str) -> None:
    """The tables are those of the manifest's model; the lines are TOML as they stand."""
    text = told(replace(CUT, remedy=remedy))
    head, _, lines = text.partition(f"→ {place}\n")
    assert head != text
    assert tomllib.loads("\n".join(line.strip() for line in lines.splitlines())) == tomllib.loads(remedy)


def test_an_answer_in_words_is_told_in_lines() -> None:
    text = told(replace(CUT, remedy="Flatten or expand that effect. " * 8))
    assert "→ Flatten" in text
    assert max(len(line) for line in text.splitlines()) <= WIDTH + 2


def test_the_same_answer_is_not_repeated_and_a_note_needs_none() -> None:
    text = told(CUT, replace(CUT, message="Again."), replace(CUT, severity="note"))
    assert text.count("shift_mm") == 1
    assert text.count("→ the same answer") == 1


def test_a_number_stays_with_its_unit_and_a_legend_needs_its_picture() -> None:
    long = replace(
        CUT, message="Ink lies outside " * 4 + "the print area by 13.8 mm and more.", legend="Left, right."
    )
    assert "13.8\n" not in told(long)
    assert "Left, right." not in told(long)
    assert "Left, right." in told(replace(long, picture="outside-area.png"))
