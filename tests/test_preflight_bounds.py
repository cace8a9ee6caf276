"""Preflight at the edges: what is cut, near an edge or on a pocket; grounds that would print solid, and their removal.

Shapes are drawn with cairo from sizes in mm; a removed ground is compared with the same drawing made without it.
"""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image

from pipeline.raster import Pixels
from pipeline.stages.preflight import (
    bounds,
    clear_ground,
    contacts,
    ground,
    own_edges,
    specks,
    survival,
    thin,
)
from tests.test_preflight import BLACK, DIRECT, GREEN, PPI, PX, WHITE, codes, draw, rect

AREA = (5.0, 5.0, 20.0, 20.0)


def test_ink_outside_the_area_is_told_per_side():
    (found,) = bounds.outside_area(draw(rect(2, 8, 10, 10, "#000")), PPI, AREA)
    assert found.severity == "stop"
    assert found.measured == pytest.approx(30, abs=0.5)
    assert found.where_mm == pytest.approx((2, 8, 3, 10), abs=0.1)
    assert bounds.outside_area(draw(rect(5, 8, 10, 10, "#000")), PPI, AREA) == ()


def test_near_edge_counts_ink_inside_and_not_art_cropped_to_its_own_edge():
    assert bounds.near_edge(draw(rect(8.2, 8.2, 13, 13, "#000")), PPI, AREA, near_edge_mm=3) == ()
    (found,) = bounds.near_edge(draw(rect(7, 8.2, 10, 10, "#000")), PPI, AREA, near_edge_mm=3)
    assert found.measured == pytest.approx(2, abs=0.1)
    cropped = draw('<circle cx="15" cy="15" r="15" fill="#000"/>')
    assert bounds.near_edge(cropped, PPI, (0, 0, 30, 30), near_edge_mm=3) == ()
    assert bounds.near_edge(draw(rect(0, 0, 30, 30, "#000")), PPI, (0, 0, 30, 30), near_edge_mm=3) == ()


def test_ink_on_a_pocket_is_told_with_its_area():
    pixels = draw(rect(0, 0, 10, 10, "#000"))
    (found,) = bounds.on_obstruction(pixels, PPI, [("pocket", (8, 8, 20, 20)), ("zip", (20, 0, 2, 30))])
    assert found.measured == pytest.approx(4, abs=0.4)
    assert "pocket" in found.message


# Grounds.


def test_a_preview_with_rounded_corners_is_found_and_a_badge_is_none():
    mock_up = rect(0, 0, 30, 30, "#1b4a33", 'rx="4"') + rect(10, 10, 8, 8, "#fff")
    found = ground.fabric_preview(draw(mock_up), PPI, [GREEN, WHITE], preview_de=10, knock_out_de=2)
    assert codes(found) == [("fabric-preview", "stop")]
    badge = '<circle cx="15" cy="15" r="14" fill="#1b4a33"/>' + rect(10, 10, 8, 8, "#fff")
    assert ground.fabric_preview(draw(badge), PPI, [GREEN, WHITE], preview_de=10, knock_out_de=2) == ()


def test_a_bitmaps_rounded_ground_counts_when_it_looks_like_a_fabric_and_goes_whole():
    """What is left is the same drawing made without its ground, to one level."""
    logo = rect(10, 10, 8, 8, "#fff")
    pixels = draw(rect(0, 0, 30, 30, "#1b4a33", 'rx="4"') + logo)
    how = {"knock_out_de": 2, "preview_de": 10}
    assert codes(ground.opaque_ground(pixels, PPI, BLACK, fabrics=[GREEN], **how)) == [
        ("opaque-ground", "stop")
    ]
    assert ground.opaque_ground(pixels, PPI, BLACK, fabrics=[WHITE], **how) == ()
    cleared = clear_ground.remove_ground(pixels)
    alone = draw(logo)
    assert cleared is not None
    assert np.abs(cleared.pixels[..., 3].astype(int) - alone[..., 3]).max() <= 1


def test_a_preview_of_the_fabric_is_told_unless_every_fabric_has_that_colour():
    pixels = draw(rect(0, 0, 30, 30, "#1b4a33") + rect(10, 10, 8, 8, "#fff"))
    found = ground.fabric_preview(pixels, PPI, [GREEN, WHITE], preview_de=10, knock_out_de=2)
    assert codes(found) == [("fabric-preview", "stop")]
    exact = draw(rect(0, 0, 30, 30, "#143d2a") + rect(10, 10, 8, 8, "#fff"))
    assert ground.fabric_preview(exact, PPI, [GREEN], preview_de=10, knock_out_de=2) == ()
    assert ground.fabric_preview(exact, PPI, [GREEN, WHITE], preview_de=10, knock_out_de=2) != ()


def test_a_block_of_another_colour_is_told_only_where_it_fills_the_print_area():
    pixels = draw(rect(2, 2, 26, 26, "#c02020") + rect(10, 10, 8, 8, "#fff"))
    limits = {"preview_de": 10, "knock_out_de": 2}
    assert ground.fabric_preview(pixels, PPI, [GREEN], area_mm=(0, 0, 30, 30), **limits) == ()
    assert ground.fabric_preview(pixels, PPI, [GREEN], area_mm=(2, 2, 26, 26), **limits) != ()
    plain = draw(rect(2, 2, 26, 26, "#143d2a"))
    assert ground.fabric_preview(plain, PPI, [GREEN, WHITE], **limits) == ()


LOGO = '<circle cx="15" cy="15" r="11" fill="#c02020"/><circle cx="15" cy="15" r="5" fill="#ffffff"/>'


def test_the_white_box_of_a_logo_is_told_and_removing_it_clears_it():
    boxed = draw(rect(0, 0, 30, 30, "#fff") + LOGO)
    assert codes(ground.opaque_ground(boxed, PPI, GREEN, knock_out_de=2)) == [("opaque-ground", "stop")]
    assert ground.opaque_ground(boxed, PPI, WHITE, knock_out_de=2) == ()
    assert ground.opaque_ground(draw(LOGO), PPI, GREEN, knock_out_de=2) == ()
    cleared = clear_ground.remove_ground(boxed)
    assert ground.opaque_ground(cleared.pixels, PPI, GREEN, knock_out_de=2) == ()


def test_a_removed_ground_leaves_the_logo_as_drawn_without_it_and_names_its_islands():
    # What it should become is the same drawing made without the white box.
    cleared = clear_ground.remove_ground(draw(rect(0, 0, 30, 30, "#fff") + LOGO))
    wanted = draw(LOGO)
    for fabric in (GREEN, BLACK):
        assert np.abs(on(cleared.pixels, fabric) - on(wanted, fabric)).max() <= 2
    (island,) = cleared.islands
    assert island.area_px == pytest.approx(np.pi * 25 * PX * PX, rel=0.04)


def test_the_ground_of_a_lossy_bitmap_goes_without_a_trace_of_its_noise():
    boxed = draw(rect(0, 0, 30, 30, "#fff") + LOGO + rect(3, 3, 6, 1, "#203080"))
    packed = io.BytesIO()
    Image.fromarray(boxed).convert("RGB").save(packed, "JPEG", quality=85)
    lossy = np.array(Image.open(packed).convert("RGBA"))
    cleared = clear_ground.remove_ground(lossy)
    wanted = draw(LOGO + rect(3, 3, 6, 1, "#203080"))
    bare = wanted[..., 3] == 0
    assert np.count_nonzero(cleared.pixels[bare][:, 3] > 25) < 0.002 * np.count_nonzero(~bare)
    assert np.abs(on(cleared.pixels, BLACK) - on(wanted, BLACK)).mean() < 1  # the art's own noise stays
    assert len(cleared.islands) == 1


def on(pixels: Pixels, fabric: tuple[int, int, int]) -> np.ndarray:
    alpha = pixels[..., 3:] / 255
    return pixels[..., :3] * alpha + np.array(fabric) * (1 - alpha)


@pytest.mark.parametrize("shape", [(1, 1), (2, 3), (5, 40), (60, 60)])
@pytest.mark.parametrize("fill", [(0, 0, 0, 0), (10, 20, 30, 255), (10, 20, 30, 90)])
def test_blank_tiny_and_full_plates_raise_no_finding_of_shape(shape: tuple[int, int], fill: tuple[int, ...]):
    pixels = np.full((*shape, 4), fill, np.uint8)
    size = shape[1] / PX, shape[0] / PX
    assert thin.thin_features(pixels, PPI, **DIRECT) == ()
    assert specks.specks(pixels, PPI, speck_warn_mm2=0.3, island_warn_mm=0.5) == ()
    assert survival.base_too_thin(pixels, PPI, choke_mm=0.15, base_line_stop_mm=0.1) == ()
    assert bounds.outside_area(pixels, PPI, (0, 0, *size)) == ()
    assert bounds.near_edge(pixels, PPI, (-9, -9, 99, 99), near_edge_mm=3) == ()
    box = bounds.ink_px(pixels)
    assert box is None or own_edges.looks_cut(pixels, PPI, box=box) == ()
    assert ground.fabric_preview(pixels, PPI, [GREEN, WHITE], preview_de=10, knock_out_de=2) == ()
    assert clear_ground.remove_ground(pixels) is None
    assert contacts.contacts(pixels, PPI, [GREEN]).length_mm.shape == (2, 2)
