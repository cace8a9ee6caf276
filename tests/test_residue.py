"""What is left of ink under the edge of a shape that the knock-out takes is no line.

By the rule of "over" (Porter and Duff, "Compositing digital images", 1984) a pixel that both cover to a keeps a(1 − a)
of the lower one, a quarter at most.
"""

from __future__ import annotations

import numpy as np
import pytest

from ops.findings_base import rect
from ops.findings_cases import Case, svg
from ops.findings_table import checked
from pipeline.stages.preflight import residue


@pytest.mark.parametrize("route", ["direct", "transfer"])
@pytest.mark.parametrize("turn", [0, 90, 27])
@pytest.mark.parametrize(("ink", "cloth"), [("#1a3a8f", "#ffffff"), ("#f0c040", "#141418")])
def test_a_stripe_of_the_cloths_colour_flush_with_an_edge_leaves_no_line(route, turn, ink, cloth):
    turned = f'transform="rotate({turn} 30 30)"'

    def found(stripe_at: float) -> set[str]:
        art = svg(rect(10, 10, 40, 40, ink, turned) + rect(stripe_at, 10, 1.5, 40, cloth, turned))
        case = Case("", "", (art, {}), "", (art, {}), route=route)
        return {f.code for f in checked(case, art, {"fabric": {"srgb": cloth}}) if f.severity != "note"}

    assert found(10.0) == set()
    assert "thin-line" in found(10.1)  # a line of 0.1 mm is left beside it


def test_faint_ink_that_no_knock_out_left_stays_as_it_is():
    plain = np.zeros((20, 20, 4), np.uint8)
    plain[:, 5] = 20, 60, 140, 60
    plain[:, 8:14] = 255
    kept = plain.copy()
    kept[:, 8:14] = 0
    assert residue.without_residue(plain, plain) is None
    assert residue.without_residue(kept, plain) is None  # three pixels from what was taken out
    plain[:, 6:8] = 255
    cleaned = residue.without_residue(kept, plain)
    assert cleaned is not None
    assert not cleaned.any()
