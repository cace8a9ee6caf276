"""The engine runs every task once, after what it needs, and never hides a failure."""

from __future__ import annotations

import os
import signal
from pathlib import Path

import pytest

from pipeline.engine import Engine, Task
from pipeline.faults import Fault, Refused


def write_down(path: str, word: str) -> str:
    with Path(path).open("a") as stream:
        stream.write(word + "\n")
    return word.upper()


def refuse(word: str) -> None:
    raise Refused(f"{word}: not like this", code="art-unreadable")


def die() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


@pytest.mark.parametrize("workers", [1, 2])
def test_every_task_runs_once_and_after_what_it_needs(workers: int, tmp_path: Path) -> None:
    """A diamond of tasks ends with each word written once, the last after both it needs."""
    log = tmp_path / "log"
    tasks = [
        Task("last", write_down, (str(log), "last"), needs=("left", "right")),
        Task("left", write_down, (str(log), "left"), needs=("first",)),
        Task("right", write_down, (str(log), "right"), needs=("first",)),
        Task("first", write_down, (str(log), "first")),
    ]

    with Engine(workers) as engine:
        done = engine.run(tasks)

    words = log.read_text().split()
    assert sorted(words) == ["first", "last", "left", "right"]
    assert (words[0], words[-1]) == ("first", "last")
    assert done == {"first": "FIRST", "left": "LEFT", "right": "RIGHT", "last": "LAST"}


def test_the_costliest_ready_task_goes_first(tmp_path: Path) -> None:
    """Tasks that could run are taken longest first, ties by key, whatever the order they came in."""
    log = tmp_path / "log"
    tasks = [
        Task(word, write_down, (str(log), word), cost=cost) for word, cost in (("b", 1), ("c", 9), ("a", 1))
    ]

    with Engine(1) as engine:
        engine.run(tasks)

    assert log.read_text().split() == ["c", "a", "b"]


@pytest.mark.parametrize("workers", [1, 2])
def test_a_refusal_crosses_the_process_boundary_whole(workers: int) -> None:
    """The exit code, the code word and the message of a refusal arrive as they were raised."""
    with Engine(workers) as engine, pytest.raises(Refused, match="crest: not like this") as caught:
        engine.run([Task("a", refuse, ("crest",)), Task("b", refuse, ("crest",))])

    assert caught.value.code == "art-unreadable"
    assert caught.value.exit_code == 4


def test_a_worker_that_dies_is_a_fault_that_says_what_to_do() -> None:
    """A killed worker never looks like success, and the message names the next move."""
    with Engine(2) as engine, pytest.raises(Fault, match="fewer --workers"):
        engine.run([Task("a", die, ()), Task("b", die, ())])


def test_a_need_nobody_makes_is_a_fault_not_a_hang() -> None:
    """A task that waits for an unknown one is reported by name."""
    with Engine(1) as engine, pytest.raises(Fault, match="orphan"):
        engine.run([Task("orphan", refuse, ("x",), needs=("nobody",))])


def test_warm_workers_have_loaded_what_they_will_need(tmp_path: Path) -> None:
    """Each worker calls the function once, before any task; without workers of its own an engine calls nothing."""
    with Engine(1) as alone:
        alone.warm(die)
    with Engine(2) as engine:
        engine.warm(nothing_yet)
        done = engine.run(
            [Task(str(number), write_down, (str(tmp_path / "log"), "x")) for number in range(3)]
        )
    assert set(done.values()) == {"X"}


def nothing_yet() -> None:
    pass
