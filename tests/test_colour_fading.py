"""Kubelka–Munk and the loss of colourant against tables and what the literature says of washing."""

from __future__ import annotations

import csv

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from pipeline.colour import fading
from tests.conftest import REFERENCE


def table(name):
    with (REFERENCE / name).open(encoding="utf-8") as lines:
        return [{k: float(v) for k, v in row.items()} for row in csv.DictReader(lines)]


@pytest.mark.parametrize("row", table("kubelka_munk.csv"), ids=lambda r: str(r["R_inf"]))
def test_reflectance_and_ks(row):
    """Kubelka, Munk 1931: both directions of the table."""
    assert fading.reflectance_to_ks(row["R_inf"]) == pytest.approx(row["K_over_S"], abs=6e-9)
    assert fading.ks_to_reflectance(row["K_over_S"]) == pytest.approx(row["R_back"], abs=1e-6)


@pytest.mark.parametrize(
    "row", table("fading_first_order_km.csv"), ids=lambda r: "-".join(map(str, list(r.values())[:4]))
)
def test_first_order_table(row):
    """dC/dt = −kC over a ground: share of colourant and reflectance, to the table's six places."""
    left = fading.colourant_left(row["n_washes"], row["k_per_wash"], 0.0)

    assert left == pytest.approx(row["fraction_of_dye_left"], abs=6e-7)
    assert fading.predict(row["R_unwashed"], row["R_substrate"], left) == pytest.approx(
        row["R_after"], abs=6e-7
    )


def test_the_first_wash_takes_most_and_later_ones_less_and_less():
    """Household washing of up to 30 cycles: largest change at the first wash, minimal later (2025 abstract);
    naturally coloured cotton: no visible further change late in life (Chen-Yu et al. 2025)."""
    washes = np.arange(31)
    steps = -np.diff(fading.colourant_left(washes, 0.02, 0.08))

    assert steps[0] == steps.max()
    assert steps[0] > 3 * steps[1]
    assert (np.diff(steps[1:]) < 0).all()


def test_five_launderings_are_one_accelerated_test():
    """AATCC TM61: one accelerated test about five launderings, so five times k at one cycle gives the same loss."""
    assert fading.colourant_left(25, 0.02, 0) == pytest.approx(
        float(fading.colourant_left(5, 0.1, 0)), rel=1e-12
    )


def test_nothing_is_lost_before_the_first_wash():
    """m(0) = 1 whatever the constants."""
    assert (fading.colourant_left(0, [0.01, 0.3], [0.0, 0.9]) == 1).all()


REFLECTANCE = st.floats(0.001, 1.0)
LEFT = st.floats(0.05, 1.0)


@given(REFLECTANCE, st.floats(0.02, 1.0), LEFT)
def test_what_is_printed_washes_to_the_target(target, ground, left):
    """Compensate, then wash: the target comes back wherever the press can reach."""
    printed, short = fading.compensate(target, ground, left, darkest=1e-6)
    assume(not short)

    assert fading.predict(printed, ground, left) == pytest.approx(target, rel=1e-9)


@given(REFLECTANCE, st.floats(0.05, 1.0), LEFT)
def test_compensation_only_darkens_and_stops_at_the_darkest_ink(target, ground, left):
    """What is lighter than the ground stays; the rest is not lighter than its target, nor darker than the press."""
    printed, short = fading.compensate(target, ground, left, darkest=0.03)

    assert printed >= 0.03
    if target >= ground:
        assert printed == target
    assert printed <= max(target, 0.03) * (1 + 1e-12)
    if short:
        assert printed == 0.03


def test_full_black_is_out_of_reach():
    """A target at the press's darkest reflectance cannot be printed darker, and is told."""
    printed, short = fading.compensate([0.0, 0.03, 0.5], 0.85, 0.7, darkest=0.03)

    assert short.tolist() == [True, True, False]
    assert printed[:2].tolist() == [0.03, 0.03]
