"""The papers of a night, made from the records of its orders: report (PDF and HTML), run sheet, pull list."""

from __future__ import annotations

import datetime
import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePath
from typing import Any
from urllib.parse import quote

from pipeline.art.paint import parse_hex
from pipeline.faults import Refused
from pipeline.papers import words
from pipeline.papers.facts import Paper, Picture
from pipeline.papers.night_facts import (
    NightFacts,
    NightOrder,
    NightState,
    PullFacts,
    PullLine,
    Reason,
    RunFacts,
    RunJob,
)
from pipeline.postflight import read_record
from pipeline.shop import Shop

APPROVAL = "Waits for the customer's yes."


@dataclass(frozen=True, slots=True)
class NightEntry:
    """How one order ended in the night.

    `folder` is where its release or its held papers lie now (with record.json); None for an order that was refused or
    failed. `message` then says why, and `beside` may name a file to look at, such as the refused manifest.
    """

    order: str
    revision: int
    state: NightState
    folder: Path | None = None
    message: str = ""
    beside: Path | None = None


def write_night(
    folder: Path, night: str, entries: Sequence[NightEntry], shop: Shop, notes: Sequence[str] = ()
) -> tuple[Path, ...]:
    """Write report.pdf, report.html, run-sheet.pdf and pull-list.pdf into `folder`; return their paths.

    `folder` is made where missing, and must be the place where the papers stay (usually reports/<night>): links are
    relative to it. `night` is the date as papers say it. The orders' folders must lie where they will be found
    tomorrow. A paper that stands there already is replaced at once, never half. The same records give the same bytes.
    Raises OSError as writing does; an order whose record cannot be read is reported as failed.
    """
    from pipeline.papers.night import night_pdf
    from pipeline.papers.night_page import night_html
    from pipeline.papers.pull_list import pull_list_pdf
    from pipeline.papers.run_sheet import run_sheet_pdf

    folder.mkdir(parents=True, exist_ok=True)
    read = [_read(entry) for entry in entries]
    released = [record for entry, record in read if entry.state == "released" and record is not None]
    paper: Paper = "A4" if shop.defaults.paper == "A4" else "Letter"
    orders = tuple(_order(entry, record, folder) for entry, record in read)
    facts = NightFacts(night, orders, shop.name, shop.defaults.currency, tuple(notes), paper)
    papers = {
        "report.pdf": night_pdf(facts),
        "report.html": night_html(facts).encode("utf-8"),
        "run-sheet.pdf": run_sheet_pdf(RunFacts(night, tuple(_jobs(released)), shop.name, paper)),
        "pull-list.pdf": pull_list_pdf(PullFacts(night, _pull(released, shop), shop.name, paper)),
    }
    for name, content in papers.items():
        part = folder / f".{name}.part"
        part.write_bytes(content)
        part.replace(folder / name)
    return tuple(folder / name for name in papers)


def _read(entry: NightEntry) -> tuple[NightEntry, dict[str, Any] | None]:
    if entry.folder is None:
        return entry, None
    try:
        return entry, read_record(entry.folder)
    except Refused:
        why = f"{entry.message} Its record.json cannot be read: make the order again.".strip()
        return NightEntry(entry.order, entry.revision, "failed", None, why, entry.beside), None


def _address(target: Path, folder: Path) -> str:
    """Return the relative address of a file as seen from the papers' folder, fit for a link."""
    return quote(PurePath(os.path.relpath(target, folder)).as_posix())


def _order(entry: NightEntry, record: dict[str, Any] | None, folder: Path) -> NightOrder:
    if record is None or entry.folder is None:
        links = () if entry.beside is None else ((entry.beside.name, _address(entry.beside, folder)),)
        reasons = (Reason(entry.message),) if entry.message else ()
        return NightOrder(entry.order, entry.revision, entry.state, reasons=reasons, links=links)
    totals, takes = record["totals"], record["estimates"]
    return NightOrder(
        order=record["order"],
        revision=record["revision"],
        state=entry.state,
        customer=record["customer"] or "",
        title=record["title"] or "",
        due=_date(record["due"]),
        priority=record["priority"],
        garments=totals["garments"],
        impressions=totals["impressions"],
        files=totals["press_files"],
        ink_ml=tuple(takes["ink_ml"].items()),
        film_m=takes["film_m"],
        minutes=tuple(takes["press_minutes"].items()),
        cost=tuple(takes["cost"].items()),
        reasons=tuple(_reasons(entry.folder, record, folder)) if entry.state == "held" else (),
        links=tuple(_links(entry.folder, record, folder)),
    )


def _date(iso: str | None) -> str:
    return words.date(datetime.date.fromisoformat(iso)) if iso else ""


def _reasons(held: Path, record: dict[str, Any], folder: Path) -> Iterable[Reason]:
    for found in record["findings"]:
        if found["severity"] != "stop":
            continue
        place = " · ".join(
            [found["code"], found["print"] or found["art"] or "", ", ".join(found["colourways"])]
        )
        shown = _picture(held, record, found)
        yield Reason(
            f"{place.strip(' ·')}: {found['message']}",
            found["remedy"],
            None if shown is None else _pixels(shown),
            "" if shown is None else _address(shown, folder),
        )
    if "approval" in record["held_for"]:
        how = f"washfast approve DIR {record['order']} --revision {record['revision']} --by NAME"
        yield Reason(APPROVAL, how)


def _picture(held: Path, record: dict[str, Any], found: dict[str, Any]) -> Path | None:
    """Return the finding's own picture, else that of its print, if it is there."""
    if found.get("picture"):
        own = held / "pictures" / str(found["picture"])
        if own.is_file():
            return own
    for entry in record["files"]:
        same = entry["print"] is not None and entry["print"] == found["print"]
        if entry["role"] == "picture" and same and entry["colourway"] in found["colourways"]:
            return held / str(entry["path"])
    return None


def _pixels(path: Path) -> Picture:
    import numpy as np
    from PIL import Image

    with Image.open(path, formats=("PNG",)) as image:
        return np.asarray(image.convert("RGB"))


def _links(release: Path, record: dict[str, Any], folder: Path) -> Iterable[tuple[str, str]]:
    for entry in record["files"]:
        if entry["role"] == "ticket":
            yield f"ticket {entry['colourway']}", _address(release / entry["path"], folder)
    for entry in record["files"]:
        if entry["role"] == "proof":
            yield "proof", _address(release / entry["path"], folder)


def _jobs(records: Sequence[dict[str, Any]]) -> Iterable[RunJob]:
    for record in records:
        base = {(c["colourway"], c["print"]): c["base"] for c in record["colours"]}
        for way in record["colourways"]:
            for item in way["prints"]:
                direct = item["route"] == "direct"
                yield RunJob(
                    press=item["press"],
                    route=item["route"],
                    platen=", ".join(
                        dict.fromkeys(band["platen"] for band in item["bands"] if band["platen"])
                    ),
                    order=record["order"],
                    revision=record["revision"],
                    colourway=way["name"],
                    garment=way["garment"],
                    fabric=way["fabric"],
                    fabric_rgb=parse_hex(way["fabric_srgb"]),
                    print=item["name"],
                    position=item["position"],
                    pieces=sum(band["pieces"] for band in item["bands"]),
                    overs=sum(way["overs"].get(size, 0) for band in item["bands"] for size in band["sizes"]),
                    minutes=item["minutes"],
                    pretreat=base[way["name"], item["name"]] > 0 if direct else None,
                    film=_film(record) if item["route"] == "transfer" else "",
                    due=_date(record["due"]),
                    rush=record["priority"] == "rush",
                )


def _film(record: dict[str, Any]) -> str:
    return ", ".join(PurePath(roll["path"]).name for roll in record["rolls"])


def _pull(records: Sequence[dict[str, Any]], shop: Shop) -> tuple[PullLine, ...]:
    """Return the blanks of all orders, equal ones added up; sizes in the shop's order."""
    sums: dict[tuple[str, str, str, str], tuple[int, int, dict[str, None]]] = {}
    for record in records:
        for way in record["colourways"]:
            for size, pieces in way["sizes"].items():
                key = (way["garment"], way["fabric"], way["fabric_srgb"], size)
                before, overs, orders = sums.get(key, (0, 0, {}))
                name = f"{record['order']} r{record['revision']}"
                sums[key] = (before + pieces, overs + way["overs"].get(size, 0), {**orders, name: None})

    def place(key: tuple[str, str, str, str]) -> tuple[str, str, str, int, str]:
        garment, fabric, colour, size = key
        known = shop.garments[garment].size_order if garment in shop.garments else ()
        return garment, fabric, colour, known.index(size) if size in known else len(known), size

    return tuple(
        PullLine(garment, fabric, parse_hex(colour), size, *sums[garment, fabric, colour, size][:2],
                 tuple(sums[garment, fabric, colour, size][2]))
        for garment, fabric, colour, size in sorted(sums, key=place)
        if sum(sums[garment, fabric, colour, size][:2])
    )  # fmt: skip
