"""Whatever comes in, what comes out is a clean value or a refusal in plain words; and nothing is opened or called."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests import fuzzing
from tests.conftest import ROOT

CASES = {
    "toml": 40,
    "json": 40,
    "shop": 15,
    "svg": 60,
    "nested": 60,
    "png": 120,
    "jpeg": 80,
    "tiff": 80,
    "webp": 60,
    "pdf": 60,
}


@pytest.mark.filterwarnings("ignore::ResourceWarning")
@pytest.mark.parametrize("kind", CASES)
def test_damaged_files_are_read_or_refused(kind: str, tmp_path: Path):
    """Some hundred damaged files of each kind; `python -m ops.fuzz` tries as many as you like."""
    outcomes = {fuzzing.attempt(kind, number, tmp_path) for number in range(CASES[kind])}
    assert outcomes - {"read"}, "damage was never noticed"


FOUND = [("pdf", 1148), ("svg", 2471)]


@pytest.mark.parametrize(("kind", "number"), FOUND)
def test_what_long_runs_have_found_stays_mended(kind: str, number: int, tmp_path: Path):
    """A page whose contents were a number; a message that turned the reader's terminal right to left."""
    assert fuzzing.attempt(kind, number, tmp_path) == "art-unreadable"


@pytest.mark.filterwarnings("ignore::ResourceWarning")
def test_every_kind_of_seed_is_good_before_it_is_damaged(tmp_path: Path):
    """The files that are damaged here are whole: each is read as it stands."""
    for kind, files in fuzzing.seeds().items():
        for data in files:
            path = tmp_path / f"seed.{fuzzing.SUFFIXES.get(kind, kind)}"
            path.write_bytes(data)
            reader = {"toml": fuzzing.load_order, "json": fuzzing.load_order, "shop": fuzzing.load_shop}.get(
                kind, fuzzing._art
            )
            assert reader(path) is not None


AUDIT = """
import json, sys
from pathlib import Path
from pipeline.art import draw, read
from pipeline.faults import Refused
import pipeline.art.svg, pipeline.art.bitmap, cairosvg, resvg_py, PIL.PngImagePlugin, PIL.ImageCms
read.read_art(Path(sys.argv[1]) / "plain.svg", "plain")
draw.draw(read.read_art(Path(sys.argv[1]) / "plain.svg", "plain"), 8, 8)
seen = []
def watch(event, args):
    if event == "open":
        seen.append(["open", str(args[0])])
    elif event.startswith(("socket.", "urllib.", "http.", "subprocess.", "os.exec", "os.system", "ctypes.dlopen")):
        seen.append([event, repr(args)])
sys.addaudithook(watch)
for path in sorted(Path(sys.argv[1]).glob("*.svg")):
    try:
        draw.draw(read.read_art(path, path.name), 32, 32)
    except Refused:
        pass
print(json.dumps(seen))
"""

HOSTILE = {
    "plain": "<rect width='9' height='9' fill='#123456'/>",
    "image": "<image href='http://127.0.0.1:9/x.png' width='9' height='9'/>",
    "file": "<image href='file://{secret}' width='9' height='9'/><image href='{secret}' width='9' height='9'/>",
    "use": "<use href='http://127.0.0.1:9/x.svg#a'/><use href='file://{secret}#a'/>",
    "import": "<style>@import url('http://127.0.0.1:9/x.css'); @import '{secret}';</style><rect width='9' height='9'/>",
    "font": "<style>@font-face{{font-family:F;src:url(file://{secret})}}</style><text font-family='F'>a</text>",
    "fill": "<rect width='9' height='9' fill='url(file://{secret}#g)' filter='url(http://127.0.0.1:9/f.svg#f)'/>",
    "script": "<script href='file://{secret}'/><foreignObject><iframe src='{secret}'/></foreignObject>",
}
NAMES = 'xmlns="http://www.w3.org/2000/svg" viewBox="0 0 9 9"'
DOCTYPES = {
    "entity": "<!DOCTYPE svg [<!ENTITY x SYSTEM 'file://{secret}'>]><svg {names}><text>&x;</text></svg>",
    "dtd": "<!DOCTYPE svg SYSTEM 'http://127.0.0.1:9/x.dtd'><svg {names}/>",
    "sheet": "<?xml-stylesheet href='file://{secret}'?><svg {names}/>",
}


def test_hostile_drawings_open_no_file_and_no_connection(tmp_path: Path):
    """The interpreter reports every file it opens and every socket (sys.addaudithook): only the art and code appear."""
    art, secret = tmp_path / "art", tmp_path / "secret.png"
    art.mkdir()
    secret.write_bytes(b"not for print")
    for name, body in HOSTILE.items():
        (art / f"{name}.svg").write_text(f"<svg {NAMES}>{body.format(secret=secret)}</svg>")
    for name, text in DOCTYPES.items():
        (art / f"{name}.svg").write_text(text.format(secret=secret, names=NAMES))
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    done = subprocess.run(
        [sys.executable, "-c", AUDIT, str(art)], capture_output=True, text=True, check=True, env=environment
    )
    events = json.loads(done.stdout)
    opened = {target for event, target in events if event == "open"}
    assert {str(art / f"{name}.svg") for name in (*HOSTILE, *DOCTYPES)} <= opened
    calls = [what for event, what in events if event not in ("open", "ctypes.dlopen")]
    # The list of installed fonts comes from fontconfig's own tool, asked with nothing from the art.
    assert [
        what for what in calls if "/fc-list', ['" not in what or "secret" in what or "127.0.0.1" in what
    ] == []
    assert str(secret) not in opened
    foreign = [
        one
        for one in opened
        if not one.startswith(str(art)) and not one.isdigit() and not _is_code_or_font(one)
    ]
    assert foreign == []


def _is_code_or_font(path: str) -> bool:
    """Modules imported on first use, and the machine's fonts for live text (numbers are pipes to fc-list)."""
    return path.endswith((".py", ".pyc", ".so", ".ttf", ".otf", ".ttc", ".icc")) or "dist-info" in path
