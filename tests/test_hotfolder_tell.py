"""What the hot folder tells: metrics, heartbeat, service manager, the shop's command; and what it may remove."""

from __future__ import annotations

import json
import re
import socket
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from ops import killtest
from pipeline.cli import main
from pipeline.hotfolder import tell, tidy
from pipeline.hotfolder.journal import STATES, Journal
from pipeline.hotfolder.layout import HotFolder
from tests.hot_helpers import ART, drop, hot_folder, order, put, states, tree, work


@pytest.fixture(autouse=True)
def _hurry(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipeline.hotfolder.intake.QUIET_S", 0.2)
    monkeypatch.setattr("pipeline.hotfolder.intake.LOOK_APART_S", 0.05)
    monkeypatch.setattr("pipeline.hotfolder.watch.SETTLING_S", 0.08)
    monkeypatch.setattr("pipeline.hotfolder.watch.IDLE_S", 0.2)


@pytest.fixture
def hot(tmp_path: Path) -> HotFolder:
    return hot_folder(tmp_path / "hot")


def test_metrics_follow_the_open_text_format(hot: HotFolder) -> None:
    """OpenMetrics 1.0, "Text format": TYPE and HELP before samples, one sample a line, # EOF and a newline last."""
    tell.write_health(hot, dict.fromkeys(STATES, 3), 2, ["one"], paused=True)
    text = (hot.inner / "metrics.txt").read_text()

    assert text.endswith("\n# EOF\n")
    known: set[str] = set()
    sample = re.compile(r'([a-zA-Z_:][a-zA-Z0-9_:]*)(\{[a-z]+="[^"\\\n]*"\})? (-?[0-9.e+]+)')
    for line in text.removesuffix("# EOF\n").splitlines():
        if line.startswith("# TYPE "):
            known.add(line.split()[2])
            assert line.split()[3] == "gauge"
        elif not line.startswith("# HELP "):
            match = sample.fullmatch(line)
            assert match
            assert match[1] in known
    assert 'washfast_orders{state="set aside"} 3' in text
    assert "washfast_paused 1" in text
    assert not list(hot.inner.glob(".*.new"))


def test_the_service_manager_is_told_and_only_while_looks_succeed(
    hot: HotFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    """READY=1 once, WATCHDOG=1 each turn, STOPPING=1 last, as datagrams to NOTIFY_SOCKET (sd_notify(3))."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(hot.root / "notify"))
        manager.settimeout(1)
        monkeypatch.setenv("NOTIFY_SOCKET", str(hot.root / "notify"))
        turns = 0

        def three(_: object) -> bool:
            nonlocal turns
            turns += 1
            return turns == 3

        work(hot, three)
        told = [manager.recv(200).decode() for _ in range(5)]
    assert told == ["READY=1", "WATCHDOG=1", "WATCHDOG=1", "WATCHDOG=1", "STOPPING=1"]


def test_the_shops_command_is_run_once_an_event_and_its_failure_harms_nothing(
    hot: HotFolder, tmp_path: Path
) -> None:
    """Held once, told once, over restarts; a command that fails or is not there leaves the order as it is."""
    script = tmp_path / "tell.sh"
    script.write_text(f'#!/bin/sh\necho "$WASHFAST_EVENT $WASHFAST_ORDER" >> "{tmp_path}/told"; exit 9\n')
    script.chmod(0o755)
    (hot.root / "shop.toml").write_text(f'[hot_folder]\nnotify = ["{script}"]\n')
    drop(hot, order(approval="required"))
    for _ in range(3):
        work(hot)
    time.sleep(0.3)
    assert (tmp_path / "told").read_text() == "held HB-1-r1\n"

    (hot.root / "shop.toml").write_text('[hot_folder]\nnotify = ["/nowhere/at-all"]\n')
    drop(hot, order("HB-2", approval="required"), "two")
    work(hot)
    assert states(hot) == {"HB-1-r1": "held", "HB-2-r1": "held"}


def test_a_command_that_hangs_is_ended(hot: HotFolder, monkeypatch: pytest.MonkeyPatch) -> None:
    """After its time the command is killed; nobody waits for it."""
    clock = [0.0]
    journal = Journal(hot.journal)
    teller = tell.Teller([sys.executable, "-c", "import time; time.sleep(600)"], lambda: clock[0])
    teller.tell(journal, "held", "1", "x")
    ((child, _),) = teller._running
    clock[0] = tell.COMMAND_S + 1
    teller.poll()
    assert child.returncode == -9
    assert teller._running == []
    journal.close()


def test_paused_work_is_taken_but_not_begun(hot: HotFolder) -> None:
    """While paused orders queue up; status says so; after resume they come out."""
    Journal(hot.journal).close()
    assert main(["pause", str(hot.root)]) == 0
    for number in range(3):
        drop(hot, order(f"P-{number}"), f"{number}")
    work(hot, lambda s: len(s.journal.in_states("queued")) == 3)
    work(hot, lambda s: not s.intake.waiting())
    assert set(states(hot).values()) == {"queued"}
    assert main(["resume", str(hot.root)]) == 0
    work(hot)
    assert set(states(hot).values()) == {"released"}


def test_status_says_what_needs_somebody_first(hot: HotFolder, capsys: pytest.CaptureFixture[str]) -> None:
    """Held and refused before released; JSON for programs, with its schema's name."""
    drop(hot, order("A-1"), "one")
    drop(hot, order("B-1", approval="required", priority="rush", due="2026-12-04"), "two")
    work(hot)
    capsys.readouterr()
    assert main(["status", str(hot.root)]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "nobody watches · 1 released · 1 held"
    assert lines[1].startswith("B-1-r1  held       rush due 2026-12-04 2 garments · for approval")
    assert lines[2].startswith("A-1-r1  released")
    assert main(["status", str(hot.root), "--json"]) == 0
    shown = json.loads(capsys.readouterr().out)
    assert shown["schema"] == "washfast-status/1"
    assert [entry["order"] for entry in shown["orders"]] == ["B-1", "A-1"]
    assert main(["status", str(hot.root / "nowhere")]) == 4
    assert "no hot folder yet" in capsys.readouterr().err


def test_tidy_lists_first_and_never_touches_what_is_needed(hot: HotFolder) -> None:
    """Dry by default; held, set aside and queued orders, standing releases and all originals stay in any case."""
    drop(hot, order("A-1"), "one")
    put(hot.incoming / "one" / "held-for-later.svg", "a customer's own")
    drop(hot, order("B-1", approval="required"), "two")
    drop(hot, order("C-1", notes="die"), "three")
    work(hot, lambda s: not s.intake.waiting() and not s.busy and not s.unfinished())
    drop(hot, order("A-1", revision=2), "four")
    work(hot)
    Journal(hot.journal).close()
    main(["pause", str(hot.root)])
    drop(hot, order("D-1"), "five")
    work(hot, lambda s: len(s.journal.all()) == 5 and not s.intake.waiting())
    before = tree(hot.root)
    assert main(["tidy", str(hot.root), "--days", "0"]) == 0
    after = tree(hot.root)
    assert {n for n in before if not n.startswith(".washfast/journal")} == {
        n for n in after if not n.startswith(".washfast/journal")
    }
    assert main(["tidy", str(hot.root), "--days", "0", "--remove"]) == 0

    gone = {name for name in before if not (hot.root / name).exists() and "journal" not in name}
    assert gone
    assert all("A-1" in name or name.startswith(".washfast/claims/") for name in gone)
    journal = Journal(hot.journal)
    for claim in journal.all():
        kept = (hot.claims / claim.digest[:16]).is_dir()
        assert kept is (claim.state in ("held", "set aside", "queued"))
    journal.close()
    assert {ART.encode(), b"a customer's own"} <= set(tree(hot.archive).values())
    assert sum(name.endswith(".json") and "record" not in name for name in tree(hot.archive)) == 5
    assert (hot.released / "A-1-r2" / "record.json").exists()
    assert (hot.held / "B-1-r1" / "record.json").exists()


def test_tidy_keeps_by_age_count_and_room(hot: HotFolder) -> None:
    """Younger than asked: stays; the newest N: stay; with room enough: all stays."""
    for number in range(3):
        drop(hot, order(f"T-{number}"), f"{number}")
        work(hot)
    journal = Journal(hot.journal)
    later = datetime.now(UTC) + timedelta(days=10)
    assert tidy.surplus(hot, journal, 11, 0, 0, later) == []
    everything = tidy.surplus(hot, journal, 9, 0, 0, later)
    newest = tidy.surplus(hot, journal, 9, 2, 0, later)
    assert newest == everything[: len(newest)]
    assert 0 < len(newest) < len(everything)
    assert tidy.surplus(hot, journal, 9, 0, 1, later) == []
    assert tidy.surplus(hot, journal, 9, 0, 2**62, later) == everything
    journal.close()


def test_the_supervisor_stays_light_with_many_orders_waiting_and_rush_overtakes(hot: HotFolder) -> None:
    """300 wait when it starts; a rush order dropped last starts before nearly all; under 200 MB (VmHWM, proc(5))."""
    put(hot.incoming / "mark.svg", ART)
    for number in range(300):
        put(hot.incoming / f"o-{number:03}.json", json.dumps(order(f"O-{number:03}", notes="slow")))
    process = killtest.start(hot, quick=True)
    try:
        until = time.monotonic() + 30
        while not any(state == "released" for state in states(hot).values()) and time.monotonic() < until:
            time.sleep(0.05)
        drop(hot, order("RUSH-1", priority="rush"), "rush")
        while states(hot).get("RUSH-1-r1") != "released" and time.monotonic() < until:
            time.sleep(0.05)
        done = list(states(hot).values()).count("released")
        peak = next(
            line for line in Path(f"/proc/{process.pid}/status").read_text().splitlines() if "VmHWM" in line
        )
    finally:
        process.kill()
        process.wait()

    assert states(hot)["RUSH-1-r1"] == "released"
    assert done < 60
    assert int(peak.split()[1]) < 200 * 1024


def test_the_supervisor_loads_no_renderer() -> None:
    """numpy, PIL, cairo and PDF libraries are for workers."""
    code = "import sys, pipeline.hotfolder.watch; print(' '.join(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert not {"numpy", "scipy", "PIL", "cairosvg", "reportlab", "pikepdf"} & set(done.stdout.split())
