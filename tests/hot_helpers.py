"""What the tests of the hot folder share: tiny orders, ways to drop them, a supervisor run in this process."""

from __future__ import annotations

import json
import os
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from pipeline.hotfolder.journal import Claim, Journal
from pipeline.hotfolder.layout import HotFolder
from pipeline.hotfolder.supervisor import Setting, Supervisor
from pipeline.hotfolder.watch import Turns
from tests.conftest import ROOT

ART = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 20 16">'
    '<rect x="1" y="1" width="18" height="14" fill="#2f7f86"/></svg>'
)
QUICK = (sys.executable, "-P", "-m", "tests.quick_worker")


def order(name: str = "HB-1", **changes: Any) -> dict[str, Any]:
    """Return a manifest of one tiny print on one colourway."""
    return {
        "order": name,
        "approval": "not needed",
        "garment": "unisex tee",
        "art": {"mark": {"file": "mark.svg"}},
        "prints": [{"name": "chest", "art": "mark", "position": "left chest", "route": "direct", "width_mm": 20}],
        "colourways": [{"name": "Black", "fabric": {"srgb": "#141418"}, "sizes": {"M": 2}}],
        "fade": {"method": "none"},
        **changes,
    }  # fmt: skip


def drop(hot: HotFolder, manifest: dict[str, Any], folder: str = "", art: str = ART, file: str = "") -> Path:
    """Drop an order into incoming/, in a folder of its own or flat; each file by rename."""
    place = hot.incoming / folder
    place.mkdir(parents=True, exist_ok=True)
    put(place / "mark.svg", art)
    name = file or f"{manifest['order']}-{manifest.get('revision', 1)}.json"
    put(place / name, json.dumps(manifest))
    return place / name


def put(path: Path, text: str) -> None:
    part = path.with_name(f".{path.name}.part")
    part.write_text(text, encoding="utf-8")
    part.rename(path)


def setting(**changes: Any) -> Setting:
    return Setting(workers=changes.pop("workers", 1), worker=changes.pop("worker", QUICK), **changes)


def hot_folder(path: Path) -> HotFolder:
    hot = HotFolder(path)
    hot.set_up()
    return hot


def work(
    hot: HotFolder,
    done: Callable[[Supervisor], bool] | None = None,
    *,
    seconds: float = 30.0,
    **changes: Any,
) -> None:
    """Run the supervisor in this process until incoming/ and the queue are empty, or until `done`."""
    until = time.monotonic() + seconds

    def finished(supervisor: Supervisor) -> bool:
        assert time.monotonic() < until, status(hot)
        if done is not None:
            return done(supervisor)
        return not (supervisor.intake.waiting() or supervisor.busy or supervisor.unfinished())

    Turns(hot, setting(**changes)).run(finished)


def status(hot: HotFolder) -> list[Claim]:
    journal = Journal(hot.journal)
    try:
        return journal.all()
    finally:
        journal.close()


def states(hot: HotFolder) -> dict[str, str]:
    """Return the state of every claim by order and revision, of one revision the last."""
    return {claim.label: claim.state for claim in status(hot)}


def tree(folder: Path) -> dict[str, bytes]:
    """Return every file below a folder."""
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def environment() -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": str(ROOT)}
