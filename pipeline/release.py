"""Writes an order aside, then publishes it whole: one rename, or nothing.

The staging folder lies in the folder that will hold the release, so that the rename stays on one file system. Its lock
is held while its maker lives; a staging folder whose lock is free was left by a crash and is cleared away.
"""

from __future__ import annotations

import fcntl
import os
import shutil
import tempfile
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from pipeline.faults import Busy, Refused
from pipeline.shelf import digest as digest
from pipeline.shelf import digests as digests

RECORD = "record.json"
_PREFIX = ".washfast-"
_AT_ONCE = 4


@dataclass(frozen=True, slots=True)
class Places:
    """Where releases, held orders and unfinished work lie; all on one file system, so that publishing is a rename."""

    released: Path
    held: Path
    aside: Path

    @classmethod
    def below(cls, out: Path) -> Places:
        """Return the places of an output folder: releases in it, what is held in out/held."""
        return cls(out, out / "held", out)


@contextmanager
def staging(out: Path) -> Iterator[Path]:
    """Yield an empty folder in `out`; it is gone afterwards, whatever happened."""
    try:
        out.mkdir(parents=True, exist_ok=True)
        with _alone(out):  # a neighbour must not take a folder for left over before its lock is held
            _clear_left_over(out)
            folder = Path(tempfile.mkdtemp(prefix=_PREFIX, dir=out))
            lock = (folder / "lock").open("a")
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        raise Busy(
            f"{out}: cannot write here ({error.strerror}). Choose another --out, or free the folder, and try again."
        ) from error
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)
        lock.close()


@contextmanager
def _alone(folder: Path) -> Iterator[None]:
    handle = os.open(folder, os.O_RDONLY)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)


def publish(staged: Path, places: Places, name: str) -> bool:
    """Move a finished release to its place. Returns False when the same release already stands there.

    Raises Refused when a different release stands under that name: it is never overwritten.
    """
    target = places.released / name
    sync(staged)
    if target.exists():
        if _same(staged, target):
            return False
        raise Refused(
            f"{target} already holds a different release under this revision. Raise `revision` in the manifest, or "
            "move the old release away, and make the order again.",
            code="release",
        )
    staged.rename(target)
    sync_folder(places.released)
    if (places.held / name).exists():  # it waited for a decision; the release is that decision
        (places.held / name).rename(
            staged.parent / "held-before"
        )  # gone at once; cleared with the staging folder
    if places.held.parent == places.released:
        with suppress(OSError):
            places.held.rmdir()
    return True


def hold(staged: Path, places: Places, name: str, aside: Path) -> None:
    """Move a held order to its place, instead of what was held there; `aside` takes the old one."""
    target = places.held / name
    target.parent.mkdir(exist_ok=True)
    sync(staged)
    if target.exists():
        target.rename(aside / "held-before")
    staged.rename(target)
    sync_folder(target.parent)


def retire(folder: Path, to: Path) -> None:
    """Move a release or a held order that was replaced to `to`, which must not be there; both ends are made durable."""
    to.parent.mkdir(parents=True, exist_ok=True)
    folder.rename(to)
    sync_folder(to.parent)
    sync_folder(folder.parent)


def remove(out: Path, name: str) -> None:
    """Remove a release, or what was held under its name, that this program made; anything else is left alone."""
    for folder in (out / name, out / "held" / name):
        if (folder / RECORD).is_file():
            shutil.rmtree(folder)


def files_below(folder: Path) -> list[Path]:
    """Return all regular files below a folder, relative to it, in a fixed order."""
    return sorted(path.relative_to(folder) for path in folder.rglob("*") if path.is_file())


def _same(one: Path, other: Path) -> bool:
    # the record holds the digest of every other file
    record = other / RECORD
    return record.is_file() and record.read_bytes() == (one / RECORD).read_bytes()


def sync(folder: Path) -> None:
    """Make a folder and all below it durable (POSIX fsync of every file, then of every folder)."""
    with ThreadPoolExecutor(_AT_ONCE) as pool:  # a journal commits for several that wait at the price of one
        list(pool.map(_sync_file, (folder / path for path in files_below(folder))))
    for path in sorted({folder, *(p for p in folder.rglob("*") if p.is_dir())}):
        sync_folder(path)


def _sync_file(path: Path) -> None:
    with path.open("rb") as stream:
        os.fsync(stream.fileno())


def sync_folder(folder: Path) -> None:
    """Make the names in a folder durable."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _clear_left_over(out: Path) -> None:
    for folder in out.glob(f"{_PREFIX}*"):
        try:
            with (folder / "lock").open("r+") as stream:  # never made here: its owner may just be clearing up
                fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
                shutil.rmtree(folder, ignore_errors=True)
        except OSError:
            continue  # its maker lives, or it is gone by now
