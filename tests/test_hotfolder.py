"""The hot folder from outside: what is dropped comes out once, whole, or says why not."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from pipeline.cli import main
from pipeline.hotfolder import intake
from pipeline.hotfolder.journal import Journal
from pipeline.hotfolder.layout import HotFolder
from pipeline.hotfolder.night import night
from tests.hot_helpers import ART, drop, hot_folder, order, put, setting, states, status, tree, work


@pytest.fixture(autouse=True)
def _hurry(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(intake, "QUIET_S", 0.2)
    monkeypatch.setattr(intake, "LOOK_APART_S", 0.05)
    monkeypatch.setattr("pipeline.hotfolder.watch.SETTLING_S", 0.08)
    monkeypatch.setattr("pipeline.hotfolder.watch.IDLE_S", 0.2)


@pytest.fixture
def hot(tmp_path: Path) -> HotFolder:
    return hot_folder(tmp_path / "hot")


def record(hot: HotFolder, name: str, place: str = "released") -> dict[str, Any]:
    found: dict[str, Any] = json.loads((hot.root / place / name / "record.json").read_text())
    return found


def test_a_night_takes_makes_reports_and_ends(hot: HotFolder, capsys: pytest.CaptureFixture[str]) -> None:
    """One real order from drop to release by the command; originals in archive/, report written, audit clean."""
    drop(hot, order())
    assert main(["night", str(hot.root), "--workers", "1"]) == 0

    assert "HB-1-r1  RELEASED" in capsys.readouterr().out
    assert main(["audit", str(hot.released / "HB-1-r1")]) == 0
    assert not list(hot.incoming.iterdir())
    kept = tree(hot.archive)
    assert {Path(name).name for name in kept} == {"HB-1-1.json", "mark.svg"}
    assert ART.encode() in kept.values()
    assert {p.name for p in next(hot.reports.iterdir()).iterdir()} >= {"report.pdf", "report.html"}
    assert main(["status", str(hot.root), "--json"]) == 0
    shown = json.loads(capsys.readouterr().out.partition("{")[2].join(["{", ""]))
    assert shown["orders"][0]["state"] == "released"


def test_the_same_order_again_changes_nothing(hot: HotFolder) -> None:
    """Dropped three times, once under another name, once laid out otherwise: one release, all originals kept."""
    drop(hot, order(), "one")
    work(hot)
    before = (hot.released / "HB-1-r1" / "record.json").stat().st_ino

    drop(hot, order(), "two", file="other.json")
    put(hot.incoming / "mark.svg", ART)
    put(hot.incoming / "spaced.json", json.dumps(order(), indent=4))
    work(hot)

    assert states(hot) == {"HB-1-r1": "released"}
    assert (hot.released / "HB-1-r1" / "record.json").stat().st_ino == before
    assert sum(name.endswith(".json") for name in tree(hot.archive)) == 3


def test_changed_content_under_a_released_revision_is_refused_with_the_difference(hot: HotFolder) -> None:
    """The release stays as it was; the refusal names the key and the art that differ."""
    drop(hot, order(), "one")
    work(hot)
    kept = tree(hot.released)

    changed = order(colourways=[{"name": "Black", "fabric": {"srgb": "#141418"}, "sizes": {"M": 3}}])
    drop(hot, changed, "two", art=ART.replace("#2f7f86", "#2f7f87"))
    work(hot)

    assert [claim.state for claim in status(hot)] == ["released", "refused"]
    reason = next(hot.refused.glob("HB-1-r1-*/reason.txt")).read_text()
    assert "colourways[0].sizes.M was 2, is 3" in reason
    assert 'the art "mark.svg"' in reason
    assert "revision 2" in reason
    assert tree(hot.released) == kept


def test_a_higher_revision_replaces_and_the_old_release_is_kept(hot: HotFolder) -> None:
    """released/ holds revision 2 only; revision 1 lies in archive/ byte for byte; a late revision 1 is refused."""
    drop(hot, order(), "one")
    work(hot)
    old = tree(hot.released / "HB-1-r1")

    drop(hot, order(revision=2, title="second"), "two")
    work(hot)
    assert [p.name for p in hot.released.iterdir()] == ["HB-1-r2"]
    assert record(hot, "HB-1-r2")["previous"] == "HB-1-r1"
    (archived,) = hot.archive.glob("HB-1-r1-*/released")
    assert tree(archived) == old

    drop(hot, order(title="third"), "three")
    work(hot)
    assert [claim.state for claim in status(hot)] == ["replaced", "released", "refused"]
    assert [p.name for p in hot.released.iterdir()] == ["HB-1-r2"]


def test_a_newer_revision_of_a_waiting_order_is_made_instead(hot: HotFolder) -> None:
    """Both wait while work is paused: only the newer one is ever begun."""
    Journal(hot.journal).close()
    drop(hot, order(), "one")
    drop(hot, order(revision=2), "two")
    assert main(["pause", str(hot.root)]) == 0
    work(hot, lambda s: len(s.journal.all()) == 2)
    assert main(["resume", str(hot.root)]) == 0
    work(hot)

    assert states(hot) == {"HB-1-r1": "replaced", "HB-1-r2": "released"}
    assert not list(hot.archive.glob("HB-1-r1-*/released"))


def test_a_held_order_is_released_once_approved(hot: HotFolder, capsys: pytest.CaptureFixture[str]) -> None:
    """Approval by command: who said it is in the record, who and when in the journal; a second approval is refused."""
    drop(hot, order(approval="required"))
    work(hot)
    assert states(hot) == {"HB-1-r1": "held"}
    assert [p.name for p in hot.held.iterdir()] == ["HB-1-r1"]
    command = ["approve", str(hot.root), "HB-1", "--revision", "1", "--by", "A. Customer"]
    assert main(command) == 0
    assert main(command) == 4
    assert "it is queued" in capsys.readouterr().err
    work(hot)

    assert states(hot) == {"HB-1-r1": "released"}
    assert record(hot, "HB-1-r1")["approved_by"] == "A. Customer"
    assert not list(hot.held.iterdir())
    journal = Journal(hot.journal)
    assert any("approved by A. Customer" in step.reason and step.at for step in journal.transitions())
    journal.close()


def test_a_decision_can_be_dropped_as_a_file(hot: HotFolder) -> None:
    """Declined with a reason, which the next proof is told; then the next revision is approved by file."""
    drop(hot, order(approval="required"), "one")
    work(hot)
    said = 'decision = "decline"\norder = "HB-1"\nrevision = 1\nby = "A. Customer"\nwhy = "larger, please"\n'
    put(hot.incoming / "answer.toml", said)
    work(hot)
    assert states(hot) == {"HB-1-r1": "held"}
    assert "larger, please" in status(hot)[0].reason

    drop(hot, order(revision=2, approval="required"), "two")
    work(hot)
    assert record(hot, "HB-1-r2", "held")["declined"] == "A. Customer: larger, please"
    assert record(hot, "HB-1-r2", "held")["previous"] == "HB-1-r1"
    assert [p.name for p in hot.held.iterdir()] == ["HB-1-r2"]
    put(
        hot.incoming / "yes.json",
        json.dumps({"decision": "approve", "order": "HB-1", "revision": 2, "by": "B"}),
    )
    work(hot)
    assert states(hot) == {"HB-1-r1": "replaced", "HB-1-r2": "released"}


def test_changed_art_or_manifest_voids_an_approval(hot: HotFolder) -> None:
    """Approved while paused, then dropped with other art: it is held again, never made as approved."""
    drop(hot, order(approval="required"), "one")
    work(hot)
    assert main(["pause", str(hot.root)]) == 0
    assert main(["approve", str(hot.root), "HB-1", "--revision", "1", "--by", "A. Customer"]) == 0
    drop(hot, order(approval="required"), "two", art=ART.replace("#2f7f86", "#2f7f87"))
    work(hot, lambda s: len(s.journal.all()) == 2)
    assert main(["resume", str(hot.root)]) == 0
    work(hot)

    assert [(claim.state, claim.approved_by) for claim in status(hot)] == [
        ("replaced", "A. Customer"),
        ("held", ""),
    ]
    assert not list(hot.released.iterdir())


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ('decision = "approve"\norder = "NO-1"\nrevision = 1\nby = "B"\n', "No such order"),
        ('decision = "maybe"\norder = "HB-1"\nrevision = 1\nby = "B"\n', '"approve" or "decline"'),
        ('decision = "approve"\norder = "HB-1"\nrevision = 1\nby = ""\n', "State by"),
        ('decision = "approve"\norder = "HB-1"\nrevision = 1\nby = "B"\nsize = 3\n', "no key size"),
    ],
)
def test_a_decision_that_cannot_be_carried_out_is_refused_with_the_reason(
    hot: HotFolder, text: str, why: str
) -> None:
    """The file goes to refused/ with a reason; nothing else changes."""
    put(hot.incoming / "answer.toml", text)
    work(hot)

    assert why in (hot.refused / "answer.toml" / "reason.txt").read_text()
    assert (hot.refused / "answer.toml" / "answer.toml").read_text() == text


def test_rush_then_due_date_then_arrival_order_the_queue(hot: HotFolder) -> None:
    """All wait while paused; one worker begins them by urgency, whatever the sequence in which they came."""
    Journal(hot.journal).close()
    main(["pause", str(hot.root)])
    wanted = {
        "D-none": {},
        "D-late": {"due": "2026-12-24"},
        "D-soon": {"due": "2026-12-04"},
        "R-none": {"priority": "rush"},
        "R-soon": {"priority": "rush", "due": "2026-12-04"},
    }
    for name, more in wanted.items():
        drop(hot, order(name, **more), name)
        work(hot, lambda s: not s.intake.waiting() and not list(hot.incoming.iterdir()))
    main(["resume", str(hot.root)])
    work(hot)

    journal = Journal(hot.journal)
    begun = [
        journal.claim(step.claim).name
        for step in journal.transitions()
        if step.reason == "begun" and step.claim
    ]
    journal.close()
    assert begun == ["R-soon", "R-none", "D-soon", "D-late", "D-none"]


def test_a_night_says_what_is_refused_and_what_is_not_complete(
    hot: HotFolder, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A wrong manifest is refused, one without its art waits: exit 5, the highest; both are in the report, escaped."""
    monkeypatch.setattr(intake, "WRONG_S", 0.3)
    put(hot.incoming / "<b>wrong.json", json.dumps({"order": "HB-1"}))
    drop(hot, order("HB-2", art={"mark": {"file": "absent.svg"}}))
    (hot.incoming / "mark.svg").unlink()
    assert main(["night", str(hot.root), "--workers", "1"]) == 5

    said = capsys.readouterr().out
    assert "was refused" in said
    assert "absent.svg" in said
    page = next(hot.reports.glob("*/report.html")).read_text(encoding="utf-8")
    assert "absent.svg" in page
    assert "&lt;b&gt;wrong.json" in page
    assert "<b>wrong" not in page
    assert (hot.incoming / "HB-2-1.json").exists()
    drop(hot, order("HB-2", art={"mark": {"file": "absent.svg"}}), file="HB-2-1.json")
    put(hot.incoming / "absent.svg", ART)
    assert main(["night", str(hot.root), "--workers", "1"]) == 0


def test_a_night_leaves_what_keeps_failing_for_the_next(
    hot: HotFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A machine fault that lasts: tried four times, then exit 5, the order still waiting and nothing charged."""
    monkeypatch.setattr("pipeline.hotfolder.supervisor.FIRST_WAIT_S", 0.02)
    drop(hot, order(notes="ENOSPC"))
    done = night(hot, setting())

    assert done.exit_code == 5
    (claim,) = status(hot)
    assert (claim.state, claim.attempts) == ("waiting", 0)
    assert "No space left" in claim.reason
