"""Rolls of film: those of one order, written into its release, and those of a night, which are a release of their own.

A press says in the shop file what shares a roll: `gang = "order"` or "night". An order's record lists its presses under
"film"; what waits for the night is found there, so that a night can be run again at any time.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from pipeline import __version__
from pipeline.faults import Fault
from pipeline.finding import Finding
from pipeline.gang import Kind, Rolled, film_problems, numbered, stock_of
from pipeline.keys import code_version, library_versions
from pipeline.on_film import on_film_already, on_rolls, records_in
from pipeline.plan import Job, Plan, Plate
from pipeline.postflight import SCHEMA, audit, read_record
from pipeline.press.film import FilmPlate
from pipeline.release import RECORD, Places, digest, publish, staging
from pipeline.remedies import smaller
from pipeline.roll_files import labels_of, pool, roll_files, with_overs, write_roll_papers, write_rolls
from pipeline.shop import Shop
from pipeline.stages.impose import MOST_PIECES
from pipeline.tasks import Plated


@dataclass(frozen=True, slots=True)
class NightRoll:
    """One release of ganged film. `orders` are (order, revision, pieces); `unchanged`: it stood there already."""

    name: str
    path: Path
    orders: tuple[tuple[str, int, int], ...]
    rolls: tuple[Rolled, ...]
    findings: tuple[Finding, ...]
    unchanged: bool


def order_rolls(plan: Plan, plated: Mapping[str, Plated], shop: Shop, made: Path) -> tuple[Rolled, ...]:
    """Write the rolls of an order into its staged release `made`, for every press that gangs by the order."""
    press_of = {p.key: job.press_name for job in _on_film(plan) for p in job.plates}
    kinds = numbered(_kinds_of_plan(plan, plated, made))
    rolled: list[Rolled] = []
    for name in dict.fromkeys(press_of.values()):
        if stock_of(shop.presses[name]).gang == "order":
            mine = tuple(kind for kind in kinds if press_of[kind.key] == name)
            rolled += write_rolls(mine, name, shop.presses[name], made, f"{plan.name}_{name}")
    write_roll_papers(rolled, f"{plan.order.order} r{plan.order.revision}", shop, made)
    return tuple(rolled)


def delivered(plan: Plan, plated: Mapping[str, Plated], shop: Shop, made: Path) -> dict[str, Plated]:
    """Take the plates off the staged release that the shop does not want beside its rolls; return what is left."""
    left = dict(plated)
    for stem in dict.fromkeys(plate.stem for job in _on_film(plan) for plate in job.plates):
        wanted = tuple((role, path) for role, path in plated[stem].files if role in shop.deliver.transfer)
        for _, path in set(plated[stem].files) - set(wanted):
            (made / path).unlink(missing_ok=True)  # stems of equal plates share their files
        left[stem] = replace(plated[stem], files=wanted)
    for folder in {(made / path).parent for one in plated.values() for _, path in one.files}:
        _drop_empty(folder, made)
    return left


def _drop_empty(folder: Path, top: Path) -> None:
    while folder != top and folder.is_dir() and not any(folder.iterdir()):
        folder.rmdir()
        folder = folder.parent


def film_presses(plan: Plan) -> list[dict[str, str]]:
    """Return each film press of an order and what shares its rolls, in the form of record.json."""
    presses = {job.press_name: stock_of(job.press).gang for job in _on_film(plan)}
    return [{"press": name, "gang": gang} for name, gang in presses.items()]


def film_findings(plan: Plan) -> tuple[Finding, ...]:
    """Return what keeps prints of an order off the film of their press, before any plate is made."""
    found: list[Finding] = []
    sizes: dict[str, list[tuple[str, float, float, int]]] = {}
    presses = {job.press_name: job.press for job in _on_film(plan)}
    for job in _on_film(plan):
        off = [(plate, finding) for plate in job.plates for finding in _off_film(job, plate)]
        line = _that_fits(job) if off else None
        for plate, finding in off:
            mended = finding if line is None else replace(finding, remedy=line)
            sizes_of = plate.placement.sizes
            found.append(mended.at(print=job.print.name, colourways=(job.colourway,), sizes=sizes_of))
        for plate in job.plates:
            place, overs = plate.placement, plan.overs[job.colourway]
            pieces = plate.pieces + sum(overs.get(size, 0) for size in place.sizes)
            one = (job.print.name, place.width_mm, place.height_mm, pieces)
            sizes.setdefault(job.press_name, []).append(one)
    for name, all_ in sizes.items() if not found else ():
        found += film_problems(all_, presses[name])
    return tuple(found)


def _that_fits(job: Job) -> str | None:
    """Return the lines with which a print fits its film on every size."""
    line = smaller(job, lambda plate, share: not _off_film(job, plate, share))
    return None if line is None else f"{line}  # or choose a press with a wider film"


def _off_film(job: Job, plate: Plate, share: float = 1.0) -> tuple[Finding, ...]:
    """Return what keeps one piece of a plate off its film, were the print `share` as large."""
    place = plate.placement
    return film_problems([(job.print.name, place.width_mm * share, place.height_mm * share, 1)], job.press)


def _on_film(plan: Plan) -> list[Job]:
    return [job for job in plan.jobs if job.print.route == "transfer"]


def _kinds_of_plan(plan: Plan, plated: Mapping[str, Plated], made: Path) -> tuple[Kind, ...]:
    kinds: dict[str, Kind] = {}
    counts = {c.name: with_overs(c.pieces, plan.overs[c.name]) for c in plan.order.colourways}
    for job in _on_film(plan):
        for plate in job.plates:
            files = {role: made / path for role, path in plated[plate.stem].files}
            place = plate.placement
            film = FilmPlate(
                files["press-colour"],
                files.get("press-base"),
                place.width_mm,
                place.height_mm,
                mirrored=job.press.mirror_in == "file",
                dark_is_ink=job.press.base_polarity == "dark is ink",
            )
            order = plan.order
            labels = labels_of(
                order.order, order.revision, job.colourway, job.print.name, place.sizes, counts
            )
            pool(kinds, Kind(plate.key, film, place.ppi, labels))
    return tuple(kinds.values())


# -- the night ---------------------------------------------------------------------------------------------


def waiting_for_film(released: Path) -> tuple[Path, ...]:
    """Return the released orders whose plates wait for a roll of the night, oldest order number first.

    An order waits while a press of it gangs by the night and no released roll of that press lists its revision or a
    later one; of several revisions the last waits.
    """
    on_film = on_rolls(released)
    waiting: dict[str, tuple[int, Path]] = {}
    for folder in records_in(released):
        record = read_record(folder)
        order, revision = record["order"], record["revision"]
        for press in _night_presses(record):
            laid = [known for name, known in on_film.get(press, {}) if name == order]
            if revision > max(laid, default=0):
                waiting[order] = max(waiting.get(order, (0, folder)), (revision, folder))
    return tuple(sorted(folder for _, folder in waiting.values()))


def night_rolls(releases: Sequence[Path], shop: Shop, places: Places) -> tuple[NightRoll, ...]:
    """Gang the plates of released orders on the rolls of a night and publish them, one release a press.

    `releases` are folders of released orders, as `waiting_for_film` gives them; orders that have nothing for a roll of
    the night, or lie on one already, are left out. A release is called roll-PRESS-ID; the ID comes from the orders and
    their records, so that the same orders give the same name and bytes, and a night that was cut short can be run
    again. Raises Refused for a release that cannot be read, Busy where there is no room, and Fault when what was
    written does not pass postflight; nothing is published then.
    """
    records = {folder: read_record(folder) for folder in releases}
    made = []
    for name in sorted({press for record in records.values() for press in _night_presses(record)}):
        done = on_rolls(places.released).get(name, {})
        mine = {
            folder: record
            for folder, record in sorted(records.items())
            if name in _night_presses(record) and (record["order"], record["revision"]) not in done
        }
        made += [_night_roll(batch, name, shop, places) for batch in _batches(mine, name)]
    return tuple(made)


def _batches(
    records: Mapping[Path, Mapping[str, Any]], press_name: str
) -> Iterator[dict[Path, Mapping[str, Any]]]:
    """Yield as many orders at once as one layout takes."""
    batch: dict[Path, Mapping[str, Any]] = {}
    total = 0
    for folder, record in records.items():
        pieces = sum(len(kind.labels) for kind in _kinds_of_record(folder, record, press_name))
        if batch and total + pieces > MOST_PIECES:
            yield batch
            batch, total = {}, 0
        batch[folder] = record
        total += pieces
    if batch:
        yield batch


def _night_presses(record: Mapping[str, Any]) -> list[str]:
    if record["state"] != "released":
        return []
    return [film["press"] for film in record.get("film", ()) if film["gang"] == "night"]


def _night_roll(
    records: Mapping[Path, Mapping[str, Any]],
    press_name: str,
    shop: Shop,
    places: Places,
) -> NightRoll:
    parts = [digest(folder / RECORD) for folder in records]
    name = f"roll-{press_name}-{hashlib.sha256(' '.join(sorted(parts)).encode()).hexdigest()[:8]}"
    kinds: dict[str, Kind] = {}
    for folder, record in records.items():
        for kind in _kinds_of_record(folder, record, press_name):
            pool(kinds, kind)
    findings = tuple(
        found
        for record in records.values()
        for found in on_film_already(places.released, record["order"], record["revision"])
    )
    with staging(places.aside) as aside:
        made = aside / "made"
        made.mkdir()
        rolled = write_rolls(
            numbered(tuple(kinds.values())), press_name, shop.presses[press_name], made, name
        )
        write_roll_papers(rolled, name, shop, made)
        orders = _orders_on(rolled)
        _write_night_record(made, name, press_name, orders, rolled, findings)
        wrong = audit(made)
        if wrong:
            raise Fault(
                f"The rolls as written are not what was made; nothing was published.\n{chr(10).join(wrong)}"
            )
        unchanged = not publish(made, places, name)
    return NightRoll(name, places.released / name, orders, rolled, findings, unchanged)


def _kinds_of_record(folder: Path, record: Mapping[str, Any], press_name: str) -> Iterator[Kind]:
    counts = {c["name"]: with_overs(c["sizes"], c["overs"]) for c in record["colourways"]}
    bases = {e["plate"]: e for e in record["files"] if e["role"] == "press-base"}
    for entry in record["files"]:
        if entry["role"] != "press-colour" or entry["route"] != "transfer" or entry["press"] != press_name:
            continue
        base = bases.get(entry["plate"])
        plate = FilmPlate(
            folder / entry["path"],
            None if base is None else folder / base["path"],
            entry["width_mm"],
            entry["height_mm"],
            mirrored=entry["mirrored"],
            dark_is_ink=base is not None and base["polarity"] == "dark is ink",
        )
        labels = tuple(
            label
            for use in entry["used_for"]
            for label in labels_of(
                record["order"], record["revision"], use["colourway"], use["print"], use["sizes"], counts
            )
        )
        yield Kind(entry["plate"], plate, entry["ppi"], labels)


def _orders_on(rolled: Iterable[Rolled]) -> tuple[tuple[str, int, int], ...]:
    pieces: dict[tuple[str, int], int] = {}
    for roll in rolled:
        for laid in roll.placed:
            place = laid.label.order, laid.label.revision
            pieces[place] = pieces.get(place, 0) + 1
    return tuple((order, revision, count) for (order, revision), count in sorted(pieces.items()))


def _write_night_record(
    folder: Path,
    name: str,
    press: str,
    orders: Iterable[tuple[str, int, int]],
    rolled: Sequence[Rolled],
    findings: Iterable[Finding],
) -> None:
    record = {
        "schema": SCHEMA,
        "order": name,
        "revision": 1,
        "state": "released",
        "orders": [{"order": o, "revision": r, "pieces": count} for o, r, count in orders],
        "files": roll_files(folder, rolled),
        "findings": [finding.as_json() for finding in findings],
        "plates": [],
        "rolls": [roll.as_json() for roll in rolled],
        "totals": {
            "pieces": sum(len(roll.placed) for roll in rolled),
            "film_mm": round(sum(roll.length_mm for roll in rolled), 1),
            "press": press,
        },
        "versions": {"washfast": __version__, "code": code_version(), **library_versions()},
    }
    text = json.dumps(record, ensure_ascii=False, indent=1)
    (folder / RECORD).write_text(text + "\n", encoding="utf-8")
