"""Pillow, held tight: one named format, no warnings let out, every failure a refusal."""

from __future__ import annotations

import io
import sys
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray
from PIL import Image, UnidentifiedImageError

from pipeline.art.refusal import too_large, unreadable
from pipeline.faults import Fault, Refused


@contextmanager
def translated(name: str) -> Iterator[None]:
    """Turn whatever a decoder raises into a refusal of the art `name`; warnings stay inside."""
    with warnings.catch_warnings():
        # The header was checked against our own limit; the library's lower one must not speak.
        warnings.simplefilter("ignore")
        try:
            yield
        except Fault:
            raise
        except (MemoryError, Image.DecompressionBombError) as error:
            raise _memory(name) from error
        except UnidentifiedImageError as error:
            what = "its samples are laid out in a way that is not read."
            raise unreadable(name, what, "Save it as 8-bit RGB PNG or TIFF.") from error
        except Exception as error:
            reason = str(error).strip() or type(error).__name__
            raise unreadable(name, f"the picture data is damaged or cut short ({reason}).") from error


@contextmanager
def enough_memory(name: str) -> Iterator[None]:
    """Turn running out of memory into a refusal of the art `name`."""
    try:
        yield
    except MemoryError as error:
        raise _memory(name) from error


def _memory(name: str) -> Refused:
    return too_large(name, "decoding it takes more memory than allowed.", "pictures that fit the limits")


Half: TypeAlias = Literal["high", "low"]


def load(
    data: bytes, kind: str, size: tuple[int, int], name: str, half: Half | None = None
) -> tuple[NDArray[Any], str]:
    """Decode `data` as the one format `kind`; return the samples (H, W[, n]) and Pillow's mode.

    `size` is (width, height) by our own reading of the header. Pillow keeps the high byte of 16-bit colours;
    `half` says which byte of each sample to unpack, so that two passes give both.
    """
    with translated(name), Image.open(io.BytesIO(data), formats=[kind]) as image:
        if image.size != size:
            raise unreadable(name, f"the header says {size[0]} × {size[1]} px, the data {image.size}.")
        if half is not None:
            image.tile = [_unpacking(tile, half, name) for tile in image.tile]
        image.load()
        return np.array(image), image.mode


def load_16_bit(data: bytes, kind: str, size: tuple[int, int], name: str) -> NDArray[np.uint16]:
    """Decode 16-bit RGB, RGBA or CMYK samples (H, W, n) without losing the low byte; alpha stays as stored."""
    high, _ = load(data, kind, size, name, "high")
    joined: NDArray[np.uint16] = high.astype(np.uint16)
    joined <<= 8
    del high
    low, _ = load(data, kind, size, name, "low")
    joined |= low
    return joined


def _unpacking(tile: Any, half: Half, name: str) -> Any:
    """Return the tile with the raw mode (“RGB;16B” and the like) that unpacks the wanted byte."""
    args = tile.args
    mode = args if isinstance(args, str) else args[0]
    base, _, order = mode.partition(";16")
    if order not in ("B", "L", "N"):
        raise unreadable(
            name, "its 16-bit samples lie in planes.", "Save it as 8 bit or with interleaved samples."
        )
    big = order == "B" or (order == "N" and sys.byteorder == "big")
    order = "B" if big == (half == "high") else "L"
    # RGBa would be divided by its alpha byte by byte; as RGBA the bytes come as they are.
    mode = f"{base.replace('a', 'A')};16{order}"
    return tile._replace(args=mode if isinstance(args, str) else (mode, *args[1:]))
