"""The files of ganged film: rolls laid out and written, and how record.json lists them."""

from __future__ import annotations

import string
import tempfile
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.art.profiles import srgb_profile
from pipeline.faults import Fault
from pipeline.gang import OUTLINE_MM, Kind, Label, Laid, Rolled, film_rolls, lay_out, stock_of
from pipeline.papers.film import FilmFacts, FilmLength
from pipeline.press.film import FilmPlate, FilmRoll
from pipeline.release import digest, files_below
from pipeline.shop import Shop
from pipeline.shop_presses import Press

if TYPE_CHECKING:
    from pipeline.papers.cutlist import RollFacts
    from pipeline.press.film_picture import Number

FOLDER = "rolls"
FONT = "DejaVuSansCondensed-Bold.ttf"
PICTURE_PX_PER_MM = 1.0
OVERVIEW_MM = 1600.0
"""Length of film that stands in one column of the overview."""


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
    from pipeline.press.film_look import look_at
    from pipeline.press.film_picture import picture

    looks = {kind.key: look_at(kind.plate, OUTLINE_MM, PICTURE_PX_PER_MM) for kind in kinds}
    rolls, layout = lay_out(kinds, looks, press)
    (folder / FOLDER).mkdir(exist_ok=True)
    plates = {kind.key: kind.plate for kind in kinds}
    small = {key: look.small for key, look in looks.items()}
    rolled = []
    films = film_rolls(rolls, layout.lengths_mm, kinds, press, FONTS / FONT)
    for number, (laid, film) in enumerate(zip(rolls, films, strict=True), 1):
        path = f"{FOLDER}/{stem}_{number}.{'pdf' if stock_of(press).file == 'pdf' else 'tif'}"
        _write(folder / path, film, plates, press, kinds[0].ppi, f"{stem}_{number}")
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
                picture=picture(film, small, PICTURE_PX_PER_MM),
            )
        )
    return tuple(rolled)


def _write(
    path: Path, film: FilmRoll, plates: dict[str, FilmPlate], press: Press, ppi: float, title: str
) -> None:
    if path.suffix == ".pdf":
        from pipeline.press.roll import write_roll_pdf

        write_roll_pdf(path, film, plates, press.base_plate_name, srgb_profile(), title)
        return
    from pipeline.press.strips import FilmPixels
    from pipeline.press.tiff import write_roll_tiff

    dark = press.base_polarity == "dark is ink"
    with tempfile.TemporaryDirectory(dir=path.parent) as aside:
        pixels = FilmPixels(film, plates, ppi, Path(aside))
        try:
            write_roll_tiff(path, pixels, ppi, press.base_plate_name, srgb_profile(), dark_is_ink=dark)
        except ValueError as error:
            raise Fault(f"{path.name}: {error}.") from error


def write_roll_papers(rolled: Sequence[Rolled], title: str, shop: Shop, folder: Path) -> None:
    """Write the cut list and the overview of rolls that lie in `folder`; nothing where there are none."""
    if not rolled:
        return
    from PIL import Image

    from pipeline.papers.cutlist import CutListFacts, cut_list_pdf
    from pipeline.papers.text import FONTS
    from pipeline.press.film_picture import numbered, side_by_side, with_legend

    facts = CutListFacts(
        title,
        tuple(_roll_facts(roll, shop.presses[roll.press]) for roll in rolled),
        shop=shop.name,
        paper="A4" if shop.defaults.paper == "A4" else "Letter",
    )
    (folder / FOLDER / "cut-list.pdf").write_bytes(cut_list_pdf(facts))
    longest = round(OVERVIEW_MM * PICTURE_PX_PER_MM)
    marks = _order_marks(rolled)
    pictures = [
        numbered(roll.picture, _numbers(roll, marks), PICTURE_PX_PER_MM, longest, FONTS / FONT)
        for roll in rolled
    ]
    overview = with_legend(side_by_side(pictures, longest, 24), _legend(rolled, marks), FONTS / FONT)
    Image.fromarray(overview).save(folder / FOLDER / "overview.png", format="PNG")


def _order_marks(rolled: Iterable[Rolled]) -> dict[tuple[str, int], str]:
    """Return a letter for each order, A, B … Z, AA …; none where there is one order alone."""
    orders = sorted({(laid.label.order, laid.label.revision) for roll in rolled for laid in roll.placed})
    if len(orders) == 1:
        return dict.fromkeys(orders, "")
    letters = string.ascii_uppercase
    names = [*letters, *(a + b for a in letters for b in letters)]
    return {order: names[i % len(names)] for i, order in enumerate(orders)}


def _numbers(roll: Rolled, marks: Mapping[tuple[str, int], str]) -> list[Number]:
    from pipeline.press.film_picture import Number

    return [
        Number(
            f"{marks[laid.label.order, laid.label.revision]}{laid.label.number}",
            *laid.middle_mm,
            2 * laid.depth_mm,
        )
        for laid in roll.placed
    ]


def _legend(rolled: Iterable[Rolled], marks: Mapping[tuple[str, int], str]) -> list[str]:
    """Return what each letter stands for, where there are several orders."""
    counts = Counter((laid.label.order, laid.label.revision) for roll in rolled for laid in roll.placed)
    return [
        f"{mark} = {order} r{revision}, {counts[order, revision]} pieces"
        for (order, revision), mark in marks.items()
        if mark
    ]


def _roll_facts(roll: Rolled, press: Press) -> RollFacts:
    from pipeline.papers.cutlist import PieceFacts, RollFacts

    return RollFacts(
        file=Path(roll.path).name,
        press=roll.press,
        film_mm=roll.film_mm,
        width_mm=roll.width_mm,
        length_mm=roll.length_mm,
        utilisation=roll.utilisation,
        row_layout_mm=roll.row_layout_mm,
        all_mm=roll.all_mm,
        mirrored=roll.mirrored,
        picture=roll.picture,
        pieces=tuple(
            PieceFacts(
                number=laid.label.number,
                order=laid.label.order,
                revision=laid.label.revision,
                colourway=laid.label.colourway,
                print=laid.label.print,
                size=laid.label.size,
                turn=laid.turn_deg,
                middle_mm=laid.middle_mm,
            )
            for laid in roll.placed
        ),
        press_text=press.cure_text,
        peel_text=press.peel_text,
    )


def film_places(rolls: Iterable[Rolled], colourway: str, print_: str) -> tuple[FilmFacts, ...]:
    """Return where the pieces of one print on one colourway lie, for its ticket."""
    found: dict[tuple[str, str], list[Laid]] = {}
    for roll in rolls:
        for laid in roll.placed:
            if (laid.label.colourway, laid.label.print) == (colourway, print_):
                found.setdefault((laid.label.size, Path(roll.path).name), []).append(laid)
    places = [
        FilmFacts(
            size,
            tuple(sorted(laid.label.number for laid in mine)),
            file,
            max(min(laid.y_mm for laid in mine), 0.0),
            max(laid.y_mm + laid.height_mm for laid in mine),
        )
        for (size, file), mine in found.items()
    ]
    return tuple(sorted(places, key=lambda place: place.numbers))


def film_lengths(rolls: Iterable[Rolled]) -> tuple[FilmLength, ...]:
    """Return the rolls of an order, for its proof."""
    return tuple(
        FilmLength(Path(roll.path).name, roll.film_mm, roll.length_mm, len(roll.placed)) for roll in rolls
    )


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
