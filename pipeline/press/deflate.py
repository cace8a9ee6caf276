"""The one encoder: zlib streams (RFC 1950), made in bands on any number of threads, always the same bytes.

Every band is a raw deflate run ended by a full flush, so bands are independent and join into one stream. The
checksums of the bands are combined as zlib's adler32_combine does it. There is no second compressor to fall
back to: another one would give other bytes.
"""

from __future__ import annotations

import struct
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TypeAlias

from isal import isal_zlib

Band: TypeAlias = bytes | bytearray | memoryview

BAND_BYTES = 2 * 2**20
"""About how much one band should hold before compression: small enough for the cache, large enough to pay."""

_LEVEL = 2  # level 3 gives other bytes on other processors
_PRIMER = 8  # 4 to 16 bytes, see _pack
_MEMORY = 9  # the largest blocks: fewer tables
_RAW = -15
_HEADER = b"\x78\x01"
_LAST_BLOCK = b"\x03\x00"  # an empty final block with fixed codes
_ADLER_BASE = 65521


def deflate(band: Callable[[int], Band], count: int, threads: int = 1) -> Iterator[bytes]:
    """Yield the pieces of one zlib stream over the bands 0 to `count` − 1, one piece a band and an end piece.

    `band(i)` makes the raw bytes of band i; with `threads` above 1 it is called on those threads, a few bands
    ahead of the reader, so that memory is bounded whatever the size of the whole. The bytes do not depend on
    `threads`.
    """
    check, first = 1, _HEADER
    for length, adler, packed in _in_order(lambda i: _pack(band(i)), count, threads):
        check = _combine(check, adler, length)
        yield first + packed
        first = b""
    yield first + _LAST_BLOCK + struct.pack(">I", check)


def deflated_size(data: Band) -> int:
    """Return how many bytes `data` takes as one band; for comparing ways to write the same thing."""
    return len(_pack(data)[2])


_Packed: TypeAlias = tuple[int, int, bytes]


def _pack(data: Band) -> _Packed:
    """Return length, Adler-32 and compressed form of one band.

    The first bytes go ahead on their own. The fast loop of ISA-L (2.32, levels 1 and 2) starts a stream with a
    hash of its own address instead of the second byte, so that now and then a match, and with it the bytes,
    depend on where the memory lies. Up to 16 bytes take the careful loop, which starts the history rightly when
    there are 4 or more, and the fast loop goes on from there.
    """
    view = memoryview(data)
    packer = isal_zlib.compressobj(_LEVEL, isal_zlib.DEFLATED, _RAW, _MEMORY)
    packed = packer.compress(view[:_PRIMER]) + packer.flush(isal_zlib.Z_SYNC_FLUSH)
    packed += packer.compress(view[_PRIMER:]) + packer.flush(isal_zlib.Z_FULL_FLUSH)
    return view.nbytes, isal_zlib.adler32(view), packed


def _in_order(job: Callable[[int], _Packed], count: int, threads: int) -> Iterator[_Packed]:
    """Yield job(0), job(1), … in that order, at most two jobs a thread ahead of the reader."""
    if threads <= 1 or count <= 1:
        yield from map(job, range(count))
        return
    with ThreadPoolExecutor(threads) as pool:
        waiting: deque[Future[_Packed]] = deque()
        for i in range(count):
            waiting.append(pool.submit(job, i))
            if len(waiting) >= 2 * threads:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()


def _combine(first: int, second: int, second_length: int) -> int:
    """Return the Adler-32 (RFC 1950, section 8.2) of two runs of bytes from those of each."""
    a1, b1 = first & 0xFFFF, first >> 16
    a2, b2 = second & 0xFFFF, second >> 16
    # The second run started from a = 1; started from a1, each of its bytes sees a1 − 1 more.
    a = (a1 + a2 - 1) % _ADLER_BASE
    b = (b1 + b2 + second_length * (a1 - 1)) % _ADLER_BASE
    return b << 16 | a
