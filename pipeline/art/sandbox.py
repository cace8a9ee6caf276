"""A child process for one piece of work on untrusted art, with limits, thrown away afterwards.

It bounds time and memory. It is no wall against code that has taken over the child: the answer is a pickle.
"""

from __future__ import annotations

import os
import pickle
import resource
import signal
import subprocess
import sys
import tempfile
import traceback
from collections.abc import Sequence
from importlib import import_module
from pathlib import Path
from typing import IO, Any

from pipeline.art.limits import Limits
from pipeline.art.refusal import too_large, unreadable
from pipeline.faults import Fault

START_S = 20.0
"""Added to the deadline for starting Python and importing on a busy machine."""

SMALLER = "Send a simpler or smaller file."


def run(function_path: str, args: Sequence[Any], limits: Limits, spool: Path | None = None) -> Any:
    """Call the module-level function "package.module:name" with `args` in a fresh child; return what it returns.

    The child has `limits.memory_bytes` of address space and `limits.seconds` of processor and of wall-clock time.
    Arguments, result and faults are pickled through unnamed files in `spool` (default: the system's folder for
    temporary files). Raises the Fault that the function raised; Refused when the child died, ran out of memory or
    of time; Fault when it failed in any other way.
    """
    with tempfile.TemporaryFile(dir=spool) as request, tempfile.TemporaryFile(dir=spool) as reply:
        pickle.dump((function_path, tuple(args), limits), request, protocol=pickle.HIGHEST_PROTOCOL)
        request.seek(0)
        status = _spawn(request, reply, limits.seconds + START_S, function_path)
        reply.seek(0)
        if status != 0:
            raise _death(status, limits)
        kind, value = pickle.load(reply)
    if kind == "fault":
        raise value
    if kind == "error":
        raise Fault(f"reading art failed unexpectedly:\n{value}")
    return value


def _spawn(request: IO[bytes], reply: IO[bytes], deadline_s: float, label: str) -> int:
    """Run the child to its end or to the deadline; return its exit status, -SIGKILL when it was stopped."""
    environment = dict(os.environ)
    environment["PYTHONPATH"] = os.pathsep.join(entry for entry in sys.path if entry)
    # Idle BLAS threads would eat the address space that the limit grants.
    environment.update(OPENBLAS_NUM_THREADS="1", OMP_NUM_THREADS="1")
    child = subprocess.Popen(
        [sys.executable, "-P", "-c", f"from {__name__} import child; child()", label],
        stdin=request,
        stdout=reply,
        stderr=subprocess.DEVNULL,
        env=environment,
        start_new_session=True,
    )
    try:
        return child.wait(deadline_s)
    except subprocess.TimeoutExpired:
        return -signal.SIGXCPU
    finally:
        if child.poll() is None:
            os.killpg(child.pid, signal.SIGKILL)
            child.wait()


def _death(status: int, limits: Limits) -> Fault:
    if status in (-signal.SIGXCPU, -signal.SIGKILL):
        allowed = f"{limits.seconds:.0f} seconds"
        return too_large("the art", "reading it took too long or too much memory.", allowed, SMALLER)
    if status == MEMORY:
        allowed = f"{limits.memory_bytes / 2**30:.1f} GiB of memory"
        return too_large("the art", "reading it took too much memory.", allowed, SMALLER)
    return unreadable("the art", f"a decoder crashed on it (status {status}).")


MEMORY = 77


def child() -> None:
    """Main of the child: take the request from standard input, answer on standard output."""
    answer = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # what libraries print must not end up in the answer
    function_path, args, limits = pickle.load(sys.stdin.buffer)
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    resource.setrlimit(resource.RLIMIT_AS, (limits.memory_bytes, limits.memory_bytes))
    seconds = max(1, round(limits.seconds + 0.5))
    resource.setrlimit(resource.RLIMIT_CPU, (seconds, seconds + 5))
    module, _, name = function_path.partition(":")
    try:
        outcome: tuple[str, Any] = ("value", getattr(import_module(module), name)(*args))
        with answer:
            pickle.dump(outcome, answer, protocol=pickle.HIGHEST_PROTOCOL)
        return
    except MemoryError:
        os._exit(MEMORY)
    except Fault as fault:
        outcome = ("fault", fault)
    except Exception:
        outcome = ("error", traceback.format_exc())
    with answer:
        pickle.dump(outcome, answer, protocol=pickle.HIGHEST_PROTOCOL)
