"""The fonts that live text may be outlined from: found by family, weight, style and the characters they hold.

Source of the matching order: CSS Fonts 3 section 5.2, except that a face too far from what is asked counts as missing:
a machine that fakes a bold or a slant prints other shapes than the designer saw.
"""

from __future__ import annotations

import hashlib
import shutil
import subprocess
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

SUFFIXES = frozenset([".ttf", ".otf", ".ttc", ".otc"])
FOLDERS = ("/usr/share/fonts", "/usr/local/share/fonts", "~/.local/share/fonts", "~/.fonts")
NEAR = 150
"""Largest difference in weight (100–900) at which a face stands for the one asked for."""


@dataclass(frozen=True, slots=True)
class Face:
    """One face in a font file. Weights 1–1000 (a range where the font varies), stretch 1 (narrowest) to 9, 5 normal."""

    path: Path
    index: int
    families: tuple[str, ...]
    lightest: float
    heaviest: float
    italic: bool
    stretch: int

    def holds(self, text: str) -> bool:
        """Has the face a glyph for every character (format characters need none)?"""
        known = characters(self.path, self.index)
        return all(ord(c) in known or c in "\u200b\u200c\u200d\u2060\ufe0e\ufe0f" for c in text)

    def digest(self) -> str:
        """Return the SHA-256 of the file."""
        return _digest(self.path)


@dataclass(frozen=True, slots=True)
class FontShelf:
    """Where fonts are looked for. `folder` None means the machine's own; `generic` says what "serif" and the like are.

    The key "" in `generic` is the family for text that names none.
    """

    folder: Path | None = None
    generic: Mapping[str, str] = field(default_factory=dict)

    @classmethod
    def of_folder(cls, folder: Path, generic: Mapping[str, str] | None = None) -> FontShelf:
        """Return the shelf of one folder and those below it, so that nothing depends on the machine."""
        return cls(folder, dict(generic or {}))

    def find(
        self, family: str, weight: float = 400, *, italic: bool = False, stretch: int = 5
    ) -> Face | None:
        """Return the face nearest to what is asked within the family, None where none is near enough."""
        family = self.generic.get(family.strip().lower(), family).strip()
        faces = [f for f in self._family(family.casefold()) if f.italic == italic]
        if not faces:
            return None
        width = min(abs(f.stretch - stretch) for f in faces)
        faces = [f for f in faces if abs(f.stretch - stretch) == width]

        def distance(face: Face) -> tuple[float, float, str, int]:
            away = max(face.lightest - weight, weight - face.heaviest, 0.0)
            return away, face.lightest if weight < 400 else -face.heaviest, str(face.path), face.index

        best = min(faces, key=distance)
        return best if distance(best)[0] <= NEAR and width <= 2 else None

    def _family(self, family: str) -> tuple[Face, ...]:
        if self.folder is not None:
            return tuple(f for p in files_below(self.folder) for f in faces_of(p) if family in f.families)
        paths = sorted(p for p, families in _installed() if families is None or family in families)
        return tuple(f for p in paths for f in faces_of(p) if family in f.families)


@lru_cache(maxsize=8)
def files_below(folder: Path) -> tuple[Path, ...]:
    """Return the font files below a folder, in order of their paths."""
    return tuple(
        sorted(p for p in folder.expanduser().rglob("*") if p.suffix.lower() in SUFFIXES and p.is_file())
    )


@lru_cache(maxsize=1)
def _installed() -> tuple[tuple[Path, frozenset[str] | None], ...]:
    """Return the machine's font files, with their families where fontconfig tells them."""
    tool = shutil.which("fc-list")
    if tool is None:
        return tuple((p, None) for folder in FOLDERS for p in files_below(Path(folder)))
    told = subprocess.run(
        [tool, "--format", "%{file}\t%{family}\n"], capture_output=True, timeout=60, check=False
    )
    found: dict[Path, set[str]] = {}
    for line in told.stdout.decode("utf-8", "replace").splitlines():
        name, _, families = line.partition("\t")
        path = Path(name)
        if path.suffix.lower() in SUFFIXES:
            found.setdefault(path, set()).update(f.strip().casefold() for f in families.split(","))
    return tuple((p, frozenset(f)) for p, f in sorted(found.items()))


@lru_cache(maxsize=4096)
def faces_of(path: Path) -> tuple[Face, ...]:
    """Return the faces in a font file; none where it cannot be read."""
    from fontTools.ttLib import TTCollection, TTFont, TTLibError

    try:
        with path.open("rb") as file:  # opened here: what turns out to be no font would stay open
            if path.suffix.lower() in (".ttc", ".otc"):
                fonts = TTCollection(file, lazy=True).fonts
                return tuple(_face(path, index, font) for index, font in enumerate(fonts))
            return (_face(path, 0, TTFont(file, lazy=True)),)
    except (TTLibError, OSError, KeyError, ValueError, AssertionError):
        return ()


def _face(path: Path, index: int, font: object) -> Face:
    names = font["name"].names  # type: ignore[index]
    families = {str(n.toUnicode()).strip().casefold() for n in names if n.nameID in (1, 16)}
    metrics = font.get("OS/2")  # type: ignore[attr-defined]
    weight = float(metrics.usWeightClass) if metrics is not None else 400.0
    italic = bool(metrics is not None and metrics.fsSelection & 1) or bool(font["head"].macStyle & 2)  # type: ignore[index]
    lightest = heaviest = weight
    if "fvar" in font:  # type: ignore[operator]
        for axis in font["fvar"].axes:  # type: ignore[index]
            if axis.axisTag == "wght":
                lightest, heaviest = float(axis.minValue), float(axis.maxValue)
    stretch = int(metrics.usWidthClass) if metrics is not None else 5
    return Face(path, index, tuple(sorted(families)), lightest, heaviest, italic, stretch)


@lru_cache(maxsize=64)
def characters(path: Path, index: int) -> frozenset[int]:
    """Return the characters a face has glyphs for."""
    from fontTools.ttLib import TTFont

    with TTFont(path, fontNumber=index, lazy=True) as font:
        return frozenset(font.getBestCmap() or ())


@lru_cache(maxsize=64)
def _digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()
