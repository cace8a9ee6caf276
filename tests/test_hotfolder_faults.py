"""What goes wrong while orders flow, and what it comes to: nothing lost, others go on, the next move is said."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from ops import killtest
from pipeline.cli import main
from pipeline.faults import Busy
from pipeline.hotfolder import intake
from pipeline.hotfolder.journal import Journal
from pipeline.hotfolder.lane import WORKER
from pipeline.hotfolder.layout import HotFolder
from tests.hot_helpers import ART, drop, hot_folder, order, states, status, tree, work


@pytest.fixture(autouse=True)
def _hurry(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(intake, "QUIET_S", 0.2)
    monkeypatch.setattr(intake, "LOOK_APART_S", 0.05)
    monkeypatch.setattr("pipeline.hotfolder.watch.SETTLING_S", 0.08)
    monkeypatch.setattr("pipeline.hotfolder.watch.IDLE_S", 0.2)
    monkeypatch.setattr("pipeline.hotfolder.supervisor.FIRST_WAIT_S", 0.05)


@pytest.fixture
def hot(tmp_path: Path) -> HotFolder:
    return hot_folder(tmp_path / "hot")


def reasons(hot: HotFolder, name: str) -> list[str]:
    journal = Journal(hot.journal)
    try:
        (claim,) = journal.of_order(name)
        return [step.reason for step in journal.transitions(claim=claim)]
    finally:
        journal.close()


# -- workers -------------------------------------------------------------------------------------------------


def until_told(*ends: str) -> Callable[[object], bool]:
    def done(supervisor: object) -> bool:
        found = {claim.state for claim in supervisor.journal.all()}  # type: ignore[attr-defined]
        return bool(found) and found <= set(ends)

    return done


@pytest.mark.parametrize(
    ("notes", "said"), [("die", "SIGKILL"), ("crash", "RuntimeError"), ("hang", "took longer than")]
)
def test_an_order_that_fails_is_tried_once_alone_and_set_aside(hot: HotFolder, notes: str, said: str) -> None:
    """Killed by the system, a fault of the program, a hang: two attempts, then set aside; the neighbours go on."""
    (hot.root / "shop.toml").write_text("[hot_folder]\norder_minutes = 0.02\n")
    drop(hot, order("BAD-1", notes=notes), "bad")
    for number in range(3):
        drop(hot, order(f"GOOD-{number}"), f"good-{number}")
    work(hot, until_told("released", "set aside"), workers=2)

    assert states(hot) == {"BAD-1-r1": "set aside", **{f"GOOD-{n}-r1": "released" for n in range(3)}}
    bad = next(claim for claim in status(hot) if claim.name == "BAD-1")
    assert bad.attempts == 2
    assert reasons(hot, "BAD-1").count("begun") == 2
    folder = hot.root / bad.folder
    text = (folder / "reason.txt").read_text()
    assert said in text
    assert "washfast again" in text
    assert {p.name for p in folder.iterdir()} == {"reason.txt", "BAD-1-1.json", "log.txt"}
    assert ART.encode() in tree(hot.archive).values()


def test_an_order_set_aside_comes_out_when_asked_for_again(hot: HotFolder) -> None:
    """`again` after the cause is mended: released, and the refusal leaves the operator's eyes."""
    drop(hot, order(notes="die 2"))
    work(hot, until_told("set aside"))
    assert main(["again", str(hot.root), "HB-1"]) == 0
    work(hot)

    assert states(hot) == {"HB-1-r1": "released"}
    assert not list(hot.refused.iterdir())
    assert main(["again", str(hot.root), "HB-1"]) == 4  # the quick worker's files are whole: it says so


@pytest.mark.parametrize("notes", ["EBUSY 2", "ENOSPC 2", "EROFS 2", "EIO 2", "memory 2"])
def test_faults_of_the_machine_wait_and_cost_no_attempt(hot: HotFolder, notes: str) -> None:
    """A busy file, no space, no memory: the order waits, is tried again, and is released with no attempt charged."""
    drop(hot, order(notes=notes))
    work(hot)

    (claim,) = status(hot)
    assert (claim.state, claim.attempts) == ("released", 0)
    assert claim.alone == notes.startswith("memory")
    steps = reasons(hot, "HB-1")
    assert steps.count("begun") == 3


def test_a_fault_of_the_order_is_never_tried_again(hot: HotFolder) -> None:
    """Art that cannot be read, by the real worker: refused after one try, the reason beside the manifest."""
    drop(hot, order(), "one", art="<svg xmlns='http://www.w3.org/2000/svg'><unclosed></svg>")
    work(hot, worker=WORKER)

    (claim,) = status(hot)
    assert (claim.state, claim.attempts) == ("refused", 0)
    assert reasons(hot, "HB-1").count("begun") == 1
    assert "not well-formed XML" in (hot.root / claim.folder / "reason.txt").read_text()


# -- the supervisor itself -----------------------------------------------------------------------------------


@pytest.fixture
def watcher(hot: HotFolder) -> Iterator[Callable[[], subprocess.Popen[bytes]]]:
    running: list[subprocess.Popen[bytes]] = []

    def start() -> subprocess.Popen[bytes]:
        running.append(killtest.start(hot, quick=True))
        return running[-1]

    yield start
    for process in running:
        process.kill()
        process.wait()


def wait_for(true: Callable[[], bool], seconds: float = 20.0) -> None:
    until = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < until
        time.sleep(0.02)


def test_a_supervisor_that_died_charges_nothing_but_remembers(
    hot: HotFolder, watcher: Callable[[], subprocess.Popen[bytes]]
) -> None:
    """Killed three times over an order: no attempt charged, then it runs alone; killed once more alone: set aside."""
    drop(hot, order(notes="hang"))
    for starts in range(4):
        process = watcher()
        wait_for(lambda: killtest.beats(hot) == process.pid and states(hot) == {"HB-1-r1": "making"})  # noqa: B023
        (claim,) = status(hot)
        assert (claim.attempts, claim.interrupted, claim.alone) == (0, starts, starts >= 3)
        process.kill()
        process.wait()
    watcher()
    wait_for(lambda: states(hot) == {"HB-1-r1": "set aside"})

    assert "found unfinished" in status(hot)[0].reason


def test_a_worker_does_not_outlive_its_supervisor(
    hot: HotFolder, watcher: Callable[[], subprocess.Popen[bytes]]
) -> None:
    """After SIGKILL of the watcher its worker, in the middle of an order, is gone within a second or two."""
    drop(hot, order(notes="hang"))
    process = watcher()
    wait_for(lambda: states(hot) == {"HB-1-r1": "making"})
    (child,) = killtest.workers_of(process.pid)
    process.kill()
    process.wait()

    wait_for(
        lambda: (
            not Path(f"/proc/{child}/cmdline").exists() or not Path(f"/proc/{child}/cmdline").read_bytes()
        ),
        5,
    )


def test_a_request_to_stop_puts_back_what_is_under_way(
    hot: HotFolder, watcher: Callable[[], subprocess.Popen[bytes]]
) -> None:
    """SIGTERM twice: the watcher ends with 0 at once; the order is back in the queue, nothing charged."""
    drop(hot, order(notes="hang"))
    process = watcher()
    wait_for(lambda: states(hot) == {"HB-1-r1": "making"})
    process.send_signal(signal.SIGTERM)
    time.sleep(0.3)
    assert process.poll() is None  # the first time it lets the order end
    process.send_signal(signal.SIGTERM)

    assert process.wait(5) == 0
    (claim,) = status(hot)
    assert (claim.state, claim.attempts, claim.interrupted) == ("queued", 0, 0)


def test_two_watchers_do_not_work_on_one_folder(
    hot: HotFolder, watcher: Callable[[], subprocess.Popen[bytes]], capsys: pytest.CaptureFixture[str]
) -> None:
    """The second ends with 5 and names the first; after SIGKILL of the first the lock is free (flock(2))."""
    process = watcher()
    wait_for(lambda: killtest.beats(hot) == process.pid)
    assert main(["watch", str(hot.root)]) == 5
    assert f"process {process.pid}" in capsys.readouterr().err
    process.kill()
    process.wait()
    hot.lock().close()


def test_a_night_beside_a_watcher_waits_for_it_and_reports(
    hot: HotFolder, watcher: Callable[[], subprocess.Popen[bytes]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The watcher does the work, the night ends once nothing is left, with the code of what was held."""
    process = watcher()
    wait_for(lambda: killtest.beats(hot) == process.pid)
    drop(hot, order("HB-1", approval="required", notes="slow"), "one")
    monkeypatch.setattr("pipeline.nightpapers.write_night", lambda folder, *_: (folder / "report.pdf",))
    assert main(["night", str(hot.root)]) == 3
    assert states(hot) == {"HB-1-r1": "held"}


# -- the journal ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("damage", ["overwritten", "emptied", "gone", "older"])
def test_a_damaged_or_lost_journal_is_written_again_from_the_folders(hot: HotFolder, damage: str) -> None:
    """Released stays released and is not made again, held stays held, the damaged file is kept (SQLite's own check)."""
    drop(hot, order("HB-1"), "one")
    work(hot)
    journal = Journal(hot.journal)
    journal.backup(hot.backups / "older.sqlite")
    journal.close()
    drop(hot, order("HB-2", approval="required"), "two")
    drop(hot, order("HB-3", revision=4), "three")
    work(hot)
    before = tree(hot.released)
    if damage == "overwritten":
        with hot.journal.open("r+b") as stream:
            stream.seek(4096)
            stream.write(b"\xa5" * 20_000)
    elif damage == "emptied":
        hot.journal.write_bytes(b"")
    elif damage == "gone":
        hot.journal.unlink()
    else:
        (hot.backups / "older.sqlite").replace(hot.journal)
    drop(hot, order("HB-9"), "nine")
    work(hot)

    assert states(hot) == {
        "HB-1-r1": "released",
        "HB-2-r1": "held",
        "HB-3-r4": "released",
        "HB-9-r1": "released",
    }
    after = tree(hot.released)
    assert {name: after[name] for name in before} == before
    assert len(list(hot.inner.glob("journal-damaged*"))) == (1 if damage == "overwritten" else 0)
    with sqlite3.connect(hot.journal) as base:
        assert base.execute("PRAGMA integrity_check").fetchall() == [("ok",)]


def test_a_journal_of_a_newer_program_is_not_touched(hot: HotFolder) -> None:
    """Another version's journal is kept aside and said so; the folders tell what there is."""
    Journal(hot.journal).close()
    with sqlite3.connect(hot.journal) as base:
        base.execute("PRAGMA user_version=99")
    base.close()
    drop(hot, order())
    work(hot)

    assert states(hot) == {"HB-1-r1": "released"}
    with sqlite3.connect(next(hot.inner.glob("journal-damaged*.sqlite"))) as base:
        assert base.execute("PRAGMA user_version").fetchone() == (99,)


# -- the disk ------------------------------------------------------------------------------------------------


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[HotFolder]:
    """Yield a hot folder on a file system of 3 MiB of its own."""
    place = tmp_path / "small"
    place.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=3m", "tmpfs", str(place)], capture_output=True, check=False
    )
    if done.returncode:
        pytest.skip("no file system can be mounted here")
    try:
        yield hot_folder(place / "hot")
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True)


def fill(place: Path, leave: int) -> Path:
    free = os.statvfs(place).f_bavail * os.statvfs(place).f_frsize
    filler = place / "filler"
    filler.write_bytes(bytes(free - leave))
    return filler


@pytest.mark.parametrize("leave", [150_000, 40_000, 0])
def test_a_full_disk_makes_orders_wait_and_nothing_half_is_published(
    small_disk: HotFolder, leave: int
) -> None:
    """Full while working, while taking, and altogether (tmpfs): all released once there is room, byte for byte."""
    process = killtest.start(small_disk, quick=True)
    try:
        drop(small_disk, order("HB-1", notes="slow"), "one")
        wait_for(lambda: bool(states(small_disk)))
        filler = fill(small_disk.root.parent, leave)
        time.sleep(1.5)
        assert all(not killtest.incomplete(folder) for folder in small_disk.released.iterdir())
        filler.unlink()
        drop(small_disk, order("HB-2"), "two")
        wait_for(lambda: states(small_disk) == {"HB-1-r1": "released", "HB-2-r1": "released"}, 40)
        assert process.poll() is None
        assert all(claim.attempts == 0 for claim in status(small_disk))
    finally:
        process.kill()
        process.wait()
    assert all(not killtest.incomplete(folder) for folder in small_disk.released.iterdir())


def test_a_disk_that_turns_read_only_is_waited_for(small_disk: HotFolder) -> None:
    """The watcher stays up, says so, and takes what is dropped once it can be written again (mount(8), remount,ro)."""
    place = str(small_disk.root.parent)
    process = killtest.start(small_disk, quick=True)
    try:
        wait_for(lambda: killtest.beats(small_disk) == process.pid)
        drop(small_disk, order())
        subprocess.run(["mount", "-o", "remount,ro", place], check=False)
        time.sleep(2)
        assert process.poll() is None
        subprocess.run(["mount", "-o", "remount,rw", place], check=True)
        wait_for(lambda: states(small_disk) == {"HB-1-r1": "released"}, 40)
    finally:
        process.kill()
        process.wait()


def test_a_folder_that_goes_away_and_returns_is_served_on(
    hot: HotFolder, watcher: Callable[[], subprocess.Popen[bytes]]
) -> None:
    """Renamed away as an unmounted share is: nothing is written to the empty place; on return the drop is served."""
    process = watcher()
    wait_for(lambda: killtest.beats(hot) == process.pid)
    away = hot.root.with_name("away")
    hot.root.rename(away)
    hot.root.mkdir()
    time.sleep(1.5)
    assert not list(hot.root.iterdir())
    hot.root.rmdir()
    away.rename(hot.root)
    drop(hot, order())

    wait_for(lambda: states(hot) == {"HB-1-r1": "released"}, 40)
    assert process.poll() is None
    assert status(hot)[0].interrupted == 0


def test_a_network_file_system_is_refused_by_name() -> None:
    """Locks and the journal need a local disk; the table of mounts tells (proc_pid_mountinfo(5))."""
    from pipeline.hotfolder.layout import file_system

    mounts = (
        "22 1 253:0 / / rw,relatime shared:1 - ext4 /dev/vda rw\n"
        "40 22 0:44 / /srv/hot rw,relatime shared:9 - cifs //server/hot rw\n"
        "41 22 0:45 / /srv/with\\040space rw - nfs4 server:/x rw\n"
    )
    assert file_system(Path("/srv/hot/jobs"), mounts) == "cifs"
    assert file_system(Path("/srv/with space"), mounts) == "nfs4"
    assert file_system(Path("/srv/hotter"), mounts) == "ext4"


def test_the_lock_names_its_owner(hot: HotFolder) -> None:
    """Whoever comes second is told who works."""
    with hot.lock(), pytest.raises(Busy, match=str(os.getpid())):
        hot.lock()
