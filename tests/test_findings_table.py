"""Every code of a finding comes with the art that has it, not with art that just has not, and its remedy clears it.

The orders are those of the generated table (ops/findings_table.py); their sizes, colours and limits are the trade's
figures in the built-in shop file, and what is measured on them follows from how they are drawn.
"""

from __future__ import annotations

import pytest

from ops.findings_table import cases, report, row
from pipeline.order_rules import FINDING_CODES

NEEDS_ANOTHER_RENDERER = {"renderers-disagree"}
"""Both renderers draw all that is let in alike; what happens when they do not is tested in test_svg_agree.py."""


@pytest.mark.parametrize("case", cases(), ids=lambda case: f"{case.code}-{case.route}")
def test_a_finding_comes_and_goes_and_its_remedy_raises_no_other(case):
    made = row(case)
    assert made.finding is not None
    assert made.just_not
    assert (made.cleared, made.new) == (True, ())
    assert "| yes |" in report([made])


def test_every_code_that_can_be_accepted_stands_in_the_table():
    assert set(FINDING_CODES) - {case.code for case in cases()} - NEEDS_ANOTHER_RENDERER == set()
