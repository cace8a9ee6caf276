"""Vector knock-out: two drawings with different keys tell colour and coverage exactly."""

from __future__ import annotations

import io
import json

import cairosvg
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from pipeline.colour.difference import delta_e_00
from pipeline.colour.spaces import srgb_to_lab
from pipeline.raster_ops import seen_on
from pipeline.stages.knockout import Keys, keys_for, solve
from tests.conftest import REFERENCE

BLACK, WHITE = (0, 0, 0), (255, 255, 255)


def drawn(body: str, size: int = 96) -> np.ndarray:
    svg = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 96 96">{body}</svg>'
    png = cairosvg.svg2png(bytestring=svg.encode(), output_width=size, output_height=size)
    return np.array(Image.open(io.BytesIO(png)).convert("RGBA"))


def straight(premultiplied: np.ndarray) -> np.ndarray:
    """Premultiplied levels to straight RGBA, rounded as renderers do."""
    alpha = premultiplied[..., 3:].astype(np.float64)
    colour = np.where(alpha > 0, premultiplied[..., :3] * 255.0 / np.maximum(alpha, 1), 0)
    return np.concatenate([np.floor(colour + 0.5), alpha], axis=-1).astype(np.uint8)


def test_two_backings_give_the_coverage_and_colour_of_the_paper() -> None:
    """Source: Smith & Blinn 1996, triangulation; reference/matting_vectors.json."""
    cases = json.loads((REFERENCE / "matting_vectors.json").read_text())["smith_blinn"]
    cases = [case for case in cases if isinstance(case["backing"][0], list)]
    assert len(cases) == 2
    for case in cases:
        keys = [tuple(round(255 * v) for v in key) for key in case["backing"]]
        shots = [np.array([[[*np.round(np.array(c) * 255), 255]]], np.uint8) for c in case["C_observed"]]
        got = solve(shots[0], keys[0], shots[1], keys[1])[0, 0]
        assert abs(got[3] / 255 - case["alpha"]) <= 1 / 255
        assert np.allclose(got[:3] / 255, case["F"], atol=2.5 / 255 / case["alpha"])


def test_source_over_vectors_come_apart_again() -> None:
    """Source: Porter & Duff 1984, src-over over an opaque ground; reference/compositing_vectors.json."""
    rows = json.loads((REFERENCE / "compositing_vectors.json").read_text())["porter_duff"]["vectors"]
    overs = [row for row in rows if row["op"] == "src-over" and row["as_"] > 0]
    assert overs
    for row in overs:
        shots = []
        for key in (0.0, 1.0):
            level = row["as_"] * np.array(row["Cs"], float) + (1 - row["as_"]) * key
            shots.append(np.array([[[*np.floor(level * 255 + 0.5), 255]]], np.uint8))
        got = solve(shots[0], BLACK, shots[1], WHITE)[0, 0]
        assert abs(got[3] / 255 - row["as_"]) <= 1 / 255
        assert np.abs(got[:3] / 255 - row["Cs"]).max() <= 1.5 / 255 / row["as_"]


@settings(max_examples=200, deadline=None)
@given(
    w=st.integers(0, 255),
    spare=st.integers(0, 255),
    colour=st.tuples(*[st.integers(0, 255)] * 3),
    cloth=st.tuples(*[st.integers(0, 255)] * 3),
)
def test_recomposed_on_the_cloth_nothing_changes(w: int, spare: int, colour: tuple, cloth: tuple) -> None:
    """Two 8-bit drawings of any mixture recompose within ΔE00 1 or one level. Source: trade rule, ours."""
    kept = min(spare, 255 - w)
    alpha = w + kept
    key = keys_for([cloth], cut_out=False)
    assert key is not None
    shots = []
    for ink in (key.first, key.second):
        level = [np.floor(kept * c / 255 + w * k / 255 + 0.5) for c, k in zip(colour, ink, strict=True)]
        shots.append(straight(np.array([[[*level, alpha]]])))
    got = solve(shots[0], key.first, shots[1], key.second)
    fabric = tuple(v / 255 for v in cloth)
    before, after = seen_on(shots[0], fabric), seen_on(got, fabric)
    apart = delta_e_00(srgb_to_lab(before / 255), srgb_to_lab(after / 255))
    assert apart.max() <= 1.0 or np.abs(before - after).max() <= 1.0
    if kept == 0:
        assert got[0, 0, 3] == 0


BODY = """
<defs><linearGradient id="g"><stop offset="0" stop-color="#d02030"/>
<stop offset="1" stop-color="KEY"/></linearGradient></defs>
<rect width="96" height="96" fill="#1a3a6a"/><circle cx="40" cy="41" r="30" fill="KEY"/>
<path d="M10 80 L90 12 L86 90 Z" fill="#f0c040" fill-opacity=".6"/>
<circle cx="66" cy="66" r="14" fill="KEY" opacity=".5"/>
<rect x="4" y="70" width="60" height="20" fill="url(#g)"/><path d="M5 5 L90 60" stroke="KEY" stroke-width="1.3"/>
"""


@pytest.mark.parametrize("cloth", [(122, 31, 36), (255, 255, 255), (23, 23, 26), (154, 154, 157)])
def test_a_drawing_with_gradient_and_opacity_is_unchanged_on_its_cloth(cloth: tuple[int, int, int]) -> None:
    """Drawn by cairo, seen again on the cloth: ΔE00 ≤ 1 or one level everywhere."""
    keys = keys_for([cloth], cut_out=False)
    assert keys is not None
    plain, keyed = (
        drawn(BODY.replace("KEY", "#{:02x}{:02x}{:02x}".format(*k))) for k in (keys.first, keys.second)
    )
    got = solve(plain, keys.first, keyed, keys.second)
    fabric = (cloth[0] / 255, cloth[1] / 255, cloth[2] / 255)
    before, after = seen_on(plain, fabric), seen_on(got, fabric)
    apart = delta_e_00(srgb_to_lab(before / 255), srgb_to_lab(after / 255))
    assert ((apart <= 1.0) | (np.abs(before - after).max(axis=-1) <= 1.0)).all()
    assert (got[41, 30] == 0).all()  # inside the disc that is the cloth's colour
    same = (plain == keyed).all(axis=-1)
    assert same.any()
    assert (got[same] == plain[same]).all()


def test_a_cut_out_shows_the_cloth_whatever_it_lies_on() -> None:
    """Common practice, no source."""
    body = '<rect width="96" height="96" fill="#1a3a6a"/><circle cx="48" cy="48" r="20" fill="{}"/>'
    got = solve(drawn(body.format("#000000")), BLACK, drawn(body.format("#ffffff")), WHITE)
    assert (got[48, 48] == 0).all()
    assert got[2, 2].tolist() == [0x1A, 0x3A, 0x6A, 255]
    edge = got[(got[..., 3] > 40) & (got[..., 3] < 255)]
    assert edge.size
    assert np.abs(edge[:, :3].astype(int) - (0x1A, 0x3A, 0x6A)).max() <= 4


def test_keys_say_when_the_plain_drawing_serves() -> None:
    assert keys_for([], cut_out=False) is None
    assert keys_for([(122, 31, 36)], cut_out=False) == Keys(
        (122, 31, 36), (255, 255, 255), plain_is_first=True
    )
    assert keys_for([(200, 31, 36)], cut_out=False) == Keys((200, 31, 36), (0, 255, 255), plain_is_first=True)
    for several in (keys_for([(1, 2, 3), (4, 5, 6)], cut_out=False), keys_for([], cut_out=True)):
        assert several == Keys(BLACK, WHITE, plain_is_first=False)


def test_drawings_of_two_sizes_or_one_key_are_refused() -> None:
    one = np.zeros((2, 2, 4), np.uint8)
    with pytest.raises(ValueError, match="size"):
        solve(one, BLACK, np.zeros((3, 2, 4), np.uint8), WHITE)
    with pytest.raises(ValueError, match="same colour"):
        solve(one, BLACK, one, BLACK)
