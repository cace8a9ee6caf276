"""The scripts in ops: a comparison that finds differences, a benchmark that asks for what it says."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from ops import bench_kept
from ops.bench_orders import write_order
from ops.bench_runs import parts_in
from pipeline.order import load_order
from tests.conftest import ROOT

SAME_BYTES = [sys.executable, str(ROOT / "ops" / "same_bytes")]
STAND_IN = """#!/bin/sh
# Called like the command: make MANIFEST --out DIR --workers N
mkdir -p "$4" && cat "$2" > "$4/record.json" && {more}
"""


@pytest.mark.parametrize(
    ("more", "code", "said"),
    [
        ("true", 0, "all equal"),
        ('date +%Z > "$4/clock"', 1, "clock differs"),
        ('pwd > "$4/place"', 1, "place differs"),
        ('echo "$6" > "$4/workers"', 1, "workers differs"),
        ('touch "$4/run-$PYTHONHASHSEED"', 1, "run-77 was made only the second time"),
        ('umask > "$4/umask"', 1, "umask differs"),
        ("exit 4", 1, "ended with 4"),
    ],
)
def test_what_depends_on_circumstances_is_found(tmp_path, more, code, said):
    """A command whose output hangs on time zone, place, workers, hash order or umask fails, and the file is named."""
    command = tmp_path / "command"
    command.write_text(STAND_IN.replace("{more}", more))
    command.chmod(0o755)
    manifest = tmp_path / "art" / "order.toml"
    manifest.parent.mkdir()
    manifest.write_text("order = 'A'")
    environment = {**os.environ, "WASHFAST": str(command)}
    environment.pop("PYTHONHASHSEED", None)

    done = subprocess.run(
        [*SAME_BYTES, str(manifest)], env=environment, capture_output=True, text=True, check=False
    )

    assert done.returncode == code, done.stderr
    assert said in done.stdout + done.stderr


def test_the_benchmark_orders_what_it_says(tmp_path):
    """Its manifest is a valid order: a colourway a fabric, a size a width, in mm."""
    art = tmp_path / "crest.svg"
    art.write_text("<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 4 4'/>")

    order = load_order(write_order(tmp_path / "order", art, ["#111111", "#f3e9d2"], ["12", "13.5", "15"]))

    assert [c.name for c in order.colourways] == ["#111111", "#f3e9d2"]
    widths = [order.prints[0].by_size[size].width_mm for size in order.colourways[0].sizes]
    assert widths == pytest.approx([304.8, 342.9, 381.0])
    assert order.approval == "not needed"


def test_a_slower_run_is_shouted_and_an_equal_one_is_not(tmp_path, monkeypatch):
    """A ratio that grew by more than a fifth since the run kept before is named with both values."""
    monkeypatch.setattr(bench_kept, "KEPT", tmp_path)
    assert bench_kept.keep("2026-01-01", {}, {"crest": {"a / peer": 0.50, "b / peer": 1.0}}) == []
    assert bench_kept.keep("2026-01-02", {}, {"crest": {"a / peer": 0.59, "b / peer": 1.0}}) == []

    (said,) = bench_kept.keep("2026-01-03", {}, {"crest": {"a / peer": 0.75, "b / peer": 0.9}})
    assert said == "crest, a / peer: 0.59 on 2026-01-02, 0.75 now"


def test_parts_of_an_order_are_read_from_the_log():
    """What the program logs and what the benchmark reads are the same line."""
    line = '{"agreement_s": 0.11, "seconds": {"read": 0.8, "plates": 4.4}, "event": "made"}'
    assert parts_in(line) == {"agreement": 0.11, "read": 0.8, "plates": 4.4}
