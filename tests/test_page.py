"""PDF art: boxes, turns, units, what is found in it, what is refused. The files are built here with pikepdf."""

from __future__ import annotations

import io
import shutil
import subprocess
import threading
from pathlib import Path

import numpy as np
import pikepdf
import pytest
from pikepdf import Array, Dictionary, Name

from pipeline.art import page, read
from pipeline.art.piece import PageArt
from pipeline.faults import Refused

RED_SQUARE = b"1 0 0 rg 10 10 30 30 re f"


def pdf(
    content: bytes = RED_SQUARE,
    *,
    box=(0, 0, 100, 50),
    resources=None,
    pages: int = 1,
    root=None,
    save=None,
    **keys,
) -> bytes:
    document = pikepdf.new()
    for _ in range(pages):
        sheet = document.add_blank_page(page_size=(box[2] - box[0], box[3] - box[1]))
        sheet.obj.MediaBox = Array(box)
        sheet.obj.Contents = document.make_stream(content)
        sheet.obj.Resources = resources(document) if resources else Dictionary()
        for key, value in keys.items():
            sheet.obj[f"/{key}"] = value(document) if callable(value) else value
    if root:
        root(document)
    out = io.BytesIO()
    document.save(out, **(save or {}))
    return out.getvalue()


def found(data: bytes) -> list[tuple[str, str]]:
    return [(finding.code, finding.severity) for finding in page.read(data, "art.pdf").findings]


def test_a_page_is_drawn_edge_to_edge_on_a_clear_ground():
    """A rectangle over the whole page is opaque in every pixel, at any size; outside a square nothing is."""
    full = page.read(pdf(b"0 0 1 rg 0 0 100 50 re f"), "full")
    for width, height in ((100, 50), (333, 167), (7, 9)):
        drawn = page.draw_page(full, width, height)
        assert drawn.shape == (height, width, 4)
        assert (drawn == (0, 0, 255, 255)).all()
    drawn = page.draw_page(page.read(pdf(), "square"), 200, 100)
    assert (drawn[21:79, 21:79] == (255, 0, 0, 255)).all()
    assert drawn[:, 82:].max() == 0


def test_edges_keep_their_colour():
    """Antialiased pixels are red at part coverage, not a mixture with the ground."""
    drawn = page.draw_page(page.read(pdf(b"1 0 0 rg 50 25 m 90 30 l 60 45 l f"), "wedge"), 313, 157)
    soft = (drawn[..., 3] > 0) & (drawn[..., 3] < 255)
    assert soft.sum() > 50
    assert (drawn[soft][:, :3] == (255, 0, 0)).all()


@pytest.mark.parametrize("turn", [0, 90, 180, 270])
@pytest.mark.parametrize("unit", [1, 2.5])
def test_crop_box_rotation_and_unit_make_the_drawing_area(turn: int, unit: float):
    """ISO 32000-1, 14.11.2 (crop box) and table 30 (/Rotate is clockwise, /UserUnit scales)."""
    data = pdf(
        RED_SQUARE,
        CropBox=Array([10, 10, 70, 40]),
        Rotate=turn,
        UserUnit=pikepdf.Object.parse(str(unit).encode()),
    )
    art = page.read(data, "turned")
    expected = (60 * unit, 30 * unit) if turn % 180 == 0 else (30 * unit, 60 * unit)
    assert (art.width, art.height) == pytest.approx(expected)
    upright = np.zeros((30, 60, 4), np.uint8)
    upright[:, :30] = (255, 0, 0, 255)  # the square fills the left half of the crop box
    wanted = np.rot90(upright, -turn // 90)
    assert np.array_equal(page.draw_page(art, wanted.shape[1], wanted.shape[0]), wanted)


def test_a_clean_page_has_no_findings():
    """Paths in RGB are taken as they are."""
    assert found(pdf()) == []


@pytest.mark.parametrize("pages", [0, 2])
def test_other_than_one_page_is_refused(pages: int):
    """Nobody said which page to print."""
    with pytest.raises(Refused, match=f"{pages} pages"):
        page.read(pdf(pages=pages), "pages.pdf")


def test_a_locked_page_is_refused_and_an_owner_lock_noted():
    """A password to open refuses; a password that only restricts does not hinder drawing."""
    locked = pdf(save={"encryption": pikepdf.Encryption(owner="o", user="u")})
    with pytest.raises(Refused, match="password"):
        page.read(locked, "locked.pdf")
    owned = pdf(save={"encryption": pikepdf.Encryption(owner="o", user="")})
    art = page.read(owned, "owned.pdf")
    assert [(f.code, f.severity) for f in art.findings] == [("owner-locked", "note")]
    assert page.draw_page(art, 100, 50)[20, 20].tolist() == [255, 0, 0, 255]


def test_cut_and_broken_files_are_refused():
    """Every strict beginning of a PDF is refused, and so is one with its cross-references destroyed."""
    whole = pdf()
    for stop in range(5, len(whole) - 6, 37):
        with pytest.raises(Refused):
            page.read(whole[:stop], "cut.pdf")
    with pytest.raises(Refused):
        page.read(whole.replace(b"startxref", b"startxxxx"), "broken.pdf")
    with pytest.raises(Refused):
        page.read(b"%PDF-1.7\n%%EOF", "empty.pdf")


def test_a_page_of_the_wrong_types_is_refused():
    """Contents that are a number, resources that are a name: damage, not a fault of the program."""
    with pytest.raises(Refused, match="damaged"):
        page.read(pdf(Contents=7), "seven.pdf")


def test_text_of_the_file_cannot_steer_a_terminal(tmp_path: Path):
    """Control characters in names that a file brings are escaped before anybody reads them."""
    path = tmp_path / "a.svg"
    path.write_text("<svg\u202e xmlns='http://www.w3.org/2000/svg' viewBox='0 0 9 9'/>")
    with pytest.raises(Refused) as refusal:
        read.read_art(path, "a\x1b[31m")
    assert refusal.value.message.isprintable()


def overprinting(document: pikepdf.Pdf) -> Dictionary:
    return Dictionary(ExtGState=Dictionary(GS0=Dictionary(Type=Name.ExtGState, OP=True, op=True, OPM=1)))


def test_overprint_stops_unless_only_black_uses_it():
    """Yellow over cyan would mix on an offset press; black over all looks the same either way."""
    assert found(pdf(b"/GS0 gs 0 0 1 0 k 0 0 9 9 re f", resources=overprinting))[0] == (
        "unsupported-feature",
        "stop",
    )
    assert found(pdf(b"/GS0 gs 0 0 0 1 k 0 0 9 9 re f", resources=overprinting))[0] == (
        "unsupported-feature",
        "note",
    )
    assert found(pdf(b"q /GS0 gs Q 1 0 0 rg 0 0 9 9 re f", resources=overprinting)) == []
    assert found(pdf(b"1 0 0 rg 0 0 9 9 re f", resources=overprinting)) == []


def spot(document: pikepdf.Pdf) -> Dictionary:
    tint = document.make_stream(b"{0 exch 0.8 mul 0 exch 0}", FunctionType=4, Domain=[0, 1], Range=[0, 1] * 4)
    return Dictionary(
        ColorSpace=Dictionary(CS0=Array([Name.Separation, Name("/Barn Red"), Name.DeviceCMYK, tint]))
    )


def test_spot_colours_are_named():
    """A spot colour prints as its screen equivalent and is said by name."""
    art = page.read(pdf(b"/CS0 cs 1 scn 0 0 9 9 re f", resources=spot), "spot.pdf")
    assert [(f.code, f.severity) for f in art.findings] == [("colour-mode", "warn")]
    assert "Barn Red" in art.findings[0].message


def test_cmyk_is_said_wherever_it_hides():
    """In a paint operator, in an image, in the transparency group of the page, in a form."""
    assert found(pdf(b"1 0 0 0 k 0 0 9 9 re f")) == [("colour-mode", "warn")]
    group = Dictionary(S=Name.Transparency, CS=Name.DeviceCMYK)
    assert found(pdf(Group=group)) == [("colour-mode", "warn")]

    def image(document: pikepdf.Pdf) -> Dictionary:
        keys = {
            "Subtype": Name.Image,
            "Width": 1,
            "Height": 1,
            "BitsPerComponent": 8,
            "ColorSpace": Name.DeviceCMYK,
        }
        return Dictionary(XObject=Dictionary(Im0=document.make_stream(bytes(4), **keys)))

    assert found(pdf(b"9 0 0 9 0 0 cm /Im0 Do", resources=image)) == [("colour-mode", "warn")]

    def form(document: pikepdf.Pdf) -> Dictionary:
        return Dictionary(
            XObject=Dictionary(
                Fm0=document.make_stream(b"1 0 0 0 k 0 0 9 9 re f", Subtype=Name.Form, BBox=[0, 0, 9, 9])
            )
        )

    assert found(pdf(b"/Fm0 Do", resources=form)) == [("colour-mode", "warn")]


def test_fonts_that_are_not_in_the_file_stop_the_order():
    """Another font would be drawn in its place; a font that is listed but never used does not matter."""

    def fonts(document: pikepdf.Pdf) -> Dictionary:
        return Dictionary(
            Font=Dictionary(F1=Dictionary(Type=Name.Font, Subtype=Name.Type1, BaseFont=Name.Helvetica))
        )

    art = page.read(pdf(b"BT /F1 12 Tf (ab) Tj ET", resources=fonts), "text.pdf")
    assert [(f.code, f.severity, f.measured) for f in art.findings] == [("font-missing", "stop", "Helvetica")]
    assert found(pdf(RED_SQUARE, resources=fonts)) == []


def test_hidden_layers_are_named_and_not_drawn():
    """A layer that the file switches off does not print, and the warning says which."""

    def layer(document: pikepdf.Pdf) -> None:
        group = document.make_indirect(Dictionary(Type=Name.OCG, Name="cut lines"))
        document.pages[0].obj.Resources = Dictionary(Properties=Dictionary(L0=group))
        document.Root.OCProperties = Dictionary(OCGs=Array([group]), D=Dictionary(OFF=Array([group])))

    data = pdf(b"/OC /L0 BDC 1 0 0 rg 0 0 100 50 re f EMC", root=layer)
    art = page.read(data, "layers.pdf")
    assert [(f.code, f.severity) for f in art.findings] == [("hidden-content", "warn")]
    assert "cut lines" in art.findings[0].message
    assert page.draw_page(art, 100, 50).max() == 0


def test_stamps_are_named_and_not_drawn():
    """Comments and stamps lie on a page like ink; they are not the design."""

    def stamp(document: pikepdf.Pdf) -> Array:
        look = document.make_stream(b"0 1 0 rg 0 0 50 50 re f", Subtype=Name.Form, BBox=[0, 0, 50, 50])
        return Array(
            [
                document.make_indirect(
                    Dictionary(Subtype=Name.Stamp, Rect=Array([50, 0, 100, 50]), F=4, AP=Dictionary(N=look))
                )
            ]
        )

    art = page.read(pdf(Annots=stamp), "stamp.pdf")
    assert [(f.code, f.severity) for f in art.findings] == [("hidden-content", "warn")]
    assert page.draw_page(art, 100, 50)[:, 51:].max() == 0


def nested(levels: int, times: int) -> bytes:
    def forms(document: pikepdf.Pdf) -> Dictionary:
        inner = document.make_stream(b"0 0 1 1 re f", Subtype=Name.Form, BBox=[0, 0, 9, 9])
        for _ in range(levels):
            resources = Dictionary(XObject=Dictionary(F=document.make_indirect(inner)))
            inner = document.make_stream(
                b"/F Do " * times, Subtype=Name.Form, BBox=[0, 0, 9, 9], Resources=resources
            )
        return Dictionary(XObject=Dictionary(F=document.make_indirect(inner)))

    return pdf(b"/F Do", resources=forms)


def test_a_form_bomb_is_refused_before_it_is_drawn():
    """Ten forms, each drawing the next ten times eight deep, are 10⁸ drawings in a few kB."""
    with pytest.raises(Refused) as refusal:
        page.read(nested(8, 10), "bomb.pdf")
    assert refusal.value.code == "art-too-large"
    assert found(nested(3, 10)) == []
    with pytest.raises(Refused, match="nested"):
        page.read(nested(40, 1), "deep.pdf")


def test_a_form_that_draws_itself_is_refused():
    """A circle of forms has no end."""

    def circle(document: pikepdf.Pdf) -> Dictionary:
        form = document.make_indirect(document.make_stream(b"/F Do", Subtype=Name.Form, BBox=[0, 0, 9, 9]))
        form.Resources = Dictionary(XObject=Dictionary(F=form))
        return Dictionary(XObject=Dictionary(F=form))

    with pytest.raises(Refused, match="itself"):
        page.read(pdf(b"/F Do", resources=circle), "circle.pdf")


def test_threads_take_turns():
    """PDFium may not run twice at once in a process: drawings from many threads equal the one drawn alone."""
    art = page.read(pdf(b"1 0 0 rg 50 25 m 90 30 l 60 45 l f"), "wedge")
    alone = page.draw_page(art, 400, 200)
    results: list[np.ndarray] = []
    threads = [
        threading.Thread(target=lambda: results.append(page.draw_page(art, 400, 200))) for _ in range(8)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(results) == 8
    assert all(np.array_equal(alone, one) for one in results)


def test_a_drawing_agrees_with_a_second_renderer(tmp_path: Path):
    """Shape, colour and place against Poppler's pdftoppm, where it is installed."""
    tool = shutil.which("pdftoppm")
    if tool is None:
        pytest.skip("pdftoppm (Poppler) is not installed")
    content = b"0.9 0.2 0.1 rg 10 5 m 90 10 l 60 45 l f 0 0.3 0.8 RG 4 w 20 40 m 80 10 l S"
    art = page.read(pdf(content), "second")
    (tmp_path / "a.pdf").write_bytes(art.pdf)
    subprocess.run([tool, "-r", "288", "-png", "a.pdf", "a"], cwd=tmp_path, check=True)
    from PIL import Image

    with Image.open(next(tmp_path.glob("a*.png"))) as picture:
        other = np.asarray(picture.convert("RGB")).astype(float)
    drawn = page.draw_page(art, other.shape[1], other.shape[0]).astype(float)
    alpha = drawn[..., 3:] / 255
    on_white = drawn[..., :3] * alpha + 255 * (1 - alpha)
    difference = np.abs(on_white - other).max(axis=2)
    assert difference.mean() < 0.6
    assert (difference > 64).mean() < 0.002


def test_art_crosses_processes():
    """A page is a plain value."""
    import pickle

    art = page.read(pdf(), "art.pdf")
    assert pickle.loads(pickle.dumps(art)) == art
    assert isinstance(art, PageArt)
