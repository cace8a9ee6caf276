"""Looks at incoming/: what is there, whether it is complete, and whether it has stopped changing.

Whether something still changes is decided by several looks of our own on a monotonic clock, never by file times: a
copied file may carry any time. Events are hints only; a look sees all there is.
"""

from __future__ import annotations

import os
import stat
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from pipeline.faults import Refused
from pipeline.hotfolder.endings import looks_whole
from pipeline.manifest_text import printable, read_manifest
from pipeline.order import art_path, parse_order

LOOKS = 3
"""Equal looks in a row before anything is taken."""

LOOK_APART_S = 0.3
"""Looks nearer to each other count as one."""

QUIET_S = 1.5
"""Nothing may have changed for this long."""

QUIET_UNMARKED_S = 5.0
"""The same for art whose format has no end mark, and longer still when a mark that should be there is not."""

QUIET_UNENDED_S = 30.0

WRONG_S = 10.0
"""A manifest that reads well and says something wrong is refused after so long without a change."""

REPORT_S = 60.0
"""What is not complete by then is reported; it is still taken when it completes."""

BROKEN_S = 600.0
"""A manifest that cannot be read at all is refused after so long without a change."""

TRIES = 4
"""Times that something complete could not be copied before a night no longer waits for it."""

PARSE_BUDGET_S = 0.5
"""Time for parsing in one look: with thousands waiting, work must begin before all are read."""

Identity = tuple[int, int, int, int]
Trouble = Literal["", "incomplete", "broken", "wrong"]


def identity(path: Path) -> Identity | None:
    """Return what tells whether a plain file was changed or replaced: device, inode, size, time; None if it is none."""
    try:
        found = path.lstat()
    except (OSError, ValueError):
        return None
    if not stat.S_ISREG(found.st_mode):
        return None
    return found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns


@dataclass(slots=True)
class Sighting:
    """One manifest in incoming/ and all that has been seen of it. `art` maps the manifest's names to files."""

    manifest: Path
    first: float
    state: tuple[Identity | None, ...] = ()
    looks: int = 0
    counted: float = 0.0
    quiet_since: float = 0.0
    read_as: Identity | None = None
    data: Mapping[str, Any] | None = None
    head: Head | None = None
    art: dict[str, Path] = field(default_factory=dict)
    trouble: Trouble = "incomplete"
    problem: str = ""
    decision: bool = False
    not_before: float = 0.0
    tries: int = 0
    busy: str = ""

    def later(self, clock: float, why: str) -> None:
        """Try again later, each time later: a busy file, no room …"""
        self.tries += 1
        self.busy = f"cannot be taken now ({why}); it is tried again."
        self.not_before = clock + min(2.0**self.tries, 60.0)


@dataclass(frozen=True, slots=True)
class Head:
    """What the queue needs to know of an order, and the art that it names."""

    name: str
    revision: int
    customer: str
    title: str
    priority: str
    due: str
    files: tuple[str, ...]


class Intake:
    """Remembers what was seen in incoming/ from look to look."""

    def __init__(self, incoming: Path, clock: Callable[[], float] = time.monotonic) -> None:
        self.incoming = incoming
        self._clock = clock
        self._seen: dict[Path, Sighting] = {}
        self.odd: dict[Path, str] = {}

    def look(self) -> None:
        """Look at everything once. Raises OSError when incoming/ itself cannot be read."""
        at = self._clock()
        self.odd = {}
        present = list(self._manifests())
        for gone in self._seen.keys() - set(present):
            del self._seen[gone]
        started = time.monotonic()
        for path in present:
            sighting = self._seen.setdefault(path, Sighting(path, at))
            may_read = time.monotonic() - started < PARSE_BUDGET_S
            self._look_at(sighting, at, may_read)

    def _manifests(self) -> Iterator[Path]:
        for entry in sorted(os.scandir(self.incoming), key=lambda e: e.name):
            if entry.name.startswith("."):
                continue
            if entry.is_dir(follow_symlinks=False):
                try:
                    inner = sorted(os.scandir(entry.path), key=lambda e: e.name)
                except OSError:
                    continue  # gone again, or not ours to read; the next look tells
                yield from self._taken_for_manifests(inner)
            else:
                yield from self._taken_for_manifests([entry])

    def _taken_for_manifests(self, entries: list[os.DirEntry[str]]) -> Iterator[Path]:
        for entry in entries:
            if entry.name.startswith(".") or not entry.name.lower().endswith((".toml", ".json")):
                continue
            if entry.is_file(follow_symlinks=False):
                yield Path(entry.path)
            elif entry.is_symlink():
                self.odd[Path(entry.path)] = "is a symbolic link. Put the file itself here."
            elif not entry.is_dir(follow_symlinks=False):
                self.odd[Path(entry.path)] = "is no plain file. Take it away."

    def _look_at(self, sighting: Sighting, at: float, may_read: bool) -> None:  # noqa: FBT001
        manifest = identity(sighting.manifest)
        if manifest is None:
            return
        if manifest != sighting.read_as:
            if not may_read:
                return
            _read(sighting)
            sighting.read_as = manifest
        if sighting.head is not None:
            _find_art(sighting)
        state = (manifest, *(identity(path) for path in sighting.art.values()))
        if state != sighting.state:
            sighting.state, sighting.looks, sighting.quiet_since, sighting.counted = state, 1, at, at
        elif at - sighting.counted >= LOOK_APART_S:
            sighting.looks, sighting.counted = sighting.looks + 1, at

    def ready(self) -> list[Sighting]:
        """Return what is complete and quiet: rush first, then by due date and name."""
        at = self._clock()
        found = [s for s in self._seen.values() if s.head and at >= s.not_before and self._settled(s, at)]
        return sorted(found, key=lambda s: _rank(s))

    def decisions(self) -> list[Sighting]:
        """Return the decision files that are quiet."""
        at = self._clock()
        return [
            s
            for s in self._seen.values()
            if s.decision and at >= s.not_before and self._quiet(s, at) >= QUIET_S
        ]

    def refusable(self, *, now: bool = False) -> list[Sighting]:
        """Return what is wrong and has been quiet so long that it will stay so; `now` for the end of a night."""
        at = self._clock()
        found = []
        for sighting in self._seen.values():
            patience = {"wrong": WRONG_S, "broken": WRONG_S if now else BROKEN_S}.get(sighting.trouble)
            late = patience is not None and self._quiet(sighting, at) >= patience
            if late and at >= sighting.not_before:
                found.append(sighting)
        return found

    def overdue(self) -> list[tuple[Path, str]]:
        """Return what should have completed by now, and what it waits for; also what nobody can take."""
        at = self._clock()
        late = [
            (s.manifest, s.busy or s.problem or "is still being written.")
            for s in self._seen.values()
            if at - s.first >= REPORT_S
            and (s.busy or s.problem or (s.read_as and self._quiet(s, at) < QUIET_S))
        ]
        return late + sorted(self.odd.items())

    def unsettled(self) -> list[Sighting]:
        """Return what will be taken or refused by itself before long, or changed a moment ago."""
        at = self._clock()
        lasting = ("incomplete", "broken")
        return [
            s
            for s in self._seen.values()
            if s.tries < TRIES and (s.trouble not in lasting or self._quiet(s, at) < WRONG_S)
        ]

    def unfinished(self) -> list[tuple[Path, str]]:
        """Return everything that is in incoming/, and why it is not taken yet."""
        return [(s.manifest, s.busy or s.problem) for s in self._seen.values()] + sorted(self.odd.items())

    def waiting(self) -> int:
        """Return how many manifests are in incoming/."""
        return len(self._seen)

    def wants(self, path: Path) -> bool:
        """Whether a manifest still in incoming/ names this art, or cannot say yet what it names."""
        near = path.parent
        for sighting in self._seen.values():
            if path in sighting.art.values():
                return True
            if (
                sighting.head is None
                and not sighting.decision
                and sighting.manifest.parent in (near, *near.parents)
            ):
                return True
        return False

    def alone_in(self, folder: Path) -> bool:
        """Whether a folder below incoming/ holds one manifest only."""
        if folder == self.incoming or sum(path.parent == folder for path in self._seen) > 1:
            return False
        return not any(
            art.is_relative_to(folder)
            for sighting in self._seen.values()
            if sighting.manifest.parent != folder
            for art in sighting.art.values()
        )

    def forget(self, sighting: Sighting) -> None:
        """Forget what was taken or moved away."""
        self._seen.pop(sighting.manifest, None)

    def _quiet(self, sighting: Sighting, at: float) -> float:
        return at - sighting.quiet_since if sighting.looks >= LOOKS else 0.0

    def _settled(self, sighting: Sighting, at: float) -> bool:
        quiet = self._quiet(sighting, at)
        if sighting.trouble or quiet < QUIET_S:
            return False
        if quiet >= QUIET_UNENDED_S:
            return True
        endings = [looks_whole(path) for path in sighting.art.values()]
        if False in endings:
            sighting.problem = "waits: its art does not end as its format should."
            return False
        return None not in endings or quiet >= QUIET_UNMARKED_S


def _rank(sighting: Sighting) -> tuple[bool, bool, str, str]:
    head = sighting.head
    assert head is not None
    return head.priority != "rush", not head.due, head.due, sighting.manifest.name


def _read(sighting: Sighting) -> None:
    """Read a manifest as it is now, and say what is wrong with it."""
    sighting.head, sighting.data, sighting.art, sighting.decision = None, None, {}, False
    try:
        data = read_manifest(sighting.manifest, "manifest")
    except Refused as fault:
        sighting.trouble, sighting.problem = "broken", fault.message
        return
    sighting.data = data
    if "decision" in data and "art" not in data:
        sighting.decision, sighting.trouble, sighting.problem = True, "", ""
        return
    try:
        order = parse_order(data, printable(sighting.manifest.name))
    except Refused as fault:
        sighting.trouble = "wrong" if _ended(sighting.manifest) else "broken"
        sighting.problem = fault.message
        return
    files = tuple(dict.fromkeys(entry.file for entry in order.art.values()))
    due = order.due.isoformat() if order.due else ""
    sighting.head = Head(order.order, order.revision, order.customer, order.title, order.priority, due, files)
    sighting.trouble, sighting.problem = "", ""


def _ended(path: Path) -> bool:
    """Whether a manifest's text cannot go on: JSON that parses is whole, TOML is whole at the end of a line only."""
    if path.suffix.lower() == ".json":
        return True
    try:
        with path.open("rb") as stream:
            stream.seek(-1, os.SEEK_END)
            return stream.read(1) == b"\n"
    except OSError:
        return False


def _find_art(sighting: Sighting) -> None:
    """Find the art beside the manifest as it is now."""
    from types import SimpleNamespace

    head, folder = sighting.head, sighting.manifest.parent
    assert head is not None
    sighting.art, sighting.trouble, sighting.problem = {}, "", ""
    for file in head.files:
        try:
            path = art_path(folder, SimpleNamespace(file=file))  # type: ignore[arg-type]
        except Refused as fault:
            there = os.path.lexists(folder / file)
            if there:
                sighting.trouble = "wrong"
            elif sighting.trouble != "wrong":
                sighting.trouble = "incomplete"
            sighting.problem = fault.message
            continue
        sighting.art[file] = path
        if path.stat().st_size == 0 and not sighting.trouble:
            sighting.trouble, sighting.problem = "incomplete", f'The art "{printable(file)}" is still empty.'
