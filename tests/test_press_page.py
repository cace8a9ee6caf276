"""The direct route's press page, checked with pikepdf, qpdf, Ghostscript, PDFium and poppler."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from decimal import Decimal
from xml.etree import ElementTree as ET

import numpy as np
import pikepdf
import pypdfium2
import pytest
from PIL import Image, ImageCms

from pipeline.press.page import write_page
from tests.conftest import ROOT
from tests.test_press_png import flat_art, photograph

PPI = 300
PROFILE = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()


def tool(name):
    """Path of an outside tool, or skip the test by its name."""
    found = shutil.which(name)
    if found is None:
        pytest.skip(f"{name} is not installed")
    return found


def a_base(colour):
    """Every tint from 0 to 255 under the ink, nothing beside it."""
    base = np.tile(np.arange(colour.shape[1]) % 256, (colour.shape[0], 1)).astype(np.uint8)
    return np.where(colour[..., 3] > 0, base, 0).astype(np.uint8)


def write(path, colour, base, title="Crest, front", plate_name="White", threads=1):
    """Write a page at PPI, so that a pixel of the page is a pixel of the plate."""
    height, width = colour.shape[:2]
    write_page(
        path,
        colour,
        base,
        width_mm=width * 25.4 / PPI,
        height_mm=height * 25.4 / PPI,
        plate_name=plate_name,
        profile=PROFILE,
        title=title,
        threads=threads,
    )
    return path


@pytest.fixture(scope="module", params=["flat", "photograph"])
def made(request, tmp_path_factory):
    """Colour, base and the page that holds them, for flat art and for a photograph."""
    colour = {"flat": flat_art, "photograph": photograph}[request.param](400, 300)
    colour[:40, :50] = 0
    base = a_base(colour)
    return colour, base, write(tmp_path_factory.mktemp("page") / "page.pdf", colour, base)


def images(page):
    """The images of a page by name."""
    return dict(page.Resources.XObject.items())


def decoded(stream, channels):
    """The samples of an image as qpdf decodes them: Flate, then the predictor."""
    shape = (int(stream.Height), int(stream.Width), channels)
    return np.frombuffer(stream.read_bytes(), np.uint8).reshape(shape)


def test_the_images_are_the_pixels(made):
    """Colour, alpha and base decode (by qpdf) to exactly what was given."""
    colour, base, path = made
    with pikepdf.open(path) as pdf:
        held = images(pdf.pages[0])
        assert np.array_equal(decoded(held["/Colour"], 3), colour[..., :3])
        assert np.array_equal(decoded(held["/Colour"].SMask, 1)[..., 0], colour[..., 3])
        assert np.array_equal(decoded(held["/Base"], 1)[..., 0], base)


def test_the_page_is_the_box_and_nothing_more(made):
    """MediaBox = TrimBox = the true size: 300 × 400 px at 300 ppi is 72 × 96 pt; two draws, the base last."""
    with pikepdf.open(made[2]) as pdf:
        assert len(pdf.pages) == 1
        page = pdf.pages[0]
        assert list(page.MediaBox) == list(page.TrimBox) == [0, 0, Decimal(72), Decimal(96)]
        assert "/ArtBox" not in page
        assert "/Annots" not in page
        drawn = [
            str(operands[0])
            for operands, operator in pikepdf.parse_content_stream(page)
            if str(operator) == "Do"
        ]
        assert drawn == ["/Colour", "/Base"]


def test_the_base_is_a_plate_of_its_own(made):
    """Separation colour space with the shop's plate name, overprint on, OPM 1, Darken (ISO 32000-1, 8.6.6.4, 8.6.7)."""
    with pikepdf.open(made[2]) as pdf:
        page = pdf.pages[0]
        space = images(page)["/Base"].ColorSpace
        assert [str(space[i]) for i in range(3)] == ["/Separation", "/White", "/DeviceCMYK"]
        state = page.Resources.ExtGState.Plate
        assert (bool(state.OP), bool(state.op), int(state.OPM), str(state.BM)) == (True, True, 1, "/Darken")


def test_the_document_is_oriented_to_pdf_x_4(made):
    """One GTS_PDFX intent with its profile, an id, Trapped, title in both places (ISO 15930-7); no claim, no date."""
    with pikepdf.open(made[2]) as pdf:
        assert pdf.pdf_version == "1.6"
        (intent,) = pdf.Root.OutputIntents
        assert str(intent.S) == "/GTS_PDFX"
        assert intent.DestOutputProfile.read_bytes() == PROFILE
        assert len(pdf.trailer.ID) == 2
        assert str(pdf.docinfo.Trapped) == "/False"
        assert str(pdf.docinfo.Title) == "Crest, front"
        xmp = pdf.Root.Metadata.read_bytes().decode()
    assert "Crest, front" in "".join(ET.fromstring(re.sub(r"<\?xpacket.*?\?>", "", xmp)).itertext())
    assert not re.search(rb"CreationDate|ModDate|GTS_PDFXVersion", made[2].read_bytes())


def test_a_page_without_a_base_has_no_plate(tmp_path):
    """No base: one image, no Separation anywhere."""
    path = write(tmp_path / "page.pdf", flat_art(), None)

    with pikepdf.open(path) as pdf:
        assert list(images(pdf.pages[0])) == ["/Colour"]
    assert b"Separation" not in path.read_bytes()


@pytest.mark.parametrize("name", ["All", "None", "Cyan", "Black", ""])
def test_a_plate_cannot_take_a_reserved_name(tmp_path, name):
    """A white plate called Cyan would print cyan."""
    with pytest.raises(ValueError, match="plate"):
        write(tmp_path / "page.pdf", flat_art(), a_base(flat_art()), plate_name=name)


def test_any_title_gives_well_formed_metadata(tmp_path):
    """Markup, other scripts, braces and control characters in a title harm nothing."""
    title = 'Łódź & <b>"crest"</b> {0} \x01 日本 🎽'
    with pikepdf.open(write(tmp_path / "page.pdf", flat_art(), None, title=title)) as pdf:
        xmp = pdf.Root.Metadata.read_bytes().decode()
        assert str(pdf.docinfo.Title) == title
    text = "".join(ET.fromstring(re.sub(r"<\?xpacket.*?\?>", "", xmp)).itertext())
    assert title.replace("\x01", "\ufffd") in text


def test_the_same_page_is_the_same_bytes(tmp_path):
    """Another process, another order of hashes, another time zone, more threads: the same file."""
    code = (
        "from pathlib import Path; import sys; from tests.test_press_page import *; import numpy as np;"
        "c = photograph(900, 800); PROFILE_ = Path(sys.argv[2]).read_bytes();"
        "write_page(Path(sys.argv[1]), c, a_base(c), width_mm=67.7, height_mm=76.2, plate_name='White',"
        "profile=PROFILE_, title='t', threads=int(sys.argv[3]))"
    )
    (tmp_path / "profile.icc").write_bytes(PROFILE)
    made = []
    for seed, zone, threads in (("1", "UTC", "1"), ("2", "Asia/Kathmandu", "3")):
        path = tmp_path / f"{seed}.pdf"
        environment = {**os.environ, "PYTHONHASHSEED": seed, "TZ": zone}
        arguments = [sys.executable, "-c", code, str(path), str(tmp_path / "profile.icc"), threads]
        subprocess.run(arguments, cwd=ROOT, env=environment, check=True)
        made.append(path.read_bytes())

    assert made[0] == made[1]


def test_qpdf_finds_no_fault(made):
    """qpdf --check ends with 0."""
    done = subprocess.run(
        [tool("qpdf"), "--check", str(made[2])], capture_output=True, text=True, check=False
    )

    assert done.returncode == 0, done.stdout + done.stderr


@pytest.mark.parametrize("plate_name", ["White", "Underbase White #2"])
def test_ghostscript_separates_the_base_exactly(tmp_path, plate_name):
    """tiffsep's plate is 255 − base at every pixel, for every tint, also under art that is soft or missing."""
    colour = flat_art(400, 300)
    base = a_base(colour)
    base[:20] = np.arange(300) % 256  # a base beside the art separates, too
    path = write(tmp_path / "page.pdf", colour, base, plate_name=plate_name)
    out = tmp_path / "out%d.tif"
    subprocess.run(
        [
            tool("gs"),
            "-q",
            "-dNOPAUSE",
            "-dBATCH",
            "-dSAFER",
            "-sDEVICE=tiffsep",
            f"-r{PPI}",
            "-o",
            str(out),
            str(path),
        ],
        check=True,
        capture_output=True,
    )

    plate = np.asarray(Image.open(tmp_path / f"out1({plate_name}).tif"))
    assert np.array_equal(plate, 255 - base)
    inks = [
        np.asarray(Image.open(tmp_path / f"out1({ink}).tif"))
        for ink in ("Cyan", "Magenta", "Yellow", "Black")
    ]
    bare = colour[..., 3] == 0
    assert all((ink[bare] == 255).all() for ink in inks)
    assert any((ink[colour[..., 3] == 255] < 128).all() for ink in inks)


def over_white(colour):
    """The picture on a white page, by source-over (Porter & Duff 1984)."""
    alpha = colour[..., 3:] / 255
    return colour[..., :3] * alpha + 255 * (1 - alpha)


def rendered(path, renderer, folder):
    """The page at PPI as RGB, drawn by one of three renderers."""
    if renderer == "pdfium":
        document = pypdfium2.PdfDocument(path)
        picture = document[0].render(scale=PPI / 72).to_pil().convert("RGB")
        document.close()
        return np.asarray(picture)
    out = folder / "page"
    if renderer == "pdftoppm":
        subprocess.run(
            [tool("pdftoppm"), "-r", str(PPI), "-png", "-singlefile", str(path), str(out)], check=True
        )
    else:
        device = ["-sDEVICE=png16m", f"-r{PPI}", "-o", f"{out}.png"]
        subprocess.run([tool("gs"), "-q", "-dNOPAUSE", "-dBATCH", "-dSAFER", *device, str(path)], check=True)
    return np.asarray(Image.open(f"{out}.png").convert("RGB"))


@pytest.mark.parametrize("renderer", ["pdfium", "gs"])
def test_viewers_show_the_colour_exactly(made, renderer, tmp_path):
    """PDFium and Ghostscript, pixel for pixel, show the art over white to within one level of rounding."""
    colour, _, path = made
    seen = rendered(path, renderer, tmp_path).astype(float)

    assert seen.shape == (*colour.shape[:2], 3)
    assert np.abs(seen - over_white(colour)).max() <= 1


@pytest.mark.parametrize("renderer", ["pdfium", "pdftoppm", "gs"])
def test_viewers_do_not_show_the_base(made, renderer, tmp_path):
    """Three renderers draw the same picture whether the page has a base or not."""
    colour, _, path = made
    bare = write(tmp_path / "bare.pdf", colour, None)

    with_base, without = (rendered(page, renderer, tmp_path) for page in (path, bare))
    assert np.array_equal(with_base, without)
    assert with_base.min() < 100
