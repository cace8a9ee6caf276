"""What one server and a cluster carry in a night: a cost model measured here, and a simulation of ten thousand orders.

    python -m ops.capacity measure    make small orders of each kind of art, fit the model, write ops/wide/cost.json
    python -m ops.capacity page       simulate with it, write ops/wide/CAPACITY.md and its plot

Model: seconds of a core for an order = a + b × megapixels + c × plates + d × studies + e × megapixels studied. Each
print on a colourway is studied once, in its smallest size; plates that are equal count as pixels once; a is what
cannot be shared between workers. Processor seconds are taken, so that a busy machine disturbs little; waiting for
disks is not in them. `measure` takes three to four minutes on a quiet machine.
The mix of orders is an assumption, said on the page; the simulation draws it from a fixed seed.
"""

from __future__ import annotations

import heapq
import json
import random
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TypeAlias

import numpy as np

from ops.bench_art import SEED, flat, illustration, photograph
from ops.bench_orders import write_order
from ops.bench_runs import ROOT, Run
from ops.bench_runs import measure as measure_run
from ops.plot import line_chart

WIDE = ROOT / "ops" / "wide"
COST = WIDE / "cost.json"
PAGE = WIDE / "CAPACITY.md"
PLOT = WIDE / "capacity.svg"
PPI = 300
RUNS = (
    (1, 1, 100),
    (1, 8, 100),
    (3, 2, 100),
    (1, 1, 280),
    (1, 6, 280),
    (3, 2, 280),
    (4, 1, 180),
    (2, 4, 220),
)
"""Colourways, plates of each, width in mm: the orders that the model is fitted to, and others that test it."""
OTHERS = ((1, 4, 200), (2, 3, 150), (3, 4, 260))
CLOTHS = ("#141418", "#f4f4f2", "#2c3e66", "#7c2a36")
WORKERS = (1, 2, 4, 8, 16, 32, 64)
ORDERS = 10_000
NIGHT_HOURS = 10


def main(arguments: list[str]) -> int:
    """Measure, or write the page from what was measured."""
    if arguments == ["measure"]:
        COST.write_text(json.dumps(measure(), indent=1) + "\n", encoding="utf-8")
    elif arguments == ["page"]:
        write_page(json.loads(COST.read_text(encoding="utf-8")))
    else:
        print(__doc__, file=sys.stderr)
        return 2
    return 0


# --- The model -------------------------------------------------------------------------------------------------------


Taken: TypeAlias = tuple[tuple[float, ...], float]
"""What an order has of 1, megapixels, plates, studies and megapixels studied, and the seconds that it took."""


def measure() -> dict[str, dict[str, float]]:
    """Return a, b, c, d, e in seconds of a core for each kind of art, and how far off they are, as shares of what was
    measured: at worst on the orders they were fitted to, and on each of those they were not.
    """
    found = {}
    with tempfile.TemporaryDirectory(prefix="capacity-") as scratch:
        for kind, write in (("flat", flat), ("illustration", illustration), ("photograph", photograph)):
            art = write(Path(scratch))
            taken: list[Taken] = []
            for number, (colourways, plates, width) in enumerate(RUNS + OTHERS):
                run, megapixels, made = timed(
                    Path(scratch) / f"{kind}-{number}", art, plates, width, colourways
                )
                studied = colourways * square_mp(width - (plates - 1) / 2)
                taken.append(((1.0, megapixels, float(made), float(colourways), studied), run.cpu_s))
                print(
                    f"{kind}: {colourways} colourways, {made} plates, {megapixels:.0f} megapixels, {run.cpu_s:.2f} s",
                    file=sys.stderr,
                    flush=True,
                )
            found[kind] = fitted(taken[: len(RUNS)], taken[len(RUNS) :])
            print(f"{kind}: {found[kind]}", file=sys.stderr, flush=True)
    return found


def fitted(taken: list[Taken], others: list[Taken]) -> dict[str, float]:
    """Return the model of least relative squares, none of its parts below nought, and its errors."""
    from scipy.optimize import nnls

    rows, seconds = np.array([row for row, _ in taken]), np.array([spent for _, spent in taken])
    parts = nnls(rows / seconds[:, None], np.ones(len(taken)))[0]

    def off(row: tuple[float, ...], spent: float) -> float:
        return float(np.array(row) @ parts / spent - 1)

    return {
        **dict(zip("abcde", (round(float(v), 4) for v in parts), strict=True)),
        "worst_error": round(max(abs(off(*one)) for one in taken), 3),
        **{f"other_{n}": round(off(*one), 3) for n, one in enumerate(others, 1)},
    }


def timed(
    folder: Path, art: Path, bands: int, width_mm: float, colourways: int = 1
) -> tuple[Run, float, int]:
    """Return what one order takes with one worker, the megapixels of its plates, equal ones once, and their number."""
    # bands of one size would be made once
    widths = [f"{(width_mm - n / 2) / 25.4:.4f}" for n in range(bands)]
    manifest = write_order(folder, art, CLOTHS[:colourways], widths)
    command = [sys.executable, "-m", "pipeline.cli", "make", str(manifest), "--workers", "1"]
    run = measure_run(art.name, [*command, "--shelf", "none", "--out", "{out}"], folder / "out")
    record = json.loads((folder / "out" / "BENCH-r1" / "record.json").read_text(encoding="utf-8"))
    plates = [entry for entry in record["files"] if entry["role"] == "press-colour"]
    made = {entry["sha256"]: entry["width_px"] * entry["height_px"] for entry in plates}
    return run, sum(made.values()) / 1e6, len(plates)


# --- The simulation --------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Order:
    """One order of the mix: seconds that cannot be shared, then those of each study and of each plate."""

    alone: float
    plates: tuple[float, ...]
    studies: tuple[float, ...] = ()

    @property
    def tasks(self) -> tuple[float, ...]:
        """What its workers are given, in this order."""
        return self.studies + self.plates


def mix(cost: dict[str, dict[str, float]]) -> list[Order]:
    """Return the orders of the simulated night, always the same ones."""
    rng = random.Random(SEED)
    orders = []
    for _ in range(ORDERS):
        model = cost[rng.choices(("flat", "illustration", "photograph"), (60, 25, 15))[0]]
        plates: list[float] = []
        studies: list[float] = []
        prints = rng.choices(("front", "chest", "both"), (50, 30, 20))[0]
        for _ in range(rng.choices((1, 2, 3, 4, 5), (40, 25, 15, 12, 8))[0]):
            widths = []
            if prints != "chest":
                middle = rng.uniform(260, 320)
                widths.append([middle * (0.85 + 0.07 * n) for n in range(rng.randint(3, 6))])
            if prints != "front":
                widths.append([95.0])
            for bands in widths:
                plates += [model["c"] + model["b"] * square_mp(width) for width in bands]
                studies.append(model["d"] + model["e"] * square_mp(bands[0]))
        orders.append(
            Order(model["a"], tuple(sorted(plates, reverse=True)), tuple(sorted(studies, reverse=True)))
        )
    return orders


def square_mp(width_mm: float) -> float:
    """Return the megapixels of a square print."""
    return (width_mm / 25.4 * PPI) ** 2 / 1e6


def simulate(orders: list[Order], workers: int, at_once: int) -> float:
    """Return the seconds until all orders are published; `at_once` orders are open at a time.

    An open order first takes a worker for what cannot be shared, then hands out its studies and its plates, the
    longest first; the oldest open order is served first.
    """
    waiting = iter(enumerate(orders))
    ready: list[tuple[int, int, float]] = []  # order, rank within it, seconds
    left: dict[int, int] = {}
    busy: list[tuple[float, int, int]] = []  # end, order, rank
    now, free = 0.0, workers

    def open_next() -> None:
        found = next(waiting, None)
        if found is not None:
            number, order = found
            left[number] = len(order.tasks)
            heapq.heappush(ready, (number, -1, order.alone))

    for _ in range(at_once):
        open_next()
    while ready or busy:
        while ready and free:
            number, rank, seconds = heapq.heappop(ready)
            heapq.heappush(busy, (now + seconds, number, rank))
            free -= 1
        now, number, rank = heapq.heappop(busy)
        free += 1
        if rank < 0:
            for position, seconds in enumerate(orders[number].tasks):
                heapq.heappush(ready, (number, position, seconds))
        else:
            left[number] -= 1
            if not left[number]:
                open_next()
    return now


# --- The page --------------------------------------------------------------------------------------------------------


def write_page(cost: dict[str, dict[str, float]]) -> None:
    """Write what the simulation says, with its plot."""
    orders = mix(cost)
    plates = sum(len(order.plates) for order in orders)
    lines: dict[str, list[tuple[float, float]]] = {"one at a time": [], "several at a time": []}
    table = [
        "| workers | 10,000 orders, one at a time | several at a time | orders in a night of 10 h |",
        "|---|---|---|---|",
    ]
    for workers in WORKERS:
        one, many = simulate(orders, workers, 1), simulate(orders, workers, workers)
        night = round(ORDERS * NIGHT_HOURS * 3600 / many, -2 if many < ORDERS * 360 else 0)
        lines["one at a time"].append((workers, one / 3600))
        lines["several at a time"].append((workers, many / 3600))
        table.append(f"| {workers} | {one / 3600:.1f} h | {many / 3600:.1f} h | {night:,.0f} |")
    PLOT.write_text(
        line_chart("Ten thousand orders", "workers", "hours", lines, logarithmic=True), encoding="utf-8"
    )
    model = [
        "| art | a, an order | b, a megapixel | c, a plate | d, a study | e, a megapixel of it "
        "| worst error of the fit | orders not fitted |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for kind, m in cost.items():
        others = ", ".join(f"{m[name]:+.0%}" for name in m if name.startswith("other"))
        model.append(
            f"| {kind} | {m['a']:.2f} s | {1000 * m['b']:.0f} ms | {1000 * m['c']:.0f} ms | {1000 * m['d']:.0f} ms "
            f"| {1000 * m['e']:.0f} ms | {m['worst_error']:.0%} | {others} |"
        )
    PAGE.write_text(
        TEXT.format(
            model="\n".join(model), table="\n".join(table), plates=f"{plates:,}", each=plates / ORDERS
        ),
        encoding="utf-8",
    )


TEXT = """# How many orders a night

Made by `python -m ops.capacity page` from what `python -m ops.capacity measure` found on one core of a small server;
your machine is another: measure there.

## What an order costs on one worker

seconds of a core = a + b × megapixels + c × plates + d × studies + e × megapixels studied; preflight, papers,
postflight and publishing included. The last column says how far the model is off on orders that it was not fitted to.

{model}

## What a night carries

Simulated: {plates} plates of 10,000 orders ({each:.1f} an order), none shared between cloths; 60 % flat art, 25 %
illustrations, 15 % photographs; 1 to 5 colourways, full fronts in 3 to 6 sizes, chests in one. The mix is an
assumption; draw your own in `ops/capacity.py`.

{table}

![hours against workers](capacity.svg)

One order at a time stops gaining where an order has fewer plates than there are workers, and because reading, papers
and publishing of one order are one after the other. From eight workers on, hand several orders to the cluster at once:
run several `washfast make --cluster`.
"""

if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
