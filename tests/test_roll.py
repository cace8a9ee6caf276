"""The roll of film as PDF: placed and mirrored right, white as the plates have it, tags that scan, small files."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import numpy as np
import pikepdf
import pypdfium2
import pytest
import zxingcpp
from PIL import Image

from pipeline.art.profiles import srgb_profile
from pipeline.papers.text import FONTS
from pipeline.press.datamatrix import data_matrix
from pipeline.press.film import FilmPlace, FilmPlate, FilmRoll, FilmTag, write_film
from pipeline.press.roll import write_roll_pdf
from pipeline.press.tag import Tag, tag_bitmap, tag_size_mm

PPI = 300.0
SCALE = PPI / 72 * (1 - 1e-7)  # PDFium rounds up: not to a pixel more
FONT = FONTS / "DejaVuSansCondensed-Bold.ttf"


def px(mm):
    return round(mm * PPI / 25.4)


def art(width_mm, height_mm, seed):
    """Blocks of flat colour with bare cloth between: nothing about them is the same from any other side."""
    rng = np.random.default_rng(seed)
    small = rng.integers(0, 256, (5, 4, 4), dtype=np.uint8)
    small[..., 3] = np.where(rng.random((5, 4)) < 0.25, 0, 255)
    small[0, 0, 3], small[-1, -1, 3] = 255, 0
    rows = np.arange(px(height_mm)) * 5 // px(height_mm)
    columns = np.arange(px(width_mm)) * 4 // px(width_mm)
    pixels = small[rows][:, columns]
    pixels[pixels[..., 3] == 0] = 0
    base = np.zeros(pixels.shape[:2], np.uint8)
    base[12:-12, 12:-12] = pixels[12:-12, 12:-12, 3]
    return pixels, base


@pytest.fixture
def plates(tmp_path):
    """Two plates as files, and their pixels as seen on the garment."""

    def made(*, mirrored=True, dark_is_ink=False):
        seen, files = {}, {}
        for key, size in {"a": (60.96, 76.2), "b": (40.64, 20.32)}.items():
            seen[key] = art(*size, len(files) + 3)
            named = write_film(
                *seen[key],
                tmp_path,
                key,
                ppi=PPI,
                mirrored=mirrored,
                dark_is_ink=dark_is_ink,
                base_from_press=False,
            )
            paths = [tmp_path / name for _, name in named]
            files[key] = FilmPlate(paths[0], paths[1], *size, mirrored=mirrored, dark_is_ink=dark_is_ink)
        return seen, files

    return made


# Every turn, on multiples of 1/12 inch, which are whole pixels at 72 ppi and at 300 ppi.
STEP = 25.4 / 72
PLACES = (
    FilmPlace("a", 12 * STEP, 6 * STEP, 0),
    FilmPlace("a", 204 * STEP, 6 * STEP, 90),
    FilmPlace("a", 12 * STEP, 240 * STEP, 180),
    FilmPlace("a", 210 * STEP, 216 * STEP, 270),
    FilmPlace("b", 18 * STEP, 468 * STEP, 0),
    FilmPlace("b", 168 * STEP, 468 * STEP, 90),
    FilmPlace("b", 240 * STEP, 474 * STEP, 270),
)
ROLL = FilmRoll(450 * STEP, 600 * STEP, PLACES)


def composed(seen, roll, ppi=PPI):
    """Colour on white, and the white plate, of a roll as it lies ink side up: put together by numpy alone."""
    shape = (round(roll.length_mm * ppi / 25.4), round(roll.width_mm * ppi / 25.4))
    colour, white = np.full((*shape, 3), 255, np.uint8), np.zeros(shape, np.uint8)
    for place in roll.places:
        pixels, base = seen[place.plate]
        turned = np.rot90(pixels[:, ::-1], -place.turn_deg // 90)
        under = np.rot90(base[:, ::-1], -place.turn_deg // 90)
        y, x = round(place.y_mm * ppi / 25.4), round(place.x_mm * ppi / 25.4)
        spot = np.s_[y : y + turned.shape[0], x : x + turned.shape[1]]
        ink = turned[..., 3] > 0
        colour[spot][ink] = turned[ink][:, :3]
        white[spot] = np.maximum(white[spot], under)
    return colour, white


def written(path, roll, files):
    write_roll_pdf(path, roll, files, "White", srgb_profile(), "roll")
    return path


def test_the_roll_looks_as_composed(tmp_path, plates):
    """PDFium at 300 and 72 ppi shows every plate mirrored, at its place, turned clockwise as told."""
    seen, files = plates()
    document = pypdfium2.PdfDocument(written(tmp_path / "roll.pdf", ROLL, files))
    wanted, _ = composed(seen, ROLL)
    shown = document[0].render(scale=SCALE).to_numpy()[..., 2::-1].astype(int)
    small = document[0].render(scale=1 - 1e-7).to_numpy()[..., 2::-1].astype(int)

    assert document[0].get_size() == pytest.approx((450, 600), abs=0.01)
    assert (np.abs(shown - wanted).max(axis=-1) > 2).mean() < 0.002
    # 300/72 is no whole number: a pixel of 72 ppi is compared away from the borders of flat blocks
    nearest = wanted[(np.arange(600) * 25 / 6 + 2).astype(int)][:, (np.arange(450) * 25 / 6 + 2).astype(int)]
    flat = (
        np.ptp(np.stack([np.roll(nearest, s, a) for s in (-1, 1) for a in (0, 1)], -1), axis=-1).max(-1) == 0
    )
    assert flat.mean() > 0.5
    assert (np.abs(small - nearest).max(axis=-1)[flat] > 2).mean() < 0.001


@pytest.mark.skipif(not shutil.which("gs"), reason="ghostscript is not installed")
@pytest.mark.parametrize("dark_is_ink", [False, True])
def test_white_equals_the_base_plates(tmp_path, plates, dark_is_ink):
    """Ghostscript's separation White is the base plates, mirrored and placed, pixel for pixel at 300 ppi."""
    seen, files = plates(dark_is_ink=dark_is_ink)
    path = written(tmp_path / "roll.pdf", ROLL, files)
    command = ["gs", "-q", "-dNOPAUSE", "-dBATCH", "-dSAFER", "-sDEVICE=tiffsep", "-r300", "-dOverprint=/simulate",
               f"-sOutputFile={tmp_path}/sep.tif", str(path)]  # fmt: skip
    subprocess.run(command, check=True, capture_output=True, timeout=120)
    white = 255 - np.asarray(Image.open(tmp_path / "sep(White).tif").convert("L"))
    _, wanted = composed(seen, ROLL)

    assert white.shape == wanted.shape
    assert (white != wanted).mean() < 2e-4  # the border of a box may fall on the next pixel


def test_a_press_that_mirrors_gets_the_whole_roll_unmirrored(tmp_path, plates):
    """Mirrored by the press, the file gives the very same film (PDFium, flipped left to right)."""
    seen, files = plates(mirrored=False)
    roll = FilmRoll(ROLL.width_mm, ROLL.length_mm, PLACES, mirror=True)
    document = pypdfium2.PdfDocument(written(tmp_path / "roll.pdf", roll, files))
    shown = document[0].render(scale=SCALE).to_numpy()[:, ::-1, 2::-1].astype(int)
    wanted, _ = composed(seen, ROLL)

    assert (np.abs(shown - wanted).max(axis=-1) > 2).mean() < 0.002


def tagged(turn, mirror=False):
    bitmap = tag_bitmap(Tag("BK-1004/1/12", "M · 12/86 · BK-1004 r1", "Barn red · front"), PPI, FONT)
    wide, high = tag_size_mm(PPI)
    return FilmRoll(80, 80, (), (FilmTag(bitmap, 15, 20, wide, high, turn),), mirror=mirror)


@pytest.mark.parametrize("turn", [0, 90, 180, 270])
@pytest.mark.parametrize("mirror", [False, True])
def test_tags_scan_on_the_ink_side(tmp_path, turn, mirror):
    """A scanner library (ZXing) reads the tag of a roll rendered at 300 ppi as the film lies ink side up."""
    document = pypdfium2.PdfDocument(written(tmp_path / "roll.pdf", tagged(turn, mirror), {}))
    shown = document[0].render(scale=SCALE).to_numpy()[..., 0]
    film = np.ascontiguousarray(shown[:, ::-1] if mirror else shown)
    (found,) = zxingcpp.read_barcodes(film, try_rotate=True)

    assert (found.text, found.format) == ("BK-1004/1/12", zxingcpp.BarcodeFormat.DataMatrix)
    assert not getattr(found, "is_mirrored", False)


@pytest.mark.parametrize("length", [1, 7, 20, 22, 23, 40, 49])
def test_codes_of_any_length_are_read(length):
    """ZXing reads every symbol (ISO/IEC 16022), letters, digits and signs mixed; what is too long gives none."""
    rng = np.random.default_rng(length)
    for _ in range(20):
        text = "".join(rng.choice(list("ABCXYZabcxyz0123456789-._/"), length))
        code = data_matrix(text)
        assert code is not None
        picture = np.where(np.pad(np.kron(code, np.ones((3, 3), bool)), 6), 0, 255).astype(np.uint8)
        assert [found.text for found in zxingcpp.read_barcodes(picture)] == [text]
    assert data_matrix("A" * 50) is None


def test_tags_are_large_enough_to_read():
    """At 300 ppi a module is three pixels, and capitals are at least 1.2 mm high (common practice, no source)."""
    bitmap = tag_bitmap(Tag("1", "HHHH", "HHHH"), PPI, FONT)
    text = bitmap[:, px(20) :]
    rows = np.flatnonzero(bitmap[: bitmap.shape[0] // 2, px(12) :].any(axis=1))

    assert tag_size_mm(PPI)[1] == pytest.approx(16 * 3 * 25.4 / 300)
    assert (rows[-1] - rows[0] + 1) * 25.4 / PPI >= 1.2
    assert not text.all(axis=1).any()


def test_a_long_roll_keeps_its_true_size(tmp_path, plates):
    """10 m are more than 14,400 units: the page counts in larger ones (ISO 32000-1, 14.11.1 and annex C.2)."""
    _, files = plates()
    places = tuple(FilmPlace("b", 5 + 45 * (i % 12), 25 * (i // 12), 0) for i in range(500 - 20)) + tuple(
        FilmPlace("a", 5 + 65 * (i % 8), 9760 + 80 * (i // 8), 0) for i in range(20)
    )
    path = written(tmp_path / "roll.pdf", FilmRoll(580, 10_000, places), files)

    with pikepdf.open(path) as pdf:
        page = pdf.pages[0]
        unit = int(page.UserUnit)
        assert max(float(v) for v in page.MediaBox) <= 14_400
        assert float(page.MediaBox[3]) * unit == pytest.approx(10_000 * 72 / 25.4, abs=0.01)
        pictures = [o for o in pdf.objects if isinstance(o, pikepdf.Stream) and o.get("/Subtype") == "/Image"]
        assert len(pictures) == 6  # colour, mask and base of two plates, however often they are placed
    assert path.stat().st_size < 2_000_000
    if not shutil.which("qpdf"):
        pytest.skip("qpdf is not installed; the rest holds")
    checked = subprocess.run(["qpdf", "--check", str(path)], capture_output=True, text=True, check=False)
    assert checked.returncode == 0, checked.stderr


def test_the_same_roll_gives_the_same_bytes(tmp_path, plates):
    """Nothing of the clock or of memory is in the file."""
    _, files = plates()
    one, other = (written(tmp_path / f"{name}.pdf", ROLL, files).read_bytes() for name in "ab")

    assert one == other


def test_cut_lines_lie_where_they_are_told(tmp_path):
    """A cut line is drawn on its rectangle and nowhere else (PDFium)."""
    roll = FilmRoll(50, 40, (), cuts=((10.0, 5.0, 20.0, 15.0),))
    shown = (
        pypdfium2.PdfDocument(written(Path(tmp_path) / "roll.pdf", roll, {}))[0]
        .render(scale=SCALE)
        .to_numpy()
    )
    dark = shown[..., 0] < 128
    ys, xs = np.nonzero(dark)

    assert (xs.min(), xs.max()) == (pytest.approx(px(10), abs=2), pytest.approx(px(30), abs=2))
    assert (ys.min(), ys.max()) == (pytest.approx(px(5), abs=2), pytest.approx(px(20), abs=2))
    assert not dark[px(7) : px(18), px(12) : px(28)].any()
