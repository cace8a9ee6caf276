"""One worker process seen from its supervisor: given an order, watched, ended when it is late."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

WORKER = (sys.executable, "-P", "-m", "pipeline.hotfolder.worker")
ORDERS_EACH = 40
"""Orders a worker makes before a fresh one takes its place: memory that libraries keep is given back."""


@dataclass(frozen=True, slots=True)
class Died:
    """The worker ended without an answer, or was ended; `text` says how."""

    text: str


class Lane:
    """Makes one order at a time in a process of its own, which is kept for the next."""

    def __init__(
        self,
        root: Path,
        number: int,
        memory: int,
        *,
        worker: tuple[str, ...] = WORKER,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._command = [*worker, str(root), str(number), str(memory)]
        self._clock = clock
        self._child: subprocess.Popen[bytes] | None = None
        self._made = 0
        self._deadline = 0.0
        self._seconds = 0.0
        self._text = b""
        self.claim: int | None = None

    def start(self, claim: int, job: dict[str, Any], seconds: float) -> None:
        """Begin an order; it may take `seconds`."""
        child = self._ready()
        self.claim, self._text = claim, b""
        self._deadline, self._seconds = self._clock() + seconds, seconds
        assert child.stdin is not None
        with suppress(BrokenPipeError):  # it died meanwhile; collect() tells
            child.stdin.write(json.dumps(job).encode() + b"\n")

    def _ready(self) -> subprocess.Popen[bytes]:
        if self._child is not None and (self._child.poll() is not None or self._made >= ORDERS_EACH):
            self.end()
        if self._child is None:
            environment = dict(os.environ)
            environment["PYTHONPATH"] = os.pathsep.join(entry for entry in sys.path if entry)
            # idle threads of a linear algebra library would eat the address space that the limit grants
            environment.update(OPENBLAS_NUM_THREADS="1", OMP_NUM_THREADS="1")
            self._child = subprocess.Popen(
                self._command,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                bufsize=0,
                env=environment,
                start_new_session=True,
            )
            assert self._child.stdout is not None
            os.set_blocking(self._child.stdout.fileno(), False)
            self._made = 0
        return self._child

    def fileno(self) -> int | None:
        """Return what becomes readable when the worker answers or dies."""
        return self._child.stdout.fileno() if self._child and self._child.stdout else None

    @property
    def process(self) -> int | None:
        """Return the worker's process number."""
        return self._child.pid if self._child else None

    def collect(self) -> dict[str, Any] | Died | None:
        """Return the answer of a worker, how it died, or None while it works."""
        child = self._child
        if self.claim is None or child is None or child.stdout is None:
            return None
        closed = self._read(child.stdout.fileno())
        line, ended, _ = self._text.partition(b"\n")
        if ended:
            self.claim, self._made = None, self._made + 1
            answer: dict[str, Any] = json.loads(line)
            return answer
        if closed:
            return Died(_how(self.end(patience=1.0)))
        if self._clock() > self._deadline:
            self.end()
            return Died(f"was ended because it took longer than {self._seconds / 60:.0f} minutes")
        return None

    def _read(self, handle: int) -> bool:
        """Read what is there; whether the worker closed its end."""
        try:
            while piece := os.read(handle, 65536):
                self._text += piece
        except BlockingIOError:
            return False
        return True

    def end(self, patience: float = 0.0) -> int:
        """End the worker and all it started, after `patience` seconds to end by itself; return its exit status."""
        child, self._child, self.claim = self._child, None, None
        if child is None:
            return 0
        with suppress(subprocess.TimeoutExpired):
            child.wait(patience)
        with suppress(ProcessLookupError):
            os.killpg(child.pid, signal.SIGKILL)  # also what a dead worker left behind
        status = child.wait()
        for stream in (child.stdin, child.stdout):
            if stream is not None:
                with suppress(OSError):
                    stream.close()
        return status


def _how(status: int) -> str:
    if status < 0:
        try:
            name = signal.Signals(-status).name
        except ValueError:
            name = str(-status)
        return f"was ended by the system ({name})"
    return f"ended without an answer (status {status})"
