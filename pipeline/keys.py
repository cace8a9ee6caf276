"""Keys of draws and plates: the digest of everything that can change their bytes. Same key, same bytes."""

from __future__ import annotations

import ctypes
import dataclasses
import hashlib
import json
import re
from functools import cache
from importlib.metadata import distribution, version
from pathlib import Path
from typing import Any

_LIBRARIES = (
    "numpy", "scipy", "pillow", "cairosvg", "cairocffi", "resvg_py", "tinycss2", "cssselect2", "fonttools", "uharfbuzz",
    "pypdfium2", "pikepdf", "isal",
)  # fmt: skip
_CAIRO = "libcairo.so.2"
_CODE = (
    "colour",
    "art",
    "stages",
    "press",
    "line.py",
    "treat.py",
    "raster.py",
    "raster_bleed.py",
    "raster_blur.py",
    "raster_kept.py",
    "raster_lossy.py",
    "raster_ops.py",
    "raster_runs.py",
    "raster_mix.py",
    "soft_proof.py",
    "checks.py",
    "checks_place.py",
    "study.py",
    "alternatives.py",
    "remedies.py",
    "reading.py",
    "tasks.py",
)


def key_of(*parts: Any) -> str:
    """Return the key of the given values: dataclasses, models, plain values, sequences, mappings."""
    plain = json.dumps([code_version(), library_versions(), _plain(parts)], sort_keys=True, ensure_ascii=True)
    return hashlib.sha256(plain.encode("ascii")).hexdigest()[:32]


@cache
def library_versions() -> dict[str, str]:
    """Return the versions of the libraries that can change a byte of a plate; for the keys and record.json."""
    found = {name: _version(name) for name in _LIBRARIES}
    found["cairo"] = _cairo_version()
    return found


def _version(name: str) -> str:
    """Return the version of a distribution; to read all its metadata as a message takes ten times longer."""
    said = distribution(name).read_text("METADATA") or ""
    found = re.search(r"^Version: *(\S+)", said, re.MULTILINE)
    return version(name) if found is None else found[1]


def _cairo_version() -> str:
    """Return the version of the cairo that cairocffi opens; to import that takes longer than to make an order again."""
    try:
        said = ctypes.CDLL(_CAIRO).cairo_version_string
    except OSError:
        import cairocffi

        return str(cairocffi.cairo_version_string())
    said.restype = ctypes.c_char_p
    return str(said().decode("ascii"))


@cache
def code_version() -> str:
    """Return the digest of the code that makes plates."""
    return _digest_of(_CODE)


@cache
def program_version() -> str:
    """Return the digest of the whole program: of what makes papers and records too."""
    return _digest_of((".",))


def _digest_of(names: tuple[str, ...]) -> str:
    root = Path(__file__).resolve().parent
    whole = hashlib.sha256()
    for name in names:
        place = root / name
        files = [place] if place.is_file() else sorted(place.rglob("*.py"))
        for file in files:
            whole.update(file.relative_to(root).as_posix().encode() + b"\0" + file.read_bytes() + b"\0")
    return whole.hexdigest()[:16]


def _plain(value: Any) -> Any:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        fields = {f.name: _plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
        return {"type": type(value).__name__, **fields}
    if hasattr(value, "model_dump"):  # a part of a manifest or of the shop file
        return {"type": type(value).__name__, **_plain(value.model_dump(mode="json"))}
    if isinstance(value, (bytes, bytearray)):
        return hashlib.sha256(value).hexdigest()
    if isinstance(value, dict):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, (set, frozenset)):
        return sorted(json.dumps(_plain(v), sort_keys=True) for v in value)
    if isinstance(value, (tuple, list)):
        return [_plain(v) for v in value]
    if value is None or isinstance(value, (str, int, float, bool)):
        return value
    raise TypeError(f"a key cannot be made of {type(value).__name__}")
