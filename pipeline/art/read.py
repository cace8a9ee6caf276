"""One door for all art: opened without following links, judged by content, read within limits."""

from __future__ import annotations

import errno
import os
import stat
import zlib
from dataclasses import replace
from pathlib import Path

from pipeline.art.piece import Art, Limits, VectorArt
from pipeline.art.refusal import too_large, unreadable
from pipeline.faults import Refused
from pipeline.finding import Finding
from pipeline.manifest_text import printable
from pipeline.raster import Pixels

LIMITS = Limits()
ACCEPTED = "SVG, PDF, PNG, JPEG, TIFF or WebP"
SUFFIXES = {
    "SVG": (".svg", ".svgz"),
    "PDF": (".pdf",),
    "PNG": (".png",),
    "JPEG": (".jpg", ".jpeg", ".jpe", ".jfif"),
    "TIFF": (".tif", ".tiff"),
    "WebP": (".webp",),
}
REFUSED_KINDS = (
    (b"%!PS", "an EPS or PostScript file"),
    (b"\xc5\xd0\xd3\xc6", "an EPS file"),
    (b"GIF8", "a GIF file"),
    (b"BM", "a BMP file"),
    (b"8BPS", "a layered image file"),
    (b"PK", "a zip archive"),
    (b"\0\0\1\0", "an icon file"),
)
SNIFFED = 4096


def read_art(path: Path, name: str, limits: Limits = LIMITS) -> Art:
    """Read the art file at `path`; `name` is what the order calls it and stands in messages and findings.

    The format comes from the content alone; a suffix that says otherwise is a note (`wrong-extension`).
    Whatever text of the file gets into messages is made printable. Raises Refused ("art-unreadable",
    "art-too-large").
    """
    return art_of(read_bytes(path, name, limits), path.suffix, name, limits)


def art_of(data: bytes, suffix: str, name: str, limits: Limits = LIMITS) -> Art:
    """Do as read_art with what `read_bytes` has returned of a file whose name ends in `suffix`."""
    try:
        kind = kind_of(data)
        if kind is None:
            raise unreadable(name, f"{_what(data)} is not accepted as art.", f"Save it as {ACCEPTED}.")
        art = _decoded(kind, data, name, limits)
    except Refused as refusal:
        raise Refused(printable(refusal.message), refusal.code) from refusal
    findings = art.findings
    if suffix.lower() not in SUFFIXES[kind]:
        findings = (*findings, _wrong_extension(name, suffix or "no suffix", kind))
    return replace(art, findings=tuple(_printable(finding) for finding in findings))


def _printable(finding: Finding) -> Finding:
    return replace(finding, message=printable(finding.message), remedy=printable(finding.remedy))


def read_bytes(path: Path, name: str, limits: Limits = LIMITS) -> bytes:
    """Return the bytes of a regular file, at most `limits.file_bytes`; links, pipes and devices are refused."""
    try:
        # Without O_NONBLOCK opening a pipe would wait for its writer for ever.
        handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    except (OSError, ValueError) as error:
        linked = isinstance(error, OSError) and error.errno == errno.ELOOP
        what = "it is a symbolic link." if linked else f"it cannot be opened ({_reason(error)})."
        raise unreadable(name, what, "Put the file itself beside the manifest.") from error
    try:
        state = os.fstat(handle)
        if not stat.S_ISREG(state.st_mode):
            raise unreadable(name, "it is no ordinary file.", "Put the file itself beside the manifest.")
        if state.st_size > limits.file_bytes:
            size = f"the file has {state.st_size / 2**20:.0f} MiB."
            raise too_large(name, size, f"{limits.file_bytes / 2**20:.0f} MiB")
        with os.fdopen(handle, "rb", closefd=False) as file:
            data = file.read(limits.file_bytes + 1)
    except OSError as error:
        raise unreadable(name, f"it cannot be read ({_reason(error)}).", "Copy the file again.") from error
    finally:
        os.close(handle)
    if len(data) > limits.file_bytes:
        raise too_large(name, "the file grew while it was read.", f"{limits.file_bytes / 2**20:.0f} MiB")
    if not data:
        raise unreadable(name, "the file is empty.", "Copy or download the file again.")
    return data


def kind_of(data: bytes) -> str | None:
    """Return "SVG", "PDF", "PNG", "JPEG", "TIFF" or "WebP" by the first bytes; None for anything else."""
    for start, kind in ((b"\x89PNG\r\n\x1a\n", "PNG"), (b"\xff\xd8\xff", "JPEG")):
        if data.startswith(start):
            return kind
    if data[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        return "TIFF"
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return "WebP"
    if any(data.startswith(start) for start, _ in REFUSED_KINDS):
        return None
    if data[:2] == b"\x1f\x8b":
        return "SVG" if _looks_like_svg(_unzipped_start(data)) else None
    if _looks_like_svg(data[:SNIFFED]):
        return "SVG"
    return "PDF" if b"%PDF-" in data[:1024] else None


def _decoded(kind: str, data: bytes, name: str, limits: Limits) -> Art:
    if kind == "SVG":
        return _svg(data, name, limits)
    if kind == "PDF":
        from pipeline.art import page

        return page.read(data, name)
    from pipeline.art import bitmap

    return bitmap.decode(data, name, limits)


def _svg(data: bytes, name: str, limits: Limits) -> Art:
    from pipeline.art import bitmap, svg

    noticed: list[Finding] = []

    def embedded(picture: bytes) -> tuple[Pixels, bool]:
        inner = bitmap.decode(picture, name, limits)
        noticed.extend(finding for finding in inner.findings if finding not in noticed)
        return inner.pixels, inner.lossy

    art: VectorArt = svg.read(data, name, limits, read_image=embedded)
    return replace(art, findings=(*art.findings, *noticed))


def _looks_like_svg(start: bytes) -> bool:
    for mark, coding in (
        (b"\xff\xfe", "utf-16-le"),
        (b"\xfe\xff", "utf-16-be"),
        (b"<\0", "utf-16-le"),
        (b"\0<", "utf-16-be"),
    ):
        if start.startswith(mark):
            start = start.decode(coding, "replace").lstrip("\ufeff").encode()
            break
    text = start.removeprefix(b"\xef\xbb\xbf").lstrip()
    return text.startswith(b"<") and (b"<svg" in text or b":svg" in text or b"<!DOCTYPE svg" in text)


def _unzipped_start(data: bytes) -> bytes:
    try:
        return zlib.decompressobj(31).decompress(data[: 2 * SNIFFED], SNIFFED)
    except zlib.error:
        return b""


def _what(data: bytes) -> str:
    for start, what in REFUSED_KINDS:
        if data.startswith(start):
            return what
    if data[4:8] == b"ftyp":
        return "a HEIF, AVIF or video file"
    return "a file of unknown kind"


def _reason(error: OSError | ValueError) -> str:
    return error.strerror or type(error).__name__ if isinstance(error, OSError) else "bad name"


def _wrong_extension(name: str, suffix: str, kind: str) -> Finding:
    return Finding(
        code="wrong-extension",
        severity="note",
        message=f"{name} is {kind} inside but its name ends in “{suffix}”; it was read as {kind}.",
        remedy=f"Rename it to end in {SUFFIXES[kind][0]}.",
        art=name,
        measured=suffix,
        limit=SUFFIXES[kind][0],
    )
