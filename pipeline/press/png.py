"""Press files in PNG (ISO/IEC 15948): 8-bit RGBA or grey, true to size, streamed in bands."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from isal import isal_zlib
from numpy.typing import NDArray

from pipeline.press.rows import RowFilter, Samples, packed_rows
from pipeline.raster import MM_PER_INCH
from pipeline.raster_runs import Runs

_SIGNATURE = b"\x89PNG\r\n\x1a\n"
_COLOUR_TYPE = {1: 0, 4: 6}
_BAD_STREAM: type[Exception] = isal_zlib.error  # type: ignore[assignment]  # its stub says an instance
_UP = 2  # filter type, clause 9.2
_RELATIVE_COLORIMETRIC = 1
_METRE = 1
_MAX_PX_PER_METRE = 2**31 - 1


def write_png(
    path: Path,
    pixels: Samples,
    ppi: float,
    *,
    row_filter: RowFilter = "auto",
    srgb: bool = True,
    threads: int = 1,
) -> None:
    """Write pixels (H, W, 4) straight alpha, their runs, or grey (H, W), as a PNG file; raises OSError as `open` does.

    `ppi` is stored in whole pixels a metre, as the format has it. `srgb` marks the samples as sRGB; a plate
    is not a picture and goes without. `threads` changes the time, never the bytes.
    """
    with path.open("wb") as file:
        file.writelines(png_pieces(pixels, ppi, row_filter=row_filter, srgb=srgb, threads=threads))


def png_bytes(pixels: NDArray[np.uint8], ppi: float, *, srgb: bool = True) -> bytes:
    """Return what `write_png` writes."""
    return b"".join(png_pieces(pixels, ppi, srgb=srgb))


def png_pieces(
    pixels: Samples,
    ppi: float,
    *,
    row_filter: RowFilter = "auto",
    srgb: bool = True,
    threads: int = 1,
) -> Iterator[bytes]:
    """Yield the file a piece at a time; raises ValueError for pixels or a resolution that PNG cannot hold."""
    channels = 4 if isinstance(pixels, Runs) else _channels(pixels)
    per_metre = round(ppi * 1000 / MM_PER_INCH)
    if not 1 <= per_metre <= _MAX_PX_PER_METRE:
        raise ValueError(f"a resolution of {ppi} ppi cannot be written")
    height, width = pixels.shape[:2]
    yield _SIGNATURE
    yield from _chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, _COLOUR_TYPE[channels], 0, 0, 0))
    if srgb:
        yield from _chunk(b"sRGB", bytes([_RELATIVE_COLORIMETRIC]))
    yield from _chunk(b"pHYs", struct.pack(">IIB", per_metre, per_metre, _METRE))
    for piece in packed_rows(pixels, channels, row_filter, threads):
        yield from _chunk(b"IDAT", piece)
    yield from _chunk(b"IEND", b"")


def _channels(pixels: NDArray[np.uint8]) -> int:
    channels = 1 if pixels.ndim == 2 else pixels.shape[-1]
    if (
        pixels.dtype != np.uint8
        or pixels.ndim not in (2, 3)
        or channels not in _COLOUR_TYPE
        or not pixels.size
    ):
        raise ValueError(f"pixels must be uint8 (H, W, 4) or (H, W), got {pixels.dtype} {pixels.shape}")
    return channels


def read_png(path: Path) -> tuple[NDArray[np.uint8], float]:
    """Return pixels (H, W, 4) or (H, W) and ppi of a PNG file as another library decodes them.

    For checking finished files: raises ValueError when one is cut or spoilt, or is no 8-bit RGBA or grey.
    """
    from PIL import PngImagePlugin

    _check_chunks(path)
    try:
        # Not Image.open: its limit on pixels is meant for strangers' files.
        with path.open("rb") as file, PngImagePlugin.PngImageFile(file) as image:
            if image.mode not in ("RGBA", "L"):
                raise ValueError(f"{path.name} is {image.mode}, not 8-bit RGBA or grey")
            image.load()
            across, _ = image.info.get("dpi", (0.0, 0.0))
            return np.asarray(image), float(across)
    except (OSError, SyntaxError) as error:
        raise ValueError(f"{path.name} cannot be read back: {error}") from error


def read_coverage(path: Path) -> NDArray[np.uint8]:
    """Return the last channel (H, W) of a PNG file as `write_png` writes it: alpha, or the plate itself.

    For checking finished files: every byte is inflated and every checksum looked at, but one channel is kept. Raises
    ValueError when the file is cut or spoilt, or is another kind of PNG.
    """
    return np.concatenate([rows[..., 0] for rows in _bands(path, last_only=True)])


def read_bands(path: Path) -> Iterator[NDArray[np.uint8]]:
    """Yield the rows (n, W, 4) or (n, W, 1) of a PNG file as `write_png` writes it, a few MB at a time, from the top.

    Raises ValueError, at the latest behind the last rows, when the file is cut or spoilt, or is another kind of PNG.
    """
    return _bands(path, last_only=False)


def _bands(path: Path, *, last_only: bool) -> Iterator[NDArray[np.uint8]]:
    width = height = channels = read = 0
    line = 1
    inflate, rest = isal_zlib.decompressobj(), b""
    above: NDArray[np.uint8] | None = None
    try:
        for kind, data in _chunks(path):
            if kind == b"IHDR":
                width, height, depth, colour_type, *how = struct.unpack(">IIBBBBB", data)
                channels = {v: k for k, v in _COLOUR_TYPE.items()}.get(colour_type, 0)
                if depth != 8 or any(how) or not channels:
                    raise ValueError(f"{path.name} is not 8-bit RGBA or grey")
                line = 1 + width * channels
            elif kind == b"IDAT" and channels:
                rest += inflate.decompress(data)
                rows = np.frombuffer(rest, np.uint8, len(rest) // line * line).reshape(-1, line)
                rest = rest[rows.size :]
                if len(rows):
                    body = rows[:, channels::channels] if last_only else rows[:, 1:]
                    body = _unfiltered(path, rows[:, 0], body, above)
                    above, read = body[-1], read + len(body)
                    yield body.reshape(len(body), width, -1)
    except (_BAD_STREAM, struct.error) as error:
        raise ValueError(f"{path.name} cannot be read back: {error}") from error
    if not inflate.eof or rest or inflate.unused_data or read != height or not read:
        raise ValueError(f"{path.name} cannot be read back: it is cut short or spoilt")


def _unfiltered(
    path: Path, filters: NDArray[np.uint8], body: NDArray[np.uint8], above: NDArray[np.uint8] | None
) -> NDArray[np.uint8]:
    """Undo the filter of some rows; `above` is the row before them."""
    if not filters.any():
        return np.ascontiguousarray(body)
    if (filters != _UP).any():
        raise ValueError(f"{path.name} has rows filtered in a way that is not used here")
    first = body[:1] if above is None else body[:1] + above
    return np.add.accumulate(np.concatenate([first, body[1:]]), axis=0, dtype=np.uint8)


def _check_chunks(path: Path) -> None:
    for _ in _chunks(path):
        pass


def _chunks(path: Path) -> Iterator[tuple[bytes, bytes]]:
    """Yield kind and data of every chunk; ValueError unless all checksums are right and IEND is the end."""
    with path.open("rb") as file:
        good, kind = file.read(len(_SIGNATURE)) == _SIGNATURE, b""
        while good and kind != b"IEND":
            head = file.read(8)
            kind = head[4:]
            data = file.read(struct.unpack(">I", head[:4])[0]) if len(head) == 8 else b""
            good = file.read(4) == struct.pack(">I", isal_zlib.crc32(data, isal_zlib.crc32(kind)))
            if good:
                yield kind, data
        if not good or file.read(1):
            raise ValueError(f"{path.name} cannot be read back: it is cut short or spoilt")


def _chunk(kind: bytes, data: bytes) -> Iterator[bytes]:
    yield struct.pack(">I", len(data)) + kind
    yield data
    yield struct.pack(">I", isal_zlib.crc32(data, isal_zlib.crc32(kind)))
