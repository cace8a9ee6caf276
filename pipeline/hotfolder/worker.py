"""The process that makes orders for the hot folder: one line of JSON in, one line out, an order each.

It ends with its supervisor: when standard input closes, it ends itself and all it started.
"""

from __future__ import annotations

import errno
import fcntl
import json
import os
import queue
import resource
import signal
import sys
import threading
import traceback
from contextlib import suppress
from pathlib import Path
from typing import Any, NoReturn

RESOURCE = (
    errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EMFILE, errno.ENFILE, errno.EBUSY, errno.EIO, errno.ESTALE,
    errno.EACCES, errno.EPERM, errno.ENOMEM, errno.ETIMEDOUT, errno.ENOTCONN,
)  # fmt: skip
"""Faults of the machine, not of the order: wait, and try again."""


def main(arguments: list[str]) -> NoReturn:
    """Serve the supervisor until standard input closes. Arguments: hot folder, lane, memory limit in bytes."""
    root, lane, memory = Path(arguments[0]), arguments[1], int(arguments[2])
    answers = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)  # what libraries print must not end up among the answers
    _limit(memory)
    jobs: queue.SimpleQueue[str] = queue.SimpleQueue()
    threading.Thread(target=_listen, args=(jobs,), daemon=True).start()
    with (root / ".washfast" / f"lane-{lane}.lock").open("a") as lock:
        # one that outlives its supervisor for a moment must not meet its successor
        fcntl.flock(lock, fcntl.LOCK_EX)
        while True:
            answer = _answer(json.loads(jobs.get()))
            answers.write(json.dumps(answer) + "\n")
            answers.flush()


def _listen(jobs: queue.SimpleQueue[str]) -> None:
    for line in sys.stdin:
        jobs.put(line)
    os.killpg(os.getpgrp(), signal.SIGKILL)  # the supervisor is gone: so is everything begun for it


def _limit(memory: int) -> None:
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    resource.setrlimit(resource.RLIMIT_AS, (memory, memory))
    with suppress(OSError):
        # when memory runs out, the system is to take a worker and not the supervisor
        Path("/proc/self/oom_score_adj").write_text("500", encoding="ascii")


def _answer(job: dict[str, Any]) -> dict[str, Any]:
    log = os.open(job["log"], os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)
    os.dup2(log, 2)
    os.dup2(log, 1)
    os.close(log)
    try:
        return make(job)
    except MemoryError:
        return _busy("Not enough memory. The order waits and is tried again alone.", memory=True)
    except OSError as error:
        if error.errno in RESOURCE:
            return _busy(
                f"{error.strerror} ({error.filename or 'no file'}). The order waits and is tried again."
            )
        return _crash(error)
    except Exception as error:
        return _crash(error)


def make(job: dict[str, Any]) -> dict[str, Any]:
    """Make one order; the outcome as the supervisor reads it."""
    from pipeline.engine import Engine
    from pipeline.faults import Refused
    from pipeline.log import configure
    from pipeline.make import make_order
    from pipeline.outcome import Decided
    from pipeline.release import Places
    from pipeline.shelf import Shelf
    from pipeline.shop import load_shop

    configure()
    places = Places(Path(job["released"]), Path(job["held"]), Path(job["aside"]))
    decided = Decided(
        approved_by=job["approved_by"],
        previous=Path(job["previous"]) if job["previous"] else None,
        declined=job["declined"],
    )
    try:
        shop = load_shop(Path(job["shop"]) if job["shop"] else None)
    except Refused as fault:  # not the order's fault: it waits until the shop file is mended
        return _busy(fault.message)
    with Engine(job["workers"]) as engine:
        outcome = make_order(
            Path(job["manifest"]), shop, places, engine, decided, shelf=Shelf(Path(job["shelf"]))
        )
    return {**outcome.as_json(), "exit_code": int(outcome.exit_code), "unchanged": outcome.unchanged}


def _busy(message: str, *, memory: bool = False) -> dict[str, Any]:
    return {"state": "failed", "exit_code": 5, "message": message, "memory": memory}


def _crash(error: Exception) -> dict[str, Any]:
    traceback.print_exc()
    text = f"A fault of the program ({type(error).__name__}: {error})."
    return {"state": "failed", "exit_code": 1, "message": text}


if __name__ == "__main__":
    main(sys.argv[1:])
