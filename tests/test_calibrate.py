"""Calibration: known constants come back from simulated wash tests, and bad tables are refused by row and column."""

from __future__ import annotations

import tomllib

import numpy as np
import pytest

from pipeline.calibrate import calibrate, format_lines, picture
from pipeline.colour import fading, spaces
from pipeline.faults import Refused
from pipeline.shop_parts import Wash

HEADER = "route,fibre,patch,cycles,L,a,b,illuminant,observer"
PATCHES = {
    "cyan": (0.03, 0.35, 0.65),
    "magenta": (0.6, 0.04, 0.3),
    "yellow": (0.75, 0.65, 0.03),
    "black": (0.03,) * 3,
}
K, LOSS, GROUND = (0.021, 0.014, 0.033), (0.06, 0.03, 0.09), 0.85


def table(
    *, noise=0.0, seed=1, cycles=(0, 1, 3, 5, 10, 15, 20, 25), fibre="cotton", illuminant="D65", observer=2
):
    """A wash test as an instrument would give it: the model of Kubelka–Munk and first-order loss, plus noise in Lab.

    A standard deviation of 0.1 in each of L*, a*, b* is what hand-held instruments repeat to (common practice, no
    source).
    """
    rng = np.random.default_rng(seed)
    white = spaces.WHITES[illuminant, observer]
    rows = []
    for patch, new in PATCHES.items():
        for n in cycles:
            left = fading.colourant_left(n, K, LOSS)
            xyz = spaces.linear_to_xyz(fading.predict(new, GROUND, left))
            lab = spaces.xyz_to_lab(spaces.adapt(xyz, spaces.D65, white), white) + rng.normal(0, noise, 3)
            values = ",".join(f"{v:.6f}" for v in lab)
            rows.append(f"direct,{fibre},{patch},{n},{values},{illuminant},{observer}")
    return "\n".join([HEADER, *rows]) + "\n"


@pytest.mark.parametrize("seen_under", [("D65", 2), ("D50", 2), ("D65", 10), ("D50", 10)])
def test_constants_come_back_from_exact_readings(seen_under):
    """Without noise, k and f are those the readings were made with, whatever the instrument's setting."""
    (washes,) = calibrate(table(illuminant=seen_under[0], observer=seen_under[1])).washes

    assert [c.value for c in washes.k] == pytest.approx(K, abs=2e-5)
    assert [c.value for c in washes.first_loss] == pytest.approx(LOSS, abs=2e-4)
    assert washes.worst_residual < 0.01
    assert washes.warnings == ()
    assert (washes.readings, washes.patches, washes.cycles) == (32, 4, 25)


def test_confidence_intervals_cover_the_truth_about_as_often_as_they_say():
    """40 noisy tests, 6 constants each: 95 % intervals hold the truth in 90 to 99.5 % of 240 cases."""
    hits, widths = 0, []
    for seed in range(40):
        (washes,) = calibrate(table(noise=0.1, seed=seed)).washes
        pairs = [*zip(washes.k, K, strict=True), *zip(washes.first_loss, LOSS, strict=True)]
        hits += sum(c.low <= truth <= c.high for c, truth in pairs)
        widths += [c.high - c.low for c in washes.k]

    assert 0.90 <= hits / 240 <= 0.995
    assert max(widths) < 0.01


def test_noisy_readings_give_a_residual_of_the_size_of_the_noise_and_no_warning():
    """Noise of 0.1 a coordinate is a residual below half a ΔE00: the model is followed."""
    (washes,) = calibrate(table(noise=0.1)).washes

    assert 0.02 < washes.mean_residual < 0.5
    assert washes.warnings == ()


def test_a_reading_that_leaves_the_curve_is_named():
    """One patch measured wrongly after 10 washes: a warning with patch, distance and number of washes."""
    rows = table().splitlines()
    place = next(i for i, r in enumerate(rows) if r.startswith("direct,cotton,magenta,10,"))
    cells = rows[place].split(",")
    cells[4] = f"{float(cells[4]) - 9:.3f}"
    rows[place] = ",".join(cells)

    (washes,) = calibrate("\n".join(rows)).washes

    assert any("magenta does not follow the model" in w and "after 10 washes" in w for w in washes.warnings)
    assert any("magenta grows darker again between 5 and 10 washes" in w for w in washes.warnings)
    assert washes.worst_at == "magenta after 10 washes"


def test_a_patch_that_srgb_cannot_hold_is_told_with_what_to_measure():
    """A vivid process cyan, Lab 55, −36, −50 (about coated paper, no source), has no red left in linear sRGB."""
    vivid = [
        f"direct,cotton,vivid cyan,{n},{55 + n / 5},{-36 + n / 5},{-50 + n / 5},D50,2" for n in (0, 1, 5, 10)
    ]
    (washes,) = calibrate(table() + "\n".join(vivid)).washes

    assert [w for w in washes.warnings if "vivid cyan is more vivid" in w and "red channel" in w]
    assert not [p for p in washes.points if p.patch == "vivid cyan" and p.channel == 0 and p.cycles == 0]
    assert washes.k[0].value == pytest.approx(K[0], abs=1e-3)


def test_prints_that_grow_darker_count_as_0_and_are_told():
    """Natural cotton first grows darker (Chen-Yu et al. 2025): a negative loss is no constant for a shop file."""
    rows = []
    for row in table().splitlines():
        cells = row.split(",")
        if cells[3] not in {"cycles", "0"}:
            cells[4] = f"{float(cells[4]) - 6:.3f}"
        rows.append(",".join(cells))

    (washes,) = calibrate("\n".join(rows)).washes

    assert min(c.value for c in washes.first_loss) == 0
    assert any("grew darker" in w for w in washes.warnings)


def test_a_measured_base_replaces_the_built_in_ground():
    """With the base measured, constants come back from prints on a darker base too."""
    dark = 0.6
    rows = [HEADER]
    for patch, new in {"base": (dark,) * 3, **PATCHES}.items():
        for n in (0, 1, 5, 10, 20):
            lab = spaces.xyz_to_lab(
                spaces.linear_to_xyz(fading.predict(new, dark, fading.colourant_left(n, K, LOSS)))
            )
            rows.append(f"screen,cotton,{patch},{n}," + ",".join(f"{v:.6f}" for v in lab) + ",D65,2")

    (washes,) = calibrate("\n".join(rows)).washes

    assert [c.value for c in washes.k] == pytest.approx(K, abs=2e-5)
    assert washes.patches == 4


def test_lines_are_toml_for_the_shop_file():
    """tomllib reads the lines back, and the shop file's own model takes them: each fibre's rates under its route."""
    text = table() + "\n".join(table(fibre="polyester").splitlines()[1:]) + "\n"

    entry = tomllib.loads(format_lines(calibrate(text)))["washes"]["direct"]
    wash = Wash(life=25, **entry)

    assert list(wash.fibres) == ["cotton", "polyester"]
    assert wash.fibres["cotton"].k == pytest.approx(K, abs=1e-4)
    assert wash.fibres["polyester"].f == pytest.approx(LOSS, abs=3e-4)
    assert wash.calibrated.startswith("64 readings of 8 patches, up to 25 washes")


def test_the_order_of_rows_does_not_matter():
    """Rows shuffled, a byte order mark and spaces after commas: the same lines."""
    head, *rows = table(noise=0.1).splitlines()
    np.random.default_rng(3).shuffle(rows)

    assert format_lines(calibrate("\ufeff" + "\n".join([head, *rows]))) == format_lines(
        calibrate(table(noise=0.1))
    )


@pytest.mark.parametrize(
    ("column", "value", "told"),
    [
        ("route", "inkjet", "direct, transfer, screen"),
        ("fibre", "coton", "one of cotton, polyester"),
        ("patch", "", "a name"),
        ("cycles", "1.5", "a whole number"),
        ("cycles", "-1", "from 0 to 1000"),
        ("L", "fifty", "with a decimal point"),
        ("L", "nan", "from 0 to 105"),
        ("a", "inf", "from -160 to 160"),
        ("illuminant", "A", "D50, D65"),
        ("observer", "5", "2, 10"),
    ],
)
def test_a_wrong_cell_is_refused_by_row_column_value_and_what_is_allowed(column, value, told):
    """The message says where to look and what to write."""
    rows = table().splitlines()
    cells = rows[3].split(",")
    cells[HEADER.split(",").index(column)] = value
    rows[3] = ",".join(cells)

    with pytest.raises(Refused) as refused:
        calibrate("\n".join(rows))

    assert f"row 4, column {column}: {value!r}" in refused.value.message
    assert told in refused.value.message


def test_all_wrong_cells_are_told_at_once():
    """Two mistakes on one row, one on another."""
    rows = table().splitlines()
    rows[2], rows[5] = "direct,cotton,cyan,x,1,2,3,D65,3", "direct,cotton"

    with pytest.raises(Refused) as refused:
        calibrate("\n".join(rows))

    message = refused.value.message
    assert "row 3, column cycles" in message
    assert "row 3, column observer" in message
    assert "row 6: 9 values are needed" in message


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "'route' is missing"),
        (HEADER, "no readings"),
        (HEADER.replace("fibre", "fiber") + "\n", "did you mean 'fibre'"),
        (HEADER + ",route\n", "'route' is there twice"),
        (HEADER.replace(",", ";") + "\n", "separated by commas"),
    ],
)
def test_a_wrong_header_is_refused(text, told):
    """What is missing, unknown or double in the first row is named."""
    with pytest.raises(Refused, match=r"first row|readings") as refused:
        calibrate(text)

    assert told in refused.value.message


def test_too_little_is_refused_with_what_to_measure():
    """No unwashed reading, a single number of washes, no patch that absorbs a channel: each says what to do."""
    head, *rows = table().splitlines()

    def refusal(keep):
        with pytest.raises(Refused) as refused:
            calibrate("\n".join([head, *(r for r in rows if keep(r.split(",")))]))
        return refused.value.message

    assert "no reading at 0 cycles for cyan" in refusal(lambda c: c[2] != "cyan" or c[3] != "0")
    assert "two or more numbers of washes" in refusal(lambda c: c[3] in {"0", "10"})
    assert "Measure each patch" in refusal(lambda c: c[3] != "0")
    assert "blue channel" in refusal_without_yellow(head)


def refusal_without_yellow(head):
    """A cyan that absorbs no blue light alone."""
    rows = []
    for n in (0, 1, 5, 10):
        linear = fading.predict((0.05, 0.3, 0.86), GROUND, fading.colourant_left(n, K, LOSS))
        lab = spaces.xyz_to_lab(spaces.linear_to_xyz(linear))
        rows.append(f"direct,cotton,cyan,{n}," + ",".join(f"{v:.5f}" for v in lab) + ",D65,2")
    with pytest.raises(Refused) as refused:
        calibrate("\n".join([head, *rows]))
    return refused.value.message


def test_the_picture_shows_readings_on_their_curve():
    """Where the model puts the first and last share of colourant, there is the channel's ink; elsewhere white."""
    image = picture(calibrate(table()))
    pixels = np.asarray(image)

    assert image.size == (3 * 380, 260)
    for channel in range(3):
        panel = pixels[:, channel * 380 : (channel + 1) * 380].astype(int)
        ink = (panel.max(axis=-1) - panel.min(axis=-1)) > 60
        columns = np.flatnonzero(ink.any(axis=0))
        end = float(fading.colourant_left(25, K[channel], LOSS[channel]))
        rows = np.flatnonzero(ink[:, columns[-1] - 3])
        expected = 46 + 168 * (1 - end / 1.05)
        assert abs(rows.mean() - expected) < 3
