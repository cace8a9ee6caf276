"""What stops an order or the program, each with its exit code.

Fault                 base; exit 1, a fault of the program
├── Usage             exit 2, the command was used wrongly
├── Refused           exit 4, a manifest, shop file or art that cannot be accepted
└── Busy              exit 5, no space, or someone else is at it; nothing lost, try again

Findings (finding.py) are returned, never raised: an order with findings is held, which is an outcome.
"""

from __future__ import annotations

from enum import IntEnum


class ExitCode(IntEnum):
    """Exit codes of the command; a public interface."""

    DONE = 0
    FAULT = 1
    USAGE = 2
    HELD = 3
    REFUSED = 4
    BUSY = 5


class Fault(Exception):  # noqa: N818 – what the trade and the exit codes call it
    """Base of what stops an order. The message says what happened and what to do next."""

    exit_code = ExitCode.FAULT

    def __init__(self, message: str) -> None:
        super().__init__(message)
        self.message = message


class Usage(Fault):
    """The command line cannot be carried out as written."""

    exit_code = ExitCode.USAGE


class Refused(Fault):
    """A manifest, shop file or art was refused; nothing was made.

    `code` is one of the refusal codes: "manifest", "shop-file", "art-unreadable", "art-too-large", "release".
    """

    exit_code = ExitCode.REFUSED

    def __init__(self, message: str, code: str = "manifest") -> None:
        super().__init__(message)
        self.code = code

    def __reduce__(self) -> tuple[type[Refused], tuple[str, str]]:
        return type(self), (self.message, self.code)


class Busy(Fault):
    """The machine could not do it now (space, memory, a lock); nothing was lost, try again."""

    exit_code = ExitCode.BUSY
