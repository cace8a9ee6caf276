"""What lies in incoming/ is taken when it is complete and quiet, whatever its name, its times, its writer's habits."""

from __future__ import annotations

import errno
import json
import os
import time
import unicodedata
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pipeline.hotfolder import intake
from pipeline.hotfolder.endings import looks_whole
from pipeline.hotfolder.intake import Intake
from pipeline.hotfolder.layout import HotFolder
from pipeline.log import configure
from tests.builders import blank_png
from tests.hot_helpers import ART, drop, hot_folder, order, put, states, status, tree, work


class Clock:
    """A clock that moves when told."""

    def __init__(self) -> None:
        self.at = 1000.0

    def __call__(self) -> float:
        return self.at


@pytest.fixture
def hot(tmp_path: Path) -> HotFolder:
    return hot_folder(tmp_path / "hot")


@pytest.fixture
def clock() -> Clock:
    return Clock()


def looks(seen: Intake, clock: Clock, many: int, apart: float = 0.5) -> list[str]:
    """Look so many times; return the names of what is ready after each look, as one list of the last."""
    for _ in range(many):
        clock.at += apart
        seen.look()
    return [sighting.manifest.name for sighting in seen.ready()]


def test_nothing_is_taken_before_it_was_quiet_for_several_looks(hot: HotFolder, clock: Clock) -> None:
    """Ready after three equal looks and the quiet time, not before; many looks at one moment count as one."""
    drop(hot, order())
    seen = Intake(hot.incoming, clock)
    assert looks(seen, clock, 20, 0.01) == []
    assert looks(seen, clock, 4) == ["HB-1-1.json"]


@pytest.mark.parametrize(
    "when", [0.0, time.time() + 3600, time.time() - 3600], ids=["1970", "ahead", "behind"]
)
def test_file_times_and_a_clock_that_was_set_back_decide_nothing(
    hot: HotFolder, clock: Clock, when: float
) -> None:
    """While it grows it is not taken, however old or young it says it is (utime); afterwards it is, all the same."""
    manifest = drop(hot, order())
    art = hot.incoming / "mark.svg"
    seen = Intake(hot.incoming, clock)
    for step in range(8):
        art.write_text(ART + " " * step + "<!-- -->")
        for path in (manifest, art):
            os.utime(path, (when, when))
        assert looks(seen, clock, 1) == []
    assert looks(seen, clock, 5) == ["HB-1-1.json"]


def test_a_writer_that_pauses_is_waited_for(hot: HotFolder, clock: Clock) -> None:
    """Art that stops in the middle for 25 seconds: its end mark is missing, so it is not taken; whole, it is."""
    drop(hot, order())
    (hot.incoming / "mark.svg").write_text(ART[:60])
    seen = Intake(hot.incoming, clock)
    assert looks(seen, clock, 50) == []
    (hot.incoming / "mark.svg").write_text(ART)
    assert looks(seen, clock, 4) == ["HB-1-1.json"]


def test_art_without_its_end_mark_is_taken_in_the_end_and_left_to_the_reader(
    hot: HotFolder, clock: Clock
) -> None:
    """After half a minute without a change it is what it is."""
    drop(hot, order())
    (hot.incoming / "mark.svg").write_text(ART[:60])
    seen = Intake(hot.incoming, clock)
    assert looks(seen, clock, 70) == ["HB-1-1.json"]


def test_art_that_comes_after_the_manifest_is_waited_for_and_reported(hot: HotFolder, clock: Clock) -> None:
    """Reported after a minute with the name of what is missing, never refused; taken when the art comes."""
    manifest = drop(hot, order())
    (hot.incoming / "mark.svg").rename(hot.root / "mark.svg")
    seen = Intake(hot.incoming, clock)
    assert looks(seen, clock, 100) == []
    assert seen.overdue() == []
    assert looks(seen, clock, 2000) == []
    ((path, text),) = seen.overdue()
    assert path == manifest
    assert "mark.svg" in text
    assert seen.refusable() == []
    (hot.root / "mark.svg").rename(hot.incoming / "mark.svg")
    assert looks(seen, clock, 4) == ["HB-1-1.json"]
    assert seen.overdue() == []


@pytest.mark.parametrize(
    ("text", "patience"),
    [
        ('{"order": "HB-1"', intake.BROKEN_S),  # not whole JSON: may still be written
        ('order = "HB-1"\ntitle = "half of', intake.BROKEN_S),
        ('order = "HB-1"', intake.BROKEN_S),  # TOML may go on unless the line has ended
        ('order = "HB-1"\n', intake.WRONG_S),
        ('{"order": "HB-1"}', intake.WRONG_S),
    ],
)
def test_what_reads_wrongly_is_refused_after_the_patience_its_kind_deserves(
    hot: HotFolder, clock: Clock, text: str, patience: float
) -> None:
    """A text that cannot go on is refused soon; one that may be half written is reported first, refused much later."""
    put(hot.incoming / ("a.json" if text.startswith("{") else "a.toml"), text)
    seen = Intake(hot.incoming, clock)
    looks(seen, clock, 3, 1.0)
    looks(seen, clock, 1, patience - 3.5)
    assert seen.refusable() == []
    assert bool(seen.overdue()) is (patience > intake.REPORT_S)
    looks(seen, clock, 1, 2.0)
    assert len(seen.refusable()) == 1


def test_a_manifest_in_growing_pieces_is_read_only_when_it_is_whole(hot: HotFolder, clock: Clock) -> None:
    """Written byte by byte over many looks, in TOML: never ready or refused before the last byte."""
    told = (
        'order = "HB-1"\ngarment = "unisex tee"\n[art.mark]\nfile = "mark.svg"\n[[prints]]\nname = "chest"\n'
        'art = "mark"\nposition = "left chest"\nroute = "direct"\nwidth_mm = 20\n[[colourways]]\nname = "B"\n'
        'fabric = { srgb = "#141418" }\nsizes = { M = 2 }\n'
    )
    (hot.incoming / "mark.svg").write_text(ART)
    seen = Intake(hot.incoming, clock)
    with (hot.incoming / "a.toml").open("w") as stream:
        for letter in told:
            stream.write(letter)
            stream.flush()
            assert looks(seen, clock, 1, 1.0) == []
            assert seen.refusable() == []
    assert looks(seen, clock, 4) == ["a.toml"]


NAMES = [
    "caf\u00e9.json",
    unicodedata.normalize("NFD", "caf\u00e9.json"),
    "\u65e5" * 80 + ".json",
    "\U0001f600.json",
    "-rf.json",
    "two\nlines.json",
    "tab\tand 'quote\".json",
    "AUX.json",
    "..odd.json.json",
    "ends with space .json",
    b"bytes-\xff\xfe.json",
    "<script>alert(1)</script>".replace("/", "_") + ".json",
]


@pytest.fixture
def _hurry(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(intake, "QUIET_S", 0.2)
    monkeypatch.setattr(intake, "WRONG_S", 0.4)
    monkeypatch.setattr(intake, "REPORT_S", 0.6)
    monkeypatch.setattr(intake, "LOOK_APART_S", 0.05)
    monkeypatch.setattr("pipeline.hotfolder.watch.SETTLING_S", 0.08)
    monkeypatch.setattr("pipeline.hotfolder.watch.IDLE_S", 0.2)


@pytest.mark.usefixtures("_hurry")
def test_hostile_names_come_through_and_logs_stay_readable(
    hot: HotFolder, capsys: pytest.CaptureFixture[str]
) -> None:
    """Accents in both forms, other scripts, newlines, undecodable bytes: all released, each log line is JSON."""
    configure()
    (hot.incoming / "mark.svg").write_text(ART)
    for number, name in enumerate(NAMES):
        told = json.dumps(order(f"N-{number}")).encode()
        path = os.path.join(os.fsencode(hot.incoming), os.fsencode(name))  # noqa: PTH118 – bytes
        with open(path, "wb") as stream:  # noqa: PTH123 – bytes
            stream.write(told)
    (hot.incoming / ".hidden.json").write_text(json.dumps(order("H-1")))
    (hot.incoming / "a.json.part").write_text(json.dumps(order("H-2")))
    work(hot, lambda s: not (s.intake.waiting() or s.busy or s.unfinished()))

    found = states(hot)
    # a name that begins with a dot is a hidden file, and none of ours to take
    assert found == {
        f"N-{n}-r1": "released" for n in range(len(NAMES)) if not os.fsdecode(NAMES[n]).startswith(".")
    }
    assert (hot.incoming / ".hidden.json").exists()
    assert (hot.incoming / "a.json.part").exists()
    lines = [json.loads(line) for line in capsys.readouterr().err.splitlines()]
    assert sum(line["event"] == "taken" for line in lines) == len(found)


@pytest.mark.usefixtures("_hurry")
def test_links_pipes_and_ways_out_are_never_followed(hot: HotFolder, tmp_path: Path) -> None:
    """A linked manifest, a FIFO, linked art and art above the folder: nothing outside is read, each is told about."""
    secret = tmp_path / "secret.svg"
    secret.write_text(ART)
    outside = tmp_path / "outside.json"
    outside.write_text(json.dumps(order("X-1")))
    (hot.incoming / "link.json").symlink_to(outside)
    os.mkfifo(hot.incoming / "pipe.json")
    (hot.incoming / "mark.svg").symlink_to(secret)
    put(hot.incoming / "linked-art.json", json.dumps(order("X-2")))
    for number, file in enumerate(["../secret.svg", "/etc/passwd", "a/../../secret.svg"]):
        put(
            hot.incoming / f"up-{number}.json",
            json.dumps(order(f"X-3{number}", art={"mark": {"file": file}})),
        )
    (hot.incoming / "linked-folder").symlink_to(tmp_path)
    until = time.monotonic() + 1.5
    work(hot, lambda _: time.monotonic() > until)

    assert status(hot) == []
    assert {p.name for p in hot.refused.iterdir()} == {
        "linked-art.json",
        "up-0.json",
        "up-1.json",
        "up-2.json",
    }
    assert "symbolic link" in (hot.refused / "linked-art.json" / "reason.txt").read_text()
    assert ART.encode() not in tree(hot.inner).values()
    told = json.loads((hot.inner / "heartbeat.json").read_text())
    assert told["process"] == os.getpid()


def test_odd_things_are_reported(hot: HotFolder, clock: Clock) -> None:
    """A linked manifest and a pipe are told to the operator with what to do."""
    (hot.incoming / "link.json").symlink_to(hot.root / "nowhere")
    os.mkfifo(hot.incoming / "pipe.toml")
    seen = Intake(hot.incoming, clock)
    looks(seen, clock, 3)

    assert {path.name: text.split(".")[0] for path, text in seen.overdue()} == {
        "link.json": "is a symbolic link",
        "pipe.toml": "is no plain file",
    }


@pytest.mark.usefixtures("_hurry")
def test_art_shared_by_a_burst_of_manifests_serves_them_all(
    hot: HotFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Four flat orders name the same art: all are released; it leaves incoming/ once none there names it, to all."""
    (hot.incoming / "mark.svg").write_text(ART)
    for number in range(3):
        put(hot.incoming / f"{number}.json", json.dumps(order(f"B-{number}")))
    put(
        hot.incoming / "late.json",
        json.dumps(order("B-9", art={"mark": {"file": "mark.svg"}, "x": {"file": "x.svg"}})),
    )
    work(hot, lambda s: len(s.journal.in_states("released")) == 3)
    assert (hot.incoming / "mark.svg").exists()
    (hot.incoming / "x.svg").write_text(ART.replace("2f7f86", "000000"))
    monkeypatch.setattr("pipeline.hotfolder.taking.SPENT_S", 0.5)
    work(hot, lambda s: not s.intake.waiting() and not list(hot.incoming.iterdir()))

    assert set(states(hot).values()) == {"released"}
    for label in ("B-0-r1", "B-1-r1", "B-2-r1", "B-9-r1"):
        (archived,) = hot.archive.glob(f"{label}-*")
        assert (archived / "mark.svg").read_text() == ART
        assert len(list(archived.iterdir())) == (3 if label == "B-9-r1" else 2)


@pytest.mark.usefixtures("_hurry")
@pytest.mark.parametrize("links", [True, False])
def test_art_replaced_while_it_waits_for_others_is_in_its_orders_archive(
    hot: HotFolder,
    monkeypatch: pytest.MonkeyPatch,
    links: bool,  # noqa: FBT001
) -> None:
    """What was taken is kept as it was taken, on disks without links too, and changes no more with incoming/."""

    def no_links(*_: object) -> None:
        raise OSError(errno.EPERM, "no links")

    if not links:
        monkeypatch.setattr(Path, "hardlink_to", no_links)
    drop(hot, order())
    work(hot, lambda s: len(s.journal.all()) == 1)
    (hot.incoming / "mark.svg").write_text("<svg/>")
    work(hot, lambda s: not s.unfinished())

    (archived,) = hot.archive.glob("HB-1-r1-*")
    assert (archived / "mark.svg").read_text() == ART
    assert (hot.incoming / "mark.svg").read_text() == "<svg/>"


@pytest.mark.usefixtures("_hurry")
def test_taken_art_leaves_after_a_while_and_new_art_of_the_same_name_stays(
    hot: HotFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Spent art moves to its order's archive; art that replaced it in the meantime belongs to an order to come."""
    monkeypatch.setattr("pipeline.hotfolder.taking.SPENT_S", 0.5)
    drop(hot, order())
    work(hot, lambda s: not s.intake.waiting() and not list(hot.incoming.iterdir()))
    (archived,) = hot.archive.glob("HB-1-r1-*/mark.svg")
    assert archived.read_text() == ART

    drop(hot, order("HB-2"))
    other = ART.replace("2f7f86", "000000")
    work(hot, lambda s: len(s.journal.all()) == 2)
    put(hot.incoming / "mark.svg", other)
    until = time.monotonic() + 1.2
    work(hot, lambda _: time.monotonic() > until)
    assert (hot.incoming / "mark.svg").read_text() == other


def test_a_burst_in_one_folder_is_no_whole_folder(hot: HotFolder, clock: Clock) -> None:
    """A folder with one order goes whole; one with two, or with art that another order names, does not."""
    drop(hot, order("A-1"), "one")
    drop(hot, order("A-2"), "two")
    drop(hot, order("A-3"), "two")
    put(hot.incoming / "flat.json", json.dumps(order("A-4", art={"mark": {"file": "one/mark.svg"}})))
    seen = Intake(hot.incoming, clock)
    looks(seen, clock, 2)
    assert not seen.alone_in(hot.incoming / "one")
    assert not seen.alone_in(hot.incoming / "two")
    assert not seen.alone_in(hot.incoming)
    (hot.incoming / "flat.json").unlink()
    looks(seen, clock, 1)
    assert seen.alone_in(hot.incoming / "one")


PICTURE = blank_png(4, 4)


@pytest.mark.parametrize(
    ("name", "data", "whole"),
    [
        ("a.png", PICTURE, True),
        ("a.png", PICTURE[:-12], False),  # PNG specification 11.2.5: IEND is last
        ("a.jpg", b"\xff\xd8\xff\xe0" + b"x" * 40 + b"\xff\xd9", True),  # ITU-T T.81 B.1.1.3: EOI
        ("a.jpg", b"\xff\xd8\xff\xe0" + b"x" * 40, False),
        ("a.svg", ART.encode(), True),
        ("a.svg", ART.encode()[:-3], False),
        ("a.svg", b'<svg xmlns="http://www.w3.org/2000/svg"/>', True),
        ("a.svg", b'<s:svg xmlns:s="http://www.w3.org/2000/svg"></s:svg>\n<!-- x -->\n', True),
        ("a.pdf", b"%PDF-1.7\n...\n%%EOF\n", True),  # ISO 32000-2, 7.5.5
        ("a.pdf", b"%PDF-1.7\n...\n", False),
        ("a.webp", b"RIFF" + (12).to_bytes(4, "little") + b"WEBPVP8 \0\0\0\0", True),  # RFC 9649, 2.4
        ("a.webp", b"RIFF" + (99).to_bytes(4, "little") + b"WEBPVP8 \0\0\0\0", False),
        ("a.tif", b"II*\0\x08\0\0\0", None),
    ],
)
def test_end_marks_of_formats(tmp_path: Path, name: str, data: bytes, whole: bool | None) -> None:  # noqa: FBT001
    """Each format's own last mark tells a writer that pauses from one that is done; TIFF has none."""
    (tmp_path / name).write_bytes(data)
    assert looks_whole(tmp_path / name) is whole


def test_thousands_waiting_are_read_in_slices_and_rush_is_taken_first(hot: HotFolder, clock: Clock) -> None:
    """800 manifests: no look parses for longer than its budget, and the rush order dropped last is first in line."""
    (hot.incoming / "mark.svg").write_text(ART)
    told: dict[str, Any] = order()
    for number in range(800):
        (hot.incoming / f"o-{number:04}.json").write_text(json.dumps({**told, "order": f"O-{number}"}))
    seen = Intake(hot.incoming, clock)
    looks(seen, clock, 1)
    (hot.incoming / "zz.json").write_text(json.dumps({**told, "order": "RUSH", "priority": "rush"}))
    until(lambda: looks(seen, clock, 1)[:1] == ["zz.json"])
    until(lambda: len(looks(seen, clock, 1)) == 801)
    assert seen.ready()[0].manifest.name == "zz.json"


def until(true: Callable[[], bool]) -> None:
    for _ in range(200):
        if true():
            return
    raise AssertionError("never")
