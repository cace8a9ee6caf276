"""Retention: removes what was made here and is no longer needed. What customers sent stays in archive/ for ever."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from pipeline.hotfolder.claim import folder_of, shown
from pipeline.hotfolder.journal import Claim, Journal
from pipeline.hotfolder.layout import HotFolder

FINISHED = ("released", "refused", "replaced")


@dataclass(frozen=True, slots=True)
class Surplus:
    """One thing that may go, and how large it is."""

    path: Path
    bytes: int


def surplus(
    hot: HotFolder, journal: Journal, days: float, keep: int, free_bytes: int, at: datetime | None = None
) -> list[Surplus]:
    """Return what may go, the oldest first: of orders finished more than `days` ago, but for the newest `keep`.

    That is the working copies, worker logs, and releases and held papers that a later revision replaced; never what
    is unfinished, held or set aside, never a standing release, never what was dropped. With `free_bytes` only as much
    as it takes to have so much room.
    """
    before = ((at or datetime.now(UTC)) - timedelta(days=days)).isoformat(timespec="seconds")
    finished = sorted(journal.in_states(*FINISHED), key=lambda claim: (claim.changed_at, claim.id))
    old = [claim for claim in finished[: max(0, len(finished) - keep)] if claim.changed_at <= before]
    found = [Surplus(path, _size(path)) for claim in old for path in _of(claim, hot)]
    if not free_bytes:
        return found
    wanted = free_bytes - shutil.disk_usage(hot.root).free
    chosen: list[Surplus] = []
    for item in found:
        if sum(s.bytes for s in chosen) >= wanted:
            break
        chosen.append(item)
    return chosen


def _of(claim: Claim, hot: HotFolder) -> list[Path]:
    archive = hot.archive / claim.key
    places = [folder_of(hot, claim), hot.logs / f"{claim.key}.log"]
    if archive.is_dir():
        places += sorted(
            p
            for p in archive.iterdir()
            if p.name.partition("-")[0] in ("released", "held", "refused") and _made_here(p)
        )
    return [p for p in places if p.exists() and not p.is_symlink()]


def _made_here(folder: Path) -> bool:
    """A customer's own file or folder may be called "held-crest": ours are folders with a record or a reason."""
    return any((folder / name).is_file() for name in ("record.json", "reason.txt"))


def remove(items: list[Surplus], hot: HotFolder, journal: Journal) -> int:
    """Remove what `surplus` found; return the bytes freed."""
    freed = 0
    for item in items:
        if item.path.is_dir():
            shutil.rmtree(item.path)
        else:
            item.path.unlink()
        freed += item.bytes
    if items:
        journal.note(f"tidied: {len(items)} things, {freed} bytes, the last {shown(items[-1].path, hot)}")
    return freed


def _size(path: Path) -> int:
    files = [path] if path.is_file() else [p for p in path.rglob("*") if p.is_file() and not p.is_symlink()]
    return sum(p.stat().st_size for p in files)
