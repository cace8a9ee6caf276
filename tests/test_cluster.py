"""A cluster gives the bytes that this machine's processes give, whatever it loses on the way.

Reference: `distributed`'s own LocalCluster on the loopback interface, and a release made without any cluster.
"""

from __future__ import annotations

import hashlib
import os
import signal
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from pipeline.cluster import ClusterEngine
from pipeline.engine import Engine, Task
from pipeline.faults import Busy, Fault, Usage
from pipeline.make import make_order
from pipeline.outcome import Outcome
from pipeline.release import Places, files_below
from pipeline.shop import load_shop
from tests.test_make import hand_in, order

distributed = pytest.importorskip("distributed", reason="the extra washfast[cluster] is not installed")
pytestmark = [
    pytest.mark.filterwarnings("default"),  # the library's own
]


@pytest.fixture(scope="module")
def cluster() -> Iterator[Any]:
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, host="127.0.0.1", dashboard_address=None
    ) as running:
        yield running


def made(folder: Path, engine: Engine) -> Outcome:
    with engine:
        return make_order(
            hand_in(folder / "in", order()), load_shop(None), Places.below(folder / "out"), engine
        )


def digests(outcome: Outcome) -> dict[str, str]:
    assert outcome.path is not None, outcome.message
    folder = outcome.path
    return {p.as_posix(): hashlib.sha256((folder / p).read_bytes()).hexdigest() for p in files_below(folder)}


@pytest.fixture(scope="module")
def alone(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    return digests(made(tmp_path_factory.mktemp("alone"), Engine(1)))


@pytest.mark.parametrize("shared", [None, False], ids=["shared folder", "no shared folder"])
def test_a_cluster_makes_the_same_bytes(
    *, shared: bool | None, cluster: Any, alone: dict[str, str], tmp_path: Path
) -> None:
    """With a shared spool by paths, without one by carrying; nothing else stays in the output folder."""
    outcome = made(tmp_path, ClusterEngine(cluster.scheduler_address, shared=shared))

    assert digests(outcome) == alone
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["T-1-r1"]


def test_a_worker_killed_in_the_middle_of_a_task_costs_time_only(cluster: Any, tmp_path: Path) -> None:
    """What it was doing is done by another; everything ends once and right (distributed issue 2015 is the reason)."""
    todo = [Task(f"wait {n}", _wait_and_tell, (tmp_path, n)) for n in range(8)]
    over = threading.Event()
    with ClusterEngine(cluster.scheduler_address, shared=True) as engine:
        killer = threading.Thread(target=_kill_one, args=(tmp_path, over))
        killer.start()
        try:
            done = engine.run(todo)
        finally:
            over.set()
            killer.join()

    assert done == {f"wait {n}": n * n for n in range(8)}
    assert (tmp_path / "killed").exists()


def test_equal_tasks_run_each_for_itself_and_a_fault_arrives_as_itself(cluster: Any, tmp_path: Path) -> None:
    """No answer of an earlier call is given again (distributed's `pure`), and what a task raises keeps its kind."""
    with ClusterEngine(cluster.scheduler_address, shared=True) as engine:
        for _ in range(2):
            engine.run([Task("count", _count, (tmp_path,))])
        with pytest.raises(Busy, match="no space"):
            engine.run([Task("full", _full, (tmp_path,))])

    assert len(list(tmp_path.glob("ran-*"))) == 2


def test_only_loopback_is_reached_without_tls() -> None:
    """A scheduler runs whatever it is sent; a plain address elsewhere, or none, is refused with what to do."""
    for address, words in (
        ("tcp://192.0.2.7:8786", "TLS"),
        ("press-room:8786", "TLS"),
        ("http://localhost:1", "scheduler's address"),
        ("tls://press-room", "scheduler's address"),
    ):
        with pytest.raises(Usage, match=words):
            ClusterEngine(address)
    assert ClusterEngine("localhost:8786").address == "tcp://localhost:8786"
    assert ClusterEngine("tls://press-room:8786").address == "tls://press-room:8786"


def test_no_scheduler_is_busy_and_says_so(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Nothing listens there: exit 5, nothing lost. Port 9 is "discard" (RFC 863), closed here."""
    monkeypatch.setattr("pipeline.cluster.CONNECT_SECONDS", 1)
    with ClusterEngine("127.0.0.1:9") as engine, pytest.raises((Busy, Fault)) as caught:
        engine.run([Task("count", _count, (tmp_path,))])

    assert "ops/wide" in str(caught.value)


def _wait_and_tell(folder: Path, number: int) -> int:
    """Ends once a worker was killed, so that the kill falls in the middle of a task however busy the machine is."""
    (folder / f"pid-{os.getpid()}").touch()
    until = time.monotonic() + 60
    while not (folder / "killed").exists() and time.monotonic() < until:
        time.sleep(0.05)
    return number * number


def _kill_one(folder: Path, over: threading.Event) -> None:
    while not (at_work := sorted(folder.glob("pid-*"))):
        if over.wait(0.05):
            return
    os.kill(int(at_work[0].name.removeprefix("pid-")), signal.SIGKILL)
    (folder / "killed").touch()


def _count(folder: Path) -> None:
    (folder / f"ran-{time.monotonic_ns()}").touch()


def _full(_: Path) -> None:
    raise Busy("there is no space")
