"""The shop file: the built-in one, a shop's own laid over it, and what orders look up in it."""

from __future__ import annotations

import copy
import json
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from pipeline.fabric import Cloth
from pipeline.faults import Refused
from pipeline.manifest_check import checked
from pipeline.order import parse_order
from pipeline.shop import Shop, cloth_of, load_shop, press_of, reference_of, shop_schema
from pipeline.shop_lookup import check_in_shop
from pipeline.shop_rules import shop_problems
from tests.conftest import ROOT

BUILT_IN = tomllib.loads((ROOT / "manifests" / "shop.toml").read_text(encoding="utf-8"))
ORDER: dict[str, Any] = {
    "order": "A-1",
    "garment": "unisex tee",
    "art": {"crest": {"file": "crest.svg"}},
    "prints": [{"name": "front", "art": "crest", "position": "full front", "width_mm": 300}],
    "colourways": [{"name": "Red", "fabric": "barn-red", "sizes": {"M": 1}}],
}


@pytest.fixture(scope="module")
def shop() -> Shop:
    return load_shop(None)


def own(folder: Path, text: str, name: str = "own.toml") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def cloth(shop: Shop, fabric: Any) -> Cloth:
    data = copy.deepcopy(ORDER)
    data["colourways"][0]["fabric"] = fabric
    return cloth_of(shop, parse_order(data, "order.toml").colourways[0])


# --- the built-in shop


def test_the_built_in_shop_can_start_a_day(shop: Shop) -> None:
    """A press a route, the usual garments, fabrics from white to black, a safety yellow, a blend, a heather."""
    assert {press.route for press in shop.presses.values()} == {"direct", "transfer", "screen"}
    assert list(shop.garments) == ["unisex tee", "fitted tee", "youth tee", "hooded sweatshirt"]
    assert shop.garments["unisex tee"].size_order == ("XS", "S", "M", "L", "XL", "2XL", "3XL", "4XL")
    assert shop.garments["youth tee"].wearer == "child"
    cloths = {name: cloth(shop, name) for name in shop.fabrics}
    assert len(cloths) >= 12
    assert {"white", "black", "safety-yellow", "barn-red"} <= cloths.keys()
    lightness = sorted(c.lab[0] for c in cloths.values())
    assert lightness[0] < 10
    assert lightness[-1] > 95
    assert any(30 < light < 70 for light in lightness)
    assert any(c.heather for c in cloths.values())
    assert any(c.polyester == 100 for c in cloths.values())
    assert any(0 < c.polyester < 100 for c in cloths.values())


def test_what_only_a_shop_can_know_is_left_empty(shop: Shop) -> None:
    """Cure and pretreat are not invented, and nothing is called calibrated."""
    for press in shop.presses.values():
        assert (press.cure_c, press.cure_text, press.pretreat_text) == (None, "", "")
    assert [wash.calibrated for wash in shop.washes.values()] == ["", "", ""]


def test_every_position_has_a_platen_on_every_press_that_has_platens(shop: Shop) -> None:
    """Each garment can be printed at each of its positions with the built-in platens."""
    for press in shop.presses.values():
        for garment in shop.garments.values():
            for name in garment.positions if press.platens else ():
                assert any(
                    (not p.positions or name in p.positions) and p.wearer in (None, garment.wearer)
                    for p in press.platens.values()
                ), (name, garment.wearer)


def test_left_and_right_are_the_wearers_and_mirrored(shop: Shop) -> None:
    """A left chest lies on the viewer's right; right is its mirror image. Common practice, no source."""
    for garment in shop.garments.values():
        left, right = garment.positions["left chest"], garment.positions["right chest"]
        assert left.centre_mm > 0
        assert right.centre_mm == -left.centre_mm
        x, y, width, height = left.area_mm
        assert right.area_mm == (-(x + width), y, width, height)


def test_offsets_are_those_of_the_trade(shop: Shop) -> None:
    """75 and 100 mm under the collar, chest 100 and 190, youth 65–75 and 115–140. Common practice, no source."""
    adult, youth = shop.garments["unisex tee"].positions, shop.garments["youth tee"].positions

    assert (adult["full front"].top_mm, adult["full back"].top_mm, adult["nape"].top_mm) == (75, 100, 30)
    assert (adult["left chest"].centre_mm, adult["left chest"].top_mm) == (100, 190)
    assert 115 <= (adult["left chest"].by_size["2XL"].centre_mm or 0) <= 125
    assert 25 <= (adult["left sleeve"].bottom_mm or 0) <= 50
    assert 40 <= (youth["full front"].top_mm or 0) <= 50
    assert 65 <= youth["left chest"].centre_mm <= 75
    assert 115 <= (youth["left chest"].top_mm or 0) <= 140
    assert 150 <= (shop.garments["hooded sweatshirt"].positions["full back"].top_mm or 0) <= 180


def test_a_hooded_front_ends_above_the_pocket(shop: Shop) -> None:
    """About 280 mm are free under the print's upper edge. Common practice, no source."""
    front = shop.garments["hooded sweatshirt"].positions["full front"]
    (pocket,) = front.keep_outs

    assert pocket.name == "pocket"
    assert pocket.area_mm[1] - (front.top_mm or 0) == pytest.approx(280, abs=10)


def test_half_chests_are_those_of_the_reference_table(shop: Shop) -> None:
    """Sizes are a body of 20 inches at M and 2 inches a size, rounded to mm. Common practice, no source."""
    inches = {"XS": 16.5, "S": 18, "M": 20, "L": 22, "XL": 24, "2XL": 26, "3XL": 28, "4XL": 30}

    sizes = shop.garments["unisex tee"].sizes
    assert {s: sizes[s].half_chest_mm for s in sizes} == {s: round(i * 25.4) for s, i in inches.items()}


def test_limits_are_those_of_the_trade(shop: Shop) -> None:
    """Stop and warn limits of lines and gaps by route, in mm. Common practice, no source."""
    limits = shop.thresholds

    assert [limits[r].line_stop_mm for r in ("direct", "transfer", "screen")] == [0.20, 0.30, 0.25]
    assert [limits[r].line_warn_mm for r in ("direct", "transfer", "screen")] == [0.35, 0.50, 0.35]
    assert [limits[r].gap_stop_mm for r in ("direct", "transfer", "screen")] == [0, 0, 0.35]
    assert [limits[r].gap_warn_mm for r in ("direct", "transfer", "screen")] == [0.35, 0.50, 0.50]
    assert {(t.resolution_stop_ppi, t.resolution_warn_ppi, t.hairline) for t in limits.values()} == {
        (120, 200, "base")
    }


# --- a shop's own file


def test_a_shops_own_file_states_only_what_differs(tmp_path: Path, shop: Shop) -> None:
    """Tables are merged to any depth; what is not stated stays; a list takes the place of the list."""
    path = own(
        tmp_path,
        '[defaults]\npaper = "letter"\n[garments."unisex tee".sizes]\nXXS = { half_chest_mm = 390, length_mm = 660 }\n'
        '[deliver]\ndirect = ["press-page"]\n[presses.direct-1]\nchoke_mm = 0.2\n',
    )
    mine = load_shop(path)

    assert mine.defaults.paper == "letter"
    assert mine.defaults.fade == shop.defaults.fade
    assert mine.garments["unisex tee"].size_order[:2] == ("XXS", "XS"), "sizes go by half chest, not by file"
    assert mine.deliver.direct == ("press-page",)
    assert mine.presses["direct-1"].choke_mm == 0.2
    assert mine.presses["direct-1"].platens == shop.presses["direct-1"].platens
    assert mine.fabrics == shop.fabrics


def test_a_shops_own_file_may_be_json_and_may_be_empty(tmp_path: Path, shop: Shop) -> None:
    """JSON is read as TOML is; an empty file changes nothing."""
    assert load_shop(own(tmp_path, '{"name": "Hollow Lane Prints"}', "own.json")).name == "Hollow Lane Prints"
    assert load_shop(own(tmp_path, "")) == shop


def test_another_way_of_stating_takes_the_place_of_the_first(tmp_path: Path) -> None:
    """A Lab reading replaces sRGB, a lower edge an upper one, fibre shares are replaced as one."""
    path = own(
        tmp_path,
        "[fabrics.plum-blend]\nlab = [28, 22, -12]\nfibre = { cotton = 100 }\n"
        '[garments."unisex tee".positions.nape]\nbottom_mm = 5\n',
    )
    mine = load_shop(path)

    assert (mine.fabrics["plum-blend"].srgb, mine.fabrics["plum-blend"].lab) == (None, (28, 22, -12))
    assert mine.fabrics["plum-blend"].fibre == {"cotton": 100}
    nape = mine.garments["unisex tee"].positions["nape"]
    assert (nape.top_mm, nape.bottom_mm) == (None, 5)


def test_a_shops_own_press_is_the_default_of_its_route(tmp_path: Path) -> None:
    """The shop's first press of a route is used where an order names none; built-in ones come after."""
    press = {**BUILT_IN["presses"]["direct-1"], "resolution_ppi": 600}
    mine = load_shop(own(tmp_path, json.dumps({"presses": {"big": press}}), "own.json"))
    (print_,) = parse_order(ORDER, "order.toml").prints

    assert press_of(mine, print_)[0] == "big"
    assert press_of(mine, print_)[1].resolution_ppi == 600


BAD: list[tuple[str, str, str]] = [
    ("[defaults]\npapr = 'A4'", "defaults.papr", 'Did you mean "paper"?'),
    ("[fabrics.x]\ntitle = 'X'", "fabrics.x", "needs exactly one colour"),
    ("[fabrics.x]\nlab = [1, 2]", "fabrics.x.lab[2]", "is missing"),
    ("[fabrics.x]\nlab = [50, 0, 0]\nilluminant = 'D56'", "fabrics.x.illuminant", 'Known here: "D50", "D65"'),
    ("[fabrics.x]\nsrgb = '#000000'\nfibre = { cotton = 40 }", "fabrics.x.fibre", "must make 100"),
    (
        '[garments."unisex tee"]\nreference_size = "Medium"',
        'garments."unisex tee".reference_size',
        "is not a size",
    ),
    (
        '[garments."unisex tee"]\nreference_size = ["M"]',
        'garments."unisex tee".reference_size',
        "must be text",
    ),
    (
        '[garments."unisex tee".positions.nape.by_size.XXL]\ntop_mm = 9',
        'garments."unisex tee".positions.nape.by_size.XXL',
        "is not a size of the garment",
    ),
    (
        '[garments."unisex tee".positions.nape.by_size.M]\nbottom_mm = 9',
        'garments."unisex tee".positions.nape.by_size.M.bottom_mm',
        "cannot be stated here",
    ),
    (
        '[garments."unisex tee".sizes.M]\nhalf_chest_mm = 0',
        'garments."unisex tee".sizes.M.half_chest_mm',
        "more than 0",
    ),
    (
        "[presses.film-1.roll]\nmargin_mm = 300",
        "presses.film-1.roll.margin_mm",
        "leaves nothing of a film 600 mm",
    ),
    ("[presses.film-1.roll]\ngutter_mm = 580", "presses.film-1.roll.gutter_mm", "wider than the 580 mm"),
    ("[deliver]\ntransfer = ['press-colour']", "deliver.transfer", 'must hold "press-roll"'),
    (
        "[deliver]\ntransfer = ['press-roll']\n[presses.film-1.roll]\ngang = 'night'",
        "deliver.transfer",
        "film-1 gangs by the night",
    ),
    ("[presses.film-1]\nroute = 'direct'", "presses.film-1.platens", "a direct press needs it"),
    (
        "[presses.direct-1]\nbase_polarity = 'light=ink'",
        "presses.direct-1.base_polarity",
        'Did you mean "light is ink"?',
    ),
    (
        "[presses.direct-1]\nresolution_ppi = inf",
        "presses.direct-1.resolution_ppi",
        "Write an ordinary number",
    ),
    (
        "[thresholds.direct]\nhairline = true",
        "thresholds.direct.hairline",
        'Known here: "base", "none", "stop"',
    ),
    (
        "[thresholds.embroidery]\nline_stop_mm = 1",
        "thresholds.embroidery",
        'Known here: "direct", "transfer", "screen"',
    ),
    ("[washes.direct]\nlife = 0", "washes.direct.life", "must be 1 or more"),
    ("[deliver]\ndirect = []", "deliver.direct", "must hold at least 1"),
    ("garments = 3", "garments", "must be a table of keys and values"),
]


@pytest.mark.parametrize(("text", "path", "words"), BAD, ids=[b[1] for b in BAD])
def test_each_fault_of_a_shop_file_is_told_with_file_key_path_and_remedy(
    tmp_path: Path, text: str, path: str, words: str
) -> None:
    """The shop's own file is named, the key path, and what is allowed."""
    with pytest.raises(Refused) as caught:
        load_shop(own(tmp_path, text))

    assert caught.value.code == "shop-file"
    about = [line for line in caught.value.message.splitlines() if line.startswith(f"own.toml: {path}: ")]
    assert about, caught.value.message
    assert words in about[0]


def test_a_key_given_twice_in_a_shops_json_is_refused(tmp_path: Path) -> None:
    """The later one does not win silently."""
    with pytest.raises(Refused, match=r"own\.json: name: is given twice"):
        load_shop(own(tmp_path, '{"name": "A", "name": "B"}', "own.json"))


@st.composite
def mutated(draw: st.DrawFn) -> Any:
    """The built-in shop file with one value anywhere replaced."""
    data = copy.deepcopy(BUILT_IN)
    here: Any = data
    while True:
        key = draw(st.sampled_from(list(here) if isinstance(here, dict) else list(range(len(here)))))
        if isinstance(here[key], dict | list) and here[key] and draw(st.integers(0, 4)):
            here = here[key]
            continue
        here[key] = draw(
            st.none() | st.booleans() | st.floats() | st.text(max_size=3) | st.just([]) | st.just({})
        )
        return data


@settings(max_examples=150, deadline=None)
@given(mutated())
@example({"presses": {"a": {"route": []}}, "washes": {"direct": None}, "garments": {"g": {"sizes": None}}})
def test_no_shop_file_raises_anything_but_refused(data: Any) -> None:
    """Whatever a shop file holds, it is a shop or it is refused."""
    try:
        shop = checked(Shop, data, shop_problems, source="own.toml", code="shop-file")
    except Refused as fault:
        lines = fault.message.split("\n")
        good = [line for line in lines if line.startswith("own.toml: ") and line.isprintable()]
    else:
        lines = good = []
        assert all(garment.reference_size in garment.sizes for garment in shop.garments.values())
    assert good == lines


def test_the_schema_file_is_what_the_program_prints() -> None:
    """manifests/shop.schema.json is kept true, and every key in it is described."""
    kept = (ROOT / "manifests" / "shop.schema.json").read_text(encoding="utf-8")
    assert kept == json.dumps(shop_schema(), indent=2, ensure_ascii=False) + "\n"
    tables = [shop_schema(), *shop_schema()["$defs"].values()]
    assert not [
        k for t in tables for k, field in t.get("properties", {}).items() if not field.get("description")
    ]


# --- what orders look up


def test_a_cloth_from_the_shop_and_one_from_the_order(shop: Shop) -> None:
    """A named fabric and a described one give the same kind of cloth, the largest fibre first."""
    named = cloth(shop, "plum-blend")
    told = cloth(
        shop, {"srgb": "#ff0000", "fibre": {"cotton": 40, "polyester": 60}, "heather": 2, "base": "full"}
    )

    assert (named.name, named.fibres, named.polyester) == (
        "Plum blend",
        (("cotton", 52), ("polyester", 48)),
        48,
    )
    assert (told.name, told.srgb, told.base, told.heather) == ("Red", (1, 0, 0), "full", 2)
    assert told.fibres == (("polyester", 60), ("cotton", 40))
    # IEC 61966-2-1 red in CIE Lab (D65), as published in many places to 2 decimals
    assert told.lab == pytest.approx((53.24, 80.09, 67.20), abs=0.02)


@pytest.mark.parametrize(("illuminant", "observer"), [("D50", 2), ("D65", 2), ("D50", 10), ("D65", 10)])
def test_measured_fabrics_are_adapted_as_the_colour_library_does(
    shop: Shop, illuminant: str, observer: int
) -> None:
    """Lab readings under any illuminant and observer agree with colour-science's Bradford adaptation to sRGB."""
    colour = pytest.importorskip("colour")
    lab = [45.0, 22.0, -18.0]
    name = "CIE 1931 2 Degree Standard Observer" if observer == 2 else "CIE 1964 10 Degree Standard Observer"
    white = colour.CCS_ILLUMINANTS[name][illuminant]
    d65 = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"]
    xyz = colour.chromatic_adaptation(
        colour.Lab_to_XYZ(lab, white), colour.xy_to_XYZ(white), colour.xy_to_XYZ(d65), transform="Bradford"
    )
    expected = colour.XYZ_to_sRGB(xyz, illuminant=d65, chromatic_adaptation_transform=None)

    made = cloth(shop, {"lab": lab, "illuminant": illuminant, "observer": observer})
    assert np.allclose(made.srgb, expected, atol=1.5e-3)


def test_all_that_the_shop_does_not_have_is_told_at_once(shop: Shop) -> None:
    """Fabric, size, position, press and reference that do not exist are listed with their key paths."""
    data = copy.deepcopy(ORDER)
    data["colourways"][0] |= {"fabric": "barn-rd", "sizes": {"M": 1, "XXL": 2}}
    data["colourways"].append({"name": "Hood", "garment": "hooded", "fabric": "black", "sizes": {"S": 1}})
    data["prints"][0] |= {
        "position": "ful front",
        "press": "direct-2",
        "reference": {"size": "Medium"},
        "by_size": {"9XL": {"width_mm": 9}},
    }

    with pytest.raises(Refused) as caught:
        check_in_shop(parse_order(data, "order.toml"), shop, "order.toml")
    lines = caught.value.message.splitlines()

    assert [line.split(": ")[1] for line in lines] == [
        "prints[0].by_size.9XL", "colourways[0].fabric", "colourways[0].sizes.XXL", "prints[0].position",
        "prints[0].reference.size", "prints[0].press", "colourways[1].garment",
    ]  # fmt: skip
    assert 'Did you mean "barn-red"?' in lines[1]
    assert 'Did you mean "full front"?' in lines[3]
    check_in_shop(parse_order(ORDER, "order.toml"), shop, "order.toml")


def test_a_press_of_another_route_is_refused(shop: Shop) -> None:
    """A print cannot be sent to a press that does something else."""
    data = copy.deepcopy(ORDER)
    data["prints"][0]["press"] = "film-1"

    with pytest.raises(Refused, match='the press "film-1" does'):
        press_of(shop, parse_order(data, "order.toml").prints[0])


def test_widths_are_meant_for_the_reference_garment_and_size(shop: Shop) -> None:
    """The print's own reference counts, then the order's garment, then the colourway's, at its reference size."""
    data = copy.deepcopy(ORDER)
    data["prints"].append(
        {**data["prints"][0], "name": "b", "reference": {"garment": "youth tee", "size": "YL"}}
    )
    order = parse_order(data, "order.toml")

    assert reference_of(shop, order, order.prints[0], "fitted tee") == ("unisex tee", "M")
    assert reference_of(shop, order, order.prints[1], "fitted tee") == ("youth tee", "YL")
