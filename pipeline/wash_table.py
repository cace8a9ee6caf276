"""The table of wash-test readings that calibration starts from.

CSV, one reading a row, the first row names the columns, in any order:

    route       direct, transfer or screen
    fibre       cotton, polyester, … as in the shop file
    patch       the name of the colour patch; "base" is the ground without colour
    cycles      whole washes so far; 0 is the patch as printed
    L, a, b     CIE Lab as the instrument gives it
    illuminant  D50 or D65
    observer    2 or 10
"""

from __future__ import annotations

import csv
import difflib
import io
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import get_args

from pipeline.colour.spaces import Illuminant, Observer
from pipeline.fabric import Fibre
from pipeline.faults import Refused

COLUMNS = ("route", "fibre", "patch", "cycles", "L", "a", "b", "illuminant", "observer")
ROUTES = ("direct", "transfer", "screen")
BASE_PATCH = "base"


@dataclass(frozen=True, slots=True)
class Reading:
    """One row of the table; `lab` as measured."""

    route: str
    fibre: str
    patch: str
    cycles: int
    lab: tuple[float, float, float]
    illuminant: Illuminant
    observer: Observer


def read(text: str) -> tuple[Reading, ...]:
    """Return the readings; raises Refused that names every row, column and value that is wrong, and what is allowed."""
    rows = csv.DictReader(io.StringIO(text.removeprefix("\ufeff")), skipinitialspace=True)
    _check_header(rows.fieldnames)
    wrong: list[str] = []
    readings = [
        r for number, row in enumerate(rows, start=2) if (r := _reading(number, row, wrong)) is not None
    ]
    if wrong:
        raise Refused("The wash-test table cannot be read:\n" + "\n".join(f"  {w}" for w in wrong))
    if not readings:
        raise Refused("The wash-test table has no readings: add a row for each patch and number of washes.")
    return tuple(readings)


def _check_header(names: Sequence[str] | None) -> None:
    header = [] if names is None else list(names)
    problems = [f"column {c!r} is missing" for c in COLUMNS if c not in header]
    for name in header:
        if name not in COLUMNS:
            near = difflib.get_close_matches(name, COLUMNS, n=1, cutoff=0.5)
            problems.append(
                f"column {name!r} is not known" + (f", did you mean {near[0]!r}?" if near else "")
            )
    problems += [f"column {c!r} is there twice" for c in COLUMNS if header.count(c) > 1]
    if problems:
        raise Refused(
            f"The first row of the wash-test table must name the columns {', '.join(COLUMNS)}, "
            f"separated by commas: {'; '.join(problems)}."
        )


def _reading(number: int, row: dict[str, str], wrong: list[str]) -> Reading | None:
    """One reading, or None after saying in `wrong` what is amiss."""
    before = len(wrong)

    def amiss(column: str, value: str, allowed: str) -> None:
        wrong.append(f"row {number}, column {column}: {value!r} is not allowed; {allowed}")

    if None in row or None in row.values():
        wrong.append(f"row {number}: {len(COLUMNS)} values are needed, separated by commas")
        return None
    cells = {name: value.strip() for name, value in row.items()}

    def one_of(column: str, allowed: Iterable[str]) -> str:
        if cells[column] not in allowed:
            amiss(column, cells[column], f"one of {', '.join(allowed)}")
        return cells[column]

    def number_in(column: str, low: float, high: float) -> float:
        try:
            value = float(cells[column])
        except ValueError:
            value = math.nan
        if not low <= value <= high:
            amiss(column, cells[column], f"a number from {low:g} to {high:g}, with a decimal point")
        return value

    route, fibre = one_of("route", ROUTES), one_of("fibre", get_args(Fibre))
    if not cells["patch"] or not cells["patch"].isprintable():
        amiss("patch", cells["patch"], "a name")
    cycles = number_in("cycles", 0, 1000)
    if 0 <= cycles <= 1000 and cycles != int(cycles):
        amiss("cycles", cells["cycles"], "a whole number")
    lab = (number_in("L", 0, 105), number_in("a", -160, 160), number_in("b", -160, 160))
    illuminant: Illuminant = "D65" if one_of("illuminant", ("D50", "D65")) == "D65" else "D50"
    observer: Observer = 10 if one_of("observer", ("2", "10")) == "10" else 2
    if len(wrong) > before:
        return None
    return Reading(route, fibre, cells["patch"], int(cycles), lab, illuminant, observer)
