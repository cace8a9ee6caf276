"""An order made again, from the same files for the same shop by the same program, is taken whole from the shelf.

Papers and record lie on the shelf under the digest of all that goes into the order; the plates lie there once, under
their own keys. When anything is missing or spoilt the order is made as usual.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline import release
from pipeline.faults import Refused
from pipeline.finding import Finding
from pipeline.keys import key_of, program_version
from pipeline.order import Order, art_path
from pipeline.shelf import Shelf
from pipeline.shop import Shop

if TYPE_CHECKING:
    from pipeline.work import Work


def order_key(manifest: Path, order: Order, shop: Shop, *decided: str) -> str | None:
    """Return the digest of all that goes into an order; None when its art cannot be read."""
    try:
        art = {name: release.digest(art_path(manifest.parent, entry)) for name, entry in order.art.items()}
    except (Refused, OSError):
        return None
    return key_of("order", program_version(), manifest.name, release.digest(manifest), art, shop, decided)


def keep_order(shelf: Shelf, key: str, work: Work, deliver: tuple[str, ...], made: Path) -> None:
    """Put a finished release on the shelf: its papers by name, its plates by their keys."""
    from pipeline.tasks import files_key

    plates: dict[str, tuple[str, dict[str, str]]] = {}
    for job in work.plan.jobs:
        for plate in job.plates:
            entry = files_key(job, plate, work.studies[job.key].base, deliver)
            plates[plate.stem] = entry, dict(work.plated[plate.stem].files)
    in_plates = {path for _, files in plates.values() for path in files.values()}
    rest = [path.as_posix() for path in release.files_below(made)]
    papers = {name: made / name for name in rest if name not in in_plates}
    shelf.keep(key, papers, {"papers": sorted(papers), "plates": list(plates.values())})


def take_order(shelf: Shelf, key: str, made: Path) -> tuple[tuple[Finding, ...], dict[str, int]] | None:
    """Put a whole release at `made`, an empty folder, and return its findings and totals; None leaves it empty."""
    note = shelf.note(key)
    if note is None:
        return None
    for entry, files in [(key, {name: name for name in note["papers"]}), *note["plates"]]:
        for path in files.values():
            (made / path).parent.mkdir(parents=True, exist_ok=True)
        if shelf.take(entry, {name: made / path for name, path in files.items()}) is None:
            for left in made.iterdir():
                shutil.rmtree(left) if left.is_dir() else left.unlink()
            return None
    record = json.loads((made / release.RECORD).read_text(encoding="utf-8"))
    return tuple(_finding(one) for one in record["findings"]), record["totals"]


def _finding(stored: Mapping[str, Any]) -> Finding:
    values: dict[str, Any] = {
        name: tuple(value) if isinstance(value, list) else value for name, value in stored.items()
    }
    values["picture"] = values["picture"] or ""
    return Finding(**values)
