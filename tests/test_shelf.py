"""The shelf gives back what was put on it, or nothing; it never grows without end and never stops an order."""

from __future__ import annotations

import hashlib
import os
import time
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import pytest

from pipeline import keys
from pipeline.shelf import Shelf, user_shelf


def file(folder: Path, name: str, data: bytes) -> Path:
    path = folder / name
    path.write_bytes(data)
    return path


def key(number: int) -> str:
    return hashlib.sha256(b"%d" % number).hexdigest()


@pytest.mark.parametrize("link", [False, True])
def test_what_is_kept_comes_back_under_its_key_alone(link: bool, tmp_path: Path) -> None:  # noqa: FBT001
    """Bytes and note return as they were; another key finds nothing; taking leaves the entry in place."""
    shelf = Shelf(tmp_path / "shelf")
    shelf.keep(key(1), {"plate.png": file(tmp_path, "a", b"pixels")}, {"ink_mm2": 12.5})
    for turn in range(2):
        target = tmp_path / f"out-{turn}"
        assert shelf.take(key(1), {"plate.png": target}, link=link) == {"ink_mm2": 12.5}
        assert target.read_bytes() == b"pixels"
    assert shelf.take(key(2), {"plate.png": tmp_path / "none"}) is None
    assert not (tmp_path / "none").exists()


def test_a_released_file_never_shares_its_bytes_with_the_shelf(tmp_path: Path) -> None:
    """Writing into what was taken changes nothing for the next who takes it."""
    shelf = Shelf(tmp_path / "shelf")
    shelf.keep(key(1), {"f": file(tmp_path, "a", b"pixels")})
    (tmp_path / "a").write_bytes(b"scrawl")
    shelf.take(key(1), {"f": tmp_path / "b"})
    (tmp_path / "b").write_bytes(b"scrawl")
    assert shelf.take(key(1), {"f": tmp_path / "c"}) == {}
    assert (tmp_path / "c").read_bytes() == b"pixels"


@pytest.mark.parametrize("damage", ["flip", "cut", "gone", "no entry", "bad entry"])
def test_a_spoilt_entry_is_never_used_and_makes_room_for_a_sound_one(damage: str, tmp_path: Path) -> None:
    """Whatever happened to an entry on disk, taking it gives nothing, and keeping it again mends it."""
    shelf = Shelf(tmp_path / "shelf")
    source = file(tmp_path, "a", b"pixels")
    shelf.keep(key(1), {"f": source})
    place = next((tmp_path / "shelf").glob("??/*"))
    if damage == "flip":
        (place / "f").write_bytes(b"pixelS")
    elif damage == "cut":
        (place / "f").write_bytes(b"pix")
    elif damage == "gone":
        (place / "f").unlink()
    elif damage == "no entry":
        (place / "entry.json").unlink()
    else:
        (place / "entry.json").write_text("{")
    assert shelf.take(key(1), {"f": tmp_path / "b"}) is None
    assert not (tmp_path / "b").exists()
    shelf.keep(key(1), {"f": source})
    assert shelf.take(key(1), {"f": tmp_path / "b"}) == {}
    assert (tmp_path / "b").read_bytes() == b"pixels"


def keep_and_take(folder: str, number: int) -> bool:
    here = Path(folder)
    shelf = Shelf(here / "shelf", most_bytes=60_000)
    good = True
    for turn in range(30):
        wanted = b"%d" % (turn % 7) * 2000
        source = file(here, f"in-{number}", wanted)
        shelf.keep(key(turn % 7), {"f": source})
        if shelf.take(key(turn % 7), {"f": here / f"out-{number}"}) is not None:
            good &= (here / f"out-{number}").read_bytes() == wanted
        if turn % 10 == number:
            shelf.tidy()
    return good


def test_many_processes_keep_take_and_tidy_at_once(tmp_path: Path) -> None:
    """What one of four processes takes is whole, while the others write and clear away the same keys."""
    with ProcessPoolExecutor(4, mp_context=get_context("spawn")) as pool:
        assert all(pool.map(keep_and_take, [str(tmp_path)] * 4, range(4)))
    assert not list((tmp_path / "shelf").glob("aside-*"))


def test_what_was_taken_longest_ago_goes_first(tmp_path: Path) -> None:
    """Beyond its size the shelf loses the least recently taken entries, and those too old whatever the size."""
    shelf = Shelf(tmp_path / "shelf", most_bytes=3500, most_days=10)
    for number in range(4):
        shelf.keep(key(number), {"f": file(tmp_path, "a", b"x" * 1000)})
        place = tmp_path / "shelf" / key(number)[:2] / key(number)
        os.utime(place, (time.time() - 1000 + number,) * 2)
    shelf.take(key(0), {"f": tmp_path / "b"})
    shelf.tidy()
    left = [number for number in range(4) if shelf.note(key(number)) is not None]
    assert left == [0, 2, 3]
    old = tmp_path / "shelf" / key(3)[:2] / key(3)
    os.utime(old, (time.time() - 11 * 86400,) * 2)
    shelf.tidy()
    assert shelf.note(key(3)) is None


def test_beyond_its_size_the_shelf_lets_drawings_go_before_what_is_dearer_for_its_size(
    tmp_path: Path,
) -> None:
    """Cost and size decide beside age (Cao & Irani 1997, GreedyDual-Size): of one night the large entries go first."""
    shelf = Shelf(tmp_path / "shelf", most_bytes=2_500_000)
    for number, size in enumerate((1000, 2_000_000, 600_000, 1000)):
        shelf.keep(key(number), {"f": file(tmp_path, "a", b"x" * size)})
        place = tmp_path / "shelf" / key(number)[:2] / key(number)
        os.utime(place, (time.time() - 100 + number,) * 2)
    shelf.tidy()
    assert [number for number in range(4) if shelf.note(key(number)) is not None] == [0, 2, 3]


def test_a_shelf_that_others_may_write_to_is_not_trusted(tmp_path: Path) -> None:
    """Nothing is taken from, or put into, a folder that a stranger could have filled."""
    shelf = Shelf(tmp_path / "shelf")
    shelf.keep(key(1), {"f": file(tmp_path, "a", b"pixels")})
    shelf.folder.chmod(0o777)
    assert shelf.take(key(1), {"f": tmp_path / "b"}) is None
    shelf.keep(key(2), {"f": tmp_path / "a"})
    shelf.folder.chmod(0o700)
    assert shelf.note(key(2)) is None


def test_a_shelf_that_cannot_be_written_costs_nothing_but_time(tmp_path: Path) -> None:
    """No room, no rights, no folder: keeping and taking are silent."""
    shelf = Shelf(file(tmp_path, "file", b"") / "shelf")
    shelf.keep(key(1), {"f": file(tmp_path, "a", b"pixels")})
    assert shelf.take(key(1), {"f": tmp_path / "b"}) is None
    shelf.tidy()


def test_the_users_shelf_lies_in_the_cache_folder(monkeypatch: pytest.MonkeyPatch) -> None:
    """XDG Base Directory Specification: XDG_CACHE_HOME if absolute, else ~/.cache."""
    monkeypatch.setenv("XDG_CACHE_HOME", "/var/cache/somebody")
    assert user_shelf().folder == Path("/var/cache/somebody/washfast/shelf")
    monkeypatch.setenv("XDG_CACHE_HOME", "relative")
    assert user_shelf().folder == Path.home() / ".cache/washfast/shelf"


def test_the_code_that_works_on_pixels_is_in_every_key() -> None:
    """A program that draws otherwise takes nothing that an older one put on the shelf (common practice, no source)."""
    folder = Path(keys.__file__).parent
    assert {path.name for path in folder.glob("raster*.py")} <= set(keys._CODE)
