"""The shelf: what was made before, by key, so that it need not be made again. Shared by orders and by processes.

An entry is a folder named by its key, with files and their digests; it appears by one rename and is never changed.
What comes off the shelf is copied and its digest compared, so that a spoilt entry is thrown away and the thing made
anew. The shelf is a help, no store: whatever goes wrong with it costs time only.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import time
import uuid
from collections.abc import Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

_ENTRY = "entry.json"
_ASIDE = "aside-"
_THREADS = 4
_WORTH_THREADS = 8 * 2**20  # bytes; below, hashing takes no longer than starting threads
_DAY_S = 86400.0
_AGE_S = (
    3600 / 2**20
)  # a byte; a drawing of 90 MB is made again in less time than a study or a plate of a few


@dataclass(frozen=True, slots=True)
class Shelf:
    """A folder of entries, at most `most_bytes` large; what nobody took for `most_days` goes."""

    folder: Path
    most_bytes: int = 2 * 2**30
    most_days: float = 60.0

    def take(self, key: str, targets: Mapping[str, Path], *, link: bool = False) -> dict[str, Any] | None:
        """Put the files of an entry, by name, at `targets`, and return its note; None when there is none that is whole.

        With `link` the files may share their bytes with the shelf: for targets that nobody ever writes to.
        """
        place = self._place(key)
        try:
            if not _is_own(self.folder):
                return None
            entry = json.loads((place / _ENTRY).read_bytes())
            for name, target in targets.items():
                _copy(place / name, target, link=link)
            for name, found in zip(targets, digests(targets.values()), strict=True):
                if found != entry["files"][name]:
                    raise ValueError(f"{name} on the shelf is spoilt")
            os.utime(place)  # taken just now: goes last
            note: dict[str, Any] = entry["note"]
            return note
        except (OSError, ValueError, KeyError, TypeError):
            for target in targets.values():
                target.unlink(missing_ok=True)
            self._drop(place)
            return None

    def note(self, key: str) -> dict[str, Any] | None:
        """Return the note of an entry, without its files; None when there is none."""
        return self.take(key, {})

    def keep(
        self,
        key: str,
        files: Mapping[str, Path],
        note: Mapping[str, Any] | None = None,
        *,
        link: bool = False,
    ) -> None:
        """Put copies of files on the shelf under a key; the first to come stays.

        With `link` the shelf may share the bytes of the files: of those that nobody ever writes to.
        """
        place = self._place(key)
        if place.exists():
            return
        aside = self.folder / f"{_ASIDE}{uuid.uuid4().hex}"
        try:
            self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            if not _is_own(self.folder):
                return
            aside.mkdir()
            for name, path in files.items():
                (aside / name).parent.mkdir(parents=True, exist_ok=True)
                _copy(path, aside / name, link=link)
            entry = {"files": {name: digest(aside / name) for name in files}, "note": dict(note or {})}
            (aside / _ENTRY).write_text(json.dumps(entry), encoding="utf-8")
            place.parent.mkdir(exist_ok=True)
            aside.rename(place)
        except OSError:  # no room, or another was first
            shutil.rmtree(aside, ignore_errors=True)

    def tidy(self) -> None:
        """Remove what was not taken for long, and beyond the size what was taken longest ago, the large sooner."""
        now, room = time.time(), self.most_bytes
        entries = [(used - size * _AGE_S, used, size, place) for used, size, place in self._entries()]
        for _, used, size, place in sorted(entries, reverse=True):
            if size > room or now - used > self.most_days * _DAY_S:
                self._drop(place)
            else:
                room -= size
        for left in self.folder.glob(f"{_ASIDE}*"):
            with suppress(OSError):
                if now - left.stat().st_mtime > _DAY_S:
                    shutil.rmtree(left, ignore_errors=True)

    def _entries(self) -> list[tuple[float, int, Path]]:
        """Return when each entry was taken last, its size, and where it lies."""
        found = []
        for place in self.folder.glob("??/*"):
            with suppress(OSError):
                found.append((place.stat().st_mtime, _size(place), place))
        return found

    def _place(self, key: str) -> Path:
        return self.folder / key[:2] / key

    def _drop(self, place: Path) -> None:
        aside = self.folder / f"{_ASIDE}{uuid.uuid4().hex}"
        with suppress(OSError):
            place.rename(aside)  # whoever comes meanwhile finds all of it or nothing
            shutil.rmtree(aside, ignore_errors=True)


def user_shelf() -> Shelf:
    """Return the shelf in the user's cache folder (XDG Base Directory Specification)."""
    cache = os.environ.get("XDG_CACHE_HOME", "")
    base = Path(cache) if cache.startswith("/") else Path.home() / ".cache"
    return Shelf(base / "washfast" / "shelf")


def _is_own(folder: Path) -> bool:
    """Say whether nobody else can write here: what lies on the shelf is trusted."""
    status = folder.stat()
    return status.st_uid == os.geteuid() and not status.st_mode & 0o022


def _copy(source: Path, target: Path, *, link: bool) -> None:
    if link:
        with suppress(OSError):  # another file system
            target.hardlink_to(source)
            return
    shutil.copyfile(source, target)


def digest(path: Path) -> str:
    """Return the SHA-256 of a file in hexadecimal."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def digests(paths: Iterable[Path]) -> list[str]:
    """Return the digests of files, several at a time: hashing lets other threads run."""
    todo = list(paths)
    if len(todo) < 2 or sum(path.stat().st_size for path in todo) < _WORTH_THREADS:
        return [digest(path) for path in todo]
    with ThreadPoolExecutor(min(_THREADS, os.cpu_count() or 1)) as pool:
        return list(pool.map(digest, todo))


def _size(folder: Path) -> int:
    total = 0
    for path in folder.rglob("*"):
        with suppress(OSError):
            total += path.stat().st_size
    return total
