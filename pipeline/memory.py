"""How much memory there is to work in, how much of it a task will want, and a limit that no worker gets past."""

from __future__ import annotations

import ctypes
from contextlib import suppress
from pathlib import Path

PROCESS_BYTES = 160 * 2**20
"""A worker with its libraries, before any pixels."""
BYTES_PER_PIXEL = 12
_SPARE = 0.9
_TRIM_THRESHOLD, _MMAP_THRESHOLD = -1, -3  # mallopt(3)
_HELD_BYTES = 1 << 30


def wanted_bytes(pixels: float) -> int:
    """Return what a worker takes for a task of so many pixels; measured on flat art and on photographs."""
    return PROCESS_BYTES + int(BYTES_PER_PIXEL * pixels)


def free_bytes(proc: Path = Path("/proc"), groups: Path = Path("/sys/fs/cgroup")) -> int | None:
    """Return the memory that may be used, a little spared: of the machine, or of the control group if that is less.

    None where the system does not say (Linux alone does: proc(5), cgroup v2).
    """
    found = []
    with suppress(OSError, StopIteration, ValueError):
        lines = (proc / "meminfo").read_text(encoding="ascii").splitlines()
        found.append(next(int(line.split()[1]) * 1024 for line in lines if line.startswith("MemAvailable:")))
    with suppress(OSError, StopIteration, ValueError):
        lines = (proc / "self/cgroup").read_text(encoding="utf-8").splitlines()
        path = next(line[3:] for line in lines if line.startswith("0::"))
        group = groups / path.strip("/")
        for folder in (group, *group.parents):
            if not folder.is_relative_to(groups):
                break
            found += _left(folder)
    return int(min(found) * _SPARE) if found else None


def _left(group: Path) -> list[int]:
    """Return what is left in a control group; pages of files that can be dropped count as free."""
    with suppress(OSError, ValueError):
        most = int((group / "memory.max").read_text(encoding="ascii"))  # "max": no limit
        used = int((group / "memory.current").read_text(encoding="ascii"))
        stat = dict(line.split() for line in (group / "memory.stat").read_text(encoding="ascii").splitlines())
        return [max(0, most - used + int(stat.get("inactive_file", 0)))]
    return []


def give_back() -> None:
    """Give the system back what this process has freed: after work that takes far more than what comes next."""
    with suppress(OSError, AttributeError):
        ctypes.CDLL(None).malloc_trim(0)


def settle(limit_bytes: int | None) -> None:
    """Make this process a good worker: what it frees it keeps for the next plate, and it takes so much and no more.

    Memory that goes back comes anew, cleared page by page; glibc alone can keep it. Beyond the limit a MemoryError is
    raised here, before the system takes a process that it chooses itself.
    """
    with suppress(OSError, AttributeError):
        library = ctypes.CDLL(None)
        library.mallopt(_TRIM_THRESHOLD, _HELD_BYTES)
        library.mallopt(_MMAP_THRESHOLD, _HELD_BYTES)
    if limit_bytes is not None:
        with suppress(ImportError, OSError, ValueError):
            import resource

            _, hard = resource.getrlimit(resource.RLIMIT_DATA)
            if hard == resource.RLIM_INFINITY or limit_bytes < hard:
                resource.setrlimit(resource.RLIMIT_DATA, (limit_bytes, hard))
