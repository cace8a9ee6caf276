"""Names in any script are set, shaped or spelled out, and nothing invisible steers the page."""

from __future__ import annotations

import json
import unicodedata

import pytest
from bidi.algorithm import get_display
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.papers import text
from pipeline.papers.kit import Sheet, Style, contrast, ink_on
from tests import paper_checks as checks
from tests.conftest import REFERENCE


def on_page(line: str) -> str:
    """The line set on a page and read back by PDFium."""
    sheet = Sheet((200, 40), title="t")
    sheet.say(10, 10, line, Style("plain", 10), 180)
    return checks.read(sheet.finish())


def test_what_no_font_can_draw_is_spelled_and_reported() -> None:
    assert text.undrawable("日 Łódź 日本") == ("日", "本")
    assert text.spelled("日本") == "<U+65E5><U+672C>"
    assert text.spelled("\udcff") == "<U+DCFF>"
    assert text.undrawable("Łódź Ελλάδα Київ مرحبا שלום") == ()


def test_control_and_bidirectional_marks_are_stripped() -> None:
    """The explicit formatting characters of UAX #9, table 3, and the C0 and C1 controls."""
    marks = "\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\u200e\u200f\u061c\x00\x07\x7f\x9b"

    assert text.clean(f"a{marks}b") == "ab"
    assert text.clean("one\ntwo\tthree") == "one two three"


def test_combining_marks_are_composed_and_never_pile_up() -> None:
    assert text.clean("Ze\u0301ro") == "Zéro"
    assert len(text.clean("x" + "\u0301" * 50)) <= 4


@pytest.mark.parametrize("line", ["שלום עולם", "abc שלום 123 def", "موسى abc", "(אב) 12:30"])
def test_right_to_left_runs_stand_where_the_bidirectional_algorithm_puts_them(line: str) -> None:
    """Against python-bidi's own display order (UAX #9), read letter by letter, mirrored pairs aside."""
    runs = [
        run[::-1] if rtl else run for run, rtl in text._directed(line)
    ]  # letters inside a run are logical

    assert "".join(runs).translate(str.maketrans("()", "  ")) == get_display(line, base_dir="L").translate(
        str.maketrans("()", "  ")
    )


def test_arabic_letters_join() -> None:
    """A joined word is narrower and has other glyphs than its letters set apart (Unicode ch. 9.2)."""
    word = "محمد"
    joined = {g[0] for p in text.pieces(word, "plain") for g in p.glyphs or ()}
    apart = {g[0] for letter in word for p in text.pieces(letter, "plain") for g in p.glyphs or ()}

    assert joined != apart
    assert text.width_of(word, "plain", 10) < sum(text.width_of(c, "plain", 10) for c in word)


@pytest.mark.parametrize("line", ["Łódź", "Ελλάδα", "Київ", "Zéro", "שלום", "محمد"])
def test_what_is_drawn_can_be_found_and_copied(line: str) -> None:
    found = unicodedata.normalize("NFKC", on_page(line)).strip()

    assert found in (line, line[::-1])


@settings(max_examples=60, deadline=None)
@given(st.text(max_size=60), st.floats(5, 400))
def test_any_text_is_cut_and_wrapped_to_its_width(line: str, width: float) -> None:
    assert text.width_of(text.fit(line, "bold", 9, width), "bold", 9) <= max(
        width, text.width_of("…", "bold", 9)
    )
    widest = max((text.width_of(c, "bold", 9) for c in text.spelled(line)), default=0)
    for part in text.wrap(line, "bold", 9, width):
        assert text.width_of(part, "bold", 9) <= max(width, widest * 4)


@pytest.mark.parametrize(
    "names",
    [
        ("BK-1004-r1_film-1_1.pdf", "BK-1004-r1_film-1_2.pdf"),
        ("very dark grey-green of the harbour", "very dark grey-green of the quay"),
    ],
)
def test_what_is_too_long_keeps_its_beginning_and_its_end(names: tuple[str, str]) -> None:
    """Names of rolls and colours begin alike: cut at their end they could not be told apart."""
    one, other = (text.fit(name, "plain", 7, 55) for name in names)

    assert one != other
    for cut, name in zip((one, other), names, strict=True):
        head, tail = cut.split("…")
        assert name.startswith(head)
        assert name.endswith(tail)
        assert min(len(head), len(tail)) > 3


def test_ink_contrast_is_that_of_the_published_formula() -> None:
    """Pairs computed from the formula of WCAG 2.1/2.2, relative luminance and contrast ratio."""
    for row in json.loads((REFERENCE / "wcag_contrast.json").read_text())["values"]:
        one, other = (tuple(bytes.fromhex(row[k][1:])) for k in ("fg", "bg"))

        assert contrast(one, other) == pytest.approx(row["contrast"], abs=1e-3)  # type: ignore[arg-type]


def test_black_or_white_ink_always_passes_on_any_ground() -> None:
    """WCAG 2.2 success criterion 1.4.3."""
    for ground in [
        (r, g, b) for r in range(0, 256, 15) for g in range(0, 256, 15) for b in range(0, 256, 15)
    ]:
        assert checks.contrast(ink_on(ground), ground) >= 4.5
