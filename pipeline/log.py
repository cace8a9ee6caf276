"""Logs: for people on a terminal, JSON lines otherwise, always to stderr; results go to stdout."""

from __future__ import annotations

import sys
import time
from contextlib import suppress
from typing import Any

import structlog


def configure(*, quiet: bool = False) -> None:
    """Set up structlog once for this process; `quiet` keeps warnings and errors only."""
    terminal = sys.stderr.isatty()
    render: Any = (
        structlog.dev.ConsoleRenderer(colors=terminal, pad_event_to=36)
        if terminal
        else structlog.processors.JSONRenderer(ensure_ascii=False)
    )
    structlog.configure(
        processors=[
            structlog.contextvars.merge_contextvars,
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.format_exc_info,
            render,
        ],
        wrapper_class=structlog.make_filtering_bound_logger(30 if quiet else 20),
        logger_factory=structlog.WriteLoggerFactory(file=_Stderr()),  # type: ignore[arg-type]
        cache_logger_on_first_use=False,
    )


class _Stderr:
    """Standard error as it is now; a full disk or a reader that went away behind it must not stop any work."""

    def write(self, text: str) -> None:
        with suppress(OSError, ValueError):
            sys.stderr.write(text)

    def flush(self) -> None:
        with suppress(OSError, ValueError):
            sys.stderr.flush()


def logger() -> Any:
    """Return the program's logger."""
    return structlog.get_logger("washfast")


class Laps:
    """What the parts of some work took, in seconds of the clock on the wall, for the log."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self._began = time.perf_counter()

    def end(self, part: str) -> None:
        """End a part; the next begins."""
        now = time.perf_counter()
        self.seconds[part] = round(now - self._began, 3)
        self._began = now
