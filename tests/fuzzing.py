"""Damaged input, made from a number: manifests, shop files and art of every kind, and what must hold of the outcome.

`attempt(kind, number, folder)` damages a seed file and reads it. It returns what came of it in a word, and raises
Broken when the outcome is anything but a clean value or a plain refusal. Used by tests/test_fuzz.py (some hundred
cases) and `python -m ops.fuzz` (as many as asked for).
"""

from __future__ import annotations

import io
import json
import random
import struct
import tomllib
import warnings
import zlib
from collections.abc import Callable
from functools import cache
from pathlib import Path

import numpy as np
from PIL import Image

from pipeline.art import draw, page, read
from pipeline.art.piece import Art, BitmapArt, Limits, PageArt, VectorArt
from pipeline.faults import Fault, Refused
from pipeline.order import load_order
from pipeline.shop import load_shop
from tests import builders
from tests.conftest import ROOT

LIMITS = Limits(file_bytes=2**22, pixels=2_000_000, elements=5_000, seconds=20)
SUFFIXES = {"shop": "toml", "nested": "svg"}
CODES = ("manifest", "shop-file", "art-unreadable", "art-too-large")
WORDS = (
    b"NaN", b"1e309", b"-1", b"0", b"99999999999999999999", b"\0", b"\xff\xfe", b"\xe2\x80\xae", b"../", b"/etc/passwd",
    b"url(#a)", b'href="#a"', b"<g>", b"</g>", b"<![CDATA[", b"&lt;", b"<use href='#a'/>", b"%", b"inf", b"[[", b"]]",
    b'"', b"{", b"}", b"= true", b"\r\n", b"transform='matrix(0 0 0 0 0 0)'", b"matrix(1e9 0 0 1e-9 0 0)", b"var(--a)",
    b"obj", b"endobj", b"stream", b"/Type", b"<<", b">>", b"\x1b[31m",
)  # fmt: skip


class Broken(Exception):
    """An outcome that must not be; the message says which."""


SVG = b"""<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink"
 viewBox="0 0 80 60" width="80mm">
<style>.a{fill:#8f2430} #b > rect{stroke:rgb(10 20 30);stroke-width:2}</style>
<defs><linearGradient id="g" x2="1"><stop offset="0" stop-color="red"/>
<stop offset="1" stop-color="#00f" stop-opacity=".4"/></linearGradient>
<clipPath id="c"><circle cx="40" cy="30" r="25"/></clipPath><path id="p" d="M1 1h9v9z"/>
<mask id="m"><rect width="80" height="60" fill="#777"/></mask>
<pattern id="t" width="4" height="4" patternUnits="userSpaceOnUse"><rect width="2" height="2" fill="#0a0"/></pattern>
<symbol id="s" viewBox="0 0 9 9"><use href="#p"/></symbol></defs>
<g clip-path="url(#c)" opacity=".8"><rect class="a" width="50" height="40" fill="url(#g)"/>
<use xlink:href="#p" x="9" y="5"/></g>
<g id="b" transform="rotate(10 20 20) scale(1.1)"><rect x="5" y="5" width="20" height="9" rx="3" fill="none"/></g>
<path d="M10 50 C 20 40 30 60 40 50 S 60 40 70 50 A 5 5 0 0 1 60 55 Z" fill="url(#t)" stroke="#123"
 stroke-dasharray="3 1"/>
<use href="#s" width="9" height="9" mask="url(#m)"/>
<ellipse cx="60" cy="20" rx="9" ry="4" fill="hsl(120,50%,50%)"/>
<polygon points="1,1 9,1 5,9" fill-rule="evenodd"/>
<text x="5" y="58" font-size="5" font-family="DejaVu Sans">kite</text></svg>"""


NESTED = b"""<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 80 60"><style>@media print{rect{fill:red}}</style>
<filter id="f"><feGaussianBlur stdDeviation="1 2"/><feMorphology radius="0.1"/><feTurbulence numOctaves="2"/>
<feConvolveMatrix order="2 2" kernelMatrix="1 0 0 1"/><feMerge><feMergeNode in="a"/></feMerge></filter>
<image id="in" x="5" y="5" width="40" height="30" preserveAspectRatio="xMaxYMin slice" href="data:image/svg+xml,
%3Csvg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 9 9' width='20'%3E%3Cdefs%3E%3Cpath id='p' d='M1 1h5v5z'/%3E
%3C/defs%3E%3Cg id='in' filter='url(%23f)'%3E%3Cuse href='%23p' fill='%23123'/%3E%3C/g%3E%3Cimage width='4' height='4'
 href='data:image/svg+xml,%253Csvg xmlns=%2527http://www.w3.org/2000/svg%2527 viewBox=%25270 0 1 1%2527/%253E'/%3E
%3C/svg%3E"/>
<switch><foreignObject requiredExtensions="x"/><g systemLanguage="en"><svg x="9" y="9" width="20" height="20"
 viewBox="0 0 10 10"><circle r="5" filter="url(#f)" style="mix-blend-mode:multiply"/></svg></g></switch>
<use href="#in" x="30" opacity=".5"/><g transform="rotate(9)" style="isolation:isolate;opacity:.3"><path d="M0 0h9v9"
 marker-end="url(#m)" stroke="#00f" stroke-dasharray="2 0"/></g><marker id="m"><path d="M0 0h3v3z"/></marker></svg>"""


@cache
def seeds() -> dict[str, list[bytes]]:
    """Whole files of each kind, small."""
    picture = np.random.default_rng(1).integers(0, 256, (17, 23, 4), np.uint8)
    rgb = np.ascontiguousarray(picture[..., :3])
    suite = sorted((ROOT / "examples" / "kite-society").glob("*.toml"))
    manifests = [file.read_bytes() for file in suite]
    as_json = [json.dumps(tomllib.loads(text.decode()), default=str, indent=1).encode() for text in manifests]
    index = builders.png(picture[..., :1] % 4, 3, 2, (b"PLTE", bytes(range(12))), (b"tRNS", bytes([0, 99])))
    deep = builders.png(picture.astype(np.uint16) * 257, 6, 16, (b"gAMA", struct.pack(">I", 100000)))
    return {
        "toml": manifests,
        "json": as_json,
        "shop": [(ROOT / "manifests" / "shop.toml").read_bytes()],
        "svg": [
            SVG,
            *(file.read_bytes() for file in sorted((ROOT / "examples" / "kite-society").glob("*.svg"))),
        ],
        "nested": [NESTED, SVG],
        "png": [
            builders.png(picture, 6, 8),
            index,
            deep,
            _saved(rgb, "PNG"),
            builders.png(picture[..., :1] % 2, 0, 1),
        ],
        "jpeg": [
            _saved(rgb, "JPEG"),
            _saved(rgb, "JPEG", progressive=True),
            _saved(picture, "JPEG", mode="CMYK"),
        ],
        "tiff": [
            builders.tiff(picture, 2, extra=(1,)),
            _saved(rgb, "TIFF", compression="tiff_lzw"),
            builders.tiff(picture, 5),
        ],
        "webp": [_saved(picture, "WEBP", lossless=True), _saved(rgb, "WEBP")],
        "pdf": [_pdf()],
    }


def _saved(pixels: np.ndarray, form: str, mode: str | None = None, **options: object) -> bytes:
    out = io.BytesIO()
    picture = (
        Image.fromarray(pixels)
        if mode is None
        else Image.frombytes(mode, pixels.shape[1::-1], pixels.tobytes())
    )
    picture.save(out, form, **options)
    return out.getvalue()


def _pdf() -> bytes:
    from tests.test_page import pdf, spot

    return pdf(
        b"q /CS0 cs 0.5 scn 1 1 50 20 re f Q 1 0 0 rg 10 10 m 90 20 l 50 45 l b", resources=spot, UserUnit=2
    )


def damaged(data: bytes, rng: random.Random, others: list[bytes]) -> bytes:
    """Return `data` after one to six changes: bits, bytes, words, cuts, repeats, pieces of another file."""
    body = bytearray(data)
    for _ in range(rng.randint(1, 6)):
        at, length = rng.randrange(len(body) + 1), rng.choice((1, 1, 2, 4, 9, 40, 200))
        match rng.randrange(8):
            case 0 if body:
                body[at % len(body)] ^= 1 << rng.randrange(8)
            case 1 if body:
                body[at % len(body)] = rng.randrange(256)
            case 2:
                del body[at : at + length]
            case 3:
                body[at:at] = body[at : at + length] * rng.choice((1, 2, 30))
            case 4:
                body[at:at] = rng.choice(WORDS)
            case 5:
                body[at : at + length] = rng.choice(WORDS)
            case 6:
                other = rng.choice(others)
                start = rng.randrange(len(other))
                body[at : at + length] = other[start : start + length]
            case _ if rng.random() < 0.2:
                del body[at:]
    return bytes(body)


def mended(data: bytes) -> bytes:
    """Set the check sums of a damaged PNG right, so that the damage gets past the first door."""
    out, at = bytearray(data[:8]), 8
    while at + 12 <= len(data):
        length = int.from_bytes(data[at : at + 4], "big")
        if at + 12 + length > len(data):
            break
        out += data[at : at + 8 + length] + struct.pack(">I", zlib.crc32(data[at + 4 : at + 8 + length]))
        at += 12 + length
    return bytes(out) + data[at:]


def case(kind: str, number: int) -> bytes:
    """Return the damaged file that `kind` and `number` stand for."""
    rng = random.Random(f"{kind}-{number}")
    data = damaged(rng.choice(seeds()[kind]), rng, seeds()[kind])
    return mended(data) if kind == "png" and rng.random() < 0.7 else data


def attempt(kind: str, number: int, folder: Path) -> str:
    """Read the damaged file; return "read" or the refusal's code. Raises Broken."""
    path = folder / f"case.{SUFFIXES.get(kind, kind)}"
    path.write_bytes(case(kind, number))
    reader: Callable[[Path], object] = {"toml": load_order, "json": load_order, "shop": load_shop}.get(
        kind, _art
    )
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        # Comes when the collector runs, whichever file that is; it is no outcome of this one.
        warnings.simplefilter("ignore", ResourceWarning)
        try:
            value = reader(path)
        except Refused as refusal:
            _check_message(refusal)
            return refusal.code
        except Fault as fault:
            raise Broken(f"{kind} {number}: {type(fault).__name__}: {fault}") from fault
        except Exception as error:
            raise Broken(f"{kind} {number}: {type(error).__name__}: {error}") from error
    if value is None:
        raise Broken(f"{kind} {number}: nothing came back")
    return "read"


def _check_message(refusal: Refused) -> None:
    text = refusal.message
    if refusal.code not in CODES or not text.strip() or len(text) > 20_000:
        raise Broken(f"a refusal that helps nobody: {refusal.code} {text[:200]!r}")
    strange = [letter for letter in text if not letter.isprintable() and letter not in "\n\t"]
    if strange:
        raise Broken(f"a message that carries {strange[0]!r}: {text[:200]!r}")


def _art(path: Path) -> Art:
    art = read.read_art(path, "the art", LIMITS)
    for finding in art.findings:
        _check_message(Refused(finding.message + finding.remedy, CODES[0]))
    if isinstance(art, BitmapArt):
        pixels = art.pixels
    elif isinstance(art, PageArt):
        pixels = page.draw_page(art, 31, 17)
    else:
        assert isinstance(art, VectorArt)
        pixels = draw.draw(art, 31, 17)
    if pixels.dtype != np.uint8 or pixels.ndim != 3 or pixels.shape[2] != 4 or 0 in pixels.shape:
        raise Broken(f"no picture: {pixels.dtype} {pixels.shape}")
    if pixels[pixels[..., 3] == 0].any():
        raise Broken("colour where nothing is visible")
    return art
