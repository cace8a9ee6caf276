"""The base: when a fabric needs one, where it lies to a part of a pixel, and what one sees with it."""

from __future__ import annotations

import io

import cairosvg
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image
from scipy import ndimage

from pipeline.colour.spaces import linear_to_srgb, srgb_to_linear
from pipeline.stages.base import base_plane, decide, mirror, simulate
from pipeline.stages.base.plane import _connected

PPI = 300.0
UM_PX = 25400.0 / PPI
RED, YELLOW, BLACK = (200, 30, 40), (255, 255, 0), (0, 0, 0)


def coverage(inside: object, size: int = 72, samples: int = 32) -> np.ndarray:
    """Exact-area coverage of the points for which `inside(x, y)` holds; px, y down."""
    at = (np.arange(size * samples) + 0.5) / samples
    x, y = np.meshgrid(at, at)
    return inside(x, y).reshape(size, samples, size, samples).mean(axis=(1, 3))  # type: ignore[operator]


def art(cover: np.ndarray, colour: tuple[int, int, int] = RED) -> np.ndarray:
    out = np.zeros((*cover.shape, 4), np.uint8)
    out[..., 3] = np.round(cover * 255)
    out[out[..., 3] > 0, :3] = colour
    return out


def drawn(body: str, px: int = 200) -> np.ndarray:
    svg = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 100 100">{body}</svg>'
    png = cairosvg.svg2png(bytestring=svg.encode(), output_width=px, output_height=px)
    return np.array(Image.open(io.BytesIO(png)).convert("RGBA"))


@pytest.mark.parametrize("choke_mm", [0.10, 0.15, 0.25])
@pytest.mark.parametrize("turn_deg", [0, 7, 19, 30, 45, 61, 90, 133, 180, 222, 270, 311])
def test_a_straight_edge_is_pulled_in_to_within_10_micrometres(choke_mm: float, turn_deg: int) -> None:
    """Against the geometry of a half plane, at several offsets below a pixel."""
    choke, turn = choke_mm * PPI / 25.4, np.radians(turn_deg)
    for offset in (0.0, 0.17, 0.5, 0.83):

        def depth(x: np.ndarray, y: np.ndarray, offset: float = offset) -> np.ndarray:
            return (x - 36) * np.cos(turn) + (y - 36) * np.sin(turn) - offset

        plane = base_plane(art(coverage(lambda x, y: depth(x, y) > 0)), PPI, choke_mm, 1.0, "none")
        wanted = coverage(lambda x, y: depth(x, y) > choke)
        middle = (slice(18, 54), slice(18, 54))
        length = coverage(lambda x, y: np.abs(depth(x, y) - choke) < 0.5)[middle].sum()
        error = (wanted[middle] - plane[middle] / 255).sum() / length
        assert abs(error) * UM_PX <= 10.0


@pytest.mark.parametrize("radius", [6.0, 10.0, 21.3, 30.0])
def test_a_disc_shrinks_by_the_choke_to_within_10_micrometres(radius: float) -> None:
    """Against the area of the smaller disc."""
    cover = coverage(lambda x, y: np.hypot(x - 36.3, y - 35.6) < radius)
    for choke_mm in (0.10, 0.15, 0.25):
        plane = base_plane(art(cover), PPI, choke_mm, 1.0, "none")
        got = np.sqrt(plane.sum() / 255 / np.pi)
        assert abs(got - (radius - choke_mm * PPI / 25.4)) * UM_PX <= 10.0


def test_the_choke_agrees_with_an_exact_distance_transform() -> None:
    """Source: scipy.ndimage.distance_transform_edt on an eight times finer picture of a drawing with holes."""
    from scipy import ndimage

    body = '<circle cx="40" cy="45" r="30"/><path d="M50 20 L95 40 L60 90 Z"/>'
    body += '<rect x="8" y="80" width="30" height="12"/>'
    fine = drawn(body, 1600)[..., 3] > 127
    cover = fine.reshape(200, 8, 200, 8).mean(axis=(1, 3))
    choke_mm = 0.2
    deep = ndimage.distance_transform_edt(np.pad(fine, 8))[8:-8, 8:-8] > choke_mm * PPI / 25.4 * 8
    wanted = deep.reshape(200, 8, 200, 8).mean(axis=(1, 3))
    plane = base_plane(art(cover), PPI, choke_mm, 1.0, "none") / 255
    assert np.quantile(np.abs(plane - wanted), 0.999) < 0.2
    outline = np.abs(np.diff(deep.astype(int), axis=0)).sum() / 8
    assert abs((plane - wanted).sum()) / outline * UM_PX < 10


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    choke=st.floats(0.0, 0.4),
    hairline=st.sampled_from(["base", "none", "stop"]),
)
def test_there_is_never_more_base_than_colour(seed: int, choke: float, hairline: str) -> None:
    rng = np.random.default_rng(seed)
    alpha = rng.integers(0, 256, (6, 6)).repeat(7, axis=0).repeat(7, axis=1) * (rng.random((42, 42)) > 0.1)
    pixels = np.zeros((42, 42, 4), np.uint8)
    pixels[..., :3] = rng.integers(0, 60, (6, 6, 3)).repeat(7, axis=0).repeat(7, axis=1)
    pixels[..., 3] = alpha
    pixels[alpha == 0] = 0
    plane = base_plane(pixels, PPI, choke, float(rng.random()), hairline)  # type: ignore[arg-type]
    assert (plane <= pixels[..., 3]).all()


def test_seams_between_abutting_shapes_leave_no_line_in_the_base() -> None:
    """Two shapes that share an antialiased edge: alpha dips there, to three quarters at worst."""
    body = '<path d="M5 5 L61.3 5 L38.2 95 L5 95 Z" fill="#c02020"/>'
    body += '<path d="M61.3 5 L95 5 L95 95 L38.2 95 Z" fill="#20a040"/>'
    pixels = drawn(body)
    assert (pixels[40:160, 40:160, 3] < 255).any()
    plane = base_plane(pixels, PPI, 0.15, 1.0, "base")
    assert (plane[40:160, 40:160] == pixels[40:160, 40:160, 3]).all()


def test_soft_alpha_is_followed() -> None:
    glow = np.clip(np.linspace(1.2, -0.2, 120), 0, 1)[None, :].repeat(40, axis=0)
    pixels = art(np.pad(glow, ((10, 10), (0, 0))))
    plane = base_plane(pixels, PPI, 0.15, 1.0, "none")
    assert (plane[20:40, 30:] == pixels[20:40, 30:, 3]).all()


def test_the_edge_of_the_box_is_an_outline() -> None:
    """Ink ends at the box; base up to the very edge would show beside it."""
    plane = base_plane(art(np.ones((40, 40))), PPI, 2 * 25.4 / PPI, 1.0, "none")
    assert (plane[:2] == 0).all()
    assert (plane[:, -2:] == 0).all()
    assert (plane[3:-3, 3:-3] == 255).all()


@pytest.mark.parametrize("turn_deg", [0, 23, 45])
def test_a_line_thinner_than_twice_the_choke_follows_the_policy(turn_deg: int) -> None:
    turn = np.radians(turn_deg)
    width = 2.5
    cover = coverage(
        lambda x, y: (
            (np.abs((x - 36) * np.sin(turn) - (y - 36) * np.cos(turn)) < width / 2)
            & (np.hypot(x - 36, y - 36) < 30)
        )
    )
    none = base_plane(art(cover), PPI, 0.15, 1.0, "none")
    kept = base_plane(art(cover), PPI, 0.15, 1.0, "base")
    assert none.max() == 0
    per_length = kept.sum() / 255 / 60
    assert 0.08 <= per_length * 25.4 / PPI <= 0.14  # about the least width of 0.10 mm
    y, x = np.nonzero(kept)
    assert np.hypot(np.ptp(y), np.ptp(x)) > 50


def test_corners_of_what_keeps_its_base_are_no_hairlines() -> None:
    pixels = drawn('<path d="M10 10 H90 V90 H10 Z" fill="#c02020"/>')
    kept, none = (base_plane(pixels, PPI, 0.2, 1.0, how) for how in ("base", "none"))
    assert (kept == none).all()


def test_no_base_lies_under_near_black_ink_but_for_a_tuck() -> None:
    """Common practice, no source: 0.1–0.2 mm under the edge of the black."""
    pixels = art(np.ones((60, 120)))
    pixels[:, 60:, :3] = BLACK
    plane = base_plane(pixels, PPI, 0.1, 1.0, "base", 0.15)
    row = plane[30] / 255
    assert row[30:60].min() == 1.0
    assert row[60:110].sum() * 25.4 / PPI == pytest.approx(0.15, abs=0.02)
    full = base_plane(pixels, PPI, 0.1, 1.0, "base", 0.15, under_black=True)
    assert (full[10:50, 30:110] == 255).all()


def test_thin_black_lettering_is_no_hairline_because_it_needs_no_base() -> None:
    cover = coverage(lambda x, y: (np.abs(x - 36) < 1.0) & (np.abs(y - 36) < 30))
    done = base_plane(art(cover, BLACK), PPI, 0.15, 1.0, "base")
    assert done.max() == 0


def test_half_strength_is_half_the_white() -> None:
    plane = base_plane(art(np.ones((40, 40))), PPI, 0.1, 0.5, "none")
    assert plane[20, 20] == 128
    assert base_plane(art(np.ones((40, 40))), PPI, 0.1, 0.0, "none").max() == 0


def test_settings_out_of_range_are_refused() -> None:
    for choke, strength in ((-0.1, 1.0), (0.1, 1.1)):
        with pytest.raises(ValueError, match="strength"):
            base_plane(art(np.ones((4, 4))), PPI, choke, strength, "none")
    with pytest.raises(ValueError, match="fabric"):
        decide([(RED, 1.0)], (0.0, 0.0, 0.0), 1.5, "direct")


def test_a_transfer_always_has_a_base() -> None:
    """Common practice, no source: the white carries the adhesive."""
    assert decide([(BLACK, 1.0)], (1.0, 1.0, 1.0), "none", "transfer").strength == 1.0


def test_light_yellow_cloth_needs_a_base_although_it_is_light() -> None:
    """Common practice, no source. White cloth needs none; black ink on yellow needs none either."""
    yellow = (0.97, 0.93, 0.45)
    assert decide([((30, 90, 200), 0.6), ((255, 255, 255), 0.4)], yellow, None, "direct").strength == 1.0
    assert decide([((30, 90, 200), 1.0)], yellow, None, "direct").strength == 1.0
    assert decide([((255, 255, 255), 0.4)], (0.98, 0.97, 0.9), None, "direct").strength == 1.0
    assert (
        decide([((30, 90, 200), 0.6), ((255, 255, 255), 0.4)], (1.0, 1.0, 1.0), None, "direct").strength
        == 0.0
    )
    assert decide([(BLACK, 1.0)], yellow, None, "direct").strength == 0.0


def test_near_black_ink_alone_asks_for_no_base_on_any_cloth() -> None:
    """Common practice, no source. On a vivid yellow-green #101012 shifts by ΔE00 6.9, yet no base would lie there.

    A colour beside it decides for itself.
    """
    vivid = (216 / 255, 240 / 255, 64 / 255)
    assert decide([((16, 16, 18), 1.0)], vivid, None, "direct").strength == 0.0
    assert "near-black" in decide([((16, 16, 18), 1.0)], vivid, None, "direct").why
    assert decide([((16, 16, 18), 0.9), ((26, 58, 143), 0.1)], vivid, None, "direct").strength == 1.0
    assert decide([((16, 16, 18), 1.0)], vivid, None, "transfer").strength == 1.0


def test_the_fabric_has_its_own_word() -> None:
    dark = (0.1, 0.1, 0.1)
    assert decide([(RED, 1.0)], dark, "none", "direct").strength == 0.0
    assert decide([(RED, 1.0)], dark, 0.6, "direct").strength == 0.6
    assert decide([(BLACK, 1.0)], dark, "full", "direct").strength == 1.0
    assert "#c81e28" in decide([(RED, 1.0)], dark, None, "direct").why


def test_one_sees_colour_where_there_is_base_and_a_product_where_there_is_none() -> None:
    """Source: multiplication of linear light, IEC 61966-2-1 for the encoding."""
    pixels = art(np.ones((2, 2)), YELLOW)
    base = np.array([[255, 0], [255, 0]], np.uint8)
    cloth = (0.5, 0.4, 0.9)
    seen = simulate(pixels, base, cloth)
    assert seen[0, 0].tolist() == [255, 255, 0]
    product = linear_to_srgb(srgb_to_linear(np.array(cloth)) * srgb_to_linear(np.array([1.0, 1.0, 0.0])))
    assert seen[0, 1].tolist() == np.round(255 * product).astype(int).tolist()
    assert simulate(np.zeros((1, 1, 4), np.uint8), None, cloth)[0, 0].tolist() == [128, 102, 230]


def test_mirrored_twice_is_as_before() -> None:
    plane = np.arange(12, dtype=np.uint8).reshape(3, 4)
    assert mirror(plane)[0].tolist() == [3, 2, 1, 0]
    assert (mirror(mirror(plane)) == plane).all()


def test_the_faint_rim_of_a_thick_shape_is_no_hairline() -> None:
    """Antialiased pixels of a slightly turned edge, coverage 0.02 to 0.1, lie far outside what keeps a base."""
    pixels = drawn('<path d="M10 10 L90 11 L91 90 L11 91 Z" fill="#c02020"/>', 400)
    assert ((pixels[..., 3] > 0) & (pixels[..., 3] < 25)).any()
    kept = base_plane(pixels, PPI, 0.15, 1.0, "base")
    assert (kept == base_plane(pixels, PPI, 0.15, 1.0, "none")).all()


def test_black_on_a_colour_has_no_ring_of_base_along_the_cloth() -> None:
    """The antialiased rim of black drawn over yellow is dark yellow, and asks for no tuck."""
    body = '<circle cx="50" cy="50" r="40" fill="#e0b020"/><path d="M50 10 A40 40 0 0 1 50 90 Z" fill="#080808"/>'
    plane = base_plane(drawn(body, 260), PPI, 0.15, 1.0, "base")
    assert plane[130, 128 - 40] == 255
    assert plane[:, 140:].max() == 0


def test_a_dot_thinner_than_twice_the_choke_has_a_base_only_where_hairlines_keep_one() -> None:
    dot = art(coverage(lambda x, y: np.hypot(x - 36, y - 36) < 1.5))
    assert base_plane(dot, PPI, 0.2, 1.0, "none").max() == 0
    assert base_plane(dot, PPI, 0.2, 1.0, "base").max() > 0


def test_the_base_does_not_depend_on_where_in_the_picture_it_lies() -> None:
    """Large plates are made in strips of rows; where a crest lies across them changes nothing."""
    crest = drawn(
        '<circle cx="50" cy="50" r="44" fill="#e0b020"/><path d="M50 6 A44 44 0 0 1 50 94 Z" fill="#080808"/>'
        '<path d="M20 30 L46 60 M30 20 L30 80" stroke="#c01020" stroke-width="1"/><circle cx="8" cy="8" r="6"'
        ' fill="none" stroke="#102090" stroke-width="0.9"/>',
        120,
    )
    alone = base_plane(crest, PPI, 0.2, 1.0, "base")
    wide = 2**21 // 256  # strips hold about two million pixels
    for top in range(256 - 118, 256 + 12, 13):
        plate = np.zeros((420, wide, 4), np.uint8)
        plate[top : top + 120, 300:420] = crest
        done = base_plane(plate, PPI, 0.2, 1.0, "base")
        assert (done[top : top + 120, 300:420] == alone).all()
        assert int(done.sum()) == int(alone.sum())


@given(st.integers(0, 10**6), st.floats(0.05, 0.7))
@settings(max_examples=40, deadline=None)
def test_thin_pixels_gather_into_the_parts_that_scipy_labels(seed: int, density: float) -> None:
    """Connected parts, diagonals included, numbered by their first pixels, against scipy.ndimage.label."""
    mask = np.zeros((26, 33), np.bool_)
    mask[1:-1, 1:-1] = np.random.default_rng(seed).random((24, 31)) < density
    at = np.flatnonzero(mask)
    labels, _ = ndimage.label(mask, structure=np.ones((3, 3)))
    assert (_connected(at, mask.shape[1]) + 1 == labels.reshape(-1)[at]).all()
