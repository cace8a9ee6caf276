"""Colour spaces against published constants, worked values, colour-science and the standard library."""

from __future__ import annotations

import colorsys
import csv
import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.colour import spaces
from tests.conftest import REFERENCE

with (REFERENCE / "srgb_xyz_lab_oklab.csv").open(encoding="utf-8") as lines:
    WORKED = list(csv.DictReader(lines))
CONSTANTS = json.loads((REFERENCE / "colour_constants.json").read_text(encoding="utf-8"))
UNIT = st.floats(0, 1, allow_nan=False)
COLOUR = st.tuples(UNIT, UNIT, UNIT)


def column(name):
    return np.array([[float(v) for v in row[name].split()] for row in WORKED])


ENCODED = column("rgb8") / 255
RNG = np.random.default_rng(7)
CUBE = RNG.random((40, 5, 3))


def colour_science():
    """The outside library is slow to import and warns about what it does not find."""
    import warnings

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour
    return colour


def test_linear_light_of_worked_colours():
    """IEC 61966-2-1, worked values (reference/srgb_xyz_lab_oklab.csv)."""
    assert spaces.srgb_to_linear(ENCODED) == pytest.approx(column("linear"), abs=5e-9)


def test_both_branches_of_the_curve_meet_the_published_codes():
    """IEC 61966-2-1: 8-bit codes 10 and 11 lie on either side of the branch (reference/colour_constants.json)."""
    table = CONSTANTS["iec61966_2_1"]

    assert spaces.LINEAR_OF_8BIT[10] == pytest.approx(table["code_10_linear"], rel=1e-12)
    assert spaces.LINEAR_OF_8BIT[11] == pytest.approx(table["code_11_linear"], rel=1e-12)


def test_xyz_and_lab_of_worked_colours():
    """Matrix from the primaries, Lab under D65: worked values at the table's own precision."""
    xyz = spaces.linear_to_xyz(spaces.srgb_to_linear(ENCODED))

    assert xyz == pytest.approx(column("XYZ_D65_derived"), abs=6e-7)
    assert spaces.srgb_to_lab(ENCODED) == pytest.approx(column("Lab_D65_derived"), abs=6e-5)


def test_matrix_is_that_of_the_primaries():
    """IEC 61966-2-1 matrix derived from primaries and white, 9 places."""
    published = np.array(CONSTANTS["iec61966_2_1"]["matrix_derived_from_primaries"])

    assert pytest.approx(published, abs=1e-9) == spaces.linear_to_xyz(np.eye(3)).T


def test_lightness_of_luminance():
    """ISO/CIE 11664-4: L* of Y on both branches."""
    for row in CONSTANTS["iso_11664_4"]["L_of_Y"]:
        grey = np.array(spaces.D65) * row["Y"]

        assert spaces.xyz_to_lab(grey)[0] == pytest.approx(row["Lstar"], abs=5e-6)


def test_lab_under_d50_of_worked_colours():
    """Bradford adaptation to the ICC profile connection space, D50: worked values."""
    xyz = spaces.adapt(
        spaces.linear_to_xyz(spaces.srgb_to_linear(ENCODED)), spaces.D65, spaces.WHITES["D50", 2]
    )

    assert spaces.xyz_to_lab(xyz, spaces.WHITES["D50", 2]) == pytest.approx(
        column("Lab_D50_bradford"), abs=2e-4
    )


def test_oklab_of_worked_colours_and_of_the_published_table():
    """B. Ottosson 2020: worked sRGB values, and the four XYZ pairs of the post to its three places."""
    assert spaces.srgb_to_oklab(ENCODED) == pytest.approx(column("OKLab_ottosson"), abs=4e-4)
    for pair in CONSTANTS["pairs"]:
        assert spaces.xyz_to_oklab(pair["XYZ"]) == pytest.approx(np.array(pair["expected_3dp"]), abs=6e-4)


@pytest.mark.filterwarnings("ignore")
def test_lab_agrees_with_colour_science():
    """colour-science: XYZ to Lab and back against the four whites."""
    colour = colour_science()
    for (illuminant, observer), white in spaces.WHITES.items():
        total = sum(white)
        expected = colour.XYZ_to_Lab(CUBE, [white[0] / total, white[1] / total])

        assert spaces.xyz_to_lab(CUBE, white) == pytest.approx(expected, abs=1e-9), (illuminant, observer)


@pytest.mark.filterwarnings("ignore")
def test_whites_agree_with_colour_science():
    """CIE 15 chromaticities in colour-science: within 1e-4 (D65) and 3e-4 of XYZ (D50 of ICC.1 is rounded)."""
    colour = colour_science()
    names = {2: "CIE 1931 2 Degree Standard Observer", 10: "CIE 1964 10 Degree Standard Observer"}
    for (illuminant, observer), white in spaces.WHITES.items():
        expected = colour.xy_to_XYZ(colour.CCS_ILLUMINANTS[names[observer]][illuminant])

        assert np.array(white) == pytest.approx(expected, abs=3e-4)


@pytest.mark.filterwarnings("ignore")
def test_bradford_agrees_with_colour_science():
    """colour-science, Von Kries transform with the Bradford matrix."""
    colour = colour_science()
    for white in spaces.WHITES.values():
        expected = colour.adaptation.chromatic_adaptation_VonKries(
            CUBE, np.array(white), np.array(spaces.D65), "Bradford"
        )

        assert spaces.adapt(CUBE, white, spaces.D65) == pytest.approx(expected, abs=1e-9)


def test_adapted_white_is_white_and_comes_back():
    """A white adapts to the other white, and adapting back restores any colour."""
    for white in spaces.WHITES.values():
        assert spaces.adapt(white, white, spaces.D65) == pytest.approx(np.array(spaces.D65), abs=1e-12)
        there = spaces.adapt(CUBE, spaces.D65, white)
        assert spaces.adapt(there, white, spaces.D65) == pytest.approx(CUBE, abs=1e-12)


def test_a_measured_paper_white_is_neutral_and_in_gamut():
    """Lab (100, 0, 0) of any instrument setting is sRGB white; a vivid green under D50 is told to lie outside."""
    for illuminant, observer in spaces.WHITES:
        white = spaces.measured_lab_to_srgb([100, 0, 0], illuminant, observer)
        assert white.srgb == pytest.approx(np.ones(3), abs=1e-6)
        assert white.lost == 0
    outside = spaces.measured_lab_to_srgb([60, -90, 60])
    assert outside.lost > 2
    assert outside.srgb.min() >= 0


def test_measured_colours_of_the_table_come_back():
    """Lab D50 of the worked table gives the sRGB it was computed from, to half an 8-bit level."""
    back = spaces.measured_lab_to_srgb(column("Lab_D50_bradford"), "D50", 2)

    assert np.abs(back.srgb - ENCODED).max() < 0.5 / 255


def test_gamut_is_told():
    """sRGB's own corners are inside, a chroma that no display shows is outside."""
    corners = np.array(np.meshgrid([0, 1], [0, 1], [0, 1])).reshape(3, -1).T.astype(float)

    assert spaces.in_gamut(spaces.lab_to_srgb(spaces.srgb_to_lab(corners))).all()
    assert not spaces.in_gamut(spaces.lab_to_srgb([50, 100, -100]))


@given(COLOUR)
def test_every_colour_survives_the_way_to_lab_and_back(rgb):
    """Encoded sRGB → Lab → encoded sRGB is the identity."""
    assert spaces.lab_to_srgb(spaces.srgb_to_lab(rgb)) == pytest.approx(np.array(rgb), abs=1e-9)


@given(COLOUR)
def test_hsb_is_that_of_the_standard_library(rgb):
    """colorsys gives the same bits in both directions."""
    hsb = spaces.srgb_to_hsb(rgb)

    assert tuple(hsb) == colorsys.rgb_to_hsv(*rgb)
    assert tuple(spaces.hsb_to_srgb(hsb)) == pytest.approx(colorsys.hsv_to_rgb(*hsb), abs=1e-15)


def test_hsb_of_every_grey_and_primary_corner_equals_colorsys():
    """colorsys on a lattice of 8-bit colours that holds all ties between channels."""
    levels = np.array([0, 1, 20, 128, 254, 255]) / 255
    grid = np.array(np.meshgrid(levels, levels, levels)).reshape(3, -1).T
    expected = np.array([colorsys.rgb_to_hsv(*c) for c in grid])

    assert np.array_equal(spaces.srgb_to_hsb(grid), expected)
    assert spaces.hsb_to_srgb(expected) == pytest.approx(grid, abs=1e-15)


def test_contrast_of_worked_pairs():
    """WCAG 2.2 contrast ratio, worked pairs (reference/wcag_contrast.json)."""
    table = json.loads((REFERENCE / "wcag_contrast.json").read_text(encoding="utf-8"))
    for row in table["values"]:
        one, other = (np.array([int(row[k][i : i + 2], 16) for i in (1, 3, 5)]) / 255 for k in ("fg", "bg"))

        assert spaces.relative_luminance(one) == pytest.approx(row["L_fg"], abs=6e-7)
        assert spaces.wcag_contrast(one, other) == pytest.approx(row["contrast"], abs=6e-5)
        assert spaces.wcag_contrast(other, one) == spaces.wcag_contrast(one, other)


def test_lab_of_8_bit_colours_is_the_same_by_table():
    """The fast way and the plain way agree, whatever the leading shape."""
    rgb8 = RNG.integers(0, 256, (7, 11, 3), dtype=np.uint8)

    assert np.array_equal(spaces.lab_of_rgb8(rgb8), spaces.srgb_to_lab(rgb8 / 255))
    assert spaces.lab_of_rgb8((31, 42, 68)).shape == (3,)


def test_greys_have_no_chroma():
    """All 256 greys have a* = b* = 0 under D65."""
    greys = np.repeat(np.arange(256)[:, np.newaxis], 3, axis=1)

    assert np.abs(spaces.lab_of_rgb8(greys)[:, 1:]).max() < 1e-9


def test_hue_and_chroma_of_a_known_lab():
    """3-4-5: hue in degrees from +a* towards +b*."""
    assert spaces.lab_to_lch([50, 3, 4]) == pytest.approx(np.array([50, 5, np.degrees(np.arctan2(4, 3))]))
    assert spaces.lab_to_lch([50, 0, -2])[2] == pytest.approx(270)


def test_rounding_to_8_bits_clips_and_rounds():
    """Every 8-bit colour comes back; what lies outside is clipped."""
    assert np.array_equal(spaces.rgb8_of(np.arange(256) / 255), np.arange(256))
    assert spaces.rgb8_of([-0.2, 1.7, 0.5]).tolist() == [0, 255, 128]


@pytest.mark.parametrize("shape", [(2,), (3, 4), ()])
def test_arrays_without_three_channels_are_refused(shape):
    """The last axis must be the channel."""
    with pytest.raises(ValueError, match="3 channels"):
        spaces.linear_to_xyz(np.zeros(shape))
