"""What a press can print, soft-proofed by its ICC output profile."""

from __future__ import annotations

import hashlib
import json
import re
import warnings
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from skimage.color import deltaE_ciede2000, lab2rgb, rgb2lab

from pipeline.art.iccfile import matrix_profile
from pipeline.art.profiles import srgb_curve
from pipeline.cli import main
from pipeline.faults import Refused
from pipeline.shop import load_shop
from pipeline.soft_proof import problem_of, proofed
from pipeline.stages.preflight.gamut import by_profile
from tests.test_make import hand_in, order

NARROW = ((0.3127, 0.3290), (0.55, 0.34), (0.32, 0.50), (0.19, 0.14))
"""White of sRGB and primaries well inside its own: the gamut is known."""
OPEN_CMYK = Path("/usr/share/color/icc/ghostscript/default_cmyk.icc")
"""Artifex's open CMYK profile, as Ghostscript installs it."""


def narrow() -> bytes:
    """An output profile (ICC.1, device class "prtr") with the narrow primaries and the curve of sRGB."""
    data = bytearray(matrix_profile("Narrow", NARROW, srgb_curve(1024)))
    data[12:16] = b"prtr"
    return bytes(data)


def clipped(rgb: np.ndarray) -> np.ndarray:
    """sRGB (N, 3) 0–255 cut to the narrow primaries channel by channel, as sRGB 0–1; matrices by colour-science."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour
    to_xyz = np.array(colour.RGB_COLOURSPACES["sRGB"].matrix_RGB_to_XYZ)
    device = np.array(colour.normalised_primary_matrix(np.array(NARROW[1:]), np.array(NARROW[0])))
    light = colour.models.eotf_sRGB(rgb / 255) @ to_xyz.T @ np.linalg.inv(device).T
    back = np.clip(light, 0, 1) @ device.T @ np.linalg.inv(to_xyz).T
    return np.clip(np.asarray(colour.models.eotf_inverse_sRGB(np.clip(back, 0, 1))), 0, 1)


def test_a_profile_of_known_gamut_clips_as_its_primaries_say() -> None:
    """Colours inside come back, those outside lie on the edge: against colour-science and scikit-image, D65.

    8-bit Lab leaves half a step in a* and b*.
    """
    rng = np.random.default_rng(7)
    colours = rng.integers(0, 256, (400, 3), dtype=np.uint8)
    comes_out, far = by_profile(narrow())(colours)
    expected = clipped(colours.astype(float))
    expected_far = deltaE_ciede2000(rgb2lab(colours / 255), rgb2lab(expected))

    assert deltaE_ciede2000(rgb2lab(comes_out / 255), rgb2lab(expected)).max() < 1.5
    assert np.abs(far - expected_far).max() < 1.5
    assert np.median(np.abs(far - expected_far)) < 0.4
    assert (expected_far > 5).sum() > 50  # the test sees both sides
    assert (expected_far < 0.1).sum() > 50


def test_an_open_cmyk_profile_keeps_white_and_greys_and_dulls_pure_blue() -> None:
    """Process inks: media white is white, a middle grey is reached, sRGB's blue is far out (common practice)."""
    if not OPEN_CMYK.is_file():
        pytest.skip(f"{OPEN_CMYK.name} of Ghostscript is not here")
    colours = np.array([[255, 255, 255], [128, 128, 128], [0, 0, 255]], np.uint8)
    _, far = by_profile(OPEN_CMYK.read_bytes())(colours)

    assert far[0] < 0.5
    assert far[1] < 1.5
    assert far[2] > 10


def test_lab_is_relative_to_the_medium() -> None:
    """Relative colorimetric: white of the art is the bare medium, L* 100 (ICC.1)."""
    assert np.allclose(proofed(narrow(), np.full((1, 3), 255, np.uint8)), [[100, 0, 0]], atol=1)
    assert lab2rgb([[100.0, 0, 0]]).min() > 0.99


@pytest.mark.parametrize(
    ("data", "word"),
    [(b"no profile", "no ICC profile"), (matrix_profile("Screen", NARROW, srgb_curve(64)), "mntr")],
    ids=["rubbish", "a screen's profile"],
)
def test_what_is_no_output_profile_is_refused_by_key(data: bytes, word: str, tmp_path: Path) -> None:
    """The shop file is refused with the key, and what to do."""
    assert word in problem_of(data)
    (tmp_path / "own.toml").write_text('[presses.direct-1]\nprofile = "press.icc"\n', encoding="utf-8")
    with pytest.raises(Refused, match=r"presses\.direct-1\.profile: .*is not there"):
        load_shop(tmp_path / "own.toml")
    (tmp_path / "press.icc").write_bytes(data)
    with pytest.raises(Refused, match=rf"presses\.direct-1\.profile: .*{word}.*Put the press's"):
        load_shop(tmp_path / "own.toml")


def test_the_profile_itself_cannot_be_written_into_the_shop_file(tmp_path: Path) -> None:
    """Only the file's name is a key."""
    (tmp_path / "own.toml").write_text('[presses.direct-1]\nprofile_icc = "AAAA"\n', encoding="utf-8")
    with pytest.raises(Refused, match="is not a key"):
        load_shop(tmp_path / "own.toml")


def test_an_order_is_soft_proofed_with_worst_mean_and_a_picture(tmp_path: Path) -> None:
    """A pure green is out by the known gamut, a grey is not; the record names the profile by its digest."""
    art = """<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 200 160">
<rect x="10" y="10" width="90" height="140" fill="#00d010"/>
<rect x="100" y="10" width="90" height="140" fill="#909090"/>
</svg>"""
    (tmp_path / "press.icc").write_bytes(narrow())
    (tmp_path / "own.toml").write_text('[presses.direct-1]\nprofile = "press.icc"\n', encoding="utf-8")
    manifest = order(colourways=[{"name": "Black", "fabric": {"srgb": "#141418"}, "sizes": {"M": 2}}])
    path = hand_in(tmp_path / "in", manifest, {"badge.svg": art})
    shop = ["--shop", str(tmp_path / "own.toml")]
    assert main(["make", str(path), "--out", str(tmp_path / "out"), "--workers", "1", *shop]) == 0

    made = tmp_path / "out" / "T-1-r1"
    record = json.loads((made / "record.json").read_text(encoding="utf-8"))
    colour_found, print_found = [f for f in record["findings"] if f["code"] == "out-of-gamut"]
    green = np.array([[0, 0xD0, 0x10]], float)
    expected = float(deltaE_ciede2000(rgb2lab(green / 255), rgb2lab(clipped(green)))[0])

    assert colour_found["measured"] == pytest.approx(expected, abs=1.5)
    assert "#909090" not in colour_found["message"]
    assert print_found["measured"] == pytest.approx(expected, abs=1.5)
    mean = float(re.search(r"([\d.]+) on the mean", print_found["message"])[1])
    assert mean == pytest.approx(expected / 2, abs=1)
    x, _, width, _ = print_found["where_mm"]
    assert x == pytest.approx(60 * 10 / 200, abs=0.5)
    assert width == pytest.approx(60 * 90 / 200, abs=1)
    with Image.open(made / "pictures" / print_found["picture"]) as picture:
        assert picture.width > 0
    digest = hashlib.sha256(narrow()).hexdigest()
    assert record["profiles"] == [{"press": "direct-1", "path": "press.icc", "sha256": digest}]
