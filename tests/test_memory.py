"""Workers are as many as the memory holds, and none takes more than its part."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from pipeline import engine as engine_module
from pipeline.engine import Engine, Task
from pipeline.memory import free_bytes, wanted_bytes

MIB = 2**20


def machine(folder: Path, available_kib: int, group: str = "/", **files: dict[str, str]) -> tuple[Path, Path]:
    """Files as proc(5) and the kernel's cgroup v2 documentation describe them; `files` go by group."""
    proc, groups = folder / "proc", folder / "cgroup"
    (proc / "self").mkdir(parents=True)
    (proc / "meminfo").write_text(
        f"MemTotal:  99999999 kB\nMemFree:  1 kB\nMemAvailable:  {available_kib} kB\n"
    )
    (proc / "self/cgroup").write_text(f"0::{group}\n")
    for name, contents in files.items():
        place = groups / name.strip("/")
        place.mkdir(parents=True, exist_ok=True)
        for file, text in contents.items():
            (place / file).write_text(text)
    return proc, groups


def test_free_memory_is_the_machines_where_no_group_limits_it(tmp_path: Path) -> None:
    assert free_bytes(*machine(tmp_path, 1_000_000)) == int(0.9 * 1_000_000 * 1024)


def test_a_control_group_limits_what_is_free_wherever_it_stands_above(tmp_path: Path) -> None:
    """The least of machine and groups counts; cached files can be dropped; "max" is no limit."""
    limited = {
        "memory.max": f"{500 * MIB}\n",
        "memory.current": f"{300 * MIB}\n",
        "memory.stat": f"anon 1\ninactive_file {50 * MIB}\n",
    }
    free = {"memory.max": "max\n", "memory.current": "1\n", "memory.stat": "inactive_file 0\n"}
    assert free_bytes(
        *machine(tmp_path, 8_000_000, "/shop/night", **{"/shop": limited, "/shop/night": free})
    ) == int(0.9 * 250 * MIB)


def test_a_system_that_says_nothing_sets_no_limit(tmp_path: Path) -> None:
    assert free_bytes(tmp_path / "no", tmp_path / "none") is None


def test_a_worker_beyond_its_limit_gets_an_error_and_is_not_killed() -> None:
    """Under the limit memory is there; over it a MemoryError is raised, which an order answers with "try again"."""
    code = (
        "import numpy, sys\nfrom pipeline.memory import settle\nsettle(600 * 2**20)\n"
        "numpy.ones(300 * 2**20, numpy.uint8)\n"
        "try:\n    numpy.ones(900 * 2**20, numpy.uint8)\nexcept MemoryError:\n    sys.exit(7)\n"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 7


def nothing() -> int:
    return 1


@pytest.mark.parametrize(("free_plates", "slots"), [(0.5, 1), (1.5, 1), (2.5, 2), (9.0, 3)])
def test_no_more_workers_run_than_the_memory_holds(
    free_plates: float, slots: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Room for so many plates of thirty megapixels, three workers asked for; all tasks are done in any case."""
    monkeypatch.setattr(engine_module, "free_bytes", lambda: int(free_plates * wanted_bytes(3e7)))
    with Engine(3) as engine:
        done = engine.run([Task(str(number), nothing, (), cost=3e7) for number in range(4)])
        assert engine._slots == slots
    assert done == {str(number): 1 for number in range(4)}


def test_a_pool_makes_way_for_a_smaller_one_when_the_tasks_grow(monkeypatch: pytest.MonkeyPatch) -> None:
    """Small tasks run on three workers, large ones afterwards on one."""
    monkeypatch.setattr(engine_module, "free_bytes", lambda: 3 * wanted_bytes(1e6))
    with Engine(3) as engine:
        engine.run([Task(str(number), nothing, (), cost=1e6) for number in range(3)])
        assert engine._slots == 3
        engine.run([Task(str(number), nothing, (), cost=3e7) for number in range(3)])
        assert engine._slots == 1
