"""Colour differences against the papers' pairs and worked examples of the grey scale."""

from __future__ import annotations

import csv
import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.colour.difference import (
    GreyGrade,
    delta_e_00,
    delta_e_76,
    grade,
    grey_scale_grade,
    iso105_a05_difference,
)
from tests.conftest import REFERENCE

with (REFERENCE / "ciede2000_pairs.csv").open(encoding="utf-8") as lines:
    PAIRS = list(csv.DictReader(lines))
ONE = np.array([[float(r[k]) for k in ("L1", "a1", "b1")] for r in PAIRS])
OTHER = np.array([[float(r[k]) for k in ("L2", "a2", "b2")] for r in PAIRS])
SCALES = json.loads((REFERENCE / "iso105_grey_scales.json").read_text(encoding="utf-8"))
LAB = st.tuples(st.floats(0, 100), st.floats(-120, 120), st.floats(-120, 120))


def test_ciede2000_of_the_34_pairs():
    """Sharma, Wu, Dalal 2005, table 1: ΔE00 to its four places, in both directions."""
    expected = np.array([float(r["dE00"]) for r in PAIRS])

    assert len(PAIRS) == 34
    assert delta_e_00(ONE, OTHER) == pytest.approx(expected, abs=1e-4)
    assert delta_e_00(OTHER, ONE) == pytest.approx(expected, abs=1e-4)


def test_cie76_of_the_34_pairs():
    """CIE 15: Euclidean difference of the same pairs."""
    assert delta_e_76(ONE, OTHER) == pytest.approx(np.array([float(r["dE76"]) for r in PAIRS]), abs=1e-6)


def test_ciede2000_agrees_with_scikit_image():
    """scikit-image on random Lab pairs, hue wrap and all."""
    color = pytest.importorskip("skimage.color")
    rng = np.random.default_rng(3)
    low, high = [0, -110, -110], [100, 110, 110]
    one, other = rng.uniform(low, high, (4000, 3)), rng.uniform(low, high, (4000, 3))

    assert delta_e_00(one, other) == pytest.approx(color.deltaE_ciede2000(one, other), abs=1e-9)


def test_leading_shapes_broadcast():
    """A picture against a few colours gives a difference for each pair."""
    picture, few = np.zeros((4, 5, 1, 3)), np.array([[50.0, 0, 0], [10, 5, 5]])

    assert delta_e_00(picture, few).shape == (4, 5, 2)
    assert delta_e_76(picture, few)[0, 0, 0] == 50


@given(LAB, LAB)
def test_ciede2000_is_symmetric_and_nought_only_for_the_same(one, other):
    """ΔE00(x, y) = ΔE00(y, x) ≥ 0, and ΔE00(x, x) = 0 (Sharma et al. 2005, section 2)."""
    assert delta_e_00(one, other) == pytest.approx(float(delta_e_00(other, one)), abs=1e-9)
    assert delta_e_00(one, one) == 0


@pytest.mark.parametrize("step", SCALES["A02_change_in_colour"], ids=lambda s: s["grade"])
def test_steps_of_the_grey_scale_get_their_own_grade(step):
    """ISO 105-A02: neutral pairs of each step's nominal difference, and of its tolerance, have that step's grade."""
    reference = [40, 0, 0]

    for difference in (step["dEab"], max(0, step["dEab"] - step["tol"]), step["dEab"] + step["tol"]):
        assert grey_scale_grade(reference, [40 + difference, 0, 0]).label == step["grade"]


@pytest.mark.parametrize("row", SCALES["A05"]["worked"], ids=lambda r: f"{r['dEF']:.2f}")
def test_worked_examples_of_the_instrumental_grade(row):
    """ISO 105-A05, clauses 7 and 8: worked examples, all hue cases."""
    difference = iso105_a05_difference(row["Lab_ref"], row["Lab_test"])

    assert difference == pytest.approx(row["dEF"], abs=1e-6)
    assert grade(difference) == pytest.approx(row["GS_continuous"], abs=1e-6)
    assert grey_scale_grade(row["Lab_ref"], row["Lab_test"]).label == row["GS_grade"]


@pytest.mark.parametrize("row", SCALES["A05"]["grade_table"], ids=lambda r: r["grade"])
def test_the_table_of_grades_includes_its_lower_edges(row):
    """ISO 105-A05 table: each grade from its lower edge to just below the next (edges from memory, see SOURCES)."""
    for difference in (row["dEF_from"], (row["dEF_below"] or 30) - 1e-6):
        assert grey_scale_grade([0, 0, 0], [difference, 0, 0]).label == row["grade"]


def test_continuous_grade_never_rises_with_the_difference_and_stays_on_the_scale():
    """Larger change, lower grade; 5 for none, 1 for any change beyond the scale."""
    grades = grade(np.linspace(0, 60, 2000))

    assert grades[0] == 5
    assert grades[-1] == 1
    assert (np.diff(grades) <= 0).all()


def test_half_steps_are_named_by_their_neighbours():
    """The trade writes 4-5, not 4.5."""
    assert [GreyGrade(v).label for v in (5.0, 4.5, 1.5, 1.0)] == ["5", "4-5", "1-2", "1"]


def test_arrays_that_are_not_lab_are_refused():
    """The last axis must hold three channels."""
    with pytest.raises(ValueError, match="L\\*, a\\*, b\\*"):
        delta_e_00(np.zeros((4, 4)), np.zeros(3))
