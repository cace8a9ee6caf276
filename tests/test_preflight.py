"""Preflight: one picture that triggers each code, one that just does not, and remedies that clear what they answer.

Shapes are drawn with cairo (through cairosvg) from sizes in mm, so that what is measured is known beforehand.
Limits are the shop's defaults (common practice, no source, unless said otherwise).
"""

from __future__ import annotations

import io
import tomllib
from dataclasses import replace

import cairosvg
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image
from scipy import ndimage

from pipeline.art.paint import parse_hex
from pipeline.colour.palette import main_colours_of
from pipeline.finding import Finding
from pipeline.raster import Pixels
from pipeline.stages.preflight import (
    contacts,
    contrast,
    gamut,
    specks,
    survival,
    swaps,
    thin,
)
from pipeline.stages.preflight import resolution as res
from pipeline.stages.preflight.vanished import vanished

PPI = 300.0
PX = PPI / 25.4
RESOLUTION = {"resolution_stop_ppi": 120, "resolution_warn_ppi": 200, "lettering_warn_ppi": 300}
DIRECT = {"line_stop_mm": 0.20, "line_warn_mm": 0.35, "gap_stop_mm": 0.0, "gap_warn_mm": 0.35}
SCREEN = {"line_stop_mm": 0.25, "line_warn_mm": 0.35, "gap_stop_mm": 0.35, "gap_warn_mm": 0.50}
CONTRAST = swaps.Limits(fabric_de=10, fabric_dl=8, neighbours_de=8)
NEAR = {"knock_out_de": 2.0, "near_fabric_de": 6}
BLACK, WHITE, GREEN = (0, 0, 0), (255, 255, 255), (20, 61, 42)


def draw(body: str, width: float = 30, height: float = 30, ppi: float = PPI) -> Pixels:
    """Return SVG shapes in mm as pixels."""
    px = ppi / 25.4
    svg = (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{round(width * px)}" height="{round(height * px)}" '
        f'viewBox="0 0 {width} {height}" preserveAspectRatio="none">{body}</svg>'
    )
    return np.array(Image.open(io.BytesIO(cairosvg.svg2png(svg.encode()))).convert("RGBA"))


def rect(x: float, y: float, w: float, h: float, fill: str, more: str = "") -> str:
    return f'<rect x="{x}" y="{y}" width="{w}" height="{h}" fill="{fill}" {more}/>'


def codes(findings: tuple[Finding, ...]) -> list[tuple[str, str]]:
    return [(f.code, f.severity) for f in findings]


# Resolution: pixels divided by inches, by definition.


def resolution(px: float, width_mm: float, **more: float) -> tuple[Finding, ...]:
    wanted = res.wanted_ppi(
        resolution_warn_ppi=RESOLUTION["resolution_warn_ppi"],
        lettering_warn_ppi=RESOLUTION["lettering_warn_ppi"],
        **more,
    )
    return res.resolution(
        px, width_mm, resolution_stop_ppi=RESOLUTION["resolution_stop_ppi"], wanted_ppi=wanted
    )


def test_resolution_is_pixels_per_inch_and_the_remedy_is_the_largest_passing_width():
    (found,) = resolution(1000, 254.0)
    assert (found.severity, found.measured, found.limit) == ("stop", 100.0, 120)
    assert found.remedy == "width_mm = 211.6"
    (passed,) = resolution(1000, 211.6)
    assert (passed.severity, passed.remedy) == ("warn", "width_mm = 127.0")
    assert resolution(1000, 127.0) == ()
    assert codes(resolution(1000, 127.2)) == [("low-resolution", "warn")]
    assert codes(resolution(1200, 254.0)) == [("low-resolution", "warn")]


def test_lettering_and_halftone_want_more():
    assert resolution(2500, 254.0) == ()
    assert resolution(2500, 254.0, lettering=True)[0].limit == 300
    assert resolution(2500, 254.0, ruling_lpi=180)[0].limit == 270
    assert resolution(2500, 254.0, ruling_lpi=55) == ()


# Contacts: edges of known length.


def test_contacts_measure_shared_edges_of_known_length():
    pixels = draw(rect(5, 5, 10, 20, "#c00000") + rect(15, 5, 10, 20, "#0000c0"))
    table = contacts.contacts(pixels, PPI, [(192, 0, 0), (0, 0, 192)]).length_mm
    assert table[0, 1] == pytest.approx(20 * np.pi / 4, rel=0.03)  # upright: the method's known bias
    assert table[0, 2] == pytest.approx(40 * np.pi / 4, rel=0.03)
    ring = draw(
        '<circle cx="15" cy="15" r="12" fill="#c00000"/><circle cx="15" cy="15" r="8" fill="#0000c0"/>'
    )
    table = contacts.contacts(ring, PPI, [(192, 0, 0), (0, 0, 192)]).length_mm
    assert table[0, 1] == pytest.approx(2 * np.pi * 8, rel=0.05)
    assert table[0, 2] == pytest.approx(2 * np.pi * 12, rel=0.05)
    assert table[1, 2] == 0


# Contrast.


def check_contrast(pixels: Pixels, fabric: tuple[int, int, int], **more: object) -> tuple[Finding, ...]:
    main = main_colours_of(pixels)
    cloth, ask = contrast.like_fabric(main, fabric, **NEAR)
    table = contacts.contacts(pixels, PPI, [c.rgb for c in main])
    return contrast.contrast(main, table, fabric, CONTRAST, cloth=cloth, asked=ask)


def swapped(pixels: Pixels, remedy: str) -> Pixels:
    """Carry out a swap line on flat art, mixtures left as they are."""
    out = pixels.copy()
    for change in tomllib.loads(remedy)["swap"]:
        here = (pixels[..., :3] == parse_hex(change["from"])).all(axis=-1)
        out[here, :3] = parse_hex(change["to"])
    return out


def test_a_colour_that_sinks_into_the_fabric_is_told_and_the_swap_line_clears_it():
    pixels = draw(rect(5, 5, 20, 20, "#2c5a40"))
    found = check_contrast(pixels, GREEN)
    assert codes(found) == [("low-contrast", "warn")]
    assert check_contrast(swapped(pixels, found[0].remedy), GREEN) == ()
    assert check_contrast(pixels, WHITE) == ()


def test_a_colour_that_does_not_touch_the_fabric_needs_no_contrast_with_it():
    pixels = draw(rect(3, 3, 24, 24, "#ffffff") + rect(8, 8, 14, 14, "#2c5a40"))
    assert check_contrast(pixels, GREEN) == ()


def test_neighbours_that_hardly_differ_are_told_and_one_swap_line_clears_all():
    body = rect(3, 3, 12, 24, "#2c5a40") + rect(15, 3, 12, 24, "#2f6044")
    found = check_contrast(draw(body), GREEN)
    assert {f.code for f in found} == {"low-contrast", "low-contrast-neighbours"}
    assert len({f.remedy for f in found}) == 1
    assert check_contrast(swapped(draw(body), found[0].remedy), GREEN) == ()


def test_colours_far_from_each_other_on_the_shirt_are_not_neighbours():
    body = rect(3, 3, 8, 24, "#b03030") + rect(19, 3, 8, 24, "#b43434")
    assert check_contrast(draw(body), WHITE) == ()


def test_near_the_fabric_somebody_is_asked_and_each_answer_ends_the_question():
    main = main_colours_of(draw(rect(5, 5, 20, 20, "#19442f")))
    (found,) = contrast.near_fabric(main, GREEN, **NEAR)
    assert found.severity == "stop"
    assert 2 < found.measured <= 6
    assert contrast.near_fabric(main, GREEN, near_fabric="knock_out", **NEAR) == ()
    assert contrast.near_fabric(main, GREEN, near_fabric="keep", **NEAR) == ()
    far = main_colours_of(draw(rect(5, 5, 20, 20, "#2f6a4a")))
    assert contrast.near_fabric(far, GREEN, **NEAR) == ()
    assert contrast.near_fabric(far, GREEN, heather=20, **NEAR) != ()


def test_the_fabrics_own_colour_is_neither_asked_about_nor_warned_of():
    pixels = draw(rect(5, 5, 20, 20, "#ffffff") + rect(10, 10, 10, 10, "#143d2a"))
    main = main_colours_of(pixels)
    assert contrast.near_fabric(main, GREEN, **NEAR) == ()
    assert check_contrast(pixels, GREEN) == ()


def test_a_proposed_colour_is_the_nearest_that_passes():
    # Against every colour of a grid four times as coarse as the answer: none of the same hue is nearer.
    from pipeline.colour.difference import delta_e_00
    from pipeline.colour.spaces import lab_of_rgb8
    from pipeline.stages.preflight.nearest import Wanted, nearest

    wanted = Wanted(GREEN, 10, 8, ((200, 180, 60),), 8)
    colour = (44, 90, 64)
    found = nearest(colour, wanted)
    levels = np.arange(0, 256, 4)
    rgb = np.stack(np.meshgrid(levels, levels, levels, indexing="ij"), axis=-1).reshape(-1, 3)
    lab, own, fabric = lab_of_rgb8(rgb), lab_of_rgb8(colour), lab_of_rgb8(GREEN)
    turn = np.degrees(np.arctan2(lab[:, 2], lab[:, 1]) - np.arctan2(own[2], own[1]))
    passes = (np.abs((turn + 180) % 360 - 180) <= 15) & (np.hypot(lab[:, 1], lab[:, 2]) >= 6)
    passes &= (delta_e_00(lab, fabric) >= 10) & (np.abs(lab[:, 0] - fabric[0]) >= 8)
    passes &= delta_e_00(lab, lab_of_rgb8((200, 180, 60))) >= 8
    best = delta_e_00(lab[passes], own).min()
    assert contrast.difference(found, GREEN) >= 10
    assert contrast.difference(found, colour) <= best + 0.2


# Thin features.


def test_lines_are_judged_by_the_stop_and_the_warn_limit():
    for width, expected in ((0.18, "stop"), (0.22, "warn"), (0.33, "warn"), (0.37, None)):
        found = thin.thin_features(draw(rect(5, 5.013, 20, width, "#c02020")), PPI, **DIRECT)
        assert codes(found) == ([("thin-line", expected)] if expected else [])
        if found:
            assert found[0].measured == pytest.approx(width, abs=0.02)


def test_a_line_on_other_ink_counts_however_small_its_share():
    body = rect(1, 1, 28, 28, "#203060") + rect(5, 5.04, 3, 0.15, "#f0d020", 'transform="rotate(33 6 5)"')
    assert codes(thin.thin_features(draw(body), PPI, **DIRECT)) == [("thin-line", "stop")]


def test_an_outline_between_two_other_inks_counts():
    body = (
        rect(0, 0, 30, 30, "#fff")
        + '<circle cx="15" cy="15" r="8" fill="#000" stroke="#d01020" stroke-width="0.18"/>'
    )
    (found,) = thin.thin_features(draw(body), PPI, **DIRECT)
    assert (found.code, found.severity) == ("thin-line", "stop")
    assert found.measured == pytest.approx(0.18, abs=0.02)


def test_gaps_are_judged_by_their_own_limits():
    body = rect(5, 5, 8, 20, "#203060") + rect(13.3, 5, 8, 20, "#203060")
    assert codes(thin.thin_features(draw(body), PPI, **SCREEN)) == [("thin-gap", "stop")]
    assert codes(thin.thin_features(draw(body), PPI, **DIRECT)) == [("thin-gap", "warn")]
    wide = rect(5, 5, 8, 20, "#203060") + rect(13.52, 5, 8, 20, "#203060")
    assert thin.thin_features(draw(wide), PPI, **SCREEN) == ()


@pytest.mark.parametrize("turn", [0, 17, 45, 71])
def test_tips_corners_and_edges_are_not_lines(turn: int):
    star = " ".join(
        f"{15 + r * np.sin(a):.3f},{15 + r * np.cos(a):.3f}"
        for r, a in ((12 if i % 2 == 0 else 4, np.pi * i / 5) for i in range(10))
    )
    wedge = '<polygon points="3,14 27,12 27,16" fill="#c02020"/>'
    for body in (
        f'<polygon points="{star}" fill="#203060"/>',
        wedge,
        rect(8, 8, 14, 14, "#c02020") + rect(10, 10, 9, 9, "#fff"),
    ):
        found = thin.thin_features(draw(f'<g transform="rotate({turn} 15 15)">{body}</g>'), PPI, **SCREEN)
        assert found == ()


# Specks, soft alpha, nothing left.


def test_specks_below_the_area_limit_are_told():
    big = rect(3, 3, 10, 10, "#000")
    (found,) = specks.specks(draw(big + rect(20, 20, 0.5, 0.5, "#000")), PPI, speck_warn_mm2=0.3)
    assert found.measured == pytest.approx(0.25, abs=0.01)
    assert found.where_mm[:2] == pytest.approx((20, 20), abs=0.1)
    assert specks.specks(draw(big + rect(20, 20, 0.56, 0.56, "#000")), PPI, speck_warn_mm2=0.3) == ()


def test_islands_on_a_transfer_need_their_width():
    limits = {"speck_warn_mm2": 0.3, "island_warn_mm": 0.5}
    narrow = draw(rect(10, 10, 2.5, 0.45, "#000", 'transform="rotate(30 10 10)"'))
    (found,) = specks.specks(narrow, PPI, **limits)
    assert found.measured == pytest.approx(0.45, abs=0.05)
    assert specks.specks(narrow, PPI, speck_warn_mm2=0.3) == ()
    wide = draw(rect(10, 10, 2.5, 0.6, "#000", 'transform="rotate(30 10 10)"'))
    assert specks.specks(wide, PPI, **limits) == ()


def test_soft_alpha_is_told_and_antialiasing_is_not():
    soft = draw(rect(3, 3, 20, 20, "#000") + rect(24, 3, 4, 4, "#000", 'opacity="0.5"'))
    assert codes(specks.soft_alpha(soft, PPI, soft_alpha_warn_percent=0.5)) == [("soft-alpha", "warn")]
    hard = draw(
        '<circle cx="15" cy="15" r="11" fill="#000"/>' + rect(2, 2, 0.1, 20, "#000", 'transform="rotate(7)"')
    )
    assert specks.soft_alpha(hard, PPI, soft_alpha_warn_percent=0.5) == ()


def test_what_is_left_is_told_when_nothing_is():
    assert codes(res.nothing_to_print(0.0)) == [("nothing-to-print", "stop")]
    assert res.nothing_to_print(0.1) == ()
    assert codes(res.knocked_out(100.0, 0.0)) == [("all-knocked-out", "stop")]
    assert res.knocked_out(100.0, 1.0) == ()


# After the base.


def test_lines_that_lose_their_base_are_stopped_or_warned_of_as_the_shop_says():
    thin_line = draw(rect(5, 5.02, 20, 0.35, "#c02020"))
    limits = {"choke_mm": 0.15, "base_line_stop_mm": 0.10}
    (found,) = survival.base_too_thin(thin_line, PPI, **limits)
    assert (found.severity, found.measured) == ("warn", pytest.approx(0.05, abs=0.02))
    assert survival.base_too_thin(thin_line, PPI, hairline="stop", **limits)[0].severity == "stop"
    assert survival.base_too_thin(draw(rect(5, 5.02, 20, 0.43, "#c02020")), PPI, **limits) == ()


def test_a_thin_line_within_other_ink_keeps_its_base():
    body = rect(5, 5, 20, 20, "#fff") + rect(8, 10, 14, 0.2, "#c02020")
    assert survival.base_too_thin(draw(body), PPI, choke_mm=0.15, base_line_stop_mm=0.1) == ()


def test_black_beyond_the_press_is_out_of_gamut_and_the_swap_is_what_comes_out():
    main = main_colours_of(draw(rect(5, 5, 20, 20, "#000000")))
    press = gamut.by_darkest(0.02)
    (found,) = gamut.out_of_gamut(main, press, gamut_warn_de=3.0)
    to = parse_hex(tomllib.loads(found.remedy)["swap"][0]["to"])
    again = [replace(main[0], rgb=to)]
    assert gamut.out_of_gamut(again, press, gamut_warn_de=3.0) == ()
    assert gamut.out_of_gamut(main, gamut.by_darkest(0.002), gamut_warn_de=3.0) == ()


def test_polyester_and_heat_warn_of_dye_migration_and_unknown_heat_is_hot():
    limits = {"dye_migration_polyester_percent": 30, "dye_migration_cure_c": 140}
    assert codes(survival.dye_migration({"polyester": 30}, 140, WHITE, **limits)) == [
        ("dye-migration", "warn")
    ]
    assert survival.dye_migration({"polyester": 29}, 160, WHITE, **limits) == ()
    assert survival.dye_migration({"polyester": 100}, 139, WHITE, **limits) == ()
    assert survival.dye_migration({"polyester": 100}, None, WHITE, **limits) != ()
    for rgb, word in (((180, 30, 35), "red"), ((85, 15, 30), "maroon"), ((25, 32, 70), "navy")):
        assert f"{word} fabric" in survival.dye_migration({"polyester": 50}, 160, rgb, **limits)[0].message
    assert "bleeds" not in survival.dye_migration({"polyester": 50}, 160, GREEN, **limits)[0].message
    assert survival.dye_migration({"nylon": 100}, 100, WHITE, **limits) != ()


def test_contrast_that_washing_takes_away_is_told_only_then():
    pixels = draw(rect(3, 3, 24, 24, "#9a9a9a"))
    main = main_colours_of(pixels)
    table = contacts.contacts(pixels, PPI, [main[0].rgb])
    fabric = (190, 190, 190)
    later = contrast.contrast_later(main, [(180, 180, 180)], table, fabric, CONTRAST, when="after 12 washes")
    assert codes(later) == [("low-contrast", "warn")]
    assert (
        contrast.contrast_later(main, [(152, 152, 152)], table, fabric, CONTRAST, when="after 12 washes")
        == ()
    )


@given(st.integers(0, 2**32 - 1), st.floats(0.3, 0.7))
@settings(max_examples=30, deadline=None)
def test_what_is_lost_on_the_fabric_is_each_piece_of_which_nothing_is_kept(seed: int, full: float) -> None:
    """Pieces as scipy.ndimage.label finds them, with corners; those of 1 mm² or more count."""
    rng = np.random.default_rng(seed)
    coarse = rng.random((24, 30)) < full * 0.6
    ink = np.kron(coarse, np.ones((6, 6), bool))
    parts, count = ndimage.label(ink, np.ones((3, 3)))
    gone = np.isin(parts, 1 + np.flatnonzero(rng.random(count) < 0.5)) & ink
    gone |= ink & (rng.random(ink.shape) < 0.3)
    plain = np.zeros((*ink.shape, 4), np.uint8)
    plain[ink] = (40, 90, 60, 255)
    kept = plain.copy()
    kept[gone] = 0
    mm2 = (25.4 / 120) ** 2
    whole, left = (np.bincount(parts[ink], which[ink], count + 1) for which in (ink, ~gone))
    lost = [
        area * mm2 for area, rest in zip(whole[1:], left[1:], strict=True) if rest == 0 and area * mm2 >= 1
    ]

    found = vanished(plain, kept, 120)

    assert codes(found) == ([("lost-on-fabric", "warn")] if lost else [])
    if lost:
        assert found[0].measured == round(sum(lost), 1)
