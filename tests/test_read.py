"""The one door for art: by content, never by name; no links, pipes or folders; and the disposable child."""

from __future__ import annotations

import gzip
import io
import os
import time
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from pipeline.art import read, sandbox
from pipeline.art.piece import BitmapArt, Limits
from pipeline.faults import Busy, Fault, Refused
from tests import builders
from tests.test_page import nested, pdf

RED = builders.png(np.array([[[255, 0, 0]]], np.uint8), 2, 8)
SVG = b'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 4 4"><rect width="4" height="4" fill="#ff0000"/></svg>'


def saved(kind: str) -> bytes:
    out = io.BytesIO()
    Image.new("RGB", (2, 2), (255, 0, 0)).save(out, kind)
    return out.getvalue()


def put(folder: Path, name: str, data: bytes) -> Path:
    path = folder / name
    path.write_bytes(data)
    return path


def test_each_accepted_format_is_known_by_its_first_bytes():
    """The name plays no part."""
    assert read.kind_of(RED) == "PNG"
    assert read.kind_of(saved("JPEG")) == "JPEG"
    assert read.kind_of(saved("TIFF")) == "TIFF"
    assert read.kind_of(saved("WEBP")) == "WebP"
    assert read.kind_of(pdf()) == "PDF"
    for form in (
        SVG,
        b"\xef\xbb\xbf <?xml version='1.0'?>\n" + SVG,
        SVG.decode().encode("utf-16"),
        gzip.compress(SVG),
    ):
        assert read.kind_of(form) == "SVG"


@pytest.mark.parametrize("suffix", ["png", "jpg", "svg", "pdf"])
def test_other_formats_are_refused_under_any_name(tmp_path: Path, suffix: str):
    """EPS, GIF, zip, HTML and the like never reach a decoder, whatever they are called."""
    others = {
        "eps": b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 9 9\nshowpage\n%PDF-1.4",
        "gif": saved("GIF"),
        "zip": b"PK\x03\x04" + bytes(40),
        "html": b"<!DOCTYPE html><html><body>no</body></html>",
        "heif": bytes(4) + b"ftypheic" + bytes(40),
        "zeros": bytes(4000),
        "packed": gzip.compress(b"not a drawing"),
    }
    for name, data in others.items():
        with pytest.raises(Refused) as refusal:
            read.read_art(put(tmp_path, f"{name}.{suffix}", data), "the crest")
        assert refusal.value.code == "art-unreadable"
        assert "the crest" in refusal.value.message
        assert "Save it as" in refusal.value.message


def test_a_wrong_suffix_is_noted_and_read_all_the_same(tmp_path: Path):
    """A PNG called .jpg prints as the PNG it is."""
    art = read.read_art(put(tmp_path, "crest.jpg", RED), "crest")
    assert isinstance(art, BitmapArt)
    assert not art.lossy
    assert [(f.code, f.severity, f.measured) for f in art.findings] == [("wrong-extension", "note", ".jpg")]
    assert read.read_art(put(tmp_path, "crest.PNG", RED), "crest").findings == ()


def test_links_pipes_folders_and_nothing_are_refused_at_once(tmp_path: Path):
    """Only an ordinary file with something in it is opened; a pipe does not make the line wait."""
    real = put(tmp_path, "real.png", RED)
    (tmp_path / "link.png").symlink_to(real)
    os.mkfifo(tmp_path / "pipe.png")
    (tmp_path / "folder.png").mkdir()
    put(tmp_path, "empty.png", b"")
    began = time.monotonic()
    for name in ("link.png", "pipe.png", "folder.png", "empty.png", "absent.png", "nul\0.png"):
        with pytest.raises(Refused) as refusal:
            read.read_art(tmp_path / name, "crest")
        assert refusal.value.code == "art-unreadable"
    assert time.monotonic() - began < 2


def test_a_file_over_the_limit_is_not_read(tmp_path: Path):
    """The size is judged before a byte is read."""
    path = put(tmp_path, "big.png", RED)
    with path.open("r+b") as file:
        file.truncate(10 * 2**30)
    with pytest.raises(Refused) as refusal:
        read.read_art(path, "crest")
    assert refusal.value.code == "art-too-large"


def spin() -> None:
    while True:
        pass


def crash() -> None:
    os.abort()


def hog() -> int:
    return len(bytearray(3 * 2**30))


def busy() -> None:
    raise Busy("no space")


def noisy(value: int) -> int:
    print("chatter on standard output")
    return value + 1


def wrong() -> None:
    raise KeyError("a slip of ours")


QUICK = Limits(seconds=1.0, memory_bytes=2**30)


def test_what_the_child_returns_and_raises_comes_across():
    """Values as they are, faults as they are, slips as a fault with their trace; prints disturb nothing."""
    assert sandbox.run("tests.test_read:noisy", (41,), QUICK) == 42
    with pytest.raises(Busy, match="no space"):
        sandbox.run("tests.test_read:busy", (), QUICK)
    with pytest.raises(Fault, match="a slip of ours") as slip:
        sandbox.run("tests.test_read:wrong", (), QUICK)
    assert not isinstance(slip.value, Refused)


def test_time_memory_and_crashes_become_refusals():
    """Endless work is ended at the deadline, memory is capped, a crash of a decoder is contained."""
    began = time.monotonic()
    with pytest.raises(Refused) as late:
        sandbox.run("tests.test_read:spin", (), QUICK)
    assert time.monotonic() - began < 15
    assert late.value.code == "art-too-large"
    with pytest.raises(Refused) as large:
        sandbox.run("tests.test_read:hog", (), QUICK)
    assert large.value.code == "art-too-large"
    with pytest.raises(Refused) as broken:
        sandbox.run("tests.test_read:crash", (), QUICK)
    assert broken.value.code == "art-unreadable"


def test_a_page_that_draws_without_end_is_refused_in_time(tmp_path: Path):
    """What stays below the cap of parts may still be slow: the deadline holds."""
    began = time.monotonic()
    path, limits = put(tmp_path, "slow.pdf", nested(5, 10)), Limits(seconds=5)
    refusal: Refused | None = None
    try:
        sandbox.run("pipeline.art.read:read_art", (path, "slow", limits), limits)
    except Refused as late:
        refusal = late
    assert time.monotonic() - began < 30
    assert refusal is None or refusal.code == "art-too-large"
