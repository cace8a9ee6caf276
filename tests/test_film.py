"""Orders on film from outside: equal plates pooled, mirrored, ink or none; rolls with every piece; those of a night."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pypdfium2
import pytest
import zxingcpp
from PIL import Image

from pipeline.cli import main
from pipeline.faults import ExitCode
from pipeline.make import plan_order
from pipeline.plan_text import plan_text
from pipeline.postflight import audit
from pipeline.release import Places
from pipeline.rolls import night_rolls, waiting_for_film
from pipeline.shop import load_shop

GLOW = """<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 120 90">
<defs><radialGradient id="g"><stop offset="0.3" stop-color="#e0a030"/>
<stop offset="1" stop-color="#e0a030" stop-opacity="0"/></radialGradient></defs>
<circle cx="35" cy="45" r="34" fill="url(#g)"/>
<path d="M70 10H115V40H95V80H70Z" fill="#8f2430"/></svg>"""

ORDER: dict[str, Any] = {
    "order": "F-1",
    "approval": "not needed",
    "garment": "unisex tee",
    "art": {"glow": {"file": "glow.svg"}},
    "prints": [
        {"name": "chest", "art": "glow", "position": "left chest", "route": "transfer", "width_mm": 60},
        {"name": "back", "art": "glow", "position": "full back", "route": "transfer", "width_mm": 90},
    ],
    "colourways": [
        {"name": "Barn red", "fabric": {"srgb": "#8f2430"}, "sizes": {"S": 3, "M": 4}},
        {"name": "Black", "fabric": {"srgb": "#141418"}, "sizes": {"M": 2}},
        {"name": "Navy", "fabric": {"srgb": "#1d2b4f"}, "sizes": {"S": 1, "M": 2}},
    ],
    "overs": {"percent": 0, "at_least": 1},
    "fade": {"method": "none"},
}
ACCEPTED = [{"code": code, "by": "Ada", "why": "test"} for code in ("soft-alpha",)]


def make(folder: Path, shop: str = "", **changes: Any) -> int:
    source = folder / "in"
    source.mkdir(parents=True, exist_ok=True)
    (source / "glow.svg").write_text(GLOW)
    (source / "order.json").write_text(json.dumps({**ORDER, "accept": ACCEPTED, **changes}))
    (source / "shop.toml").write_text(shop)
    return main(
        ["make", str(source / "order.json"), "--out", str(folder / "out"), "--shop", str(source / "shop.toml"),
         "--workers", "1"]
    )  # fmt: skip


def record(folder: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((folder / "record.json").read_text(encoding="utf-8"))
    return found


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("film")
    assert make(folder) == 0
    return folder / "out" / "F-1-r1"


def files(folder, role, print_):
    return [e for e in record(folder)["files"] if (e["role"], e["print"]) == (role, print_)]


def test_equal_plates_are_made_once(made):
    """Black and navy, and chest sizes, share a plate; red has its own, knocked out; the file says for which it is."""
    chest = files(made, "press-colour", "chest")
    uses = [[(u["colourway"], *u["sizes"]) for u in entry["used_for"]] for entry in chest]

    assert uses == [
        [("Barn red", "S"), ("Barn red", "M")],
        [("Black", "M"), ("Navy", "S"), ("Navy", "M")],
    ]
    assert "black+1_chest" in chest[1]["path"]
    assert len(files(made, "press-colour", "back")) == 4  # two widths, with and without red
    assert len({plate["key"] for plate in record(made)["plates"]}) == 6


def test_plan_counts_the_plates_that_are_made(made):
    """Ten bands of two prints; those that are equal share a plate."""
    plan = plan_text(plan_order(made.parent.parent / "in" / "order.json", load_shop(None)))

    assert record(made)["totals"]["plates"] == 6
    assert plan.startswith("F-1-r1: ")
    assert " 6 plates (what is the same on film shares one), 3 tickets, 1 proof\n" in plan
    assert plan.count("pieces") + plan.count(" 1 piece\n") == 10


def test_plates_hold_ink_or_none_and_are_mirrored(made):
    """Alpha and base are 0 or 255; the red block, right in the design, lies on the left of the file."""
    entry = files(made, "press-colour", "chest")[1]
    colour = np.asarray(Image.open(made / entry["path"]))
    (under,) = (e for e in files(made, "press-base", "chest") if e["plate"] == entry["plate"])
    base = np.asarray(Image.open(made / under["path"]))
    red = (
        np.abs(colour[..., :3].astype(int) - (0x8F, 0x24, 0x30)).max(axis=-1) + (colour[..., 3] == 0) * 99 < 3
    )

    assert entry["mirrored"]
    assert set(np.unique(colour[..., 3])) == set(np.unique(base)) == {0, 255}
    assert np.flatnonzero(red.any(axis=0)).mean() < colour.shape[1] / 2
    assert not base[colour[..., 3] == 0].any()
    soft = np.s_[:, round(colour.shape[1] * 0.75) :]
    assert np.array_equal(base[soft], colour[soft][..., 3])  # dots: one mask for both
    assert 0.2 < (colour[soft][..., 3] > 0).mean() < 0.8


def test_the_roll_holds_every_piece_and_over_once(made):
    """Pieces are garments and overs times prints; each has its number, its size and a place of its own on the film."""
    (roll,) = record(made)["rolls"]
    wanted = {
        ("Barn red", "S"): 4,
        ("Barn red", "M"): 5,
        ("Black", "M"): 3,
        ("Navy", "S"): 2,
        ("Navy", "M"): 3,
    }
    counted: dict[Any, int] = {}
    for piece in roll["placed"]:
        key = piece["print"], piece["colourway"], piece["size"]
        counted[key] = counted.get(key, 0) + 1

    assert counted == {(p, *key): n for p in ("chest", "back") for key, n in wanted.items()}
    assert sorted(p["number"] for p in roll["placed"]) == list(range(1, roll["pieces"] + 1))
    assert roll["length_mm"] <= roll["row_layout_mm"] + 0.1
    assert roll["length_mm"] >= roll["area_bound_mm"] - 0.1


def test_every_tag_scans_and_lies_clear_of_the_ink(made):
    """ZXing reads at each tag's place on the rendered roll what the record says; there is nothing else around it."""
    (roll,) = record(made)["rolls"]
    page = pypdfium2.PdfDocument(made / roll["path"])[0]
    shown = page.render(scale=300 / 72).to_numpy()[..., :3]
    for piece in roll["placed"]:
        x, y, wide, high = (round(v * 300 / 25.4) for v in piece["tag_mm"])
        near = shown[max(y - 12, 0) : y + high + 12, max(x - 12, 0) : x + wide + 12]
        around = np.pad(near[..., 0], 12, constant_values=255)  # beyond the film nothing is printed
        (code,) = zxingcpp.read_barcodes(np.ascontiguousarray(around))

        assert code.text == piece["tag"] == f"F-1/1/{piece['number']}"
        assert np.ptp(near, axis=-1).max() == 0  # black and bare film: no ink of a print


def test_the_cut_list_names_every_number(made):
    """The text of the cut list (PDFium) holds the file, its length, each number; each place lies in a piece's ink."""
    document = pypdfium2.PdfDocument(made / "rolls" / "cut-list.pdf")
    text = "\n".join(page.get_textpage().get_text_range() for page in document)
    (roll,) = record(made)["rolls"]

    assert Path(roll["path"]).name in text
    assert f"{roll['length_mm']:g} mm" in text
    for piece in roll["placed"]:
        assert f"\n{piece['number']}" in text or f" {piece['number']}" in text
    told = [tuple(map(int, row)) for row in re.findall(r"(\d+)\s+(\d+)\s+(\d+)°", text)]
    shown = pypdfium2.PdfDocument(made / roll["path"])[0].render(scale=4 * 25.4 / 72).to_numpy()[..., :3]
    assert len(told) == len(roll["placed"])
    for piece in roll["placed"]:
        (left, top), (right, low) = (
            (piece["x_mm"] + far * piece["width_mm"], piece["y_mm"] + far * piece["height_mm"])
            for far in (0, 1)
        )
        assert any(left < x < right and top < y < low and piece["turn_deg"] == turn for x, y, turn in told)
    for x, y, _ in told:
        around = shown[4 * y - 4 : 4 * y + 5, 4 * x - 4 : 4 * x + 5]
        assert np.ptp(around, axis=-1).max() > 20  # a colour, or its dots, not bare film
    assert {e["role"] for e in record(made)["files"] if e["path"].startswith("rolls/")} == {
        "press-roll",
        "cut-list",
        "picture",
    }


def test_the_proof_says_what_lies_where_on_film(made):
    """The customer's paper names the roll, its length, each size with its pieces and numbers, the order of pressing."""
    pages = pypdfium2.PdfDocument(made / "proof.pdf")
    text = " ".join(" ".join(page.get_textpage().get_text_range() for page in pages).split())
    (roll,) = record(made)["rolls"]
    chest = [p for p in roll["placed"] if (p["colourway"], p["print"]) == ("Barn red", "chest")]
    small = sorted(p["number"] for p in chest if p["size"] == "S")

    assert f"Printed on {Path(roll['path']).name}" in text
    assert f"{roll['length_mm'] / 1000:.2f}".rstrip("0") in text
    assert f"S × {len(small)}, no. {small[0]}–{small[-1]}" in text
    assert "chest → back" in text
    assert "fine dots on film" in text


def test_a_moved_piece_is_found(made, tmp_path):
    """A roll whose record says something else than the file is not whole."""
    import shutil

    copy = tmp_path / "copy"
    shutil.copytree(made, copy)
    told = record(copy)
    told["rolls"][0]["placed"][3]["x_mm"] += 1
    told["rolls"][0]["length_mm"] += 5
    (copy / "record.json").write_text(json.dumps(told))
    wrong = audit(copy)

    assert any("does not lie where the record says" in line for line in wrong)
    assert any("expected 580" in line for line in wrong)
    assert audit(made) == []


def test_rolls_as_tiff(tmp_path):
    """A press that wants pixels gets a TIFF of colour and White, as large as the roll is long."""
    assert make(tmp_path, "[presses.film-1.roll]\nfile = 'tiff'\n", prints=ORDER["prints"][:1]) == 0
    folder = tmp_path / "out" / "F-1-r1"
    (roll,) = record(folder)["rolls"]
    with Image.open(folder / roll["path"]) as image:
        assert image.size[1] == pytest.approx(roll["length_mm"] * 300 / 25.4, abs=1)
        assert image.n_frames == 2


def test_a_shop_may_take_the_roll_alone(tmp_path):
    """With deliver.transfer = ["press-roll"] no plate lies in the release, nor after it was made again."""
    shop = "[deliver]\ntransfer = ['press-roll']\n"
    way = [{"name": "Black", "fabric": {"srgb": "#141418"}, "sizes": {"M": 2}}]
    for _ in range(2):
        assert make(tmp_path, shop, prints=ORDER["prints"][:1], colourways=way) == 0
    folder = tmp_path / "out" / "F-1-r1"

    assert {e["role"] for e in record(folder)["files"]} >= {"press-roll", "ticket", "cut-list"}
    assert not {e["role"] for e in record(folder)["files"]} & {"press-colour", "press-base"}
    assert sorted(path.name for path in (folder / "black").iterdir()) == ["ticket.pdf"]
    assert audit(folder) == []


def test_a_print_wider_than_the_film_holds_the_order(tmp_path, capsys):
    """No plate is made of what no turn makes fit, and the finding says how wide the film is; it cannot be accepted."""
    shop = "[presses.film-1.roll]\nwidth_mm = 70\n"
    accept = [*ACCEPTED, {"code": "larger-than-film", "by": "Ada", "why": "no"}]

    assert make(tmp_path, shop, accept=accept) == ExitCode.HELD
    assert "50 mm wide" in capsys.readouterr().out


NIGHT = "[presses.film-1.roll]\ngang = 'night'\n"


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    folder = tmp_path_factory.mktemp("night")
    assert make(folder, NIGHT, prints=ORDER["prints"][:1]) == 0
    assert make(folder, NIGHT, prints=ORDER["prints"][:1], order="F-2") == 0
    places = Places.below(folder / "out")
    return folder, places, load_shop(folder / "in" / "shop.toml")


def test_orders_of_a_night_share_a_roll(night):
    """Two orders with the same plate: one release, one image on the roll, and a record of orders and pieces."""
    _, places, shop = night
    assert record(places.released / "F-1-r1")["rolls"] == []
    (made,) = night_rolls(waiting_for_film(places.released), shop, places)
    told = record(made.path)

    assert made.orders == (("F-1", 1, 17), ("F-2", 1, 17))
    assert [(o["order"], o["pieces"]) for o in told["orders"]] == [("F-1", 17), ("F-2", 17)]
    assert {(p["order"], p["number"]) for p in told["rolls"][0]["placed"]} == {
        (order, number) for order in ("F-1", "F-2") for number in range(1, 18)
    }
    assert len({p["plate"] for p in told["rolls"][0]["placed"]}) == 2
    assert audit(made.path) == []
    assert made.name.startswith("roll-film-1-")


def test_a_night_run_again_makes_nothing_twice(night):
    """What lies on a roll waits no longer; the same orders give the same release."""
    _, places, shop = night
    night_rolls(waiting_for_film(places.released), shop, places)
    before = sorted(path.name for path in places.released.iterdir())

    assert waiting_for_film(places.released) == ()
    assert night_rolls([places.released / "F-1-r1", places.released / "F-2-r1"], shop, places) == ()
    assert sorted(path.name for path in places.released.iterdir()) == before


def test_a_revised_order_says_that_it_is_on_film_already(night):
    """Revision 2 goes on a new roll, whose record names the one that holds revision 1."""
    folder, places, shop = night
    night_rolls(waiting_for_film(places.released), shop, places)
    assert make(folder, NIGHT, prints=ORDER["prints"][:1], revision=2) == 0
    (made,) = night_rolls(waiting_for_film(places.released), shop, places)

    assert made.orders == (("F-1", 2, 17),)
    assert [finding.code for finding in made.findings] == ["on-film-already"]
    assert "Revision 1 of F-1" in made.findings[0].message
    assert [f["code"] for f in record(made.path)["findings"]] == ["on-film-already"]
    told = [f for f in record(places.released / "F-1-r2")["findings"] if f["code"] == "on-film-already"]
    assert [(f["severity"], f["measured"], f["limit"]) for f in told] == [
        ("warn", "revision 1", "revision 2")
    ]


def test_of_two_revisions_the_last_goes_on_film(tmp_path):
    """Where revision 1 was never ganged, the night takes revision 2 alone."""
    for revision in (1, 2):
        assert make(tmp_path, NIGHT, prints=ORDER["prints"][:1], revision=revision) == 0
    places = Places.below(tmp_path / "out")

    assert [path.name for path in waiting_for_film(places.released)] == ["F-1-r2"]


def test_a_revision_says_that_the_last_one_has_a_roll_of_its_own(tmp_path):
    """Rolls by the order: revision 2 names the roll in the release of revision 1, on its ticket too."""
    way = [{"name": "Black", "fabric": {"srgb": "#141418"}, "sizes": {"M": 2}}]
    for revision in (1, 2):
        assert make(tmp_path, prints=ORDER["prints"][:1], revision=revision, colourways=way) == 0
    folder = tmp_path / "out" / "F-1-r2"
    (found,) = (f for f in record(folder)["findings"] if f["code"] == "on-film-already")
    pages = pypdfium2.PdfDocument(folder / "black" / "ticket.pdf")
    text = " ".join(" ".join(page.get_textpage().get_text_range() for page in pages).split())

    assert "F-1-r1_film-1_1.pdf" in found["message"]
    assert "Revision 1 of F-1 lies on F-1-r1_film-1_1.pdf" in text


def test_a_night_of_too_many_pieces_is_split_between_orders(night, tmp_path, monkeypatch):
    """One layout takes so many pieces and no more; the others go on a release of their own, each order whole."""
    _, places, shop = night
    kept = Places.below(tmp_path)
    kept.released.mkdir(parents=True, exist_ok=True)
    for name in ("F-1-r1", "F-2-r1"):
        shutil.copytree(places.released / name, kept.released / name)
    monkeypatch.setattr("pipeline.rolls.MOST_PIECES", 20)
    made = night_rolls(waiting_for_film(kept.released), shop, kept)

    assert [roll.orders for roll in made] == [(("F-1", 1, 17),), (("F-2", 1, 17),)]
    assert len({roll.name for roll in made}) == 2


def test_orders_of_a_night_can_be_kept_apart(tmp_path):
    """With a gap between orders the film is bare for that length between the ink of one and the next (PDFium)."""
    shop = NIGHT + "order_gap_mm = 50\n"
    for name in ("G-1", "G-2"):
        assert make(tmp_path, shop, prints=ORDER["prints"][:1], order=name) == 0
    places = Places.below(tmp_path / "out")
    (made,) = night_rolls(waiting_for_film(places.released), load_shop(tmp_path / "in" / "shop.toml"), places)
    (roll,) = record(made.path)["rolls"]
    shown = pypdfium2.PdfDocument(made.path / roll["path"])[0].render(scale=1).to_numpy()[..., :3]
    bare = "".join(" " if row else "x" for row in (shown.min(axis=(1, 2)) > 250).tolist())

    assert sorted(p["order"] for p in roll["placed"]) == ["G-1"] * 17 + ["G-2"] * 17
    assert max(len(run) for run in bare.split("x")) * 25.4 / 72 == pytest.approx(50, abs=1)
    assert audit(made.path) == []


def test_long_film_is_split_at_its_longest_piece(tmp_path):
    """No roll is longer than the longest piece of film; every piece is on one of them once."""
    shop = "[presses.film-1.roll]\nlongest_mm = 100\n"
    way = [{"name": "Black", "fabric": {"srgb": "#141418"}, "sizes": {"M": 39}}]
    assert make(tmp_path, shop, prints=ORDER["prints"][:1], colourways=way) == 0
    rolls = record(tmp_path / "out" / "F-1-r1")["rolls"]

    assert len(rolls) > 1
    assert all(roll["length_mm"] <= 100 for roll in rolls)
    assert sorted(p["number"] for roll in rolls for p in roll["placed"]) == list(range(1, 41))


def test_the_night_of_a_hot_folder_gangs_its_film_once(tmp_path, capsys):
    """Released orders that gang by the night share a roll of their own; the report counts pieces, orders and metres."""
    folder = tmp_path / "made"
    for name in ("F-1", "F-2"):
        assert make(folder, NIGHT, prints=ORDER["prints"][:1], order=name) == 0
    hot = tmp_path / "hot"
    shutil.copytree(folder / "out", hot / "released")
    (hot / "shop.toml").write_text(NIGHT)
    assert main(["night", str(hot), "--workers", "1"]) == 0

    (roll,) = (hot / "released").glob("roll-film-1-*")
    said = capsys.readouterr().out
    assert f"Film {roll.name}: 34 pieces of 2 orders on" in said
    assert roll.name in next((hot / "reports").glob("*/report.html")).read_text(encoding="utf-8")
    assert main(["night", str(hot), "--workers", "1"]) == 0
    assert list((hot / "released").glob("roll-film-1-*")) == [roll]
