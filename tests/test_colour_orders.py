"""What an order says about colour, followed from the manifest to what a user is told and what is printed."""

from __future__ import annotations

import base64
import io
import json
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from skimage.color import deltaE_ciede2000, rgb2lab

from pipeline.cli import main
from tests.test_make import hand_in, make, order, plate

COLOURS = {"navy": "#1a3a8f", "yellow": "#f2b81a", "red": "#be1e2d", "moss": "#2f5f44"}
BLOCKS = "".join(
    f'<rect x="{10 + 45 * n}" y="10" width="45" height="100" fill="{c}"/>'
    for n, c in enumerate(COLOURS.values())
)
SVG = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 200 120">{BLOCKS}</svg>'
WHITE = {"name": "White", "fabric": "white", "sizes": {"M": 2}}


def bitmap(*colours: str, kind: str = "PNG") -> bytes:
    picture = np.zeros((400, 400 * len(colours), 3), np.uint8)
    for n, colour in enumerate(colours):
        picture[:, 400 * n : 400 * (n + 1)] = list(bytes.fromhex(colour[1:]))
    file = io.BytesIO()
    Image.fromarray(picture).save(file, kind, quality=90)
    return file.getvalue()


def with_pictures(*pictures: bytes) -> str:
    images = "".join(
        f'<image x="{10 + 60 * n}" y="60" width="50" height="50" preserveAspectRatio="none" '
        f'href="data:image/png;base64,{base64.b64encode(data).decode()}"/>'
        for n, data in enumerate(pictures)
    )
    top = '<rect x="10" y="10" width="180" height="40" fill="#be1e2d"/>'
    return f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 200 120">{top}{images}</svg>'


def checked(
    folder: Path, capsys: pytest.CaptureFixture[str], manifest: dict[str, Any], art: dict[str, str | bytes]
) -> list[dict[str, Any]]:
    capsys.readouterr()
    main(["check", str(hand_in(folder, manifest, art)), "--json"])
    found: list[dict[str, Any]] = json.loads(capsys.readouterr().out)["orders"][0]["findings"]
    return found


def swapping(file: str, *rules: dict[str, str]) -> dict[str, Any]:
    return order(art={"badge": {"file": file}}, colourways=[{**WHITE, "swap": list(rules)}])


@pytest.mark.parametrize("file", ["a.svg", "a.png", "a.jpg"])
def test_a_swap_of_a_colour_that_is_not_there_is_told_with_a_line_to_paste(
    file: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The three nearest colours of the art, nearest first by scikit-image's ΔE00; the line keeps all other rules.

    Pasted into the manifest it clears the finding. A JPEG's own colours are a level or two off.
    """
    art = {
        "a.svg": SVG,
        "a.png": bitmap(*COLOURS.values()),
        "a.jpg": bitmap(*COLOURS.values(), kind="JPEG"),
    }
    good, bad = {"from": COLOURS["red"], "to": "#101010"}, {"from": "#1a8f3a", "to": "#f3e9d2"}
    found = checked(tmp_path, capsys, swapping(file, good, bad), {file: art[file]})
    (missed,) = [f for f in found if f["code"] == "swap-not-found"]
    near = [word.strip(".,") for word in missed["message"].split("Nearest in the art:")[1].split()]

    def lab(colour: str) -> np.ndarray:
        return np.asarray(rgb2lab(np.array(list(bytes.fromhex(colour[1:]))) / 255))

    ranked = sorted(COLOURS.values(), key=lambda c: float(deltaE_ciede2000(lab(bad["from"]), lab(c))))
    assert len(near) == 3
    for told, true in zip(near, ranked[:3], strict=True):
        assert float(deltaE_ciede2000(lab(told), lab(true))) < 1
    rules = tomllib.loads(missed["remedy"])["swap"]
    assert rules == [good, {"from": near[0], "to": bad["to"]}]
    mended = checked(tmp_path / "again", capsys, swapping(file, *rules), {file: art[file]})
    assert "swap-not-found" not in [f["code"] for f in mended]


def test_a_colour_that_only_one_print_or_picture_has_is_no_finding(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A colourway's swap holds for all its prints: it is missing only where none of them, no picture, has it."""
    art: dict[str, str | bytes] = {
        "front.svg": with_pictures(bitmap(COLOURS["navy"]), bitmap(COLOURS["moss"])),
        "nape.svg": '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 9 9"><circle r="9" fill="#f2b81a"/></svg>',
    }
    prints = [
        {"name": "front", "art": "front", "position": "full front", "route": "direct", "width_mm": 100},
        {"name": "nape", "art": "nape", "position": "nape", "route": "direct", "width_mm": 60},
    ]
    swaps = [{"from": c, "to": "#505050"} for c in (*COLOURS.values(), "#ff00ff")]
    manifest = order(
        art={"front": {"file": "front.svg"}, "nape": {"file": "nape.svg"}},
        prints=prints,
        colourways=[{**WHITE, "swap": swaps}],
    )
    found = checked(tmp_path, capsys, manifest, art)
    assert {f["measured"] for f in found if f["code"] == "swap-not-found"} == {"#ff00ff"}


def test_a_swap_reaches_paints_and_pictures_alike(tmp_path: Path) -> None:
    """Vector paint and embedded bitmap of one colour both print in the new one, and what is not named as it was."""
    art = {"a.svg": with_pictures(bitmap(COLOURS["red"]), bitmap(COLOURS["moss"]))}
    assert make(tmp_path, swapping("a.svg", {"from": COLOURS["red"], "to": "#2040c0"}), art) == 0
    printed = plate(tmp_path, "press-colour", "White", "M")
    height, width = printed.shape[:2]
    at = {name: (int(height * y / 120), int(width * x / 200)) for name, x, y in
          (("paint", 100, 30), ("picture", 35, 85), ("other", 95, 85))}  # fmt: skip
    assert printed[at["paint"]].tolist() == [0x20, 0x40, 0xC0, 255]
    assert printed[at["picture"]].tolist() == [0x20, 0x40, 0xC0, 255]
    assert printed[at["other"]].tolist() == [0x2F, 0x5F, 0x44, 255]
