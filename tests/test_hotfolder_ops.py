"""The administrator's files: units that the service manager accepts, a page that names what there is."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from pipeline.hotfolder import intake
from pipeline.hotfolder import watch as turns
from tests.conftest import ROOT

UNITS = sorted((ROOT / "ops" / "systemd").iterdir())


def analyse(*arguments: str) -> subprocess.CompletedProcess[str]:
    if shutil.which("systemd-analyze") is None:
        pytest.skip("systemd-analyze is not here")
    return subprocess.run(["systemd-analyze", *arguments], capture_output=True, text=True, check=False)


def test_units_are_accepted_by_the_service_manager(tmp_path: Path) -> None:
    """systemd-analyze verify finds nothing to say about any unit (the program's path apart)."""
    for unit in UNITS:
        text = unit.read_text().replace("/opt/washfast/bin/washfast", shutil.which("true") or "/bin/true")
        (tmp_path / unit.name).write_text(text)
    for unit in UNITS:
        done = analyse("verify", "--man=no", str(tmp_path / unit.name))
        own = [line for line in done.stderr.splitlines() if "washfast" in line]
        assert own == []


def test_the_timer_means_every_evening() -> None:
    """systemd-analyze calendar reads the expression, and its next time is ten in the evening."""
    said = next(
        line
        for line in UNITS[-1].parent.joinpath("washfast-night.timer").read_text().splitlines()
        if "OnCal" in line
    )
    done = analyse("calendar", said.partition("=")[2])
    assert done.returncode == 0
    assert "22:00:00" in done.stdout


def test_units_and_program_agree_on_exit_codes_and_patience() -> None:
    """What the page says of seconds and minutes is what the program does."""
    page = (ROOT / "ops" / "ADMINISTRATION.md").read_text(encoding="utf-8")
    for value in (
        f"{turns.SETTLING_S} s while", f"{turns.IDLE_S:.0f} s otherwise", f"quiet for {intake.QUIET_S} s",
        f"after {intake.QUIET_UNMARKED_S:.0f} s, art that ends too soon after {intake.QUIET_UNENDED_S:.0f} s",
        f"refused after {intake.WRONG_S:.0f} s", f"after {intake.BROKEN_S / 60:.0f} minutes",
    ):  # fmt: skip
        assert value in " ".join(page.split())
    watcher = (ROOT / "ops" / "systemd" / "washfast-watch.service").read_text()
    stop = int(re.search(r"TimeoutStopSec=(\d+)", watcher)[1])  # type: ignore[index]
    assert stop > turns.STOP_S


def test_every_command_on_the_page_is_one(capsys: pytest.CaptureFixture[str]) -> None:
    """`washfast WORD` on the page is a command of the program."""
    from pipeline.cli import main

    page = (ROOT / "ops" / "ADMINISTRATION.md").read_text(encoding="utf-8")
    words = set(
        re.findall(r"washfast (watch|night|status|approve|decline|again|pause|resume|tidy|audit|\w+) ", page)
    )
    named = {w for w in words if w in page and re.search(rf"`?washfast {w} (/srv|DIR)", page)}
    with pytest.raises(SystemExit):
        main(["--help"])
    known = capsys.readouterr().out
    assert named >= {"night", "status", "approve", "decline", "tidy", "again"}
    assert all(f"    {word} " in known for word in named)
