"""Time and memory of orders against plates, megapixels and workers, for the benchmark."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Sequence
from pathlib import Path

from ops.bench_kept import KEPT
from ops.bench_orders import write_order
from ops.bench_runs import Run, measure
from ops.capacity import timed
from ops.plot import line_chart

PLATES = (1, 2, 4, 8, 16, 32, 64)
MIB = 2**20


def draw_curves(command: str, art: Path, fabrics: Sequence[str]) -> int:
    """Time orders of one to 64 plates, of small to large ones, and with one to as many workers as there are cores."""
    KEPT.mkdir(exist_ok=True)
    cores = len(os.sched_getaffinity(0))
    with tempfile.TemporaryDirectory(prefix="bench-") as scratch:
        here = Path(scratch)

        def run(manifest: Path, workers: int) -> Run:
            make = [command, "make", str(manifest), "--out", "{out}", "--shelf", "none"]
            return measure("washfast", [*make, "--workers", str(workers)], here / "out")

        by_plates = {count: run(many_plates(here / f"plates-{count}", art, count), cores) for count in PLATES}
        sizes = []
        for width in (100, 150, 200, 250, 300, 340):
            order, megapixels, made = timed(here / f"width-{width}", art, 4, width)
            sizes.append((megapixels / made, order.wall_s / made))
        twenty = write_order(here / "workers", art, fabrics, ["12", "13", "14", "15"])
        workers = [(float(n), run(twenty, n).wall_s) for n in range(1, cores + 1)]
    plates = [(float(count), run.wall_s) for count, run in by_plates.items()]
    for name, title, x, points in (
        ("plates", "Flat crest about 10 in wide", "plates", plates),
        ("megapixels", "One plate of the flat crest, one worker", "megapixels", sizes),
        ("workers", "Twenty plates of the flat crest", "workers", workers),
    ):
        chart = line_chart(title, x, "seconds", {"washfast": points})
        (KEPT / f"{name}.svg").write_text(chart, encoding="utf-8")
        print(f"{name}: " + ", ".join(f"{a:.3g} → {b:.2f} s" for a, b in points))
    print(
        "memory: " + ", ".join(f"{n} plates {run.peak_bytes / MIB:.0f} MiB" for n, run in by_plates.items())
    )
    print(f"time per plate, 64 plates / 8 plates: {per_plate(by_plates, 64) / per_plate(by_plates, 8):.2f}")
    print(f"memory, 64 plates / 4 plates: {by_plates[64].peak_bytes / by_plates[4].peak_bytes:.2f}")
    return 0


def many_plates(folder: Path, art: Path, count: int) -> Path:
    """Write an order of so many plates, no two equal: up to eight widths, and a colour for each colourway.

    From four plates on there are two colourways or more: their memory is that of two studies side by side in each.
    """
    ways = max(-(-count // 8), min(2, count // 2), 1)
    widths = [f"{10 + n / 50:.2f}" for n in range(count // ways)]
    fabrics = [f"#{17 * n:02x}2040" for n in range(ways)]
    swaps = {n: ("#2f7f86", f"#2f7f{128 + 8 * n:02x}") for n in range(len(fabrics))}
    return write_order(folder, art, fabrics, widths, swaps=swaps)


def per_plate(runs: dict[int, Run], plates: int) -> float:
    """Return the seconds of an order of so many plates, shared out among them."""
    return runs[plates].wall_s / plates
