"""The hot folder under SIGKILL, the short version: steps of the journal, random moments (long: python -m ops.killtest).

The outside reference is an undisturbed run: releases must be equal to the byte, each reached once, nothing lost,
nothing incomplete ever seen in released/ (POSIX rename: the name shows the old or the new, never something between).
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from ops import killtest
from pipeline import release
from pipeline.hotfolder.layout import HotFolder
from pipeline.release import Places

ORDERS = (1, 2, 4, 5, 9)


@pytest.fixture(scope="module")
def calm(tmp_path_factory: pytest.TempPathFactory) -> HotFolder:
    return killtest.undisturbed(tmp_path_factory.mktemp("calm") / "hot", ORDERS, quick=True)


def test_killed_at_random_moments_nothing_is_lost_doubled_or_half_made(
    tmp_path: Path, calm: HotFolder
) -> None:
    """Twelve kills of the watcher or a worker while orders flow in three ways and one is revised."""
    one = killtest.Round(HotFolder(tmp_path / "hot"), ORDERS, quick=True)
    one.run(killtest.random_moments(12, 1.0, seed=5), 60.0)
    one.compare(calm)

    assert one.result.faults == []
    assert one.result.kills + one.result.worker_kills == 12
    assert one.result.looks > 100


@pytest.mark.parametrize("step", [("watcher", 6), ("watcher", 19), ("watcher", 33), ("worker", 2)])
def test_killed_right_at_a_step_it_goes_on(tmp_path: Path, calm: HotFolder, step: tuple[str, int]) -> None:
    """Right before and after commits and renames; the long version takes every step."""
    one = killtest.Round(HotFolder(tmp_path / "hot"), ORDERS, quick=True)
    assert killtest.one_step(one, step)
    one.compare(calm)

    assert one.result.faults == []


def test_the_onlooker_sees_what_is_incomplete(tmp_path: Path) -> None:
    """The kill test's own eye: a release without its record, and one with a changed file, are told."""
    (tmp_path / "A-1-r1").mkdir()
    looker = killtest.Onlooker(tmp_path)
    looker.look()
    (tmp_path / "A-1-r1" / "record.json").write_text('{"files": [{"path": "x", "sha256": "0"}]}')
    (tmp_path / "A-1-r1" / "x").write_text("y")
    looker.look()

    assert [text.partition(":")[0] for text in looker.partial] == ["A-1-r1", "A-1-r1"]
    assert "differs" in looker.partial[1]


def test_a_release_is_durable_before_it_is_visible(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every file, then every folder is synced, then one rename, then the parent (POSIX fsync and rename)."""
    done: list[tuple[str, str]] = []
    fsync, rename = os.fsync, os.rename

    def synced(handle: int) -> None:
        done.append(("fsync", Path(f"/proc/self/fd/{handle}").readlink().name))
        fsync(handle)

    def renamed(source: Path, target: Path) -> None:
        done.append(("rename", Path(source).name))
        rename(source, target)

    places = Places.below(tmp_path)
    with release.staging(tmp_path) as aside:
        (aside / "made" / "sub").mkdir(parents=True)
        (aside / "made" / "record.json").write_text("{}")
        (aside / "made" / "sub" / "plate.png").write_bytes(b"plate")
        monkeypatch.setattr(os, "fsync", synced)
        monkeypatch.setattr(os, "rename", renamed)
        release.publish(aside / "made", places, "A-1-r1")
        monkeypatch.undo()

    files = [("fsync", "record.json"), ("fsync", "plate.png")]
    folders = [("fsync", "made"), ("fsync", "sub")]
    assert sorted(done[:2]) == sorted(files)  # several at a time
    assert done[2:] == [*folders, ("rename", "made"), ("fsync", tmp_path.name)]
