"""A worker of the hot folder that answers through the same seam as the real one, and publishes small real releases.

It reads the manifest and the art, stages, holds and publishes by pipeline.release; only the plates are left out. What
an order's notes say makes it fail in the ways that real work fails.
"""

from __future__ import annotations

import errno
import json
import os
import signal
import sys
import time
from pathlib import Path
from typing import Any

from pipeline import release
from pipeline.faults import Fault
from pipeline.hotfolder import worker
from pipeline.order import Order, load_order
from pipeline.release import Places


def make(job: dict[str, Any]) -> dict[str, Any]:
    manifest = Path(job["manifest"])
    order = load_order(manifest)
    places = Places(Path(job["released"]), Path(job["held"]), Path(job["aside"]))
    _trouble(order.notes, Path(job["aside"]).parent / f"tries-{order.order}")
    held = order.approval == "required" and not job["approved_by"]
    name = f"{order.order}-r{order.revision}"
    try:
        with release.staging(places.aside) as aside:
            _write(aside / "made", order, manifest, job, held=held)
            if held:
                release.hold(aside / "made", places, name, aside)
                unchanged = False
            else:
                unchanged = not release.publish(aside / "made", places, name)
    except Fault as fault:
        state = "refused" if fault.exit_code == 4 else "failed"
        return {"state": state, "exit_code": int(fault.exit_code), "message": fault.message}
    return {
        "state": "held" if held else "released",
        "exit_code": 3 if held else 0,
        "message": "",
        "held_for": ["approval"] if held else [],
        "findings": [],
        "totals": {"garments": sum(sum(c.sizes.values()) for c in order.colourways)},
        "unchanged": unchanged,
    }


def _trouble(notes: str, counter: Path) -> None:
    """Fail as the notes say: "WHAT" always, "WHAT N" the first N times."""
    what, _, times = notes.partition(" ")
    if times:
        done = int(counter.read_text()) if counter.exists() else 0
        counter.write_text(str(done + 1))
        if done >= int(times):
            return
    if what == "die":
        os.kill(os.getpid(), signal.SIGKILL)
    elif what == "hang":
        time.sleep(3600)
    elif what == "crash":
        raise RuntimeError("a fault of the program")
    elif what == "memory":
        raise MemoryError
    elif what in ("EBUSY", "ENOSPC", "EROFS", "EIO"):
        raise OSError(getattr(errno, what), os.strerror(getattr(errno, what)), "a file")
    elif what == "slow":
        time.sleep(0.3)


def _write(made: Path, order: Order, manifest: Path, job: dict[str, Any], *, held: bool) -> None:
    made.mkdir()
    inputs = {manifest.name: release.digest(manifest)}
    inputs |= {art.file: release.digest(manifest.parent / art.file) for art in order.art.values()}
    for number in range(3):
        (made / f"plate-{number}.bin").write_bytes(bytes([number]) * 40_000)
    files = [
        {"path": str(path), "sha256": release.digest(made / path), "bytes": (made / path).stat().st_size}
        for path in release.files_below(made)
    ]
    record = {
        "schema": "washfast-record/1",
        "order": order.order,
        "revision": order.revision,
        "state": "held" if held else "released",
        "inputs": [{"path": path, "sha256": digest} for path, digest in inputs.items()],
        "files": files,
        "approved_by": job["approved_by"],
        "previous": Path(job["previous"]).name if job["previous"] else "",
        "declined": job["declined"],
        "totals": {"garments": sum(sum(c.sizes.values()) for c in order.colourways)},
    }
    (made / "record.json").write_text(json.dumps(record))


if __name__ == "__main__":
    worker.make = make
    worker.main(sys.argv[1:])
