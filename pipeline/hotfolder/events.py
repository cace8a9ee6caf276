"""Events of the file system as a hint to look sooner. Nothing depends on them: the periodic look sees all there is."""

from __future__ import annotations

import logging
import os
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Self

from watchdog.events import FileSystemEvent, FileSystemEventHandler
from watchdog.observers import Observer

from pipeline.log import logger

logging.getLogger("watchdog").addHandler(logging.NullHandler())  # its threads warn while they are being ended


class Events:
    """Watches a folder and the folders in it; readable when something happened. Use it as a context manager."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._observer: object | None = None
        self._read, self._write = os.pipe()
        os.set_blocking(self._read, False)
        os.set_blocking(self._write, False)

    def __enter__(self) -> Self:
        self.renew()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._drop()
        os.close(self._read)
        os.close(self._write)

    def fileno(self) -> int:
        """Return what becomes readable when something happened."""
        return self._read

    def seen(self) -> bool:
        """Whether something happened since the last call."""
        found = False
        with suppress(BlockingIOError):
            while os.read(self._read, 4096):
                found = True
        return found

    def keep_alive(self) -> None:
        """Begin anew when the observer or one of its emitters has died, as they do when the folder goes away."""
        observer = self._observer
        if observer is not None:
            alive = observer.is_alive() and all(e.is_alive() for e in observer.emitters)  # type: ignore[attr-defined]
            if not alive:
                self.renew()

    def renew(self) -> None:
        """Watch the folder as it is now; without events where the system gives none."""
        self._drop()
        observer = Observer()
        try:
            observer.schedule(_Hint(self._write), str(self._folder), recursive=True)
            observer.start()
        except OSError as error:
            logger().warning(
                "no file events here; the folder is looked at every few seconds", error=str(error)
            )
            return
        self._observer = observer

    def _drop(self) -> None:
        observer, self._observer = self._observer, None
        if observer is not None:
            observer.stop()  # type: ignore[attr-defined]
            observer.join(2.0)  # type: ignore[attr-defined]


class _Hint(FileSystemEventHandler):
    """Writes one byte, whatever happened: an exception here would end the observer's thread."""

    def __init__(self, handle: int) -> None:
        self._handle = handle

    def on_any_event(self, event: FileSystemEvent) -> None:
        if event.event_type in ("opened", "closed_no_write"):
            return  # our own looks
        with suppress(OSError):
            os.write(self._handle, b".")
