"""Fonts: found by family, weight, style and characters; missing ones stop."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest
from fontTools.fontBuilder import FontBuilder
from fontTools.pens.ttGlyphPen import TTGlyphPen

from pipeline.art import fonts, svg
from pipeline.art.fonts import FontShelf


def make(path: Path, family: str, weight: int, *, italic: bool = False) -> None:
    """Write a font whose every letter is a full square of one em, 1000 units wide, standing on the baseline."""
    pen = TTGlyphPen(None)
    pen.moveTo((0, 0))
    for corner in ((0, 1000), (1000, 1000), (1000, 0)):
        pen.lineTo(corner)
    pen.closePath()
    square, empty = pen.glyph(), TTGlyphPen(None).glyph()
    builder = FontBuilder(1000, isTTF=True)
    builder.setupGlyphOrder([".notdef", "space", "A"])
    builder.setupCharacterMap({32: "space", 65: "A"})
    builder.setupGlyf({".notdef": empty, "space": empty, "A": square})
    builder.setupHorizontalMetrics({".notdef": (1000, 0), "space": (500, 0), "A": (1000, 0)})
    builder.setupHorizontalHeader(ascent=1000, descent=0)
    builder.setupNameTable({"familyName": family, "styleName": "Regular"})
    builder.setupOS2(usWeightClass=weight, fsSelection=1 if italic else 64)
    builder.font["head"].macStyle = 2 if italic else 0
    builder.setupPost(underlinePosition=-100, underlineThickness=50)
    builder.save(path)


@pytest.fixture
def shelf(tmp_path: Path) -> FontShelf:
    make(tmp_path / "plain.ttf", "Block", 400)
    make(tmp_path / "bold.ttf", "Block", 700)
    make(tmp_path / "slant.ttf", "Block", 400, italic=True)
    return FontShelf.of_folder(tmp_path)


def read(body: str, shelf: FontShelf) -> svg.VectorArt:
    text = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 100 50">{body}</svg>'
    return svg.read(text.encode(), "art.svg", fonts=shelf)


def test_faces_are_found_by_weight_and_style(shelf):
    """CSS Fonts 3 section 5.2: the nearest weight of the family in the style asked for, whatever the letter case."""
    names = {
        (weight, italic): face.path.name if (face := shelf.find("bLoCk", weight, italic=italic)) else None
        for weight in (300, 400, 500, 600, 900)
        for italic in (False, True)
    }

    assert names[300, False] == names[400, False] == names[500, False] == "plain.ttf"
    assert names[600, False] == "bold.ttf"
    assert names[900, False] is None  # too far: a faked weight prints other shapes
    assert names[400, True] == "slant.ttf"
    assert shelf.find("Nowhere") is None


def test_text_becomes_the_outlines_of_its_font_in_place(shelf):
    """A square font makes the layout plain: SVG 1.1 section 10.9, the middle of the text stands at x."""
    art = read(
        '<text id="t" x="50" y="40" font-family="Block" font-size="10" text-anchor="middle">A A</text>', shelf
    )

    assert b"M37.5 40L37.5 30L47.5 30L47.5 40Z" in art.svg
    assert b"M52.5 40L52.5 30L62.5 30L62.5 40Z" in art.svg
    assert b"<text" not in art.svg
    assert "t" in art.elements
    (finding,) = art.findings
    assert (finding.code, finding.severity) == ("live-text", "warn")
    assert "plain.ttf" in finding.message
    assert "SHA-256" in finding.message


def test_spans_kerning_lists_and_letter_spacing_move_the_letters(shelf):
    art = read(
        '<text x="0" y="10" font-family="Block" font-size="10" letter-spacing="2">A'
        '<tspan id="s" dx="3">A</tspan></text>'
        '<text x="0 30" y="30" font-family="Block" font-size="10">AA</text>',
        shelf,
    )

    assert b"M15 10L15 0L25 0L25 10Z" in art.svg
    assert b"M30 30L30 20L40 20L40 30Z" in art.svg
    assert "s" in art.elements


def test_text_on_a_path_follows_it(shelf):
    """SVG 1.1 section 10.13.3: a glyph's middle lies on the path, turned to its direction (here straight down)."""
    art = read(
        '<path id="way" d="M50 0V50" fill="none"/><text font-family="Block" font-size="10"><textPath href="#way" '
        'startOffset="10">A</textPath></text>',
        shelf,
    )

    assert b"M50 10L60 10L60 20L50 20Z" in art.svg


@pytest.mark.parametrize(
    ("attributes", "text"),
    [
        ('font-family="Nowhere"', "A"),
        ('font-family="Block"', "AB"),
        ('font-family="Block" font-weight="900"', "A"),
        ("", "A"),
    ],
)
def test_a_missing_font_or_glyph_stops_naming_family_and_text(shelf, attributes, text):
    art = read(f"<text y='20' {attributes}>{text}</text>", shelf)

    (finding,) = art.findings
    assert (finding.code, finding.severity) == ("font-missing", "stop")
    assert text in finding.message
    if "Block" in attributes:
        assert "Block" in finding.message


def test_the_next_family_named_stands_in(shelf):
    """CSS Fonts 3 section 5.3: the families are tried in the order given."""
    art = read('<text y="20" font-family="Nowhere, \'Block\'">A</text>', shelf)

    assert [f.code for f in art.findings] == ["live-text"]


def test_what_is_installed_is_what_fontconfig_says(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """One face from the folder that a fontconfig file names, and nothing else of the machine's (fonts.conf(5))."""
    if shutil.which("fc-list") is None:
        pytest.skip("fontconfig's fc-list is not installed")
    (tmp_path / "own").mkdir()
    make(tmp_path / "own" / "plain.ttf", "Block", 400)
    (tmp_path / "fonts.conf").write_text(
        '<?xml version="1.0"?><!DOCTYPE fontconfig SYSTEM "fonts.dtd">'
        f"<fontconfig><dir>{tmp_path / 'own'}</dir><cachedir>{tmp_path / 'cache'}</cachedir></fontconfig>"
    )
    monkeypatch.setenv("FONTCONFIG_FILE", str(tmp_path / "fonts.conf"))
    fonts._installed.cache_clear()
    try:
        face = FontShelf().find("Block")
        others = [path for path, _ in fonts._installed() if path.parent != tmp_path / "own"]
    finally:
        fonts._installed.cache_clear()

    assert face is not None
    assert face.path == tmp_path / "own" / "plain.ttf"
    assert others == []


def test_what_is_no_font_is_passed_over_and_closed(tmp_path: Path):
    """Files are counted in /proc (Linux): a licence text called .ttf leaves none open."""
    for name in ("licence.ttf", "licence.ttc"):
        (tmp_path / name).write_text("You may use these letters.")
    (tmp_path / "short.ttf").write_bytes(b"\0\1\0\0" + bytes(20))
    make(tmp_path / "plain.ttf", "Block", 400)
    before = len(os.listdir("/proc/self/fd"))  # noqa: PTH208  the fewest files open while counting

    assert FontShelf.of_folder(tmp_path).find("Block") is not None
    assert len(os.listdir("/proc/self/fd")) == before  # noqa: PTH208


@pytest.mark.parametrize(
    ("baseline", "top"),
    [
        ("auto", 10.0),
        ("central", 10.0 + (10.0 + 0.0) / 2),  # half of ascent and descent: the test's font has 1000 and 0
        ("hanging", 10.0 + 8.0),
        ("text-before-edge", 10.0 + 10.0),
        ("text-after-edge", 10.0),
    ],
)
def test_the_baseline_asked_for_stands_on_the_line(shelf, baseline: str, top: float):
    """SVG 1.1 section 10.9.2: text is moved so that the named baseline, not the letters' own, lies at y."""
    art = read(
        f'<text x="0" y="20" font-family="Block" font-size="10" dominant-baseline="{baseline}">A</text>',
        shelf,
    )

    assert [f.code for f in art.findings] == ["live-text"]
    assert f"M0 {top + 10:g}L0 {top:g}L10 {top:g}L10 {top + 10:g}Z".encode() in art.svg


def test_text_on_two_baselines_stops(shelf):
    """Programs disagree on what one baseline within another means; so do they on raised and lowered letters."""
    for attributes in (
        'alignment-baseline="alphabetic"',
        'alignment-baseline="middle"',
        'baseline-shift="super"',
    ):
        art = read(
            '<text y="20" font-family="Block" dominant-baseline="central">A'
            f"<tspan {attributes}>A</tspan></text>",
            shelf,
        )
        assert "unsupported-feature" in {f.code for f in art.findings}
