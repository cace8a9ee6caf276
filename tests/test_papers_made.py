"""Papers of orders as they are made: every number on the ticket is the record's, findings show their pictures."""

from __future__ import annotations

import io
import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pikepdf
import pypdfium2
import pytest
import zxingcpp
from PIL import Image

from pipeline.engine import Engine
from pipeline.make import make_order
from pipeline.nightpapers import NightEntry, write_night
from pipeline.outcome import Decided
from pipeline.papers import words
from pipeline.papers.colours import MOST
from pipeline.release import Places
from pipeline.shop import load_shop
from tests import paper_checks as checks
from tests.conftest import ROOT
from tests.test_make import BADGE, ORDER, hand_in

SHOP = """
[defaults]
currency = "EUR"
[presses.direct-1]
route = "direct"
wash_text = "Wash at 30 °C, inside out."
cure_text = "Tunnel 3, card 7"
price_per_hour = 30.0
colour_price_per_litre = 200.0
hazards = ["Mind the belt of tunnel 3."]
"""


def _make(
    folder: Path, manifest: dict[str, Any], decided: Decided, release: str
) -> tuple[Path, dict[str, Any]]:
    path = hand_in(folder / f"in-{release}", manifest, {"badge.svg": BADGE})
    shop = folder / "shop.toml"
    shop.write_text(SHOP, encoding="utf-8")
    with Engine(1) as engine:
        outcome = make_order(path, load_shop(shop), Places.below(folder / "out"), engine, decided)
    assert outcome.path is not None, outcome.message
    record: dict[str, Any] = json.loads((outcome.path / "record.json").read_text(encoding="utf-8"))
    return outcome.path, record


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[Path, dict[str, Any]]]:
    """Revision 1 held for approval after a decline, and revision 2 released, with another count."""
    folder = tmp_path_factory.mktemp("papers")
    first = {**json.loads(json.dumps(ORDER)), "customer": "日本 Rowers", "approval": "required"}
    second = json.loads(json.dumps(first))
    second["revision"] = 2
    second["colourways"][0]["sizes"] = {"S": 3, "M": 9}
    held = _make(folder, first, Decided(declined="The star is too small."), "1")
    released = _make(folder, second, Decided("Ines Varga", held[0]), "2")
    return {"held": held, "released": released}


def _ticket(made: dict[str, tuple[Path, dict[str, Any]]], colourway: str = "Barn red") -> bytes:
    path, record = made["released"]
    entry = next(e for e in record["files"] if e["role"] == "ticket" and e["colourway"] == colourway)
    return (path / str(entry["path"])).read_bytes()


def _flat(pdf: bytes) -> str:
    return re.sub(r"\s+", " ", checks.read(pdf))


def test_every_number_on_the_ticket_is_that_of_the_record(
    made: dict[str, tuple[Path, dict[str, Any]]],
) -> None:
    """Text read back by PDFium; sizes, counts, places, pixels, areas, colours and shares against record.json."""
    _, record = made["released"]
    for way in record["colourways"]:
        text = _flat(_ticket(made, way["name"]))
        wanted = [str(n) for n in (*way["sizes"].values(), sum(way["sizes"].values()))]
        for band in (band for item in way["prints"] for band in item["bands"]):
            mm = (band["width_mm"], band["height_mm"], abs(band["origin_mm"][1]), band["origin_mm"][0])
            wanted += [words.number(v) for v in mm] + [words.inches(v) for v in mm]
        for entry in (
            e for e in record["files"] if e["role"] == "press-colour" and e["colourway"] == way["name"]
        ):
            wanted += [f"{entry['width_px']} × {entry['height_px']} px", words.number(entry["ppi"])]
            wanted.append(Path(entry["path"]).name)
        first = next(p for p in record["plates"] if p["colourway"] == way["name"])
        of_print = [
            p for p in record["plates"] if (p["colourway"], p["print"]) == (way["name"], first["print"])
        ]
        largest = max(of_print, key=lambda plate: plate["ink_mm2"])
        wanted += [words.number(v) for v in (largest["ink_mm2"], largest["knocked_out_mm2"]) if v]
        main = next(c["main"] for c in record["colours"] if c["colourway"] == way["name"])
        wanted += [colour["printed"] for colour in main]
        for colour in main[:MOST]:  # small shares beyond stand as chips alone
            wanted += [colour["design"], words.percent(colour["share"])]
            wanted += [one["compensated"] for one in colour["predicted"]]

        assert [w for w in wanted if not re.search(rf"(?<![\d.]){re.escape(w)}(?!\d)", text)] == []


def test_bar_codes_of_a_made_ticket_name_files_of_the_record(
    made: dict[str, tuple[Path, dict[str, Any]]],
) -> None:
    """Decoded by zxing-cpp at 150 ppi; long names too."""
    _, record = made["released"]
    pdf = _ticket(made)
    found: dict[str, set[str]] = {}
    for page in range(len(pypdfium2.PdfDocument(pdf))):
        for code in zxingcpp.read_barcodes(checks.rendered(pdf, page, 150)):
            found.setdefault(code.format.name, set()).add(code.text)
    mine = [e for e in record["files"] if e["role"] == "press-colour" and e["colourway"] == "Barn red"]
    files = {Path(e["path"]).name for e in mine}

    assert found["QRCode"] == files | {"T-1"}
    assert found["Code128"] == files | {"T-1"}


def test_what_changed_and_who_approved_stand_on_ticket_and_proof(
    made: dict[str, tuple[Path, dict[str, Any]]],
) -> None:
    path, record = made["released"]
    proof = _flat((path / "proof.pdf").read_bytes())

    assert record["changes"] == {"Barn red": ["Pieces: M 4 → 9."]}
    for text in (_flat(_ticket(made)), proof):
        assert "M 4 → 9" in text
        assert "Approved by Ines Varga" in text
    assert words.UNCHANGED in _flat(_ticket(made, "Black"))
    assert words.PROOF_YES not in proof


def test_a_proof_that_asks_says_why_the_last_was_declined_and_where_to_say_yes(
    made: dict[str, tuple[Path, dict[str, Any]]],
) -> None:
    path, record = made["held"]
    proof = _flat((path / "proof.pdf").read_bytes())

    assert record["held_for"] == ["approval"]
    for part in ("The star is too small.", words.PROOF_ASK, words.PROOF_YES, words.PROOF_NO,
                 "washfast approve DIR T-1 --revision 1 --by NAME"):  # fmt: skip
        assert part in proof
    assert not list(path.rglob("ticket.pdf"))


def test_the_shops_own_words_reach_the_ticket(made: dict[str, tuple[Path, dict[str, Any]]]) -> None:
    text = _flat(_ticket(made))

    for part in ("Wash at 30 °C, inside out.", "Tunnel 3, card 7", "Mind the belt of tunnel 3."):
        assert part in text
    assert f"Recipe: {words.NOT_SET}" in text


def test_what_no_font_can_draw_is_said_and_written_as_code_points(
    made: dict[str, tuple[Path, dict[str, Any]]],
) -> None:
    """日 is U+65E5 and 本 U+672C (Unicode 15)."""
    _, record = made["released"]
    found = next(f for f in record["findings"] if f["code"] == "text-undrawable")

    assert "U+65E5, U+672C" in found["message"]
    assert found["severity"] == "warn"
    assert "<U+65E5><U+672C> Rowers" in _flat(_ticket(made))


def test_pictures_are_in_the_release_and_in_its_record(made: dict[str, tuple[Path, dict[str, Any]]]) -> None:
    """Every picture a finding names is there, as PNG that Pillow reads, and is listed with its role."""
    for path, record in made.values():
        roles = {entry["path"]: entry["role"] for entry in record["files"]}
        named = {f"pictures/{f['picture']}" for f in record["findings"] if f["picture"]}

        assert named
        assert named | {"contact.png", "swatches.png"} <= set(roles)
        for name in (*named, "contact.png", "swatches.png"):
            assert roles[name] == "picture"
            with Image.open(path / name, formats=("PNG",)) as picture:
                assert np.asarray(picture.convert("RGB")).std() > 1
        assert set(roles) >= {p.relative_to(path).as_posix() for p in (path / "pictures").iterdir()}


def test_a_findings_picture_stands_on_the_ticket(made: dict[str, tuple[Path, dict[str, Any]]]) -> None:
    """The page with the findings holds an image for each warning of this colourway that has a picture."""
    _, record = made["released"]
    shown = [f for f in record["findings"] if f["picture"] and "Barn red" in f["colourways"]]
    with pikepdf.open(io.BytesIO(_ticket(made))) as pdf:
        images = sum(len(page.get_images()) for page in pdf.pages)

    assert images == len({f["picture"] for f in shown}) + 1  # and the print itself


def test_the_estimates_are_those_of_the_shops_figures(made: dict[str, tuple[Path, dict[str, Any]]]) -> None:
    """14 pieces and 3 overs at 25 an hour: 40.8 minutes; 12 ml a full m²; 30 EUR an hour, 200 EUR a litre."""
    _, record = made["released"]
    takes = record["estimates"]
    pieces = {(c["name"], s): n + c["overs"][s] for c in record["colourways"] for s, n in c["sizes"].items()}
    ink = sum(
        plate["ink_mm2"] / 1e6 * 12 * sum(pieces[plate["colourway"], size] for size in plate["sizes"])
        for plate in record["plates"]
    )

    assert sum(pieces.values()) == 17
    assert takes["press_minutes"] == {"direct": pytest.approx(40.8)}
    assert takes["ink_ml"]["colour"] == pytest.approx(ink, abs=0.051)
    assert takes["cost"]["press time"] == pytest.approx(40.8 / 60 * 30, abs=0.011)
    assert takes["cost"]["colour ink"] == pytest.approx(ink / 1000 * 200, abs=0.011)


def test_a_night_of_made_orders_reports_them(
    made: dict[str, tuple[Path, dict[str, Any]]], tmp_path: Path
) -> None:
    (held, _), (released, record) = made["held"], made["released"]
    entries = [NightEntry("T-1", 2, "released", released), NightEntry("T-1", 1, "held", held)]
    paths = write_night(tmp_path, "25 November 2026", entries, load_shop(None))
    told = _flat(paths[0].read_bytes())

    for part in (f"{record['totals']['garments']} garments", "RELEASED · 1", "HELD · 1", "customer's yes"):
        assert part in told
    assert "17 blanks: 14 ordered + 3 overs" in _flat(paths[3].read_bytes())


def test_the_kept_example_pages_are_small() -> None:
    """ops/pages.py makes them for the README; each stays below 150 kB and opens."""
    pages = sorted((ROOT / "examples" / "pages").glob("*.png"))

    assert {"ticket-1.png", "proof-1.png", "report.png"} <= {page.name for page in pages}
    for page in pages:
        assert page.stat().st_size < 150_000
        with Image.open(page, formats=("PNG",)) as picture:
            assert picture.width > 600
