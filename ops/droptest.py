"""Drops orders into a watched hot folder in six ways for twenty minutes, and looks at what comes out.

    python -m ops.droptest [--minutes 20] [--every 8] [--keep DIR]

The ways: a plain copy; a slow writer that pauses between pieces; a manifest written twice, the second time otherwise;
renamed into place; the art long after the manifest; a whole folder moved in. Every order must be released once, whole,
and as it was last written; the time from the last byte dropped to the release is told for each way.
"""

from __future__ import annotations

import argparse
import json
import random
import shutil
import signal
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Mapping
from pathlib import Path

from ops.killtest import Onlooker, art, claims, manifest, peak_mib, tree
from pipeline.hotfolder.layout import HotFolder
from pipeline.postflight import audit

Files = dict[str, bytes]


def plain_copy(hot: HotFolder, files: Files, _: random.Random) -> None:
    """Write each file at once, art first."""
    for name, data in files.items():
        (hot.incoming / name).write_bytes(data)


def slow_writer(hot: HotFolder, files: Files, chance: random.Random) -> None:
    """Write every file in pieces, with pauses longer than a look."""
    for name, data in files.items():
        with (hot.incoming / name).open("wb") as stream:
            for start in range(0, len(data), len(data) // 4 + 1):
                stream.write(data[start : start + len(data) // 4 + 1])
                stream.flush()
                time.sleep(chance.uniform(0.5, 4.0))


def written_twice(hot: HotFolder, files: Files, _: random.Random) -> None:
    """Write the manifest with other pieces first, and a second later as it is meant."""
    (told,) = (name for name in files if name.endswith(".json"))
    meant = json.loads(files[told])
    meant["colourways"][0]["sizes"] = {"M": 999}
    plain_copy(hot, {**files, told: json.dumps(meant).encode()}, _)
    time.sleep(1.0)
    (hot.incoming / told).write_bytes(files[told])


def renamed(hot: HotFolder, files: Files, _: random.Random) -> None:
    """Write under another name, then rename."""
    for name, data in files.items():
        part = hot.incoming / f"{name}.part"
        part.write_bytes(data)
        part.rename(hot.incoming / name)


def art_later(hot: HotFolder, files: Files, chance: random.Random) -> None:
    """Write the manifest, and its art some seconds later."""
    for name, data in reversed(files.items()):
        (hot.incoming / name).write_bytes(data)
        time.sleep(chance.uniform(4.0, 9.0) if name.endswith(".json") else 0)


def folder_moved(hot: HotFolder, files: Files, _: random.Random) -> None:
    """Move a whole folder in."""
    place = Path(tempfile.mkdtemp(dir=hot.root))
    for name, data in files.items():
        (place / name).write_bytes(data)
    place.rename(hot.incoming / place.name)


WAYS: tuple[Callable[[HotFolder, Files, random.Random], None], ...] = (
    plain_copy, slow_writer, written_twice, renamed, art_later, folder_moved,
)  # fmt: skip


def main() -> int:
    """Run it and say what came of it."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--minutes", type=float, default=20.0)
    parser.add_argument("--every", type=float, default=8.0, help="seconds between two drops")
    parser.add_argument("--keep", type=Path)
    options = parser.parse_args()
    hot = HotFolder(options.keep or Path(tempfile.mkdtemp(prefix="droptest-")))
    hot.set_up()
    watcher = subprocess.Popen(
        [sys.executable, "-m", "pipeline.cli", "watch", str(hot.root)],
        stderr=(hot.root / "watch.log").open("wb"),
    )
    stop, looker = threading.Event(), Onlooker(hot.released)
    eyes = threading.Thread(target=looker.run, args=(stop,))
    eyes.start()
    dropped = _drop_all(hot, options.minutes * 60, options.every)
    out = _wait(hot, dropped)
    resident = peak_mib(watcher.pid)
    watcher.send_signal(signal.SIGTERM)
    code = watcher.wait()
    stop.set()
    eyes.join()
    faults = (
        looker.partial + _faults(hot, len(dropped)) + ([f"the watcher ended with {code}"] if code else [])
    )
    for way in WAYS:
        took = [
            out[name] - ended for name, (way_of, ended) in dropped.items() if way_of is way and name in out
        ]
        if took:
            middle, most = statistics.median(took), max(took)
            print(f"{way.__name__:14} {len(took):3} orders, median {middle:5.1f} s, most {most:5.1f} s")
    print(
        f"{len(dropped)} orders in {options.minutes:g} minutes; released/ looked at {looker.looks} times; "
        f"watcher {resident:.0f} MiB; {len(faults)} faults"
    )
    print("\n".join(faults))
    if not faults and not options.keep:
        shutil.rmtree(hot.root)
    return 1 if faults else 0


def _drop_all(
    hot: HotFolder, seconds: float, every: float
) -> dict[str, tuple[Callable[[HotFolder, Files, random.Random], None], float]]:
    dropped: dict[str, tuple[Callable[[HotFolder, Files, random.Random], None], float]] = {}
    threads, until, number = [], time.monotonic() + seconds, 0

    def one(number: int) -> None:
        way = WAYS[number % len(WAYS)]
        told = {**manifest(number), "approval": "not needed"}
        files = {f"mark-{number}.svg": art(number), f"KT-{number:03}.json": json.dumps(told).encode()}
        way(hot, files, random.Random(number))
        dropped[f"KT-{number:03}-r1"] = (way, time.monotonic())

    while time.monotonic() < until:
        thread = threading.Thread(target=one, args=(number,))
        thread.start()
        threads.append(thread)
        number += 1
        time.sleep(every)
    for thread in threads:
        thread.join()
    return dropped


def _wait(hot: HotFolder, dropped: Mapping[str, object]) -> dict[str, float]:
    """Wait for the last release; return when each was published, by the time of its folder."""
    until = time.monotonic() + 120
    while time.monotonic() < until and len(list(hot.released.iterdir())) < len(dropped):
        time.sleep(0.2)
    ahead = time.monotonic() - time.time()
    # a rename sets the change time of the folder that is moved
    return {path.name: path.stat().st_ctime + ahead for path in hot.released.iterdir()}


def _faults(hot: HotFolder, orders: int) -> list[str]:
    found = claims(hot)
    faults = [f"{c.label} is {c.state}: {c.reason}" for c in found if c.state != "released"]
    if len(found) != orders:
        faults.append(f"{orders} orders were dropped, {len(found)} taken")
    for number in range(orders):
        folder = hot.released / f"KT-{number:03}-r1"
        try:
            faults += audit(folder)
            record = json.loads((folder / "record.json").read_text(encoding="utf-8"))
            if record["colourways"][0]["sizes"] != manifest(number)["colourways"][0]["sizes"]:
                faults.append(f"{folder.name} was not made as last written")
        except Exception as error:
            faults.append(f"{folder.name}: {error}")
    faults += [f"left in incoming: {name}" for name in tree(hot.incoming) if name.endswith(".json")]
    return faults


if __name__ == "__main__":
    sys.exit(main())
