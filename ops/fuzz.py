"""Read damaged files without end in sight: python -m ops.fuzz [--cases 20000] [--first 0] [--kind png …]

Each kind of file runs in child processes, so that a decoder that crashes or hangs costs one batch and is named.
Prints what came of the cases and every outcome that must not be; exit 1 when there was one.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from tests import fuzzing

BATCH = 250
DEADLINE_S = 300.0
SLOW_S = 5.0


def batch(kind: str, first: int, count: int) -> None:
    """Try `count` cases in this process; print a line for each outcome that matters and the totals."""
    totals: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as folder:
        for number in range(first, first + count):
            print(f"at {number}", file=sys.stderr, flush=True)
            began = time.monotonic()
            try:
                totals[fuzzing.attempt(kind, number, Path(folder))] += 1
            except fuzzing.Broken as broken:
                totals["BROKEN"] += 1
                print(f"BROKEN {kind} {number}: {broken}", flush=True)
            if time.monotonic() - began > SLOW_S:
                print(f"SLOW {kind} {number}: {time.monotonic() - began:.1f} s", flush=True)
    print("TOTAL", *(f"{name}={count}" for name, count in sorted(totals.items())), flush=True)


def run(kind: str, first: int, count: int) -> tuple[Counter[str], list[str]]:
    """Run the cases in children; return the totals and the lines to look at."""
    totals: Counter[str] = Counter()
    lines: list[str] = []
    for start in range(first, first + count, BATCH):
        many = min(BATCH, first + count - start)
        command = [sys.executable, "-m", "ops.fuzz", "--batch", kind, str(start), str(many)]
        try:
            done = subprocess.run(command, capture_output=True, text=True, timeout=DEADLINE_S)
            output, last, status = done.stdout, done.stderr.strip().rpartition("\n")[2], done.returncode
        except subprocess.TimeoutExpired as late:
            output, status = (late.stdout or b"").decode(), -1
            last = (late.stderr or b"").decode().strip().rpartition("\n")[2]
        for line in output.splitlines():
            if line.startswith("TOTAL "):
                totals.update(
                    {name: int(number) for name, _, number in (p.partition("=") for p in line.split()[1:])}
                )
            else:
                lines.append(line)
        if status != 0:
            totals["DIED"] += 1
            lines.append(f"DIED {kind} {last} (status {status})")
    return totals, lines


def main() -> int:
    """Run what was asked for; return the exit status."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--cases", type=int, default=20_000, help="in all, shared among the kinds")
    parser.add_argument("--first", type=int, default=0, help="number of the first case of each kind")
    parser.add_argument("--kind", nargs="*", default=sorted(fuzzing.seeds()), choices=sorted(fuzzing.seeds()))
    parser.add_argument("--batch", nargs=3, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.batch:
        batch(options.batch[0], int(options.batch[1]), int(options.batch[2]))
        return 0
    wrong = 0
    for kind in options.kind:
        totals, lines = run(kind, options.first, -(-options.cases // len(options.kind)))
        print(
            f"{kind:5}", *(f"{name} {count}" for name, count in sorted(totals.items())), sep="  ", flush=True
        )
        print(*lines, sep="\n", end="\n" if lines else "", flush=True)
        wrong += totals["BROKEN"] + totals["DIED"]
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
