"""Findings that somebody answered, findings told once for many colourways, and the pictures that go with them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from pipeline.finding import Finding
from pipeline.stages.preflight import answers, pictures


@dataclass(frozen=True)
class Entry:
    code: str
    by: str
    why: str
    art: str | None = None
    print: str | None = None
    colourway: str | None = None


FOUND = Finding("thin-line", "stop", "Thin.", "", print="front", colourways=("Red", "Navy"))


def test_an_accepted_stop_becomes_a_note_that_says_who_and_why():
    (note,) = answers.answer([FOUND], [Entry("thin-line", "R. Vane", "as last year", print="front")])
    assert note.severity == "note"
    assert "R. Vane" in note.message
    assert "as last year" in note.message
    assert answers.answer([FOUND], [Entry("thin-line", "R. Vane", "…", print="back")]) == (FOUND,)


def test_an_answer_for_one_colourway_leaves_the_other_open():
    rest, note = answers.answer([FOUND], [Entry("thin-line", "R. Vane", "dark anyway", colourway="Navy")])
    assert (rest.severity, rest.colourways) == ("stop", ("Red",))
    assert (note.severity, note.colourways) == ("note", ("Navy",))


def test_unreadable_art_cannot_be_accepted():
    broken = replace(FOUND, code="art-unreadable")
    assert answers.answer([broken], [Entry("art-unreadable", "R. Vane", "…")]) == (broken,)


def test_the_same_finding_is_told_once_with_all_its_colourways():
    one, two = (
        replace(FOUND, colourways=("Red",), sizes=("S",)),
        replace(FOUND, colourways=("Navy",), sizes=("S", "M")),
    )
    other = replace(FOUND, code="specks", severity="warn")
    merged = answers.merge([other, one, two])
    assert merged == (replace(FOUND, colourways=("Red", "Navy"), sizes=("S", "M")), other)


def test_the_same_finding_is_told_once_with_its_first_picture():
    one, two = replace(FOUND, picture="thin-line-1.png"), replace(FOUND, picture="thin-line-2.png")
    assert answers.merge([FOUND, one, two]) == (one,)


def test_a_picture_frames_the_place_and_shows_it_enlarged_beside_on_the_fabric():
    """Ink of 1 mm at (15, 10) mm on 30 × 20 mm of cloth, 10 px a mm: the red square, larger, amid the cloth's green."""
    pixels = np.zeros((200, 300, 4), np.uint8)
    pixels[100:110, 150:160] = (255, 0, 0, 255)
    shown = pictures.place_picture(pixels, pixels[::2, ::2], 30, (15, 10, 1, 1), (0, 0.4, 0))
    assert shown.shape[1] == 480
    assert shown.shape[0] <= 240
    left, right = (
        np.count_nonzero((part == (255, 0, 0)).all(axis=2)) for part in (shown[:, :236], shown[:, 244:])
    )
    assert left > 0
    assert right > 10 * left
    assert (shown[shown.shape[0] // 2, 244 + 118] == (255, 0, 0)).all()
    assert np.count_nonzero((shown == (0, 102, 0)).all(axis=2)) > 10_000
    assert pictures.name_of("specks", shown) == pictures.name_of("specks", shown.copy())
    assert pictures.name_of("specks", shown) != pictures.name_of("specks", shown[:, ::-1])
