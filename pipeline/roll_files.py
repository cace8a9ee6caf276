"""The files of ganged film: rolls laid out and written, and how record.json lists them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from pipeline.art.profiles import srgb_profile
from pipeline.gang import Kind, Label, Rolled, film_rolls, lay_out, stock_of
from pipeline.release import digest, files_below
from pipeline.shop_parts import Press

FOLDER = "rolls"


def with_overs(pieces: Mapping[str, int], overs: Mapping[str, int]) -> dict[str, int]:
    """Return the pieces of each size that go on film."""
    return {size: count + overs.get(size, 0) for size, count in pieces.items()}


def labels_of(
    order: str,
    revision: int,
    colourway: str,
    print_: str,
    sizes: Iterable[str],
    counts: Mapping[str, Mapping[str, int]],
) -> tuple[Label, ...]:
    """Return a label, without a number yet, for each piece of a plate; `counts` are pieces by colourway and size."""
    return tuple(
        Label(order, revision, colourway, print_, size, 0, 0)
        for size in sizes
        for _ in range(counts[colourway].get(size, 0))
    )


def pool(kinds: dict[str, Kind], kind: Kind) -> None:
    """Pool a kind with the one that has the same plate."""
    known = kinds.setdefault(kind.key, kind)
    if known is not kind:
        kinds[kind.key] = replace(known, labels=known.labels + kind.labels)


def write_rolls(
    kinds: Sequence[Kind], name: str, press: Press, folder: Path, stem: str
) -> tuple[Rolled, ...]:
    """Lay out and write the rolls of one press below `folder`; returns each roll as written."""
    from pipeline.papers.text import FONTS
    from pipeline.press.roll import write_roll_pdf

    rolls, layout = lay_out(kinds, press)
    (folder / FOLDER).mkdir(exist_ok=True)
    plates = {kind.key: kind.plate for kind in kinds}
    rolled = []
    films = film_rolls(rolls, kinds, press, FONTS / "DejaVuSansCondensed-Bold.ttf")
    for number, (laid, film) in enumerate(zip(rolls, films, strict=True), 1):
        path = f"{FOLDER}/{stem}_{number}.pdf"
        write_roll_pdf(folder / path, film, plates, press.base_plate_name, srgb_profile(), path)
        rolled.append(
            Rolled(
                path=path,
                press=name,
                width_mm=film.width_mm,
                film_mm=stock_of(press).width_mm,
                length_mm=film.length_mm,
                utilisation=layout.utilisation,
                area_bound_mm=layout.area_bound_mm,
                row_layout_mm=layout.row_layout_mm,
                all_mm=layout.length_mm,
                method=layout.method,
                mirrored=not film.mirror,
                placed=tuple(laid),
            )
        )
    return tuple(rolled)


def roll_file(roll: Rolled) -> dict[str, Any]:
    """Return what record.json says about the file of a roll, but for its digest and size."""
    return {
        "role": "press-roll",
        "colourway": None,
        "print": None,
        "sizes": [],
        "route": "transfer",
        "plate": None,
        "press": roll.press,
        "platen": None,
        "origin_mm": None,
        "line": None,
        "width_px": None,
        "height_px": None,
        "ppi": None,
        "width_mm": round(roll.width_mm, 3),
        "height_mm": round(roll.length_mm, 3),
        "mirrored": roll.mirrored,
    }


def roll_files(folder: Path, rolled: Iterable[Rolled]) -> list[dict[str, Any]]:
    """Return the files of a release of rolls in the form of record.json."""
    known = {roll.path: roll_file(roll) for roll in rolled}
    entries = []
    for path in files_below(folder):
        about = known.get(path.as_posix(), {"role": "cut-list" if path.suffix == ".pdf" else "picture"})
        place = folder / path
        entries.append(
            {"path": path.as_posix(), **about, "sha256": digest(place), "bytes": place.stat().st_size}
        )
    return entries
