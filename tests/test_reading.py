"""The art of an order on its way to the spool."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pikepdf
import pytest
from PIL import Image

from pipeline import reading
from pipeline.art import svg
from pipeline.art.piece import BitmapArt, Limits, VectorArt
from pipeline.art.read import read_art
from pipeline.art.svg import agree, turned
from pipeline.faults import Refused
from pipeline.first_look import Wanted, read_apart
from pipeline.raster import Pixels
from tests import builders
from tests.test_make import make, order
from tests.test_page import pdf

BADGE = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 90 60"><circle cx="30" cy="30" r="25" fill="#8f2430"/>'
    '<path id="bar" d="M60 5h20v50h-20z" fill="#2f7f86"/></svg>'
)


def wanted(folder: Path, art: str = BADGE, *turns: float) -> tuple[Wanted, ...]:
    (folder / "badge.svg").write_text(art)
    return (Wanted("badge", folder / "badge.svg", turns or (0.0,)),)


@pytest.fixture
def one_renderer_misses_the_bar(monkeypatch: pytest.MonkeyPatch) -> None:
    """The second renderer leaves out the right third of the badge; reading happens in this process."""
    draw = agree.small

    def without_the_bar(art: VectorArt, renderer: str | None = None) -> Pixels:
        pixels = draw(art, renderer)
        if renderer == "resvg":
            pixels[:, 400:] = 0
        return pixels

    monkeypatch.setattr(agree, "small", without_the_bar)
    monkeypatch.setattr("pipeline.make.read_apart", reading.read_drawings)


@pytest.mark.usefixtures("one_renderer_misses_the_bar")
def test_pictures_of_renderers_that_disagree_lie_in_the_held_order(tmp_path: Path) -> None:
    """Both drawings and their difference, under the name that the finding gives, and on the proof."""
    assert make(tmp_path, order(), {"badge.svg": BADGE}) == 3
    held = tmp_path / "out" / "held" / "T-1-r1"
    found = json.loads((held / "record.json").read_text(encoding="utf-8"))
    (finding,) = [f for f in found["findings"] if f["code"] == "renderers-disagree"]

    assert finding["severity"] == "stop"
    assert f"pictures/{finding['picture']}" in {entry["path"] for entry in found["files"]}
    with Image.open(held / "pictures" / finding["picture"]) as image:
        picture = np.asarray(image.convert("RGB"))
    assert picture.shape == (400, 3 * 600 + 24, 3)
    assert tuple(picture[200, 466]) == (0x2F, 0x7F, 0x86)
    assert tuple(picture[200, 612 + 466]) != (0x2F, 0x7F, 0x86)
    assert tuple(picture[200, 1224 + 466]) == (208, 0, 48)
    with pikepdf.open(held / "proof.pdf") as proof:
        drawn = [one for page in proof.pages for one in page.Resources.get("/XObject", {}).values()]
        sizes = [(int(one.Width), int(one.Height)) for one in drawn if one.Subtype == "/Image"]
    assert any(abs(width / height - 1824 / 400) < 0.05 for width, height in sizes)


def put(folder: Path, name: str, data: bytes) -> Wanted:
    path = folder / name
    path.write_bytes(data)
    return Wanted(path.stem, path, (0.0,))


def test_art_is_read_in_a_child_and_comes_back_from_the_spool(tmp_path: Path) -> None:
    """The digest is that of the file, and a drawing from the spool is the one that reading the file gives."""
    items = (*wanted(tmp_path, BADGE, 0.0, 30.0), put(tmp_path, "page.pdf", pdf()))
    looked = read_apart(items, tmp_path, Limits())

    assert looked["page"].digest == hashlib.sha256(items[1].path.read_bytes()).hexdigest()
    assert looked["badge"].agreement_s > 0 == looked["page"].agreement_s
    assert reading.load_drawing(tmp_path, "page") == read_art(items[1].path, "page")
    badge = read_art(items[0].path, "badge")
    assert isinstance(badge, VectorArt)
    assert reading.load_drawing(tmp_path, "badge") == badge
    assert reading.load_drawing(tmp_path, "badge@30") == replace(turned(badge, 30.0), name="badge")


def test_the_normalised_file_is_kept_and_normalising_it_again_changes_nothing(tmp_path: Path) -> None:
    """Any program opens it (here the parser of the standard library), and it is a fixed point of reading."""
    reading.read_drawings(wanted(tmp_path), tmp_path, Limits())
    (path,) = tmp_path.glob("art-*.svg")
    kept = path.read_bytes()

    assert ElementTree.parse(path).getroot().tag == "{http://www.w3.org/2000/svg}svg"
    assert svg.read(kept, "badge").svg == kept == reading.load_drawing(tmp_path, "badge").svg  # type: ignore[union-attr]


def test_every_bad_file_is_named_at_once(tmp_path: Path) -> None:
    """A customer mends all of them in one go; the good ones keep nobody."""
    items = (
        put(tmp_path, "crest.svg", b"%!PS-Adobe-3.0 EPSF-3.0"),
        *wanted(tmp_path),
        put(tmp_path, "patch.png", b"GIF89a"),
    )
    with pytest.raises(Refused) as refusal:
        read_apart(items, tmp_path, Limits())

    assert refusal.value.code == "art-unreadable"
    assert [line.partition(":")[0] for line in refusal.value.message.splitlines()] == ["crest", "patch"]


def test_a_file_that_brings_the_child_down_is_named_and_the_others_come(tmp_path: Path) -> None:
    """Too much memory kills the child of all; each file is then read in its own."""
    items = (*wanted(tmp_path), put(tmp_path, "big.png", builders.blank_png(9000, 9000)))
    with pytest.raises(Refused, match=r"^big: ") as refusal:
        read_apart(items, tmp_path, Limits(memory_bytes=600 * 2**20))

    assert refusal.value.code == "art-too-large"
    assert isinstance(reading.load_drawing(tmp_path, "badge"), VectorArt)


def test_art_on_which_all_agree_leaves_no_pictures(tmp_path: Path) -> None:
    reading.read_drawings(wanted(tmp_path), tmp_path, Limits())
    reading.move_pictures(tmp_path, tmp_path / "made")

    assert reading.load_drawing(tmp_path, "badge").findings == ()
    assert not (tmp_path / "made").exists()


def test_the_pixels_of_a_bitmap_are_mapped_by_all_who_load_it(tmp_path: Path) -> None:
    """They are those that Pillow reads, lie in one file that numpy's format describes, and cannot be written."""
    shades = np.arange(5 * 7 * 4, dtype=np.uint8).reshape(5, 7, 4) + 100
    Image.fromarray(shades).save(tmp_path / "shades.png")
    read_apart((Wanted("shades", tmp_path / "shades.png", (0.0, 90.0)),), tmp_path, Limits())
    for name, there in (("shades", shades), ("shades@90", np.rot90(shades, -1))):
        art = reading.load_drawing(tmp_path, name)
        assert isinstance(art, BitmapArt)
        assert isinstance(art.pixels, np.memmap)
        assert not art.pixels.flags.writeable
        assert np.array_equal(art.pixels, there)
