"""Where everything of a hot folder lies, and who may work on it."""

from __future__ import annotations

import fcntl
import os
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from pipeline.faults import Busy, Refused
from pipeline.release import Places

_NETWORK = ("nfs", "cifs", "smb", "fuse", "9p", "afs", "ceph", "gluster")


@dataclass(frozen=True, slots=True)
class HotFolder:
    """The folders of one hot folder; all on one file system, so that taking and publishing are renames."""

    root: Path

    @property
    def incoming(self) -> Path:
        """Where manifests and art are dropped."""
        return self.root / "incoming"

    @property
    def released(self) -> Path:
        """Finished orders, and nothing else."""
        return self.root / "released"

    @property
    def held(self) -> Path:
        """What waits for a decision."""
        return self.root / "held"

    @property
    def refused(self) -> Path:
        """What could not be read or made, with the reason beside it."""
        return self.root / "refused"

    @property
    def archive(self) -> Path:
        """Manifests and art as they came, and releases that were replaced."""
        return self.root / "archive"

    @property
    def reports(self) -> Path:
        """Night reports."""
        return self.root / "reports"

    @property
    def inner(self) -> Path:
        """What is the program's own."""
        return self.root / ".washfast"

    @property
    def claims(self) -> Path:
        """Copies of what was taken, one folder an order; only these are worked from."""
        return self.inner / "claims"

    @property
    def aside(self) -> Path:
        """Unfinished work; cleared at every start."""
        return self.inner / "aside"

    @property
    def shelf(self) -> Path:
        """What was made before, by key; a help that may be removed at any time."""
        return self.inner / "shelf"

    @property
    def logs(self) -> Path:
        """What workers logged, one file an order."""
        return self.inner / "logs"

    @property
    def journal(self) -> Path:
        """The journal's file."""
        return self.inner / "journal.sqlite"

    @property
    def backups(self) -> Path:
        """Copies of the journal, one a day of the week."""
        return self.inner / "backups"

    @property
    def places(self) -> Places:
        """Where the maker of an order puts it."""
        return Places(self.released, self.held, self.aside)

    def set_up(self) -> None:
        """Make what is missing. Refused on a network file system, Busy when it cannot be written."""
        kind = file_system(self.root)
        if kind.startswith(_NETWORK):
            raise Refused(
                f"{self.root} lies on a network file system ({kind}), where neither locks nor the journal can be "
                "trusted. Keep the hot folder on a local disk of the machine that runs washfast, and share that.",
                code="hot-folder",
            )
        try:
            for folder in (self.incoming, self.released, self.held, self.refused, self.archive, self.reports):
                folder.mkdir(parents=True, exist_ok=True)
            for folder in (self.claims, self.aside, self.logs, self.backups):
                folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise Busy(
                f"{self.root}: the hot folder cannot be written ({error.strerror}). Check the disk and the permissions "
                "of the account that runs washfast; nothing was taken."
            ) from error

    def existing(self) -> HotFolder:
        """Return itself when it has been used as a hot folder; Refused otherwise."""
        if not self.journal.is_file():
            raise Refused(
                f"{self.root} is no hot folder yet (it has no .washfast). Start `washfast watch {self.root}` once, or "
                "check the path and whether the disk is mounted.",
                code="hot-folder",
            )
        return self

    def lock(self) -> IO[str]:
        """Take the lock of the one process that works on this folder; Busy when another has it.

        The lock is the kernel's (flock) and goes with the process, however it ends; the number in the file is for
        people only.
        """
        handle = (self.inner / "lock").open("a+")
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            handle.seek(0)
            owner = handle.read().strip()
            handle.close()
            raise Busy(f"{self.root} is already being watched (process {owner or 'unknown'}).") from None
        handle.truncate(0)
        handle.write(f"{os.getpid()}\n")
        handle.flush()
        return handle


def file_system(path: Path, mounts: str | None = None) -> str:
    """Return the kind of file system that `path` lies on, from the system's table of mounts; "" if unknown."""
    if mounts is None:
        try:
            mounts = Path("/proc/self/mountinfo").read_text(encoding="utf-8", errors="surrogateescape")
        except OSError:
            return ""
    here = str(path.resolve())
    best, kind = "", ""
    for line in mounts.splitlines():
        fields, _, after = line.partition(" - ")
        point = fields.split()[4].replace("\\040", " ")
        inside = here == point or here.startswith(point.rstrip("/") + "/")
        if inside and len(point) >= len(best):  # a later mount on the same point hides the earlier
            best, kind = point, after.split()[0]
    return kind
