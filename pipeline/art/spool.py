"""Where drawings lie on the spool of an order."""

from __future__ import annotations

import hashlib
from pathlib import Path


def drawing_name(art: str, turn_deg: float) -> str:
    """Return the name under which a piece of art, turned or not, is kept on the spool."""
    return art if turn_deg % 360 == 0 else f"{art}@{turn_deg % 360:g}"


def art_file(spool: Path, name: str) -> Path:
    """Return the file of a drawing by its name; SVG and pixels lie beside it, with another suffix."""
    return spool / f"art-{hashlib.sha256(name.encode()).hexdigest()[:16]}.pickle"


def art_files(spool: Path, name: str) -> list[Path]:
    """Return all files of a drawing that lie on the spool."""
    path = art_file(spool, name)
    return [one for one in (path, path.with_suffix(".svg"), path.with_suffix(".npy")) if one.exists()]
