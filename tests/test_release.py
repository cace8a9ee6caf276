"""Publishing is one rename: a release is whole, or it is not there."""

from __future__ import annotations

import fcntl
import threading
from pathlib import Path

import pytest

from pipeline import release
from pipeline.faults import Busy, Refused
from pipeline.release import Places


def staged(folder: Path, text: str) -> Path:
    made = folder / "made"
    (made / "sub").mkdir(parents=True)
    (made / "record.json").write_text(text)
    (made / "sub" / "plate.png").write_bytes(b"plate")
    return made


def test_a_release_appears_whole_and_staging_leaves_nothing(tmp_path: Path) -> None:
    """After publishing, the folder holds the release and nothing else."""
    with release.staging(tmp_path) as aside:
        assert release.publish(staged(aside, "{}"), Places.below(tmp_path), "HB-1-r1") is True

    assert [path.name for path in tmp_path.iterdir()] == ["HB-1-r1"]
    assert [path.as_posix() for path in release.files_below(tmp_path / "HB-1-r1")] == [
        "record.json",
        "sub/plate.png",
    ]


def test_the_same_release_again_changes_nothing(tmp_path: Path) -> None:
    """Publishing an equal release leaves the standing one, to the byte and the inode."""
    with release.staging(tmp_path) as aside:
        release.publish(staged(aside, "{}"), Places.below(tmp_path), "HB-1-r1")
    before = (tmp_path / "HB-1-r1" / "record.json").stat().st_ino

    with release.staging(tmp_path) as aside:
        assert release.publish(staged(aside, "{}"), Places.below(tmp_path), "HB-1-r1") is False

    assert (tmp_path / "HB-1-r1" / "record.json").stat().st_ino == before


def test_a_different_release_under_the_same_revision_is_refused(tmp_path: Path) -> None:
    """What was released stays; the message says to raise the revision."""
    with release.staging(tmp_path) as aside:
        release.publish(staged(aside, "old"), Places.below(tmp_path), "HB-1-r1")

    with release.staging(tmp_path) as aside, pytest.raises(Refused, match="Raise `revision`"):
        release.publish(staged(aside, "new"), Places.below(tmp_path), "HB-1-r1")

    assert (tmp_path / "HB-1-r1" / "record.json").read_text() == "old"
    assert [path.name for path in tmp_path.iterdir()] == ["HB-1-r1"]


def test_a_held_order_replaces_what_was_held_and_goes_once_released(tmp_path: Path) -> None:
    """held/ shows the newest state only, and is gone when the order is released."""
    for text in ("first", "second"):
        with release.staging(tmp_path) as aside:
            release.hold(staged(aside, text), Places.below(tmp_path), "HB-1-r1", aside)
    assert (tmp_path / "held" / "HB-1-r1" / "record.json").read_text() == "second"

    with release.staging(tmp_path) as aside:
        release.publish(staged(aside, "{}"), Places.below(tmp_path), "HB-1-r1")

    assert [path.name for path in tmp_path.iterdir()] == ["HB-1-r1"]


def test_what_a_crash_left_is_cleared_but_never_a_living_neighbours(tmp_path: Path) -> None:
    """A staging folder whose lock is free is cleared away; one whose lock is held stays (flock, POSIX systems)."""
    dead, living = tmp_path / ".washfast-dead", tmp_path / ".washfast-living"
    for folder in (dead, living):
        folder.mkdir()
        (folder / "lock").touch()

    with (living / "lock").open("a") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        with release.staging(tmp_path):
            assert not dead.exists()
            assert living.exists()


def test_a_folder_that_cannot_be_written_is_busy_not_a_crash(tmp_path: Path) -> None:
    """A file in the place of the output folder is exit 5 with the path and the next move."""
    (tmp_path / "file").touch()

    with pytest.raises(Busy, match="another --out"), release.staging(tmp_path / "file"):
        raise AssertionError("not reached")


def test_neighbours_never_take_each_others_staging_folder_for_left_over(tmp_path: Path) -> None:
    """Four makers stage in one folder again and again: each finds its own folder to the end (flock(2))."""
    lost: list[str] = []

    def make(name: str) -> None:
        for _ in range(60):
            with release.staging(tmp_path) as aside:
                (aside / name).touch()
                if [p.name for p in sorted(aside.iterdir())] != sorted(["lock", name]):
                    lost.append(name)

    makers = [threading.Thread(target=make, args=(f"maker-{n}",)) for n in range(4)]
    for maker in makers:
        maker.start()
    for maker in makers:
        maker.join()

    assert lost == []
    assert list(tmp_path.iterdir()) == []


def test_what_is_replaced_moves_whole_and_durably(tmp_path: Path) -> None:
    """retire() is one rename to a place that is made where missing."""
    made = staged(tmp_path, "{}")
    release.retire(made, tmp_path / "archive" / "A" / "released")

    assert not made.exists()
    assert (tmp_path / "archive" / "A" / "released" / "sub" / "plate.png").read_bytes() == b"plate"
