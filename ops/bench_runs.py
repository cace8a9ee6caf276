"""Runs one command for the benchmark, and says what it took: time, memory of all its processes, what it wrote."""

from __future__ import annotations

import os
import re
import shutil
import struct
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
POLL_SECONDS = 0.02


@dataclass(frozen=True)
class Run:
    """What one run took and made. `parts` are seconds of the parts of an order, as washfast says in its log."""

    wall_s: float
    cpu_s: float
    peak_bytes: int
    megapixels: float
    written_bytes: int
    parts: Mapping[str, float] = field(default_factory=dict)


def measure(name: str, command: Sequence[str], out: Path) -> Run:
    """Run a command once with an empty folder for "{out}", and return what it took; leave the program if it fails."""
    shutil.rmtree(out, ignore_errors=True)
    out.mkdir()
    with tempfile.TemporaryFile() as said:
        started = time.perf_counter()
        process = subprocess.Popen(
            [word.replace("{out}", str(out)) for word in command],
            stdin=subprocess.DEVNULL,
            stdout=said,
            stderr=said,
            cwd=ROOT,
        )
        watch = Watch(process.pid)
        watch.start()
        _, status, usage = os.wait4(process.pid, 0)
        wall = time.perf_counter() - started
        watch.stop()
        process.returncode = os.waitstatus_to_exitcode(status)
        said.seek(0)
        text = said.read().decode(errors="replace")
    if process.returncode != 0:
        print(text, file=sys.stderr)
        sys.exit(f"bench: {name} ended with {process.returncode}; what it said stands above")
    files = [path for path in out.rglob("*") if path.is_file()]
    return Run(
        wall_s=wall,
        cpu_s=usage.ru_utime + usage.ru_stime,
        peak_bytes=watch.peak_bytes,
        megapixels=sum(png_pixels(path) for path in files) / 1e6,
        written_bytes=sum(path.stat().st_size for path in files),
        parts=parts_in(text),
    )


def parts_in(log: str) -> dict[str, float]:
    """Return the seconds of the parts of an order from washfast's log."""
    found = re.search(r'"agreement_s": ([0-9.]+), "seconds": \{([^}]*)\}', log)
    if found is None:
        return {}
    parts = re.findall(r'"(\w+)": ([0-9.]+)', found[2])
    return {"agreement": float(found[1]), **{name: float(value) for name, value in parts}}


def png_pixels(path: Path) -> int:
    """Return width × height of a PNG file, 0 for any other."""
    with path.open("rb") as file:
        head = file.read(24)
    if head[:8] != b"\x89PNG\r\n\x1a\n":
        return 0
    width, height = struct.unpack(">II", head[16:24])
    return int(width * height)


class Watch(threading.Thread):
    """Watches the resident memory of a process and all that descend from it."""

    def __init__(self, pid: int) -> None:
        super().__init__(daemon=True)
        self.peak_bytes = 0
        self._pid = pid
        self._over = threading.Event()

    def run(self) -> None:
        """Poll until stopped."""
        while not self._over.wait(POLL_SECONDS):
            self.peak_bytes = max(self.peak_bytes, tree_bytes(self._pid))

    def stop(self) -> None:
        """End the polling."""
        self._over.set()
        self.join()


def tree_bytes(root: int) -> int:
    """Return the resident bytes of a process and its descendants (proc(5)); those that end meanwhile count nothing."""
    pages, waiting = 0, [root]
    while waiting:
        place = Path("/proc") / str(waiting.pop())
        try:
            pages += int((place / "statm").read_text().split()[1])
            for task in (place / "task").iterdir():
                waiting += [int(pid) for pid in (task / "children").read_text().split()]
        except OSError:
            continue
    return pages * os.sysconf("SC_PAGE_SIZE")
