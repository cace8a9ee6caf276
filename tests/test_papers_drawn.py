"""Drawn garments and colour names on papers."""

from __future__ import annotations

import pytest

from pipeline.colour.spaces import lab_of_rgb8
from pipeline.papers.colour_names import colour_name
from pipeline.papers.facts import SizeFacts
from pipeline.papers.outline import outline
from pipeline.shop import load_shop
from pipeline.shop_parts import Garment

KINDS = ("tee", "fitted tee", "long sleeve", "hooded", "bag", "flat")
SIZE = SizeFacts("L", 1, 0, 559.0, 762.0)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("view", ["front", "back"])
def test_a_drawn_garment_has_the_true_half_chest_and_length(kind: str, view: str) -> None:
    """Half chest is the width lying flat below the arms, length runs from the shoulder at the collar to the hem."""
    edge = outline(view, SIZE, drawn_as=kind).edge  # type: ignore[arg-type]
    hem = max(y for _, y in edge)
    across = [x for x, y in edge if y == hem]

    assert max(across) - min(across) == pytest.approx(559.0)
    assert hem - min(y for _, y in edge) == pytest.approx(762.0)
    assert sorted(round(x, 6) for x, _ in edge) == sorted(round(-x, 6) for x, _ in edge)


def test_every_garment_of_the_built_in_shop_is_drawn_as_something_known() -> None:
    shop = load_shop(None)
    drawn = {name: garment.drawn_as for name, garment in shop.garments.items()}

    assert set(drawn.values()) <= set(KINDS)
    assert drawn["hooded sweatshirt"] == "hooded"
    assert set(KINDS) == set(Garment.model_json_schema()["properties"]["drawn_as"]["enum"])


def test_a_hooded_print_area_ends_above_the_drawn_pocket() -> None:
    """The shop's keep-out begins where the drawn pocket does, within 15 mm (common practice, no source)."""
    garment = load_shop(None).garments["hooded sweatshirt"]
    size = garment.sizes[garment.reference_size]
    shape = outline("front", SizeFacts("M", 1, 0, size.half_chest_mm, size.length_mm), drawn_as="hooded")
    pocket = next(seam for seam in shape.seams if len(seam) > 5 and min(y for _, y in seam) > 200)
    keep_out = garment.positions["full front"].keep_outs[0].area_mm

    assert min(y for _, y in pocket) == pytest.approx(keep_out[1], abs=15)


@pytest.mark.parametrize(
    ("rgb", "word"),
    [
        ((255, 0, 0), "red"), ((0, 128, 0), "green"), ((0, 0, 255), "blue"), ((255, 255, 0), "yellow"),
        ((255, 165, 0), "gold"), ((0, 128, 128), "teal"), ((128, 128, 0), "olive"), ((0, 0, 128), "dark blue"),
        ((128, 0, 0), "dark red"), ((255, 192, 203), "pink"), ((0, 0, 0), "black"), ((255, 255, 255), "white"),
        ((128, 128, 128), "grey"), ((192, 192, 192), "light grey"), ((165, 42, 42), "red"), ((128, 0, 128), "purple"),
    ],
)  # fmt: skip
def test_colour_names_are_what_people_call_the_colour(rgb: tuple[int, int, int], word: str) -> None:
    """The colour values of keywords in CSS Color Module Level 4, section 6.1; the words are ours."""
    lightness, a, b = lab_of_rgb8(rgb).tolist()

    assert word in colour_name((lightness, a, b))


def test_every_colour_gets_a_short_name() -> None:
    """A grid over sRGB: no colour is left without a name, none is longer than its column."""
    levels = range(0, 256, 15)
    labs = lab_of_rgb8([(r, g, b) for r in levels for g in levels for b in levels]).tolist()
    names = {colour_name((lightness, a, b)) for lightness, a, b in labs}

    assert all(0 < len(name) <= 20 for name in names)
    assert len(names) > 30
