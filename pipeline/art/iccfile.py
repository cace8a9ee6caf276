"""Colour profiles written byte by byte (ICC.1:2001-04, version 2.4): no clock, same bytes everywhere."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

Xyz: TypeAlias = tuple[float, float, float]
Xy: TypeAlias = tuple[float, float]

D50: Xyz = (0.9642, 1.0, 0.8249)
"""White of the profile connection space, as ICC.1 rounds it."""

BRADFORD = ((0.8951, 0.2664, -0.1614), (-0.7502, 1.7135, 0.0367), (0.0389, -0.0685, 1.0296))
RIGHTS = "No rights reserved (CC0)"


def matrix_profile(title: str, primaries: Sequence[Xy], curve: NDArray[np.float64]) -> bytes:
    """Return an RGB profile.

    `primaries` are the chromaticities of white, red, green, blue; `curve` holds light (0–1) at equal steps of
    the sample. The colorants are adapted to D50 by the Bradford transform (ICC.1, annex E). Raises ValueError for
    primaries that span no triangle.
    """
    columns = _colorants(primaries)
    tone = _curve(curve)
    tags = [(b"desc", _text_description(title)), (b"cprt", _text(RIGHTS)), (b"wtpt", _xyz(D50))]
    tags += [(kind, _xyz(xyz)) for kind, xyz in zip((b"rXYZ", b"gXYZ", b"bXYZ"), columns, strict=True)]
    tags += [(kind, tone) for kind in (b"rTRC", b"gTRC", b"bTRC")]
    return _assembled(b"mntr", b"RGB ", b"XYZ ", tags)


def ink_profile(title: str, lab: NDArray[np.float64], curves: Sequence[NDArray[np.float64]]) -> bytes:
    """Return a CMYK input profile.

    `lab` has shape (n, n, n, n, 3): Lab relative to the paper at equal steps of C, M, Y, K after `curves`, each
    of which maps equal steps of an ink value to 0–1.
    """
    grid = lab.shape[0]
    scaled = np.stack(
        [lab[..., 0] / 100 * 0xFF00, (lab[..., 1] + 128) * 256, (lab[..., 2] + 128) * 256], axis=-1
    )
    head = struct.pack(">4sIBBBB", b"mft2", 0, 4, 3, grid, 0)
    head += b"".join(_fixed(v) for v in (1, 0, 0, 0, 1, 0, 0, 0, 1))
    head += struct.pack(">HH", len(curves[0]), 2)
    body = b"".join(_u16(curve * 65535) for curve in curves) + _u16(scaled) + _u16(np.array([0, 65535] * 3))
    tags = [(b"desc", _text_description(title)), (b"cprt", _text(RIGHTS)), (b"wtpt", _xyz(D50))]
    # One table for all intents: readers look for the tag of the intent they use.
    tags += [(kind, head + body) for kind in (b"A2B0", b"A2B1", b"A2B2")]
    return _assembled(b"scnr", b"CMYK", b"Lab ", tags)


def _assembled(kind: bytes, space: bytes, connection: bytes, tags: Sequence[tuple[bytes, bytes]]) -> bytes:
    table, data, placed = b"", b"", dict[bytes, int]()
    start = 128 + 4 + 12 * len(tags)
    for name, body in tags:
        if body not in placed:
            placed[body] = start + len(data)
            data += body + bytes(-len(body) % 4)
        table += struct.pack(">4sII", name, placed[body], len(body))
    date = struct.pack(">6H", 2026, 1, 1, 0, 0, 0)
    head = (
        struct.pack(">II", start + len(data), 0)
        + b"\x02\x40\0\0"
        + kind
        + space
        + connection
        + date
        + b"acsp"
    )
    head += bytes(24) + struct.pack(">I", 1) + b"".join(_fixed(v) for v in D50) + bytes(48)
    return head + struct.pack(">I", len(tags)) + table + data


def _fixed(value: float) -> bytes:
    return struct.pack(">i", round(value * 65536))


def _u16(values: NDArray[Any]) -> bytes:
    return bytes(np.clip(np.rint(values), 0, 65535).astype(">u2").tobytes())


def _xyz(values: Xyz) -> bytes:
    return b"XYZ \0\0\0\0" + b"".join(_fixed(v) for v in values)


def _text(text: str) -> bytes:
    return b"text\0\0\0\0" + text.encode("ascii") + b"\0"


def _text_description(text: str) -> bytes:
    plain = text.encode("ascii") + b"\0"
    return b"desc\0\0\0\0" + struct.pack(">I", len(plain)) + plain + bytes(4 + 4 + 2 + 1 + 67)


def _curve(light: NDArray[np.float64]) -> bytes:
    return b"curv\0\0\0\0" + struct.pack(">I", len(light)) + _u16(light * 65535)


def _colorants(primaries: Sequence[Xy]) -> list[Xyz]:
    """XYZ of red, green and blue at full value, adapted from the white given to D50."""
    if any(not (0 <= x <= 1 and 0 < y <= 1) for x, y in primaries):
        raise ValueError("chromaticities must lie in 0–1")
    white, *rest = [np.array([x / y, 1.0, (1 - x - y) / y]) for x, y in primaries]
    columns = np.stack(rest, axis=1)
    if abs(np.linalg.det(columns)) < 1e-6:
        raise ValueError("the primaries span no triangle")
    columns = columns * np.linalg.solve(columns, white)
    cone = np.array(BRADFORD)
    gain = (cone @ np.array(D50)) / (cone @ white)
    adapted = np.linalg.inv(cone) @ (gain[:, None] * (cone @ columns))
    return [(float(c[0]), float(c[1]), float(c[2])) for c in adapted.T]
