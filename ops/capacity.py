"""What one server and a cluster carry in a night: a cost model measured here, and a simulation of ten thousand orders.

    python -m ops.capacity measure    make small orders of each kind of art, fit the model, write ops/wide/cost.json
    python -m ops.capacity page       simulate with it, write ops/wide/CAPACITY.md and its plot

Model: seconds of an order on one worker = a + b × megapixels + c × plates; a is what cannot be shared between workers.
The mix of orders is an assumption, said on the page; the simulation draws it from a fixed seed.
"""

from __future__ import annotations

import heapq
import json
import random
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ops.plot import line_chart

ROOT = Path(__file__).resolve().parent.parent
WIDE = ROOT / "ops" / "wide"
COST = WIDE / "cost.json"
PAGE = WIDE / "CAPACITY.md"
PLOT = WIDE / "capacity.svg"
PPI = 300
SIZES = ("XS", "S", "M", "L", "XL", "2XL", "3XL", "4XL")
RUNS = ((1, 100), (4, 100), (8, 100), (1, 280), (4, 280), (8, 280))  # plates, width in mm
WORKERS = (1, 2, 4, 8, 16, 32, 64)
ORDERS = 10_000
NIGHT_HOURS = 10
SEED = 2041


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


def measure() -> dict[str, dict[str, float]]:
    """Return a, b, c in seconds, and the largest error of the fit, for each kind of art, on one worker."""
    found = {}
    with tempfile.TemporaryDirectory(prefix="capacity-") as scratch:
        for kind, write in (("flat", flat), ("illustration", illustration), ("photograph", photograph)):
            art = write(Path(scratch))
            rows, seconds = [], []
            for number, (plates, width) in enumerate(RUNS):
                spent, megapixels = timed(Path(scratch) / f"{kind}-{number}", art, plates, width)
                rows.append([1.0, megapixels, float(plates)])
                seconds.append(spent)
                print(f"{kind}: {plates} plates, {megapixels:.0f} megapixels, {spent:.2f} s", file=sys.stderr)
            matrix, wanted = np.array(rows), np.array(seconds)
            fit = np.linalg.lstsq(matrix, wanted, rcond=None)[0]
            error = float(np.abs(matrix @ fit - wanted).max())
            found[kind] = dict(zip("abc", (round(max(0.0, float(v)), 4) for v in fit), strict=True))
            found[kind]["worst_error"] = round(error, 3)
    return found


def timed(folder: Path, art: Path, plates: int, width_mm: float) -> tuple[float, float]:
    """Return the seconds that one order takes with one worker, and its megapixels."""
    folder.mkdir()
    (folder / art.name).write_bytes(art.read_bytes())
    sizes = ", ".join(f"{size} = 1" for size in SIZES[:plates])
    widths = ", ".join(  # plates of one size would be made once
        f"{size} = {{ width_mm = {width_mm - n / 2} }}" for n, size in enumerate(SIZES[:plates])
    )
    (folder / "order.toml").write_text(
        f'order = "C-1"\napproval = "not needed"\n[art.piece]\nfile = "{art.name}"\n'
        'preview = "keep"\nground = "keep"\nnear_fabric = "keep"\n'
        '[[prints]]\nname = "front"\nart = "piece"\nposition = "full front"\nroute = "direct"\n'
        f'width_mm = {width_mm}\nscale = "fixed"\nbands = "each size"\nby_size = {{ {widths} }}\n'
        f'[[colourways]]\nname = "Black"\ngarment = "unisex tee"\nfabric = "black"\nsizes = {{ {sizes} }}\n'
        + "".join(
            f'[[accept]]\ncode = "{code}"\nby = "capacity"\nwhy = "time is measured"\n'
            for code in ("thin-line", "thin-gap", "low-resolution", "all-knocked-out")
        ),
        encoding="utf-8",
    )
    command = [sys.executable, "-m", "pipeline.cli", "make", str(folder / "order.toml"), "--workers", "1"]
    command += ["--shelf", "none"]
    began = time.perf_counter()
    done = subprocess.run([*command, "--out", str(folder / "out")], cwd=ROOT, capture_output=True, text=True)
    spent = time.perf_counter() - began
    if done.returncode:
        raise SystemExit(f"{art.name}: the order was not released\n{done.stdout}{done.stderr}")
    record = json.loads((folder / "out" / "C-1-r1" / "record.json").read_text(encoding="utf-8"))
    colours = [entry for entry in record["files"] if entry["role"] == "press-colour"]
    return spent, sum(entry["width_px"] * entry["height_px"] for entry in colours) / 1e6


def flat(folder: Path) -> Path:
    """Write a crest of few flat shapes."""
    rings = "".join(
        f'<circle cx="100" cy="100" r="{90 - 15 * n}" fill="{colour}"/>'
        for n, colour in enumerate(("#f3e9d2", "#2f7f86", "#d9a441", "#f3e9d2", "#8f2430"))
    )
    return _svg(folder / "flat.svg", rings)


def illustration(folder: Path) -> Path:
    """Write two thousand overlapping shapes in forty colours."""
    rng = random.Random(SEED)
    colours = [
        f"#{rng.randrange(64, 256):02x}{rng.randrange(64, 256):02x}{rng.randrange(64, 256):02x}"
        for _ in range(40)
    ]
    shapes = "".join(
        f'<circle cx="{rng.uniform(20, 180):.1f}" cy="{rng.uniform(20, 180):.1f}" r="{rng.uniform(2, 9):.1f}" '
        f'fill="{rng.choice(colours)}"/>'
        for _ in range(2000)
    )
    return _svg(folder / "illustration.svg", shapes)


def photograph(folder: Path) -> Path:
    """Write a picture of smooth tones with grain, such as a camera gives."""
    from PIL import Image

    side = 3400
    y, x = np.mgrid[0:side, 0:side] / side
    rng = np.random.default_rng(SEED)
    tones = np.stack([120 + 70 * np.sin(9 * x + n) * np.cos(7 * y - n) for n in range(3)], axis=-1)
    grain = rng.normal(0, 3, (side, side, 1))
    Image.fromarray(np.clip(tones + grain, 40, 230).astype(np.uint8)).save(
        folder / "photograph.jpg", quality=92
    )
    return folder / "photograph.jpg"


def _svg(path: Path, shapes: str) -> Path:
    path.write_text(
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 200 200">{shapes}</svg>', encoding="utf-8"
    )
    return path


# --- The simulation --------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Order:
    """One order of the mix: seconds that cannot be shared, and the seconds of each of its plates."""

    alone: float
    plates: tuple[float, ...]


def mix(cost: dict[str, dict[str, float]]) -> list[Order]:
    """Return the orders of the simulated night, always the same ones."""
    rng = random.Random(SEED)
    orders = []
    for _ in range(ORDERS):
        kind = rng.choices(("flat", "illustration", "photograph"), (60, 25, 15))[0]
        model = cost[kind]
        plates: list[float] = []
        prints = rng.choices(("front", "chest", "both"), (50, 30, 20))[0]
        for _ in range(rng.choices((1, 2, 3, 4, 5), (40, 25, 15, 12, 8))[0]):
            if prints != "chest":
                middle = rng.uniform(260, 320)
                plates += [_plate(model, middle * (0.85 + 0.07 * n)) for n in range(rng.randint(3, 6))]
            if prints != "front":
                plates.append(_plate(model, 95))
        orders.append(Order(model["a"], tuple(sorted(plates, reverse=True))))
    return orders


def _plate(model: dict[str, float], width_mm: float) -> float:
    return model["c"] + model["b"] * (width_mm / 25.4 * PPI) ** 2 / 1e6


def simulate(orders: list[Order], workers: int, at_once: int) -> float:
    """Return the seconds until all orders are published; `at_once` orders are open at a time.

    An open order first takes a worker for what cannot be shared, then hands out its plates, the longest first; the
    oldest open order is served first.
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
            left[number] = len(order.plates)
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
            for position, seconds in enumerate(orders[number].plates):
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
    lines: dict[str, list[tuple[float, float]]] = {"one order at a time": [], "as many as workers": []}
    table = [
        "| workers | 10,000 orders, one at a time | several at a time | orders in a night of 10 h |",
        "|---|---|---|---|",
    ]
    for workers in WORKERS:
        one, many = simulate(orders, workers, 1), simulate(orders, workers, workers)
        night = round(ORDERS * NIGHT_HOURS * 3600 / many, -2 if many < ORDERS * 360 else 0)
        lines["one order at a time"].append((workers, one / 3600))
        lines["as many as workers"].append((workers, many / 3600))
        table.append(f"| {workers} | {one / 3600:.1f} h | {many / 3600:.1f} h | {night:,.0f} |")
    PLOT.write_text(
        line_chart("Ten thousand orders", "workers", "hours", lines, logarithmic=True), encoding="utf-8"
    )
    model = [
        "| art | a, an order | b, a megapixel | c, a plate | worst error of the fit |",
        "|---|---|---|---|---|",
    ]
    model += [
        f"| {kind} | {m['a']:.2f} s | {1000 * m['b']:.0f} ms | {1000 * m['c']:.0f} ms | {m['worst_error']:.2f} s |"
        for kind, m in cost.items()
    ]
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

seconds = a + b × megapixels + c × plates, preflight, papers, postflight and publishing included.

{model}

## What a night carries

Simulated: {plates} plates of 10,000 orders ({each:.1f} an order), 60 % flat art, 25 % illustrations, 15 % photographs;
1 to 5 colourways, full fronts in 3 to 6 sizes, chests in one. The mix is an assumption; draw your own in
`ops/capacity.py`.

{table}

![hours against workers](capacity.svg)

One order at a time stops gaining where an order has fewer plates than there are workers, and because reading, papers
and publishing of one order are one after the other. From eight workers on, hand several orders to the cluster at once:
run several `washfast make --cluster`.
"""

if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
