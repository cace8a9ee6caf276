"""The fade stage: what is printed looks right at n*, edges stay mixtures, and what may not move does not."""

from __future__ import annotations

import colorsys

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from skimage.color import deltaE_ciede2000, rgb2lab

from pipeline.colour.difference import delta_e_00
from pipeline.colour.palette import MainColour, flat_palette
from pipeline.colour.spaces import lab_of_rgb8
from pipeline.stages.fade import FadeSettings, OwnChange, colour_lives, compensate, predict

NAVY, CREAM, BRICK, MOSS, TEAL = (31, 58, 95), (244, 233, 216), (184, 85, 67), (91, 130, 62), (60, 150, 160)
MODEL = FadeSettings(method="model", calibrated=True)
FREE = FadeSettings(method="model", calibrated=True, max_fresh_shift=100, darkest=0.002)
LEVELS = st.integers(0, 255)
COLOUR = st.tuples(LEVELS, LEVELS, LEVELS)


def patch(*colours, size=8):
    """Opaque squares side by side."""
    out = np.full((size, size * len(colours), 4), 255, dtype=np.uint8)
    for i, colour in enumerate(colours):
        out[:, i * size : (i + 1) * size, :3] = colour
    return out


def printed(colour, setting, *, on_base=True):
    """What one colour becomes."""
    return tuple(int(v) for v in compensate(patch(colour), on_base, setting).pixels[0, 0, :3])


def edge(one, other, width=20, samples=16):
    """Two surfaces, and one pixel between them a row, mixed in encoded sRGB in the steps of 16 samples a pixel."""
    share = np.zeros((samples + 1, 2 * width + 1, 1))
    share[:, width, 0], share[:, width + 1 :] = np.arange(samples + 1) / samples, 1
    out = np.full((samples + 1, 2 * width + 1, 4), 255, dtype=np.uint8)
    out[..., :3] = np.rint((1 - share) * np.array(one) + share * np.array(other))
    return out, width


def off_line(pixels, one, other):
    """ΔE00 of each pixel (N, 3) from the nearest of a thousand mixtures of two colours."""
    share = np.linspace(0, 1, 1001)[:, np.newaxis]
    mixtures = np.rint((1 - share) * np.array(one) + share * np.array(other)).astype(np.uint8)
    return delta_e_00(lab_of_rgb8(pixels)[:, np.newaxis], lab_of_rgb8(mixtures)).min(axis=1)


def distance(one, other):
    """ΔE00 of two 8-bit colours."""
    return float(delta_e_00(lab_of_rgb8(one), lab_of_rgb8(other)))


@given(COLOUR)
@settings(max_examples=80, deadline=None)
def test_print_washed_n_times_is_the_design(colour):
    """Round trip through the model: print, wash n* times, and the design is there (8-bit rounding aside)."""
    assume(min(colour) >= 60)  # darker channels want ink darker than any press has

    assert distance(predict(printed(colour, FREE), FREE.washes, FREE), colour) < 1.0


@given(LEVELS)
@settings(max_examples=40, deadline=None)
def test_neutrals_stay_neutral_when_the_channels_wash_alike(level):
    """Equal k and f, by every method: a grey is printed as a grey."""
    for setting in (MODEL, FREE, FadeSettings()):
        out = printed((level,) * 3, setting)
        assert len(set(out)) == 1


@given(COLOUR)
@settings(max_examples=60, deadline=None)
def test_the_model_never_lightens_and_keeps_what_is_lighter_than_the_ground(colour):
    """Colourant is only ever added; white and channels above the base's reflectance of 0.85 (level 238) stay."""
    out = printed(colour, MODEL)

    assert all(o <= c for o, c in zip(out, colour, strict=True))
    assert all(o == c for o, c in zip(out, colour, strict=True) if c >= 238)


def test_the_fabric_is_the_ground_without_a_base():
    """On bare dark cloth a colour lighter than it has no colourant to strengthen; on a base it has."""
    setting = FadeSettings(method="model", calibrated=True, ground_srgb=(90, 90, 90))

    assert printed((120, 110, 100), setting, on_base=False) == (120, 110, 100)
    assert printed((120, 110, 100), setting, on_base=True) != (120, 110, 100)


def test_a_base_plane_decides_pixel_by_pixel():
    """Half the picture on a base: each half as if the whole lay so, and a pixel's alpha is what it was."""
    setting = FadeSettings(method="model", calibrated=True, ground_srgb=(90, 90, 90))
    pixels = patch((120, 110, 100), (120, 110, 100))
    pixels[2:5, :, 3] = 100
    base = np.zeros((8, 16), dtype=np.uint8)
    base[:, :8] = 255

    out = compensate(pixels, base, setting)

    assert np.array_equal(out.pixels[:, :8], compensate(pixels[:, :8], True, setting).pixels)
    assert np.array_equal(out.pixels[:, 8:], compensate(pixels[:, 8:], False, setting).pixels)


@given(COLOUR, st.floats(1, 40))
@settings(max_examples=80, deadline=None)
def test_saturation_is_the_studio_habit(colour, percent):
    """HSB by colorsys: S′ = min(1, S·(1 + p/100)), S < 0.08 left alone, L* < 30 gets V × 0.95 (common practice).

    Whatever the shop's limit for the fresh print.
    """
    h, s, v = colorsys.rgb_to_hsv(*(c / 255 for c in colour))
    dark = lab_of_rgb8(colour)[0] < 30
    want = colorsys.hsv_to_rgb(
        h, s if s < 0.08 else min(1, s * (1 + percent / 100)), v * (0.95 if dark else 1)
    )

    out = printed(colour, FadeSettings(percent=percent, max_fresh_shift=1))

    assert out == pytest.approx([255 * c for c in want], abs=0.501)


def test_saturation_is_exact_on_photographs():
    """Every pixel by colorsys, as if it were alone."""
    pixels = grain()
    assert flat_palette(pixels) is None
    out = compensate(pixels, True, FadeSettings(percent=12)).pixels

    for before, after in zip(pixels.reshape(-1, 4)[::211], out.reshape(-1, 4)[::211], strict=True):
        h, s, v = colorsys.rgb_to_hsv(*(before[:3] / 255))
        dark = lab_of_rgb8(before[:3])[0] < 30
        want = colorsys.hsv_to_rgb(h, s if s < 0.08 else min(1, s * 1.12), v * (0.95 if dark else 1))
        assert after[3] == before[3]
        assert after[:3] == pytest.approx([255 * c for c in want], abs=0.501)


def test_a_saturated_print_far_from_the_design_is_told():
    """Half the picture, the more saturated by 30 %, is more than ΔE00 3 off; white is not. ΔE00 by scikit-image."""
    result = compensate(patch(BRICK, (255, 255, 255)), True, FadeSettings(percent=30))
    (told,) = result.findings
    off = deltaE_ciede2000(*(rgb2lab(np.array(c, float) / 255) for c in (BRICK, result.pixels[0, 0, :3])))

    assert (told.code, told.severity, told.limit) == ("fresh-shift", "note", 3.0)
    assert told.measured == pytest.approx(float(off), abs=0.02)
    assert result.shifted == pytest.approx(0.5)
    assert compensate(patch(BRICK), True, FadeSettings(percent=2)).findings == ()


@given(COLOUR, st.floats(0.5, 6))
@settings(max_examples=80, deadline=None)
def test_a_fresh_print_is_no_further_from_the_design_than_allowed(colour, limit):
    """max_fresh_shift bounds ΔE00 of what the model really sends, 8 bits and all."""
    result = compensate(patch(colour), True, FadeSettings(method="model", max_fresh_shift=limit))

    assert distance(tuple(result.pixels[0, 0, :3]), colour) <= limit + 1e-9
    assert result.worst_shift <= limit + 1e-9


def test_what_the_bound_held_back_is_told():
    """Half the picture is held back; the other half, white, is not."""
    setting = FadeSettings(method="model", k=(0.05,) * 3, washes=20, calibrated=True, max_fresh_shift=1)

    result = compensate(patch(TEAL, (255, 255, 255)), True, setting)
    assert result.limited == pytest.approx(0.5)

    printed = tuple(int(v) for v in result.pixels[result.pixels[..., 0] != 255][0, :3])
    left = distance(predict(printed, 20, setting), TEAL)
    assert left > 3
    assert result.left == pytest.approx(left, abs=0.2)  # the printed colour is rounded here
    (told,) = (f for f in result.findings if f.code == "fade-held-back")
    assert f"After 20 washes it will still be ΔE00 {result.left:.1f} from the design" in told.message


def test_alpha_is_never_touched_and_empty_pixels_stay_empty():
    """All alphas of one colour, and none."""
    pixels = np.zeros((4, 256, 4), dtype=np.uint8)
    pixels[..., 3] = np.arange(256)
    pixels[:, 1:, :3] = BRICK
    for setting in (MODEL, FadeSettings(), FadeSettings(method="none", own=(OwnChange(BRICK, value=-20),))):
        out = compensate(pixels, True, setting).pixels

        assert np.array_equal(out[..., 3], pixels[..., 3])
        assert (out[:, 0] == 0).all()
        assert len(np.unique(out[:, 1:, :3].reshape(-1, 3), axis=0)) == 1


def test_none_returns_the_picture_itself():
    """Nothing to do, nothing copied."""
    pixels = patch(NAVY)

    assert compensate(pixels, True, FadeSettings(method="none")).pixels is pixels


RULES = {
    "model": MODEL,
    "model unbounded": FREE,
    "saturation": FadeSettings(),
    "saturation strong": FadeSettings(percent=30, max_fresh_shift=100),
    "hold": FadeSettings(percent=30, max_fresh_shift=100, hold=(BRICK,)),
    "hold in the model": FadeSettings(
        method="model", washes=20, k=(0.04,) * 3, max_fresh_shift=100, hold=(BRICK,)
    ),
    "own value": FadeSettings(own=(OwnChange(BRICK, value=-20),)),
    "own saturation": FadeSettings(own=(OwnChange(BRICK, saturation=35),)),
    "own and hold": FadeSettings(own=(OwnChange(BRICK, value=15),), hold=(TEAL,)),
}


@pytest.mark.parametrize("other", [NAVY, CREAM, MOSS, TEAL, (255, 255, 255), (0, 0, 0)])
@pytest.mark.parametrize("setting", RULES.values(), ids=RULES)
def test_edges_stay_mixtures_of_their_two_sides(setting, other):
    """No ring: each antialiased pixel lies within 2 ΔE00 of a mixture of what the two surfaces became, in order."""
    pixels, seam = edge(BRICK, other)

    out = compensate(pixels, True, setting).pixels

    one, two = out[0, 0, :3].astype(int), out[0, -1, :3].astype(int)
    assert off_line(out[:, seam, :3], one, two).max() < 2
    along = (out[:, seam, :3].astype(int) - one) @ (two - one)
    assert (np.diff(along) >= -3 * np.abs(two - one).sum()).all()  # three levels


def test_a_held_colour_does_not_move_and_its_neighbours_do():
    """hold names a colour; a main colour well apart from it is compensated as ever."""
    setting = FadeSettings(method="model", calibrated=True, hold=(BRICK,))
    out = compensate(patch(BRICK, TEAL), True, setting).pixels

    assert tuple(out[0, 0, :3]) == BRICK
    assert tuple(out[0, -1, :3]) == printed(TEAL, MODEL)


def test_an_own_change_is_on_hsb():
    """colorsys: saturation +20 % and value −10 % of the design, whatever the method and its bound."""
    h, s, v = colorsys.rgb_to_hsv(*(c / 255 for c in TEAL))
    want = [255 * c for c in colorsys.hsv_to_rgb(h, s * 1.2, v * 0.9)]

    for method in ("model", "saturation", "none"):
        setting = FadeSettings(method=method, own=(OwnChange(TEAL, saturation=20, value=-10),))
        assert printed(TEAL, setting) == pytest.approx(want, abs=0.501)


def test_a_smooth_ramp_through_a_held_colour_keeps_its_order():
    """A gradient through the held colour gets neither a step nor a fold."""
    levels = np.arange(256)
    pixels = np.full((4, 1024, 4), 255, dtype=np.uint8)
    pixels[..., :3] = np.repeat(np.stack([levels, levels // 2, 255 - levels], axis=-1), 4, axis=0)
    setting = FadeSettings(method="model", calibrated=True, hold=((128, 64, 127),))

    out = compensate(pixels, True, setting).pixels[0, ::4, :3].astype(int)

    assert tuple(out[128]) == (128, 64, 127)
    assert np.diff(out[:, 0]).min() >= -1  # a level either way is rounding
    assert np.diff(out[:, 2]).max() <= 1
    assert np.abs(np.diff(out, axis=0)).max() <= 4


def grain(seed=8, side=600):
    """A photograph as far as the stage can tell: all colours, few runs."""
    rng = np.random.default_rng(seed)
    pixels = rng.integers(0, 256, (side, side, 4), dtype=np.uint8)
    pixels[pixels[..., 3] < 100] = 0
    return pixels


@pytest.mark.parametrize(
    "setting",
    [MODEL, FREE, FadeSettings(), RULES["own and hold"]],
    ids=["model", "free", "saturation", "rules"],
)
def test_photographs_get_the_same_change_within_a_level_or_two(setting):
    """The lattice against the exact function, colour by colour: nearly all within a level, alpha and white exact."""
    pixels = grain()
    assert flat_palette(pixels) is None

    out = compensate(pixels, True, setting).pixels

    sample = pixels.reshape(-1, 4)[::37].copy()
    sample = sample[sample[:, 3] > 0]
    from pipeline.colour.compensation import change_of

    exact = change_of(sample[:, :3].astype(float), setting, on_base=True).printed
    got = out.reshape(-1, 4)[::37][pixels.reshape(-1, 4)[::37, 3] > 0, :3]
    off = np.abs(got - exact).max(axis=1)
    assert np.quantile(off, 0.98) <= 1.5
    assert off.max() <= 6
    assert np.array_equal(out[..., 3], pixels[..., 3])
    assert (out[pixels[..., 3] == 0] == 0).all()
    where_they_lie = compensate(pixels, True, setting, in_place=True).pixels
    assert where_they_lie is pixels
    assert np.array_equal(pixels, out)


def test_an_unbounded_model_is_exact_on_photographs():
    """One curve a channel: every pixel as if it were alone."""
    pixels = grain()
    out = compensate(pixels, True, FREE).pixels
    colours = np.unique(pixels[:20, :20].reshape(-1, 4), axis=0)
    colours = colours[colours[:, 3] > 0][:50]

    for colour in colours:
        place = np.argwhere((pixels == colour).all(axis=-1))[0]
        assert tuple(out[place[0], place[1], :3]) == printed(tuple(int(v) for v in colour[:3]), FREE)


def test_the_model_without_wash_tests_is_a_guess_and_says_so():
    """fade-not-calibrated warns, but not where readings are behind the constants or the method is another."""
    codes = {
        calibrated: [
            f.code
            for f in compensate(
                patch(CREAM), True, FadeSettings(method="model", calibrated=calibrated)
            ).findings
        ]
        for calibrated in (False, True)
    }

    assert codes == {False: ["fade-not-calibrated"], True: []}
    assert compensate(patch(CREAM), True, FadeSettings()).findings == ()


def test_what_the_darkest_ink_cannot_make_up_for_is_told_with_its_share():
    """A quarter of the ink is black: it fades and cannot be printed darker."""
    result = compensate(patch((0, 0, 0), CREAM, CREAM, CREAM), True, MODEL)

    assert result.unreachable == pytest.approx(0.25)
    (finding,) = result.findings
    assert (finding.code, finding.severity, finding.measured, finding.limit) == (
        "fade-unreachable",
        "warn",
        25.0,
        0.5,
    )


def test_black_is_not_raised_to_the_darkest_the_press_prints():
    """A file's black is sent as black, not as the dark grey that the press makes of it."""
    assert printed((0, 0, 0), MODEL) == (0, 0, 0)


def test_a_life_tells_design_print_and_wear_with_and_without():
    """Compensated, the colour at n* is the design, grade 5 or 4-5; without it the grade is lower, and wear goes on."""
    (life,) = colour_lives(
        [MainColour(TEAL, 0.4)], FadeSettings(method="model", max_fresh_shift=20, darkest=0.01)
    )

    assert (life.design, life.share) == (TEAL, 0.4)
    assert life.printed == printed(TEAL, FadeSettings(method="model", max_fresh_shift=20, darkest=0.01))
    assert life.fresh_shift == pytest.approx(distance(TEAL, life.printed))
    assert distance(life.compensated[0].rgb, TEAL) < 1
    assert life.compensated[0].grade.value >= 4.5
    assert life.plain[0].grade.value < life.compensated[0].grade.value
    assert life.plain[1].grade.value < life.plain[0].grade.value
    assert [w.washes for w in life.plain] == [12.5, 25.0]


def test_change_is_largest_at_the_first_wash_and_then_less_and_less():
    """Household washing of up to 30 cycles: largest change at the first wash, minimal later (2025 abstract)."""
    setting = FadeSettings(method="model", first_loss=(0.1,) * 3)
    seen = [predict(TEAL, n, setting) for n in (0, 1, 2, 10, 11)]

    assert distance(seen[0], seen[1]) > 2 * distance(seen[1], seen[2])
    assert distance(seen[0], seen[1]) > 2 * distance(seen[3], seen[4])


def test_settings_out_of_range_are_refused():
    """A reflectance of nought has no K/S, and time does not run backwards."""
    for wrong in ({"darkest": 0.0}, {"base_reflectance": 1.2}, {"washes": -1}, {"first_loss": (0, 0, 1.0)}):
        with pytest.raises(ValueError, match="must"):
            FadeSettings(**wrong)


def test_an_empty_picture_stays_empty():
    """No ink, nothing to say."""
    pixels = np.zeros((5, 6, 4), dtype=np.uint8)
    result = compensate(pixels, True, FadeSettings())

    assert np.array_equal(result.pixels, pixels)
    assert (result.worst_shift, result.limited, result.unreachable, result.findings) == (0, 0, 0, ())


@given(st.sampled_from(["model", "saturation", "none"]), st.booleans(), st.integers(0, 10**6))
@settings(max_examples=15, deadline=None)
def test_what_does_not_matter_changes_no_printed_colour(method, on_base, seed):
    """Settings that differ in what a method does not know print the same colours: one plate serves them."""
    rng = np.random.default_rng(seed)
    art = rng.integers(0, 256, (12, 12, 4), np.uint8)
    mine = FadeSettings(
        method=method,
        washes=float(rng.integers(0, 40)),
        k=tuple(rng.uniform(0, 0.05, 3)),
        first_loss=tuple(rng.uniform(0, 0.2, 3)),
        darkest=float(rng.uniform(0.01, 0.05)),
        ground_srgb=tuple(rng.integers(0, 256, 3).tolist()),
        base_reflectance=float(rng.uniform(0.6, 1)),
        max_fresh_shift=float(rng.uniform(0, 9)),
        hold=(tuple(art[0, 0, :3].tolist()),),
        own=(OwnChange(tuple(art[5, 5, :3].tolist()), 20.0, -10.0),),
        calibrated=True,
        life=float(rng.integers(1, 60)),
    )
    same = mine.that_matters(on_base=on_base)
    assert np.array_equal(compensate(art, on_base, mine).pixels, compensate(art, on_base, same).pixels)
