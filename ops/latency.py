"""How long a small order takes from drop to release, and how many a watcher makes a minute.

    python -m ops.latency [--orders 10] [--burst 40] [--workers N] [--json]
    python -m ops.latency --backlog 5000     # so many wait at the start; then a rush order comes

The watcher is the command itself with its own settings. A drop is one rename of a folder with manifest and art; the
release is the rename in released/. The first order is not counted: it starts the worker process. The backlog is made
by the tests' quick worker: it measures the supervisor, its memory and its fairness.
"""

from __future__ import annotations

import argparse
import json
import shutil
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from ops.killtest import art, claims, manifest, peak_mib, start
from pipeline.hotfolder.layout import HotFolder


def put(hot: HotFolder, number: int) -> None:
    """Drop one small order by a rename."""
    place = hot.root / f".drop-{number}"
    place.mkdir()
    (place / f"mark-{number}.svg").write_bytes(art(number))
    told = {**manifest(number), "order": f"LT-{number}", "approval": "not needed"}
    (place / "order.json").write_text(json.dumps(told))
    place.rename(hot.incoming / f"job-{number}")


def wait(hot: HotFolder, numbers: range) -> float:
    """Wait until all are released; return the time."""
    until = time.monotonic() + 60 + 20 * len(numbers)
    names = {f"LT-{number}-r1" for number in numbers}
    while not names <= {path.name for path in hot.released.iterdir()}:
        if time.monotonic() > until:
            raise SystemExit(f"not released in time: {sorted(names)}; see {hot.root}/watch.log")
        time.sleep(0.005)
    return time.monotonic()


def backlog(many: int) -> dict[str, object]:
    """Start with so many orders waiting, drop a rush order once the first is out; return how it fared."""
    hot = HotFolder(Path(tempfile.mkdtemp(prefix="backlog-")))
    hot.set_up()
    (hot.incoming / "mark-0.svg").write_bytes(art(0))
    for number in range(many):
        told = {**manifest(0), "order": f"BL-{number:05}", "notes": "slow"}
        (hot.incoming / f"{number:05}.json").write_text(json.dumps(told))
    watcher = start(hot, quick=True)
    try:
        begun = time.monotonic()
        while not any(hot.released.iterdir()):
            time.sleep(0.01)
        first = time.monotonic() - begun
        told = {**manifest(0), "order": "RUSH", "priority": "rush"}
        (hot.incoming / "zz-rush.json").write_text(json.dumps(told))
        begun, before = time.monotonic(), len(list(hot.released.iterdir()))
        while not (hot.released / "RUSH-r1").exists():
            time.sleep(0.01)
        took, after = time.monotonic() - begun, len(list(hot.released.iterdir()))
        while sum(1 for c in claims(hot)) < many + 1:
            time.sleep(1.0)
        all_taken = time.monotonic() - begun
        memory = peak_mib(watcher.pid)
    finally:
        watcher.terminate()
        watcher.wait()
    shutil.rmtree(hot.root)
    return {
        "waiting_at_start": many,
        "first_release_s": round(first, 2),
        "rush_drop_to_release_s": round(took, 2),
        "released_meanwhile": after - before - 1,
        "all_taken_after_s": round(all_taken, 1),
        "supervisor_peak_mib": round(memory, 1),
    }


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--orders", type=int, default=10)
    parser.add_argument("--burst", type=int, default=40)
    parser.add_argument("--workers", type=int)
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--backlog", type=int)
    options = parser.parse_args()
    if options.backlog:
        print(json.dumps(backlog(options.backlog), indent=1))
        return 0
    hot = HotFolder(Path(tempfile.mkdtemp(prefix="latency-")))
    hot.set_up()
    command = [sys.executable, "-m", "pipeline.cli", "watch", str(hot.root)]
    command += ["--workers", str(options.workers)] if options.workers else []
    watcher = subprocess.Popen(command, stderr=(hot.root / "watch.log").open("wb"))
    try:
        took = []
        for number in range(options.orders + 1):
            begun = time.monotonic()
            put(hot, number)
            took.append(wait(hot, range(number, number + 1)) - begun)
            time.sleep(0.5)
        burst = range(1000, 1000 + options.burst)
        begun = time.monotonic()
        for number in burst:
            put(hot, number)
        minutes = (wait(hot, burst) - begun) / 60
    finally:
        watcher.send_signal(signal.SIGTERM)
        watcher.wait()
    shutil.rmtree(hot.root)
    result = {
        "drop_to_release_s": {
            "median": round(statistics.median(took[1:]), 2),
            "most": round(max(took[1:]), 2),
        },
        "first_s": round(took[0], 2),
        "orders_a_minute": round(options.burst / minutes, 1),
    }
    print(json.dumps(result, indent=1) if options.json else "\n".join(f"{k}: {v}" for k, v in result.items()))
    return 0


if __name__ == "__main__":
    sys.exit(main())
