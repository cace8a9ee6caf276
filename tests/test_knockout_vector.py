"""Knock-out of vector art is exact: the plate over its own fabric is what the art shows there, on every pixel.

Reference: the SVG as it came, drawn by cairosvg over a rectangle of the fabric's colour, which knows nothing of plates;
recomposition by Porter & Duff 1984 (over); CIEDE2000 by scikit-image. On another fabric nothing of the first one shows.
"""

from __future__ import annotations

import base64
import io
from pathlib import Path
from typing import Any

import cairosvg
import numpy as np
import pytest
import resvg_py
from PIL import Image
from skimage.color import deltaE_ciede2000, rgb2lab

from tests.test_make import make, order

FABRIC = "#8f2430"
RED = (0x8F, 0x24, 0x30)
INK = np.array((47, 127, 134))


def embedded() -> str:
    """Return an image of a teal disc on the fabric's colour, without a soft edge."""
    y, x = np.mgrid[0:120, 0:160]
    disc = (x - 80) ** 2 + (y - 60) ** 2 < 45**2
    pixels = np.where(disc[..., None], INK, RED).astype(np.uint8)
    stream = io.BytesIO()
    Image.fromarray(pixels).save(stream, format="PNG")
    return base64.b64encode(stream.getvalue()).decode()


CASES: dict[str, tuple[str, dict[str, Any], str | None]] = {
    "strokes": (
        f'<rect x="20" y="20" width="150" height="110" fill="#2f7f86"/>'
        f'<path d="M30 40C80 10 120 150 170 60" fill="none" stroke="{FABRIC}" stroke-width="3"/>'
        f'<circle cx="90" cy="80" r="30" fill="none" stroke="{FABRIC}" stroke-width="0.7"/>',
        {},
        None,
    ),
    "gradient that ends in the fabric's colour": (
        f'<linearGradient id="g"><stop offset="0" stop-color="{FABRIC}"/><stop offset="1" stop-color="#f3e9d2"/>'
        '</linearGradient><rect x="20" y="20" width="150" height="110" fill="url(#g)"/>',
        {},
        None,
    ),
    "pattern": (
        '<pattern id="p" width="20" height="20" patternUnits="userSpaceOnUse">'
        f'<rect width="20" height="20" fill="{FABRIC}"/><circle cx="10" cy="10" r="6" fill="#f3e9d2"/></pattern>'
        '<rect x="20" y="20" width="160" height="120" fill="url(#p)"/>',
        {},
        None,
    ),
    "group opacity": (
        '<rect x="20" y="20" width="150" height="110" fill="#2f7f86"/>'
        f'<g opacity="0.6"><circle cx="70" cy="70" r="40" fill="{FABRIC}"/>'
        '<circle cx="100" cy="70" r="40" fill="#f3e9d2"/></g>',
        {},
        None,
    ),
    "classes and currentColor": (
        f"<style>.cloth {{ fill: {FABRIC} }} .ink {{ fill: #f3e9d2 }}</style>"
        '<rect class="ink" x="20" y="20" width="150" height="110"/><circle class="cloth" cx="60" cy="70" r="30"/>'
        f'<g color="{FABRIC}"><rect x="110" y="40" width="40" height="60" fill="currentColor"/></g>',
        {},
        None,
    ),
    "embedded image": (
        '<rect x="10" y="10" width="180" height="140" fill="#f3e9d2"/>'
        f'<image x="20" y="20" width="160" height="120" href="data:image/png;base64,{embedded()}"/>',
        {},
        None,
    ),
    "cut out inside a group": (
        '<rect x="20" y="20" width="150" height="110" fill="#2f7f86"/><g transform="rotate(8 90 80)">'
        '<g id="leaf"><circle cx="90" cy="70" r="30" fill="#f3e9d2"/></g></g>',
        {"cut_out": ["leaf"]},
        '<rect x="20" y="20" width="150" height="110" fill="#2f7f86"/><g transform="rotate(8 90 80)">'
        f'<g id="leaf"><circle cx="90" cy="70" r="30" fill="{FABRIC}"/></g></g>',
    ),
    "cut out through use": (
        '<defs><circle id="dot" r="25" fill="#f3e9d2"/></defs>'
        '<rect x="20" y="20" width="150" height="110" fill="#2f7f86"/>'
        '<use id="left" href="#dot" x="60" y="70"/><use id="right" href="#dot" x="125" y="70"/>',
        {"cut_out": ["left"]},
        '<rect x="20" y="20" width="150" height="110" fill="#2f7f86"/>'
        f'<circle cx="60" cy="70" r="25" fill="{FABRIC}"/><circle cx="125" cy="70" r="25" fill="#f3e9d2"/>',
    ),
    "omitted through use": (
        '<defs><circle id="dot" r="25" fill="#f3e9d2"/></defs>'
        '<rect x="20" y="20" width="150" height="110" fill="#2f7f86"/>'
        '<use id="left" href="#dot" x="60" y="70"/><g><use id="right" href="#dot" x="125" y="70"/></g>',
        {"omit": ["right"]},
        '<rect x="20" y="20" width="150" height="110" fill="#2f7f86"/>'
        '<circle cx="60" cy="70" r="25" fill="#f3e9d2"/>',
    ),
}


def svg(body: str, ground: str = "") -> str:
    fills = ' preserveAspectRatio="none"' if ground else ""  # a plate fills its box edge to edge
    return f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 200 160"{fills}>{ground}{body}</svg>'


def over(plate: np.ndarray, fabric: tuple[int, int, int]) -> np.ndarray:
    alpha = plate[..., 3:].astype(np.float64) / 255
    return plate[..., :3] * alpha + np.array(fabric, np.float64) * (1 - alpha)


def windows(picture: np.ndarray, side: int = 9) -> np.ndarray:
    """Return what lies around each pixel; shape (H, W, 3, side, side)."""
    padded = np.pad(picture, ((side // 2,) * 2, (side // 2,) * 2, (0, 0)), mode="edge")
    return np.lib.stride_tricks.sliding_window_view(padded, (side, side), axis=(0, 1))


def drawn(name: str, text: str, width: int, height: int) -> np.ndarray:
    """Draw the SVG as it came: by resvg what cairosvg draws wrong."""
    if name in ("pattern", "embedded image"):
        sized = text.replace("viewBox", f'width="{width}" height="{height}" viewBox', 1)
        data = resvg_py.svg_to_bytes(svg_string=sized)
    else:
        data = cairosvg.svg2png(text.encode(), output_width=width, output_height=height)
    return np.asarray(Image.open(io.BytesIO(bytes(data))).convert("RGB"))


@pytest.mark.parametrize("name", CASES)
def test_the_plate_over_its_fabric_is_the_art_over_its_fabric(name: str, tmp_path: Path) -> None:
    """Within ΔE00 1 or one 8-bit level everywhere; where only fabric shows there is no ink for any other fabric."""
    body, changes, shown = CASES[name]
    colourway = {
        "name": "Red",
        "fabric": {"srgb": FABRIC},
        "sizes": {"M": 1},
        "near_fabric": "keep",
        **changes,
    }
    assert make(tmp_path, order(colourways=[colourway], accept=ANY), {"badge.svg": svg(body)}) == 0

    (path,) = (tmp_path / "out" / "T-1-r1").rglob("*_colour.png")
    plate = np.asarray(Image.open(path))
    height, width = plate.shape[:2]
    ground = f'<rect width="200" height="160" fill="{FABRIC}"/>'
    seen = drawn(name, svg(shown or body, ground), width, height)

    got = over(plate, RED)
    far = deltaE_ciede2000(rgb2lab(got / 255), rgb2lab(seen / 255))
    levels = np.abs(got - seen).max(axis=-1)
    bad = (far > 1.0) & (levels > 1.0)
    cloth = (seen == RED).all(axis=-1)
    if (
        name == "embedded image"
    ):  # two renderers enlarge a picture differently: its edge is judged by its mean
        edge = np.ptp(windows(seen), axis=(-1, -2)).max(axis=-1) > 0
        towards = ((got - seen)[edge] @ (np.array(RED) - INK)) / np.sum((np.array(RED) - INK) ** 2)
        assert abs(towards.mean()) <= 0.03
        bad &= ~edge
        cloth &= ~edge
    assert not bad.any(), f"{int(bad.sum())} pixels, worst ΔE00 {far[bad].max():.2f}"

    assert cloth.any()
    assert int(plate[cloth][:, 3].max()) <= 1


ANY = [
    {"code": code, "by": "Ada", "why": "the knock-out is looked at, not the art"}
    for code in ("thin-line", "thin-gap", "low-resolution")
]
