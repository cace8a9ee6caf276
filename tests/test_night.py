"""The papers of a night: report, run sheet, pull list, and how they are made from records."""

from __future__ import annotations

import itertools
import json
import random
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import numpy as np
import pytest
from PIL import Image

from pipeline.nightpapers import NightEntry, write_night
from pipeline.papers import words
from pipeline.papers.night import night_pdf, night_sheet
from pipeline.papers.night_facts import NightFacts, NightOrder, Reason
from pipeline.papers.night_page import night_html
from pipeline.papers.pull_list import pull_list, pull_list_pdf
from pipeline.papers.run_sheet import changes, in_sequence, run_sheet, run_sheet_pdf
from pipeline.shop import load_shop
from tests import paper_checks as checks
from tests import sample_facts, sample_orders


class Tags(HTMLParser):
    """Collects the tags, attributes and text of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self.told = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += attrs

    def handle_data(self, data: str) -> None:
        self.told += data


def test_the_night_page_is_static_and_escapes_everything() -> None:
    """Read by the standard library's HTML parser."""
    bad = '<script>alert(1)</script>"><img src=x onerror=y>\u202e\udcff'
    reason = Reason(bad, f"{bad}\n{bad}", None, "javascript:alert(1)")
    links = ((bad, "javascript:alert(1)"), ("out", "//elsewhere/x"), ("root", "/etc"))
    order = NightOrder(bad, 1, "held", bad, bad, bad, reasons=(reason,), links=links)
    tags = Tags()
    tags.feed(night_html(NightFacts(bad, (order,), bad, bad, (bad,))))

    assert not {"script", "img", "link", "iframe", "a"} & set(tags.tags)
    assert not [name for name, _ in tags.attributes if name.startswith("on") or name == "src"]
    assert "<script>alert(1)</script>" in tags.told
    night_html(NightFacts(bad, (order,))).encode("utf-8")


def test_both_night_reports_say_state_numbers_and_reasons_of_every_order() -> None:
    facts = sample_facts.night()
    page = Tags()
    page.feed(night_html(facts))
    for told in (" ".join(checks.read(night_pdf(facts)).split()), " ".join(page.told.split())):
        for order in facts.orders:
            assert f"{order.order} r{order.revision}" in told
            for reason in order.reasons:
                assert reason.text in told
                assert " ".join(reason.remedy.split()) in told
        for part in ("RELEASED · 1", "80 garments", "160 impressions", "23 press files", "61.5 ml", "RUSH",
                     "3.1 m", "3 h 50 min", "93.40 EUR", "about 5 h 26 min"):  # fmt: skip
            assert part in told
    assert '<a href="LRC-0417-r2/proof.pdf">' in night_html(facts)
    assert '<img src="../../held/MOL-22-r1/pictures/moss.png"' in night_html(facts)
    assert night_pdf(facts) == night_pdf(sample_facts.night())


def test_without_prices_no_cost_is_invented() -> None:
    facts = sample_facts.night()
    bare = replace(facts, orders=tuple(replace(order, cost=()) for order in facts.orders))

    assert words.NIGHT_NO_PRICES in " ".join(checks.read(night_pdf(bare)).split())
    assert "EUR" not in night_html(bare)


def test_a_long_night_keeps_its_pages() -> None:
    names = sample_orders.NAMES
    noise = np.random.default_rng(1).integers(0, 256, (90, 60, 3), dtype=np.uint8)
    orders = tuple(
        NightOrder(f"N-{i}", 1, ("released", "held", "refused", "waiting", "failed")[i % 5], names[i % 12],
                   names[i % 7], "soon", "rush", i, i, i, (("base", 0.4),), 0.1 * i, (("direct", 3.0 * i),), (),
                   tuple(Reason(n, n, noise if i % 2 else None) for n in names[: i % 4]),
                   ((names[i % 12], f"a{i}/t.pdf"),))
        for i in range(60)
    )  # fmt: skip
    sheet = night_sheet(NightFacts("24 November 2026", orders))

    assert checks.outside(sheet) == []
    assert checks.overlaps(sheet.boxes) == []
    assert checks.faint(sheet) == []


def test_rush_jobs_run_first_and_nothing_is_changed_over_needlessly() -> None:
    """The least number of change-overs is found by trying every order of a few jobs."""
    jobs = tuple(j for j in sample_facts.run().jobs if j.press == "direct-1" and j.order == "ABY-100")
    found = in_sequence(jobs)

    def swaps(run: tuple[Any, ...]) -> int:
        return sum("platen" in changes(a, b) for a, b in itertools.pairwise(run))

    assert swaps(found) == min(swaps(run) for run in itertools.permutations(jobs))
    everything = tuple(j for j in sample_facts.run().jobs if j.press == "direct-1")
    rush = [job.rush for job in in_sequence(everything)]
    assert rush == sorted(rush, reverse=True)


def test_the_run_sheet_does_not_depend_on_the_order_of_its_jobs() -> None:
    facts = sample_facts.run()
    mixed = list(facts.jobs)
    random.Random(3).shuffle(mixed)

    assert run_sheet_pdf(replace(facts, jobs=tuple(mixed))) == run_sheet_pdf(facts)


def test_the_run_sheet_names_the_film_whole() -> None:
    facts = sample_facts.run()
    jobs = tuple(replace(job, film="BK-1004-r1_film-1_2.pdf") for job in facts.jobs if job.film)
    said = [box.text for box in run_sheet(replace(facts, jobs=jobs)).boxes]

    assert "BK-1004-r1_film-1_2.pdf" in "".join(said)


@pytest.mark.parametrize("make", [run_sheet, pull_list])
def test_lists_keep_their_pages_and_their_contrast(make: Any) -> None:
    """Contrast 4.5 : 1 by WCAG 2.2, success criterion 1.4.3."""
    names = sample_orders.NAMES
    if make is run_sheet:
        run = sample_facts.run()
        facts: Any = replace(run, jobs=tuple(
            replace(j, order=f"{'N' * (i % 64 + 1)}", fabric=names[i % 12], garment=names[i % 7], platen=names[i % 5],
                    print=names[i % 11], film=names[i % 3]) for i, j in enumerate(run.jobs * 8)))  # fmt: skip
    else:
        pull = sample_facts.pull()
        lines = (replace(x, fabric=names[i // 10 % 12], size=f"{i} tall", orders=names)
                 for i, x in enumerate(pull.lines * 9))  # fmt: skip
        facts = replace(pull, lines=tuple(lines))
    sheet = make(facts)

    assert checks.outside(sheet) == []
    assert checks.overlaps(sheet.boxes) == []
    assert checks.faint(sheet) == []


# -- from records -----------------------------------------------------------------------------------------


def _record(order: str, state: str, **more: Any) -> dict[str, Any]:
    bands = [
        {"sizes": ["S"], "platen": "standard", "pieces": 4},
        {"sizes": ["M"], "platen": "standard", "pieces": 6},
    ]
    item = {"name": "front", "position": "full front", "route": "direct", "press": "direct-1", "minutes": 26.4,
            "bands": bands}  # fmt: skip
    return {
        "schema": "washfast-record/1", "order": order, "revision": 1, "state": state, "held_for": [],
        "customer": "Skerry Club", "title": "Shirts", "due": "2026-12-04", "priority": "normal",
        "files": [
            {"path": "fern/ticket.pdf", "role": "ticket", "colourway": "Fern", "print": None},
            {"path": "proof.pdf", "role": "proof", "colourway": None, "print": None},
        ],
        "findings": [], "rolls": [],
        "colourways": [{"name": "Fern", "garment": "unisex tee", "fabric": "Fern green", "fabric_srgb": "#34522f",
                        "sizes": {"M": 6, "S": 4}, "overs": {"S": 1, "M": 0}, "prints": [item]}],
        "colours": [{"colourway": "Fern", "print": "front", "base": 1.0}],
        "estimates": {"ink_ml": {"colour": 9.9, "base": 12.0}, "film_m": 0.0, "press_minutes": {"direct": 26.4},
                      "cost": {}},
        "totals": {"garments": 10, "impressions": 10, "overs": 1, "plates": 2, "press_files": 6},
        **more,
    }  # fmt: skip


def _put(folder: Path, record: dict[str, Any]) -> Path:
    folder.mkdir(parents=True)
    (folder / "record.json").write_text(json.dumps(record), encoding="utf-8")
    return folder


def _night(root: Path) -> dict[str, str]:
    stop = {"code": "thin-line", "severity": "stop", "art": "crest", "print": "front", "colourways": ["Fern"],
            "message": "The rail is 0.11 mm wide.", "remedy": "width_mm = 310", "picture": "rail 1.png"}  # fmt: skip
    held = _put(
        root / "held/H-1-r1", _record("H-1", "held", findings=[stop], held_for=["findings", "approval"])
    )
    (held / "pictures").mkdir()
    Image.new("RGB", (40, 30), (200, 40, 40)).save(held / "pictures/rail 1.png")
    entries = [
        NightEntry("A-1", 1, "released", _put(root / "released/A-1-r1", _record("A-1", "released"))),
        NightEntry(
            "B-2", 1, "released", _put(root / "released/B-2-r1", _record("B-2", "released", priority="rush"))
        ),
        NightEntry("H-1", 1, "held", held),
        NightEntry("X-9", 1, "refused", message="sizes: “XXL” is no size.", beside=root / "refused/x 9.toml"),
        NightEntry("L-3", 1, "released", root / "released/lost"),
    ]
    paths = write_night(
        root / "reports/2026-11-25", "25 November 2026", entries, load_shop(None), ["One note."]
    )
    html = next(p for p in paths if p.suffix == ".html").read_text(encoding="utf-8")
    return {"html": html} | {
        p.name: " ".join(checks.read(p.read_bytes()).split()) for p in paths if p.suffix == ".pdf"
    }


def test_the_papers_of_a_night_come_from_its_records_and_link_to_what_is_there(tmp_path: Path) -> None:
    told = _night(tmp_path)
    tags = Tags()
    tags.feed(told["html"])
    aims = [unquote(str(value)) for name, value in tags.attributes if name in ("href", "src")]

    assert "../../released/A-1-r1/fern/ticket.pdf" in aims
    assert (tmp_path / "reports/2026-11-25" / next(a for a in aims if a.endswith(".png"))).is_file()
    for text in (told["report.pdf"], " ".join(tags.told.split())):
        for part in ("RELEASED · 2", "HELD · 1", "REFUSED · 1", "FAILED · 1", "0.11 mm", "width_mm = 310",
                     "washfast approve DIR H-1 --revision 1 --by NAME", "no size", "One note.",
                     words.NIGHT_NO_PRICES):  # fmt: skip
            assert part in text
    assert not list((tmp_path / "reports/2026-11-25").glob(".*"))


def test_the_run_sheet_and_pull_list_count_released_orders_alone(tmp_path: Path) -> None:
    """Two orders of 4 S and 6 M with one over each: 20 ordered, 2 overs, 22 blanks; rush stands first."""
    told = _night(tmp_path)

    assert "22 blanks: 20 ordered + 2 overs" in told["pull-list.pdf"]
    assert told["pull-list.pdf"].index(" S 8 2 10 ") < told["pull-list.pdf"].index(" M 12 0 12 ")
    assert "A-1 r1, B-2 r1" in told["pull-list.pdf"]
    assert "2 jobs · 22 prints with overs · about 53 min · 0 change-overs" in told["run-sheet.pdf"]
    assert told["run-sheet.pdf"].index("B-2 r1") < told["run-sheet.pdf"].index("A-1 r1")
    assert "H-1" not in told["run-sheet.pdf"] + told["pull-list.pdf"]


def test_the_same_records_give_the_same_papers(tmp_path: Path) -> None:
    one, other = tmp_path / "one", tmp_path / "other"
    _night(one)
    _night(other)
    for path in sorted((one / "reports/2026-11-25").iterdir()):
        assert path.read_bytes() == (other / "reports/2026-11-25" / path.name).read_bytes()


def test_pull_list_bytes_repeat() -> None:
    assert pull_list_pdf(sample_facts.pull()) == pull_list_pdf(sample_facts.pull())
