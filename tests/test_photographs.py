"""Photographs stop an order only where a person would ask: a flat ground, or black that is nearly the shirt's.

The photographs are those that come with scikit-image (public domain or free licences, listed in its data folder); they
are printed at 205 ppi, about as wide as such files can be. Which stops a person would give was judged by
looking at each.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from ops.findings_table import at_home
from pipeline.engine import Engine
from pipeline.finding import Finding
from pipeline.make import check_order
from pipeline.shop import load_shop


def checked(name: str, fabric: str, folder: Path) -> tuple[Finding, ...]:
    """Return what is found when a photograph is printed on a fabric."""
    from PIL import Image

    data = Path(pytest.importorskip("skimage").__file__).parent / "data" / name
    if not data.is_file():
        pytest.skip(f"{name} does not come with this scikit-image")
    with Image.open(data) as image:
        width = round(image.width / 205 * 25.4, 1)
    (folder / name).write_bytes(data.read_bytes())
    order = {
        "order": "P-1",
        "garment": "unisex tee",
        "art": {"it": {"file": name}},
        "prints": [
            {"name": "it", "art": "it", "position": "full front", "route": "direct", "width_mm": width}
        ],
        "colourways": [{"name": "One", "fabric": {"srgb": fabric}, "sizes": {"M": 1}}],
    }
    manifest = folder / "order.json"
    manifest.write_text(json.dumps(order))
    with at_home(), Engine(1) as engine:
        return check_order(manifest, load_shop(None), engine).findings


@pytest.mark.parametrize(
    ("name", "fabric", "stops"),
    [
        ("chelsea.png", "#ffffff", set()),
        ("camera.png", "#9a9ea2", set()),
        ("coins.png", "#101012", set()),
        ("hubble_deep_field.jpg", "#101012", set()),
        ("rocket.jpg", "#1d2b4f", set()),
        ("coffee.png", "#8f2430", set()),
        ("astronaut.png", "#101012", {"near-fabric"}),  # the black behind the shuttle is flat
        ("cell.png", "#8f2430", {"opaque-ground"}),  # a flat grey ground on 85 % of it
    ],
)
def test_photographs_stop_only_where_a_person_would_ask(
    name: str, fabric: str, stops: set[str], tmp_path: Path
):
    found = checked(name, fabric, tmp_path)
    assert {f.code for f in found if f.severity == "stop"} == stops
    # What is so with many tones of a photograph is said once.
    warned = [f.code for f in found if f.severity != "note" and f.code != "low-contrast"]
    assert len(warned) == len(set(warned))
