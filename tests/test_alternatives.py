"""A held order shows both answers to a colour near the fabric's."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from pipeline.stages.preflight.pictures import PANEL_PX, SPACE_PX
from tests.test_make import make, order

MOSS, FERN = (47, 74, 43), (52, 82, 47)
ART = """<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 200 160">
<rect x="10" y="10" width="180" height="60" fill="#e8b03a"/>{near}</svg>"""
PLACES = {
    "large": '<rect x="10" y="70" width="180" height="80" fill="#2f4a2b"/>',
    "small": '<circle cx="150" cy="120" r="12" fill="#2f4a2b"/>',
}


@pytest.mark.parametrize("place", PLACES)
def test_who_is_asked_about_a_near_colour_sees_both_answers(place: str, tmp_path: Path) -> None:
    """Left the near colour is printed, right the fabric shows; a small place is framed, and enlarged below.

    ΔE00 of the two greens is above the tolerance and below the range that asks (shop file); what is left and what is
    right stands in the finding.
    """
    manifest = order(
        colourways=[{"name": "Fern", "fabric": {"srgb": "#34522f"}, "sizes": {"M": 4}}],
    )
    assert make(tmp_path, manifest, {"badge.svg": ART.format(near=PLACES[place])}) == 3
    held = tmp_path / "out" / "held" / "T-1-r1"
    findings = json.loads((held / "record.json").read_text(encoding="utf-8"))["findings"]
    (asked,) = [f for f in findings if f["code"] == "near-fabric"]
    picture = np.asarray(Image.open(held / "pictures" / asked["picture"]).convert("RGB")).astype(int)
    left, right = picture[:, :PANEL_PX], picture[:, PANEL_PX + SPACE_PX :]
    moss = [np.count_nonzero(np.max(np.abs(side - MOSS), axis=-1) <= 3) for side in (left, right)]

    assert "left" in asked["message"]
    assert "right" in asked["message"]
    assert picture.shape[1] == 2 * PANEL_PX + SPACE_PX
    assert moss[0] > 800
    assert moss[1] == 0
    assert np.count_nonzero(np.max(np.abs(right - FERN), axis=-1) <= 1) > moss[0]
    tall = picture.shape[0] > PANEL_PX
    assert tall == (place == "small")


def test_an_answer_needs_no_picture(tmp_path: Path) -> None:
    """Where the manifest has decided nobody is asked, and no alternatives are drawn."""
    manifest = order(
        colourways=[
            {"name": "Fern", "fabric": {"srgb": "#34522f"}, "sizes": {"M": 4}, "near_fabric": "knock_out"}
        ],
    )
    make(tmp_path, manifest, {"badge.svg": ART.format(near=PLACES["large"])})

    assert not list((tmp_path / "out").rglob("near-fabric-*.png"))
