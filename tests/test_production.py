"""With a shelf nothing is made twice, and what comes out is the same as without one."""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import pytest

from pipeline.art.limits import Limits
from pipeline.cli import main
from pipeline.engine import Engine, Feed, Queue, Task
from pipeline.faults import ExitCode
from pipeline.first_look import Looked, Wanted, read_apart
from pipeline.make import make_order, prepare
from pipeline.order import load_order
from pipeline.production import Floor, _Draws, _Plating, _Studying
from pipeline.release import Places
from pipeline.shelf import Shelf
from pipeline.shop import load_shop
from pipeline.tasks import draw_task
from pipeline.triage import rush_first
from tests.test_make import BADGE, hand_in, order


class Watched(Engine):
    """An engine in this process that remembers what it was given."""

    def __init__(self) -> None:
        super().__init__(workers=1)
        self.given: list[str] = []

    def run(self, tasks: Iterable[Task], feed: Feed | None = None, *, largest: float = 0.0) -> dict[str, Any]:
        return super().run(tasks, _Listening(feed or Feed(), self.given), largest=largest)


class _Listening(Feed):
    """Hands a feed on, and notes what ended."""

    def __init__(self, feed: Feed, ended: list[str]) -> None:
        self.feed, self.names = feed, ended

    def ended(self, task: Task, result: Any) -> None:
        self.names.append(task.function.__name__)
        self.feed.ended(task, result)

    def more(self) -> Iterable[Task]:
        return self.feed.more()


class Press:
    """Makes orders with one shelf, each into a folder of its own; counts tasks, "colour" those that look at plates."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.shelf = Shelf(folder / "shelf")
        self.runs = 0

    def make(
        self, manifest: dict[str, Any], shelf: Shelf | None, shop: str = "", art: str = BADGE
    ) -> tuple[dict[str, int], Path]:
        """Make an order; returns how many draws, studies and plates were made, and where the release lies."""
        self.runs += 1
        path = hand_in(self.folder / f"in-{self.runs}", manifest, {"badge.svg": art})
        shop_file = path.parent / "shop.toml"
        shop_file.write_text(shop)
        out = self.folder / f"out-{self.runs}"
        engine = Watched()
        done = make_order(path, load_shop(shop_file), Places.below(out), engine, shelf=shelf)
        assert done.exit_code == ExitCode.DONE, done
        assert done.path is not None
        made = {name: engine.given.count(f"{name}_task") for name in ("draw", "study", "plate")}
        return {**made, "colour": engine.given.count("outside_colour")}, done.path


def contents(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.fixture
def press(tmp_path: Path) -> Press:
    return Press(tmp_path)


def test_an_order_made_again_makes_no_plate_and_gives_the_same_bytes(press: Press) -> None:
    """Without a shelf, with an empty one and with a full one: equal releases, and nothing drawn the third time."""
    bare, first = press.make(order(), None)
    filled, second = press.make(order(), press.shelf)
    again, third = press.make(order(), press.shelf)
    assert bare == filled
    assert bare["plate"] == 2  # S and M on red are one size of print, made once
    assert set(again.values()) == {0}
    assert contents(first) == contents(second) == contents(third)


def test_a_revision_makes_only_what_it_touches(press: Press) -> None:
    """One colourway gets other pieces and another a swap: the plates of the swap alone are made."""
    manifest = order()
    press.make(manifest, press.shelf)
    manifest["revision"] = 2
    manifest["colourways"][0]["sizes"]["M"] = 40
    counted, release = press.make(manifest, press.shelf)
    assert counted["plate"] == counted["study"] == counted["colour"] == 0
    assert (release / "barn-red/chest/T-1-r2_barn-red_chest_M_page.pdf").is_file()
    manifest["revision"] = 3
    manifest["colourways"][1]["swap"] = [{"from": "#2f7f86", "to": "#d9a441"}]
    made, changed = press.make(manifest, press.shelf)
    assert made["plate"] == made["study"] == made["colour"] == 1
    _, fresh = press.make(manifest, None)
    assert contents(changed) == contents(fresh)


def test_bands_of_one_size_have_equal_files_of_their_own(press: Press) -> None:
    """A chest print is as large on S as on M: each has its files, with the same bytes."""
    _, release = press.make(order(), None)
    files = contents(release)
    for end in ("colour.png", "base.png", "page.pdf"):
        assert (
            files[f"barn-red/chest/T-1-r1_barn-red_chest_S_{end}"]
            == files[f"barn-red/chest/T-1-r1_barn-red_chest_M_{end}"]
        )


def test_other_washes_reuse_the_drawings_alone(press: Press) -> None:
    """When the shop's wash constants change, every plate is made anew from drawings on the shelf."""
    manifest = order(fade={"method": "model"})
    first, before = press.make(manifest, press.shelf)
    shop = "[washes.direct]\nlife = 25\n[washes.direct.fibres.cotton]\nk = [0.02, 0.02, 0.02]\nf = [0.1, 0.1, 0.1]\n"
    again, after = press.make(manifest, press.shelf, shop)
    assert again == {**first, "draw": 0}
    plates = [json.loads((path / "record.json").read_text())["plates"] for path in (before, after)]
    assert {plate["key"] for plate in plates[0]}.isdisjoint(plate["key"] for plate in plates[1])


def test_a_spoilt_shelf_changes_nothing_but_the_time(press: Press) -> None:
    """Every file on the shelf loses a byte: the order is made anew, and is the same."""
    _, first = press.make(order(), press.shelf)
    for path in press.shelf.folder.rglob("*"):
        if path.is_file() and path.name != "entry.json":
            path.write_bytes(path.read_bytes()[:-1])
    counted, second = press.make(order(), press.shelf)
    assert min(counted["draw"], counted["study"], counted["plate"]) > 0
    assert contents(first) == contents(second)


def test_rush_orders_overtake(tmp_path: Path) -> None:
    """Of several orders the rush ones are made first; the others, and what cannot be read, keep their turn."""
    paths = [
        hand_in(tmp_path / str(number), order(order=f"T-{number}", priority=priority))
        for number, priority in enumerate(("normal", "rush", "normal", "rush"))
    ]
    broken = tmp_path / "broken.json"
    broken.write_text("{")
    assert rush_first([paths[0], broken, *paths[1:]]) == [paths[1], paths[3], paths[0], broken, paths[2]]


def test_make_takes_from_the_shelf_it_is_given(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`--shelf DIR` fills that folder, `--shelf none` leaves it alone; the releases are equal."""
    path = hand_in(tmp_path / "in", order())
    shelf = tmp_path / "shelf"
    for number, wanted in enumerate(("none", str(shelf), str(shelf))):
        out = tmp_path / f"out-{number}"
        assert (
            main(["make", str(path), "--out", str(out), "--shelf", wanted, "--workers", "1"]) == ExitCode.DONE
        )
        assert shelf.exists() == (number > 0)
    assert capsys.readouterr().out.count("RELEASED") == 3
    assert contents(tmp_path / "out-0") == contents(tmp_path / "out-1") == contents(tmp_path / "out-2")


def test_one_plate_serves_cloths_that_nothing_is_knocked_out_for(press: Press) -> None:
    """Two more cloths that the art has no colour of: no plate is made for them; theirs are as if alone."""
    manifest = order(fade={"method": "model"})
    alone = {}
    for name, srgb in (("Bottle", "#0b3b24"), ("Plum", "#4a1d45")):
        way = {"name": name, "fabric": {"srgb": srgb}, "sizes": {"M": 2}}
        alone[name] = contents(press.make({**manifest, "colourways": [way]}, None)[1])
        manifest["colourways"].append(way)
    counted, release = press.make(manifest, None)
    assert counted["plate"] == 2
    files = contents(release)
    for name, before in alone.items():
        plates = [path for path in before if path.endswith((".png", "_page.pdf")) and "_chest_" in path]
        assert len(plates) == 3
        assert all(files[path] == before[path] for path in plates), name


class TwoAtOnce(Watched):
    """An engine that has two tasks in hand as two workers would, and does the one taken first."""

    def run(self, tasks: Iterable[Task], feed: Feed | None = None, *, largest: float = 0.0) -> dict[str, Any]:
        queue = Queue(tasks, feed)
        taken: list[Task] = []
        while taken := taken + queue.take(2 - len(taken)):
            task = taken.pop(0)
            self.given.append(task.function.__name__)
            queue.end(task, task.function(*task.arguments))
        return queue.done


def three_ways(**last: str) -> dict[str, Any]:
    """Return an order whose last colourway raises a question (its cloth is near a colour of the art) or answers it."""
    cloths = {"Black": "#141418", "Bottle": "#0b3b24", "Teal": "#35868d"}
    ways = [{"name": name, "fabric": {"srgb": srgb}, "sizes": {"M": 2}} for name, srgb in cloths.items()]
    ways[2] |= last
    return order(colourways=ways)


def test_plates_made_before_an_order_is_held_stay_on_the_shelf(tmp_path: Path) -> None:
    """While the last study runs a plate is made; the study holds the order: no press file is anywhere but on the shelf,
    and when the question is answered that plate is not made again (common practice, no source).
    """
    shelf, shop = Shelf(tmp_path / "shelf"), load_shop(None)
    places = Places.below(tmp_path / "out")
    first, second = TwoAtOnce(), TwoAtOnce()
    path = hand_in(tmp_path / "in", three_ways())
    held = make_order(path, shop, places, first, shelf=shelf)
    assert (held.state, held.held_for) == ("held", ("findings",))
    assert first.given.count("plate_task") == 1
    assert not list((tmp_path / "out").rglob("*_colour.png"))
    assert [folder.name for folder in (tmp_path / "out").iterdir()] == ["held"]

    path = hand_in(tmp_path / "in", three_ways(near_fabric="keep"))
    done = make_order(path, shop, places, second, shelf=shelf)
    assert done.exit_code == ExitCode.DONE
    assert "plate_task" not in second.given  # all three cloths take the same
    alone = make_order(path, shop, Places.below(tmp_path / "alone"), Engine(1))
    assert done.path is not None
    assert alone.path is not None
    assert contents(done.path) == contents(alone.path)


def test_no_plate_is_begun_for_an_order_that_waits_for_approval(tmp_path: Path) -> None:
    """What nobody approved yet is only studied (common practice, no source)."""
    engine = TwoAtOnce()
    path = hand_in(tmp_path / "in", {**three_ways(near_fabric="keep"), "approval": "required"})
    held = make_order(path, load_shop(None), Places.below(tmp_path / "out"), engine)
    assert held.held_for == ("approval",)
    assert engine.given.count("study_task") == 3
    assert "plate_task" not in engine.given


def test_art_is_read_once(press: Press, monkeypatch: pytest.MonkeyPatch) -> None:
    """A revision takes what reading saw from the shelf, with the same release; art with live text is read anew."""
    read: list[str] = []

    def noted(wanted: tuple[Wanted, ...], spool: Path, limits: Limits) -> dict[str, Looked]:
        read.extend(entry.art for entry in wanted)
        return read_apart(wanted, spool, limits)

    monkeypatch.setattr("pipeline.make.read_apart", noted)
    press.make(order(), press.shelf)
    _, revised = press.make(order(revision=2), press.shelf)
    assert read == ["badge"]
    assert contents(revised) == contents(press.make(order(revision=2), None)[1])
    live = BADGE.replace(
        "</svg>", '<text x="20" y="20" font-family="DejaVu Sans" font-size="9">A</text></svg>'
    )
    for revision in (3, 4):
        press.make(order(revision=revision), press.shelf, art=live)
    assert read == ["badge"] * 4


def test_draws_are_made_ahead_behind_the_study_and_once(tmp_path: Path) -> None:
    """While a study runs its worker's neighbours draw for the plates to come; they never go before the study."""
    sized = order()
    sized["prints"][0]["by_size"] = {"S": {"width_mm": 50}, "M": {"width_mm": 60}, "L": {"width_mm": 70}}
    for way in sized["colourways"]:
        way["sizes"] = {"S": 1, "M": 1, "L": 1}
    path = hand_in(tmp_path / "in", sized, {"badge.svg": BADGE})
    planned = prepare(path, load_order(path), load_shop(None), tmp_path)
    plan, floor = planned.plan, Floor(tmp_path, Engine(1))
    draws = _Draws(floor)
    plating = _Plating(plan, floor, tmp_path / "made", (), draws)
    studying = _Studying(plan, floor, draws, plating, lambda _: True)
    queue = Queue(studying.tasks(), studying)
    begun: list[str] = []
    while taken := queue.take(4):
        begun += [task.key for task in taken]
        for task in taken:
            if task.function is draw_task:
                queue.end(task, None)
    studies = [name for name in begun if name.startswith("study ")]
    own = {f"draw {draw.key}" for job in plan.jobs for draw in job.plates[0].draws}
    every = {f"draw {draw.key}" for job in plan.jobs for plate in job.plates for draw in plate.draws}
    assert len(studies) == len(plan.jobs)
    assert own < every
    assert sorted(begun) == sorted([*every, *studies])
    assert set(begun[: begun.index(studies[-1])]) <= own | set(studies)
