"""cairocffi, imported without its search for the library, which runs a compiler and a linker where it finds them."""

from __future__ import annotations

import ctypes
import ctypes.util
from collections.abc import Iterator
from contextlib import contextmanager, suppress

_NAME = "libcairo.so.2"


@contextmanager
def _by_name() -> Iterator[None]:
    """Have no library searched for while this lasts, if cairo opens by its name: cairocffi then opens that."""
    search = ctypes.util.find_library
    with suppress(OSError):
        ctypes.CDLL(_NAME)
        ctypes.util.find_library = lambda name: None  # noqa: ARG005
    try:
        yield
    finally:
        ctypes.util.find_library = search


with _by_name():
    import cairocffi as cairo

__all__ = ["cairo"]
