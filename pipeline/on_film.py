"""Which orders lie on film already: what records of releases say of it. Light: it is asked before anything is made."""

from __future__ import annotations

from pathlib import Path

from pipeline.faults import Refused
from pipeline.finding import Finding
from pipeline.postflight import read_record
from pipeline.release import RECORD


def on_film_already(
    released: Path, order: str, revision: int, previous: Path | None = None
) -> tuple[Finding, ...]:
    """Return which earlier revisions of an order lie on film: rolls of a night, or of their own releases.

    `previous` is the release of the last revision, where it has left `released`.
    """
    if revision == 1:
        return ()
    try:
        rolls = on_rolls(released)
    except Refused:  # a spoilt release is told by the night and by audit; this order is as it is
        rolls = {}
    found = [
        _lies_on(order, known, revision, roll, press)
        for press, orders in sorted(rolls.items())
        for (name, known), roll in sorted(orders.items())
        if name == order and known < revision
    ]
    own = {folder.name: folder for folder in records_in(released, f"{order}-r*")}
    if previous is not None:
        own[previous.name] = previous
    for folder in own.values():
        try:
            record = read_record(folder)
        except Refused:
            continue
        if record["order"] == order and record["revision"] < revision:
            found += [
                _lies_on(order, record["revision"], revision, Path(roll["path"]).name, roll["press"])
                for roll in record.get("rolls", ())
            ]
    return tuple(found)


def _lies_on(order: str, known: int, revision: int, roll: str, press: str) -> Finding:
    return Finding(
        code="on-film-already",
        severity="warn",
        message=f"Revision {known} of {order} lies on {roll} ({press}) already. Take its pieces out before "
        f"pressing: this is revision {revision}.",
        remedy=f"Its tags read {order} r{known}; the cut list of that roll says where they lie.",
        measured=f"revision {known}",
        limit=f"revision {revision}",
    )


def records_in(released: Path, named: str = "*") -> list[Path]:
    """Return the folders of releases that have a record, by name."""
    return sorted(
        path.parent for path in released.glob(f"{named}/{RECORD}") if not path.parent.name.startswith(".")
    )


def on_rolls(released: Path) -> dict[str, dict[tuple[str, int], str]]:
    """Return for each press which orders (name, revision) lie on which released roll of a night."""
    found: dict[str, dict[tuple[str, int], str]] = {}
    for folder in records_in(released, "roll-*"):
        record = read_record(folder)
        for entry in record.get("orders", ()):
            press = found.setdefault(record["rolls"][0]["press"], {})
            press[entry["order"], entry["revision"]] = folder.name
    return found
