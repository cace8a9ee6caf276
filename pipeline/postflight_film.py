"""Looks at finished film as the press will: plates that hold, rolls that have every piece where the record says."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.raster import MM_PER_INCH

_NEAR_MM = 0.02
_NUMBER = rb"(-?[0-9.]+)"
_PLACED = re.compile(rb"q " + rb" ".join([_NUMBER] * 6) + rb" cm /C\d+ Do Q\n")


def film_faults(folder: Path, record: Mapping[str, Any]) -> list[str]:
    """Return what is wrong with the transfer plates and rolls of a release, in plain words."""
    wrong = [fault for entry in record["files"] if _is_plate(entry) for fault in _half_inked(folder, entry)]
    for roll in record.get("rolls", ()):
        check = _pdf_faults if roll["path"].endswith(".pdf") else _tiff_faults
        wrong += [f"{roll['path']}: {fault}" for fault in check(folder / roll["path"], roll)]
    return wrong


def _is_plate(entry: Mapping[str, Any]) -> bool:
    return entry["role"] in ("press-colour", "press-base") and entry["route"] == "transfer"


def _half_inked(folder: Path, entry: Mapping[str, Any]) -> list[str]:
    from PIL import Image

    with Image.open(folder / entry["path"]) as image:
        counts = image.getchannel("A" if entry["role"] == "press-colour" else 0).histogram()
    return [f"{entry['path']}: holds partial ink, which film cannot"] if any(counts[1:255]) else []


def _pdf_faults(path: Path, roll: Mapping[str, Any]) -> list[str]:
    import pikepdf

    with pikepdf.open(path) as pdf:
        page = pdf.pages[0]
        unit = float(page.get("/UserUnit", 1)) * MM_PER_INCH / 72
        size = tuple(float(v) * unit for v in page.MediaBox)[2:]
        content = page.Contents.read_bytes()
    wrong = _size_faults(size, roll)
    matrices = [tuple(float(v) for v in found) for found in _PLACED.findall(content)]
    return wrong + _place_faults([_box(matrix, size[1]) for matrix in matrices], roll["placed"])


def _box(matrix: Sequence[float], height_mm: float) -> tuple[float, float, float, float]:
    """Return the box in mm from the upper left corner that the operands of `cm`, in points, lay an image into."""
    a, b, c, d, e, f = (v * MM_PER_INCH / 72 for v in matrix)
    xs, ys = (e, e + a, e + c, e + a + c), (f, f + b, f + d, f + b + d)
    return min(xs), height_mm - max(ys), max(xs) - min(xs), max(ys) - min(ys)


def _tiff_faults(path: Path, roll: Mapping[str, Any]) -> list[str]:
    from PIL import TiffImagePlugin

    with path.open("rb") as file, TiffImagePlugin.TiffImageFile(file) as image:
        mm = [MM_PER_INCH / float(v) for v in image.info["dpi"]]
        sizes = []
        for page in range(image.n_frames):
            image.seek(page)
            sizes.append((image.mode, image.size))
    wrong = _size_faults([px * per for px, per in zip(sizes[0][1], mm, strict=True)], roll, near=max(mm))
    if [mode for mode, _ in sizes] != ["RGBA", "L"] or len({size for _, size in sizes}) != 1:
        wrong.append("expected a page of colour with alpha and a page of white, of one size")
    return wrong


def _size_faults(size: Iterable[float], roll: Mapping[str, Any], near: float = _NEAR_MM) -> list[str]:
    wanted = roll["width_mm"], roll["length_mm"]
    if all(
        abs(a - b) <= near + 0.05 for a, b in zip(size, wanted, strict=True)
    ):  # the record rounds to 0.1 mm
        return []
    shown = " × ".join(f"{v:.1f}" for v in size)
    return [f"is {shown} mm, expected {wanted[0]} × {wanted[1]} mm"]


def _place_faults(found: list[tuple[float, ...]], placed: Sequence[Mapping[str, Any]]) -> list[str]:
    if len(found) != len(placed):
        return [f"holds {len(found)} pieces, expected {len(placed)}"]
    wanted = [[p["x_mm"], p["y_mm"], p["width_mm"], p["height_mm"]] for p in placed]
    apart = np.abs(np.array(found) - np.array(wanted)).max(axis=1) if wanted else np.zeros(0)
    worst = [placed[i] for i in np.flatnonzero(apart > _NEAR_MM).tolist()]
    return [f"piece {p['number']} of {p['order']} does not lie where the record says" for p in worst[:3]]
