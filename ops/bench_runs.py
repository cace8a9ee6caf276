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
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
POLL_SECONDS, SHARED_SECONDS = 0.02, 0.1


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
    """Watches the memory of a process and all that descend from it; what they share is counted once (PSS, proc(5))."""

    def __init__(self, pid: int) -> None:
        super().__init__(daemon=True)
        self.peak_bytes = 0
        self._pid = pid
        self._over = threading.Event()

    def run(self) -> None:
        """Poll until stopped: resident memory, which is quick to read, and PSS when that is near its highest."""
        highest, last = 0, 0.0
        while not self._over.wait(POLL_SECONDS):
            tree = tree_of(self._pid)
            resident = sum(resident_bytes(pid) for pid in tree)
            highest = max(highest, resident)
            if resident >= 0.95 * highest and time.perf_counter() - last >= SHARED_SECONDS:
                self.peak_bytes = max(self.peak_bytes, sum(proportional_bytes(pid) for pid in tree))
                last = time.perf_counter()

    def stop(self) -> None:
        """End the polling."""
        self._over.set()
        self.join()


def tree_of(root: int) -> list[int]:
    """Return a process and its descendants."""
    found, waiting = [], [root]
    while waiting:
        pid = waiting.pop()
        found.append(pid)
        with suppress(OSError):
            for task in Path(f"/proc/{pid}/task").iterdir():
                waiting += [int(child) for child in (task / "children").read_text().split()]
    return found


def resident_bytes(pid: int) -> int:
    """Return what of a process lies in memory; 0 when it has ended."""
    with suppress(OSError):
        return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")
    return 0


def proportional_bytes(pid: int) -> int:
    """Return what of a process lies in memory, of shared pages its share; 0 when it has ended."""
    with suppress(OSError):
        for line in Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines():
            if line.startswith("Pss:"):
                return int(line.split()[1]) * 1024
    return 0
