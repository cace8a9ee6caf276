"""Layers of a PDF (ISO 32000-1 section 8.11): told when hidden or no ink, chosen by the manifest; drawn by PDFium."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pikepdf
import pytest
from pikepdf import Array, Dictionary, Name

from pipeline.art import page
from pipeline.art.paint import PaintMap
from tests.test_left_in import decided
from tests.test_make import make, order, plate
from tests.test_page import pdf

CONTENT = (
    b"/OC /L0 BDC 1 0 0 rg 0 0 30 50 re f EMC /OC /L1 BDC 0 1 0 rg 30 0 30 50 re f EMC"
    b" /OC /L2 BDC 0 0 1 rg 60 0 30 50 re f EMC 0 0 0 rg 90 0 10 50 re f"
)
NAMES = ("crest", "crop marks", "old crest")


def layered(*off: int, base: str = "", usage: dict[int, str] | None = None) -> bytes:
    """Return a page of three layers, red, green and blue, and black on none; `off` are those its view switches off."""

    def layers(document: pikepdf.Pdf) -> None:
        groups = [document.make_indirect(Dictionary(Type=Name.OCG, Name=name)) for name in NAMES]
        for number, state in (usage or {}).items():
            groups[number].Usage = Dictionary(View=Dictionary(ViewState=Name(f"/{state}")))
        view = Dictionary(OFF=Array([groups[n] for n in off]), ON=Array([groups[0]]))
        if base:
            view.BaseState = Name(f"/{base}")
        document.pages[0].obj.Resources = Dictionary(
            Properties=Dictionary({f"/L{n}": group for n, group in enumerate(groups)})
        )
        document.Root.OCProperties = Dictionary(OCGs=Array(groups), D=view)

    return pdf(CONTENT, root=layers)


def drawn(data: bytes, **choice: tuple[str, ...]) -> list[bool]:
    """Say of the three layers, and of what is on none, whether they are drawn."""
    pixels = page.draw_page(page.read(data, "page.pdf"), 100, 50, PaintMap(**choice))
    return [bool(pixels[25, x, 3]) for x in (15, 45, 75, 95)]


@pytest.mark.parametrize(
    ("data", "shown"),
    [
        (layered(), [True, True, True]),
        (layered(2), [True, True, False]),
        (layered(base="OFF"), [True, False, False]),
        (layered(usage={2: "OFF"}), [True, True, False]),
        (layered(2, usage={2: "ON"}), [True, True, True]),
    ],
)
def test_what_is_called_hidden_is_what_is_not_drawn(data: bytes, shown: list[bool]) -> None:
    """The file's view, its base state, and a layer's own word on viewing, which PDFium puts first."""
    art = page.read(data, "page.pdf")
    hidden = {f.measured for f in art.findings if f.code == "hidden-content"}

    assert drawn(data) == [*shown, True]
    assert hidden == {name for name, on in zip(NAMES, shown, strict=True) if not on}
    assert {f.measured for f in art.findings if f.code == "guide-left"} == (
        {"crop marks"} if shown[1] else set()
    )
    assert art.elements == set(NAMES)


@pytest.mark.parametrize("data", [layered(), layered(usage={0: "ON", 1: "ON", 2: "ON"})])
def test_only_and_omit_choose_layers(data: bytes) -> None:
    """What lies on no layer is always drawn; what the file hides stays hidden."""
    assert drawn(data, omit=("crop marks", "old crest")) == [True, False, False, True]
    assert drawn(data, only=("crest",)) == [True, False, False, True]
    assert drawn(data, only=("crest", "crop marks"), omit=("crop marks",)) == [True, False, False, True]
    assert drawn(layered(2), only=("crest", "old crest")) == [True, False, False, True]


def test_many_hidden_layers_are_one_finding() -> None:
    def layers(document: pikepdf.Pdf) -> None:
        groups = [document.make_indirect(Dictionary(Type=Name.OCG, Name=f"v{n:03}")) for n in range(400)]
        document.Root.OCProperties = Dictionary(OCGs=Array(groups), D=Dictionary(BaseState=Name.OFF))

    (finding,) = page.read(pdf(root=layers), "page.pdf").findings
    assert "v000, v001" in finding.message
    assert finding.message.endswith("and 388 more.")


def test_the_manifest_answers_layers_and_leaves_them_out_of_the_plate(tmp_path: Path) -> None:
    """The green layer is omitted: a note instead of a warning, and none of its ink on the plate."""
    manifest = order(art={"badge": {"file": "badge.pdf", "omit": ["crop marks"], "near_fabric": "keep"}})
    assert make(tmp_path, manifest, {"badge.pdf": layered(2)}) == 0

    assert decided(tmp_path) == {"crop marks": "note", "old crest": "warn"}
    for colourway in ("Barn red", "Black"):
        pixels = plate(tmp_path, "press-colour", colourway, "M")
        green = (pixels[..., 1] > 200) & (pixels[..., 0] < 80) & (pixels[..., 3] > 0)
        assert not green.any()
        assert np.count_nonzero(pixels[..., 3]) > 0


def test_a_layer_that_the_page_does_not_have_stops(tmp_path: Path) -> None:
    manifest = order(art={"badge": {"file": "badge.pdf", "omit": ["guides"]}})
    assert make(tmp_path, manifest, {"badge.pdf": layered()}) == 3
