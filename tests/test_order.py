"""The order manifest: its defaults, its choices, and every fault of it told by key path with a remedy."""

from __future__ import annotations

import copy
import json
import os
import pickle
import unicodedata
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from pipeline.faults import Refused
from pipeline.order import (
    art_path,
    choices_of,
    garment_of,
    load_order,
    order_schema,
    parse_order,
    prints_of,
    slug,
    slugs,
)
from pipeline.order_parts import ArtEntry
from tests.conftest import ROOT

GOOD: dict[str, Any] = {
    "order": "HB-2041",
    "garment": "unisex tee",
    "art": {
        "crest": {"file": "crest.svg", "omit": ["grid"], "shows_fabric": ["#8F2430"], "near_fabric": "keep"}
    },
    "prints": [
        {"name": "front", "art": "crest", "position": "full front", "width_mm": 300},
        {"name": "back", "art": "crest", "position": "full back", "height_mm": 350, "shift_mm": [0, -5]},
    ],
    "colourways": [
        {"name": "Barn red", "fabric": "barn-red", "sizes": {"S": 12, "M": 30, "2XL": 0}},
        {
            "name": "Own cloth",
            "fabric": {"lab": [41.5, 38, 17], "fibre": {"cotton": 52, "polyester": 48}, "base": 0.5},
            "sizes": {"M": 5},
            "prints": {"front": {"height_mm": 200, "route": "transfer"}},
            "swap": [{"from": "#3d5a2a", "to": "#f3e9d2"}, {"element": "leaf", "to": "#ffffff"}],
            "near_fabric": "knock_out",
            "omit": ["shadow"],
        },
    ],
}

# (key path to change, new value, key path that is told, words that are told); None as value removes the key
BAD: list[tuple[str, Any, str, str]] = [
    ("order", None, "order", 'is missing. Add it: Number of the order, like "HB-2041"'),
    ("order", "HB 2041", "order", 'start with a letter or digit, like "HB-2041"'),
    ("order", 2041, "order", "must be text in quotes"),
    ("order", "x" * 65, "order", "must have 1 to 64"),
    ("revision", 0, "revision", "must be 1 or more"),
    ("revision", 1.0, "revision", "must be a whole number, without quotes and without a point"),
    ("revision", True, "revision", "must be a whole number"),
    ("due", "4.12.2026", "due", "Write it as year-month-day, like 2026-12-04"),
    ("due", "2026-02-30", "due", "is not a day of the calendar"),
    ("due", 20261204, "due", "Write it as 2026-12-04"),
    ("prority", "rush", "prority", 'is not a key here. Did you mean "priority"?'),
    ("priority", "hurry", "priority", 'Known here: "normal", "rush"'),
    ("customer", "a\nb", "customer", "holds control characters"),
    ("customer", "a\u202eb", "customer", "holds control characters"),
    ("title", "x" * 81, "title", "longer than 80 characters. Shorten it"),
    ("art", {}, "art", "must hold at least 1"),
    ("art.crest.file", "/etc/passwd", "art.crest.file", "absolute path. Put the file beside the manifest"),
    ("art.crest.file", "../crest.svg", "art.crest.file", 'leave out ".."'),
    ("art.crest.file", "a\\b.svg", "art.crest.file", 'Write folders with "/"'),
    ("art.crest.file", "C:crest.svg", "art.crest.file", "absolute path"),
    ("art.crest.file", "a\0.svg", "art.crest.file", "a NUL"),
    ("art.crest.file", "a//b.svg", "art.crest.file", "not a plain path"),
    ("art.crest.ground", "remvoe", "art.crest.ground", 'Did you mean "remove"?'),
    ("art.crest.shows_fabric", ["8f2430"], "art.crest.shows_fabric[0]", 'Write it as "#rrggbb"'),
    ("prints", [], "prints", "at least one [[prints]]"),
    ("prints[0].name", "back", "prints[1].name", "Give each its own"),
    ("prints[0].name", " ", "prints[0].name", "is empty. Write a name"),
    ("prints[0].art", "crset", "prints[0].art", 'is not in [art]. Did you mean "crest"?'),
    ("prints[0].width_mm", None, "prints[0]", "states no size. Add one of width_mm = 300"),
    ("prints[0].width_mm", "300", "prints[0].width_mm", "must be a number, without quotes"),
    ("prints[0].width_mm", float("nan"), "prints[0].width_mm", "Write an ordinary number"),
    ("prints[0].width_mm", 0, "prints[0].width_mm", "must be more than 0"),
    ("prints[0].width_mm", 20_000, "prints[0].width_mm", "must be 2000 or less"),
    ("prints[0].fit", True, "prints[0].fit", "states the size again, width_mm does. Keep one"),
    ("prints[0].positon", "nape", "prints[0].positon", 'Did you mean "position"?'),
    ("prints[0].route", "screen", "prints[0].inks", "a screen print needs its inks"),
    ("prints[0].inks", [{"name": "Red"}], "prints[0].inks[0]", "needs exactly one colour"),
    ("prints[0].bands", "all", "prints[0].bands", 'Known here: "each size", "one"'),
    ("prints[0].bands", [["S", "M"], ["M"]], "prints[0].bands", "is listed twice"),
    ("prints[0].bands", [["S", 4]], "prints[0].bands[0][1]", "must be text in quotes"),
    ("prints[0].by_size", {"2XL": {}}, "prints[0].by_size.2XL", "needs exactly one of width_mm and height_mm"),
    ("prints[0].shift_mm", [1], "prints[0].shift_mm[1]", "is missing. Add it: Moves the print by [x, y] mm"),
    ("prints[0].turn_deg", 400, "prints[0].turn_deg", "must be 360 or less"),
    ("colourways[0].name", "Own cloth", "colourways[1].name", "Give each its own"),
    ("colourways[0].fabric", {"fibre": "cotton"}, "colourways[0].fabric", "needs exactly one colour"),
    ("colourways[1].fabric.srgb", "#12", "colourways[1].fabric.srgb", "is not a colour"),
    ("colourways[1].fabric.fibre", {"cotton": 50}, "colourways[1].fabric.fibre", "the shares must make 100"),
    ("colourways[1].fabric.fibre", "poliester", "colourways[1].fabric.fibre", 'Did you mean "polyester"?'),
    ("colourways[1].fabric.fibre", {"coton": 100}, "colourways[1].fabric.fibre.coton", 'Did you mean "cotton"?'),
    ("colourways[1].fabric.base", "half", "colourways[1].fabric.base", 'Known here: "none", "full"'),
    ("colourways[1].fabric.base", 1.5, "colourways[1].fabric.base", "must be 1 or less"),
    ("colourways[1].fabric.lab", [41, 30], "colourways[1].fabric.lab[2]", "[L, a, b]"),
    ("colourways[0].fabric", 7, "colourways[0].fabric", "has none of the forms that are allowed here"),
    ("colourways[0].sizes", {}, "colourways[0].sizes", "must hold at least 1"),
    ("colourways[0].sizes.S", -1, "colourways[0].sizes.S", "must be 0 or more"),
    ("colourways[0].sizes.S", 12.0, "colourways[0].sizes.S", "must be a whole number"),
    ("colourways[0].sizes.S", "12", "colourways[0].sizes.S", "without quotes"),
    ("colourways[0].sizes.S", 1_000_001, "colourways[0].sizes.S", "must be 1000000 or less"),
    ("colourways[0].sizes", {"S": 0, "M": 0}, "colourways[0].sizes", "order no piece at all"),
    ("colourways[0].prints", ["frnt"], "colourways[0].prints[0]", 'Did you mean "front"?'),
    ("colourways[0].prints", ["front", "front"], "colourways[0].prints", "is listed twice"),
    ("colourways[0].prints", [], "colourways[0].prints", "must hold at least 1"),
    ("colourways[0].prints", {"nape": {}}, "colourways[0].prints.nape", "is not a print of the order"),
    ("colourways[1].prints.front.width_mm", 3, "colourways[1].prints.front.height_mm", "states the size again"),
    ("colourways[1].prints.front.art", "x", "colourways[1].prints.front.art", "is not in [art]"),
    ("colourways[1].prints.front.route", "screen", "colourways[1].prints.front.inks", "needs its inks"),
    ("colourways[0].swap", [{"to": "#ffffff"}], "colourways[0].swap[0]", "needs exactly one of from"),
    ("garment", None, "colourways[0].garment", 'Add garment = "unisex tee" to one of them'),
    ("fade", {"method": "modle"}, "fade.method", 'Did you mean "model"?'),
    ("fade", {"colours": {"#ff0000": {}}}, 'fade.colours."#ff0000"', "changes nothing"),
    ("fade", {"colours": {"red": {"value": 1}}}, "fade.colours.red", "is not a colour"),
    ("overs", {"percent": 101}, "overs.percent", "must be 100 or less"),
    ("accept", [{"code": "thin-line", "by": "A. Reed"}], "accept[0].why", "is missing. Add it: Why"),
    ("accept", [{"code": "art-unreadable", "by": "A", "why": "b"}], "accept[0].code", "cannot be accepted"),
    ("accept", [{"code": "thin-lines", "by": "A", "why": "b"}], "accept[0].code", 'Did you mean "thin-line"?'),
    ("accept", [{"code": "Thin line", "by": "A", "why": "b"}], "accept[0].code", "Copy it from the report"),
    ("accept", [{"code": "thin-line", "by": "A", "why": "b", "print": "x"}], "accept[0].print", "is not in [[prints]]"),
]  # fmt: skip


def changed(path: str, value: Any) -> dict[str, Any]:
    """Return the good manifest with the key at `path` set, or removed for None."""
    data = copy.deepcopy(GOOD)
    parts = [int(p) if p.isdigit() else p for p in path.replace("[", ".").replace("]", "").split(".")]
    here: Any = data
    for part in parts[:-1]:
        here = here[part]
    if value is None:
        del here[parts[-1]]
    else:
        here[parts[-1]] = value
    return data


def refused(data: dict[str, Any]) -> str:
    with pytest.raises(Refused) as caught:
        parse_order(data, "order.toml")
    assert caught.value.code == "manifest"
    return caught.value.message


@pytest.mark.parametrize(
    ("path", "value", "told_path", "words"), BAD, ids=[f"{b[0]}={b[1]!r:.30}" for b in BAD]
)
def test_each_fault_is_told_with_file_key_path_and_remedy(
    path: str, value: Any, told_path: str, words: str
) -> None:
    """One wrong key gives one line: the file, the key path, the value, what is allowed and what to do."""
    lines = refused(changed(path, value)).splitlines()

    about = [line for line in lines if line.startswith(f"order.toml: {told_path}: ")]
    assert len(about) == 1, lines
    assert words in about[0]


def test_all_faults_are_told_at_once() -> None:
    """A wrong type in one place hides neither another one nor a wrong name elsewhere."""
    data = changed("prints[0].width_mm", "300")
    data["prints"][1]["art"] = "crst"
    data["colourways"][1]["prints"] = ["frnt"]
    data["colourways"][0]["sizes"]["S"] = -4
    data["colour"] = 1

    assert [line.split(": ")[1] for line in refused(data).splitlines()] == [
        "prints[0].width_mm", "colourways[0].sizes.S", "colour", "prints[1].art", "colourways[1].prints[0]",
    ]  # fmt: skip


def test_the_value_is_shown_shortened() -> None:
    """The line shows what stands in the file, and never floods the report."""
    assert 'order.toml: priority: "hurry" – ' in refused(changed("priority", "hurry"))
    assert len(refused(changed("priority", "h" * 100_000))) < 400


def test_first_listed_choices_are_the_defaults() -> None:
    """What a manifest leaves out is the first of the choices, or left to the shop."""
    order = parse_order(GOOD, "order.toml")
    front, art = order.prints[0], order.art["crest"]

    assert (order.revision, order.priority, order.ship, order.approval) == (1, "normal", "together", None)
    assert (front.route, front.scale, front.bands, front.turn_deg, front.cut_ok) == (
        "direct",
        None,
        None,
        0,
        False,
    )
    assert (art.preview, art.ground, art.knock_out) == ("stop", "stop", "auto")
    assert art.shows_fabric == ("#8f2430",), "colours are held in lower case"
    assert (order.fade.method, order.overs.percent, order.accept) == (None, None, ())
    assert order.colourways[0].pieces == {"S": 12, "M": 30}


def test_json_and_toml_say_the_same(tmp_path: Path) -> None:
    """The same order in either language gives the same value; JSON states days in quotes."""
    (tmp_path / "a.json").write_text(
        json.dumps({**GOOD, "due": "2026-12-04"}, ensure_ascii=False), encoding="utf-8-sig"
    )
    toml = (ROOT / "examples" / "kite-society").glob("*.toml")
    order = load_order(tmp_path / "a.json")
    assert order.due == date(2026, 12, 4)
    for path in toml:
        loaded = load_order(path)
        (tmp_path / "b.json").write_text(
            loaded.model_dump_json(by_alias=True, exclude_unset=True), encoding="utf-8"
        )
        assert load_order(tmp_path / "b.json") == loaded


def test_an_order_is_frozen_and_can_be_sent_to_workers() -> None:
    """Nothing down the line can change an order; it survives pickling."""
    order = parse_order(GOOD, "order.toml")

    with pytest.raises(ValueError, match="frozen"):
        order.revision = 2  # type: ignore[misc]
    assert pickle.loads(pickle.dumps(order)) == order


def test_a_colourway_overrides_a_print_and_leaves_the_rest() -> None:
    """The colourway's size replaces the print's; other keys stay; prints not named are not printed."""
    order = parse_order(GOOD, "order.toml")
    plain, own = order.colourways

    assert prints_of(order, plain) == order.prints
    (front,) = prints_of(order, own)
    assert (front.width_mm, front.height_mm, front.route) == (None, 200, "transfer")
    assert (front.name, front.position, front.art) == ("front", "full front", "crest")


def test_prints_come_in_the_order_of_the_manifest() -> None:
    """A colourway's list chooses prints; it does not reorder them."""
    order = parse_order(changed("colourways[0].prints", ["back", "front"]), "order.toml")

    assert [p.name for p in prints_of(order, order.colourways[0])] == ["front", "back"]


def test_choices_of_the_colourway_win_over_those_of_the_art() -> None:
    """near_fabric of the colourway counts; its elements come on top of the art's; swaps are its own."""
    order = parse_order(GOOD, "order.toml")
    plain, own = (choices_of(order, c, prints_of(order, c)[0]) for c in order.colourways)

    assert (plain.near_fabric, own.near_fabric) == ("keep", "knock_out")
    assert (plain.omit, own.omit) == (("grid",), ("grid", "shadow"))
    assert own.of_colourway == {"shadow", "leaf"}
    assert [(rule.from_, rule.element, rule.to) for rule in own.swap] == [
        ("#3d5a2a", None, "#f3e9d2"), (None, "leaf", "#ffffff"),
    ]  # fmt: skip
    assert garment_of(order, order.colourways[0]) == "unisex tee"


def test_names_are_tidied_so_that_equal_names_are_equal() -> None:
    """Spaces around names and the two ways of composing accents make no difference."""
    data = changed("prints[0].name", "  caf\u00e9 ")
    data["colourways"][1]["prints"] = {"cafe\u0301": {}}
    order = parse_order(data, "order.toml")

    assert [p.name for p in prints_of(order, order.colourways[1])] == ["caf\u00e9"]


def test_the_schema_file_is_what_the_program_prints() -> None:
    """manifests/order.schema.json is kept true."""
    kept = (ROOT / "manifests" / "order.schema.json").read_text(encoding="utf-8")

    assert kept == json.dumps(order_schema(), indent=2, ensure_ascii=False) + "\n"


def test_every_key_of_the_schema_is_described() -> None:
    """The schema documents itself."""
    schema = order_schema()
    tables = [schema, *schema["$defs"].values()]

    assert not [
        (table["title"], key)
        for table in tables
        for key, field in table.get("properties", {}).items()
        if not field.get("description")
    ]


# --- names of folders


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("Barn red", "barn-red"),
        ("Ärger & Søn", "arger-son"),
        ("2XL!", "2xl"),
        ("Straße", "strasse"),
        ("a/../b", "a-b"),
    ],
)
def test_slugs_are_plain_words(name: str, expected: str) -> None:
    """Accents are folded, all else becomes a hyphen."""
    assert slug(name) == expected


@given(st.lists(st.text(min_size=1, max_size=90), unique=True, max_size=12))
def test_slugs_are_unique_safe_and_deterministic(names: list[str]) -> None:
    """Any names give distinct folder names of a–z, 0–9 and hyphens that no system refuses."""
    made = slugs(names)

    assert len(set(made.values())) == len(names)
    for text in made.values():
        assert text.strip("-") == text != ""
        assert set(text) <= set("abcdefghijklmnopqrstuvwxyz0123456789-")
        assert text not in ("con", "nul", "aux", "prn", "com1", "rolls")
        assert len(text) <= 64
    assert slugs(names) == made


# --- the art's file


def entry(file: str) -> ArtEntry:
    return ArtEntry(file=file)


def test_art_is_found_beside_the_manifest_and_below(tmp_path: Path) -> None:
    """A file beside the manifest or in a folder beside it is found, also when accents are composed differently."""
    (tmp_path / "art").mkdir()
    (tmp_path / "art" / "crest.svg").write_text("<svg/>")
    (tmp_path / unicodedata.normalize("NFD", "café.svg")).write_text("<svg/>")

    assert art_path(tmp_path, entry("art/crest.svg")) == tmp_path / "art" / "crest.svg"
    assert art_path(tmp_path, entry("caf\u00e9.svg")).read_text() == "<svg/>"


def test_art_is_only_read_from_regular_files_inside(tmp_path: Path) -> None:
    """Symbolic links (of the file or a folder), pipes, folders and what is not there are refused."""
    inside = tmp_path / "order"
    inside.mkdir()
    (tmp_path / "secret.svg").write_text("<svg/>")
    (inside / "link.svg").symlink_to(tmp_path / "secret.svg")
    (inside / "away").symlink_to(tmp_path)
    (inside / "folder.svg").mkdir()
    os.mkfifo(inside / "pipe.svg")
    for file, told in (
        ("link.svg", "symbolic link"),
        ("away/secret.svg", "symbolic link"),
        ("folder.svg", "is not a file"),
        ("pipe.svg", "is not a file"),
        ("missing.svg", "is not beside the manifest"),
        ("link.svg/x.svg", "symbolic link"),
        ("é" * 300, "is not beside the manifest"),
    ):
        with pytest.raises(Refused, match=told):
            art_path(inside, entry(file))


# --- whatever is dropped

values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8) | st.dates() | st.datetimes()
    | st.sampled_from(["#8f2430", "front", "crest", "screen", "each size", "M", 12, 0.5, b"bytes", ("a",)]),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6) | st.integers(), inner, max_size=3),
    max_leaves=6,
)  # fmt: skip


@st.composite
def mutated(draw: st.DrawFn) -> Any:
    """The good manifest with a few values replaced, removed, or given where none belongs."""
    data = copy.deepcopy(GOOD)
    for _ in range(draw(st.integers(1, 4))):
        here: Any = data
        while True:
            keys = list(here) if isinstance(here, dict) else list(range(len(here)))
            if not keys:
                break
            key = draw(st.sampled_from(keys))
            if isinstance(here[key], dict | list) and draw(st.booleans()):
                here = here[key]
                continue
            if isinstance(here, dict) and draw(st.booleans()):
                key = draw(
                    st.sampled_from([key, "by_size", "bands", "inks", "fade", "accept", "garment", "x"])
                )
            here[key] = draw(values)
            break
    return data


@settings(max_examples=300, deadline=None)
@given(mutated() | values)
@example({"\0": None})
@example({"[key]": None})
@example({**GOOD, "prints": [{**GOOD["prints"][0], "by_size": None}]})
@example({**GOOD, "art": {"\x1b": None}})
def test_no_input_raises_anything_but_refused(data: Any) -> None:
    """Whatever a manifest holds, it is an order or it is refused in printable lines."""
    try:
        order = parse_order(data, "order.toml")
    except Refused as fault:
        lines = fault.message.split("\n")
        good = [line for line in lines if line.startswith("order.toml: ") and line.isprintable()]
    else:
        lines = good = []
        for colourway in order.colourways:
            for print_ in prints_of(order, colourway):
                assert choices_of(order, colourway, print_).art in order.art
                assert [bool(print_.width_mm), bool(print_.height_mm), print_.fit].count(True) == 1
    assert good == lines
