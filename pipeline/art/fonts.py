"""The fonts that live text may be outlined from."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True)
class FontShelf:
    """Font files by folder."""

    folder: Path

    @classmethod
    def of_folder(cls, folder: Path) -> FontShelf:
        """Return the shelf of one folder, so that nothing depends on the machine."""
        return cls(folder)
