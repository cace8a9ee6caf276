"""Reading and drawing art touches nothing but the art: asked of the kernel, so that no library is out of sight."""

from __future__ import annotations

import contextlib
import ctypes
import os
import socket
import sys
from collections.abc import Iterator
from pathlib import Path

import pikepdf
import pytest
from pikepdf import Array, Dictionary, Name, String

from pipeline.art import page, sandbox, svg
from pipeline.art.draw import draw_with
from pipeline.art.piece import Limits, PageArt, VectorArt
from pipeline.art.read import read_art
from pipeline.faults import Refused
from tests import builders

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="asks Linux's inotify(7)")
IN_ACCESS, IN_OPEN = 0x1, 0x20
BODIES = {
    "image": '<image href="{file}" width="9" height="9"/><image href="file://{file}" width="9" height="9"/>',
    "relative": '<image href="../secret/crest.png" width="9" height="9"/><use href="../secret/crest.svg#a"/>',
    "web": '<image href="{web}/crest.png" width="9" height="9"/><use href="{web}/crest.svg#a"/>',
    "paint": '<rect width="9" height="9" fill="url({file}#a)" mask="url({web}/m.svg#a)" filter="url({file}#a)"/>',
    "style": '<style>@import "{file}"; @import url({web}/a.css); rect{{fill:url({file})}}</style>'
    '<rect width="9" height="9"/>',
    "font": "<style>@font-face{{font-family:F;src:url({web}/f.ttf),url({file})}}</style>"
    '<text y="9" font-family="F">a</text>',
    "nested": "<image width='9' height='9' href=\"data:image/svg+xml,%3Csvg xmlns='http://www.w3.org/2000/svg'"
    " viewBox='0 0 9 9'%3E%3Cimage href='{file}' width='9' height='9'/%3E%3C/svg%3E\"/>",
    "filter": '<filter id="f"><feImage href="{file}"/></filter><rect width="9" height="9" filter="url(#f)"/>',
}


def look(path: Path) -> str:
    """Read and draw art by every renderer there is for it, stopped or not; meant for a child process."""
    try:
        art = read_art(path, "the art")
    except Refused as refusal:
        return refusal.code
    if isinstance(art, VectorArt):
        for renderer in ("cairosvg", "resvg"):
            draw_with(renderer, art, 24, 24)
    elif isinstance(art, PageArt):
        page.draw_page(art, 24, 24)
    return "drawn"


class Watched:
    """A folder whose files nobody may open, and a port that nobody may call."""

    def __init__(self, folder: Path) -> None:
        self.file = folder / "crest.png"
        self.file.write_bytes(builders.blank_png(9, 9))
        (folder / "crest.svg").write_text('<svg xmlns="http://www.w3.org/2000/svg"><g id="a"/></svg>')
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.listener.setblocking(False)
        self.web = f"http://127.0.0.1:{self.listener.getsockname()[1]}"
        libc = ctypes.CDLL(None, use_errno=True)
        self.events = libc.inotify_init1(os.O_NONBLOCK | os.O_CLOEXEC)
        assert libc.inotify_add_watch(self.events, os.fsencode(folder), IN_ACCESS | IN_OPEN) >= 0

    def touched(self) -> bool:
        """Say whether a file was opened or a connection made since the last call."""
        seen = False
        with contextlib.suppress(BlockingIOError):
            seen = bool(os.read(self.events, 65536))
        try:
            self.listener.accept()[0].close()
        except BlockingIOError:
            return seen
        return True

    def close(self) -> None:
        self.listener.close()
        os.close(self.events)


@pytest.fixture
def watched(tmp_path: Path) -> Iterator[Watched]:
    (tmp_path / "secret").mkdir()
    (tmp_path / "order").mkdir()
    found = Watched(tmp_path / "secret")
    yield found
    found.close()


def test_the_watch_sees_what_it_should(watched: Watched):
    """An opened file and a connection are noticed, so that their absence means something."""
    assert not watched.touched()
    watched.file.read_bytes()
    assert watched.touched()
    socket.create_connection(watched.listener.getsockname()).close()
    assert watched.touched()
    assert not watched.touched()


def test_drawings_reach_for_nothing_outside(watched: Watched, tmp_path: Path):
    """Images, uses, paints, style sheets, fonts and filters that point out of the file: none is followed."""
    for name, body in BODIES.items():
        path = tmp_path / "order" / f"{name}.svg"
        inside = body.format(file=watched.file, web=watched.web)
        path.write_text(f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 9 9">{inside}</svg>')

        assert sandbox.run("tests.test_read_outside:look", (path,), Limits()) == "drawn"
        assert not watched.touched(), name
        normal = svg.read(path.read_bytes(), name).svg.decode()
        assert str(watched.file) not in normal
        assert watched.web not in normal


def test_pages_reach_for_nothing_outside(watched: Watched, tmp_path: Path):
    """A PDF may name files and addresses: streams kept elsewhere, pages, launches (ISO 32000-1: 7.3.8, 8.10, 12.6)."""
    path = tmp_path / "order" / "page.pdf"
    with pikepdf.new() as document:
        sheet = document.add_blank_page(page_size=(24, 24))
        outside = Dictionary(Type=Name.Filespec, F=String(str(watched.file)))
        web = Dictionary(Type=Name.Filespec, FS=Name.URL, F=String(f"{watched.web}/a.pdf"))
        picture = document.make_stream(
            b"",
            Type=Name.XObject,
            Subtype=Name.Image,
            Width=9,
            Height=9,
            ColorSpace=Name.DeviceRGB,
            BitsPerComponent=8,
        )
        picture.F, picture.FFilter = outside, Name.FlateDecode
        form = document.make_stream(b"", Type=Name.XObject, Subtype=Name.Form, BBox=Array([0, 0, 9, 9]))
        form.Ref = Dictionary(F=outside, Page=0)
        far = document.make_stream(b"", Type=Name.XObject, Subtype=Name.Form, BBox=Array([0, 0, 9, 9]))
        far.Ref = Dictionary(F=web, Page=0)
        sheet.obj.Resources = Dictionary(XObject=Dictionary(A=picture, B=form, C=far))
        sheet.obj.Contents = document.make_stream(
            b"q 9 0 0 9 0 0 cm /A Do Q /B Do /C Do 1 0 0 rg 3 3 9 9 re f"
        )
        sheet.obj.AA = Dictionary(O=Dictionary(S=Name.Launch, F=outside))
        document.Root.OpenAction = Dictionary(S=Name.URI, URI=String(watched.web))
        document.save(path)

    assert sandbox.run("tests.test_read_outside:look", (path,), Limits()) in ("drawn", "art-unreadable")
    assert not watched.touched()
