"""Kills the hot folder at every step and at random moments, and proves that nothing is lost, doubled or half made.

    python -m ops.killtest [--kills 300] [--orders 30] [--rounds 10] [--seed 1] [--quick] [--steps] [--keep DIR]

Orders are dropped in several ways while a watcher works on them with the real line (`--quick`: with the quick worker of
the tests). The watcher, or now and then one of its workers, is ended by SIGKILL at random moments and started again.
`--steps` ends it instead right before and right after every commit of the journal and every rename, once each. At the
end every release is compared byte for byte with those of an undisturbed run, every dropped file is looked for, and a
thread that watched released/ all the time says whether anything incomplete was ever to be seen there.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NoReturn

from pipeline.hotfolder.journal import Claim, Journal
from pipeline.hotfolder.layout import HotFolder

ROOT = Path(__file__).resolve().parent.parent
QUICK = (sys.executable, "-P", "-m", "tests.quick_worker")
STEP = "KILLTEST_STEP"
ENDS = ("released", "held", "replaced")


# -- what is dropped -----------------------------------------------------------------------------------------


def manifest(number: int, revision: int = 1) -> dict[str, Any]:
    """Return a small order; every tenth is held for approval, no two have the same pieces."""
    return {
        "order": f"KT-{number:03}",
        "revision": revision,
        "approval": "required" if number % 10 == 9 else "not needed",
        "garment": "unisex tee",
        "art": {"mark": {"file": f"mark-{number}.svg"}},
        "prints": [{"name": "chest", "art": "mark", "position": "left chest", "route": "direct", "width_mm": 20}],
        "colourways": [{"name": "Black", "fabric": {"srgb": "#141418"}, "sizes": {"M": 2 + number + revision}}],
        "fade": {"method": "none"},
    }  # fmt: skip


def art(number: int) -> bytes:
    """Return its art."""
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 20 16"><rect x="1" y="1" width="18" height="14" '
        f'fill="#{0x2F7F86 + number * 257:06x}"/></svg>'
    ).encode()


def drop(hot: HotFolder, number: int, revision: int, way: int) -> list[str]:
    """Drop an order in one of several ways; return the digests of what was dropped."""
    told = json.dumps(manifest(number, revision)).encode()
    files = {f"mark-{number}.svg": art(number), f"KT-{number:03}-{revision}.json": told}
    if way % 3 == 0:  # flat, renamed into place
        for name, data in files.items():
            part = hot.incoming / f".{name}.part"
            part.write_bytes(data)
            part.rename(hot.incoming / name)
    elif way % 3 == 1:  # flat, manifest first and in two pieces
        for name, data in reversed(files.items()):
            with (hot.incoming / name).open("wb") as stream:
                stream.write(data[: len(data) // 2])
                stream.flush()
                time.sleep(0.02)
                stream.write(data[len(data) // 2 :])
    else:  # a whole folder moved in
        folder = hot.root / f".drop-{number}-{revision}"
        folder.mkdir()
        for name, data in files.items():
            (folder / name).write_bytes(data)
        folder.rename(hot.incoming / f"job-{number}-{revision}")
    return [hashlib.sha256(data).hexdigest() for data in files.values()]


# -- who looks on --------------------------------------------------------------------------------------------


@dataclass
class Onlooker:
    """Looks at released/ without a pause; `partial` is what was ever seen there incomplete."""

    released: Path
    looks: int = 0
    partial: list[str] = field(default_factory=list)
    _known: set[tuple[str, int]] = field(default_factory=set)

    def run(self, stop: threading.Event) -> None:
        """Look until told to stop."""
        while not stop.is_set():
            self.look()
            time.sleep(0.002)

    def look(self) -> None:
        """Look once."""
        self.looks += 1
        for entry in os.scandir(self.released):
            key = (entry.name, entry.inode())
            if key not in self._known:
                wrong = incomplete(Path(entry.path))
                if wrong and os.path.lexists(entry.path):
                    self.partial.append(f"{entry.name}: {wrong}")
                elif not wrong:
                    self._known.add(key)


def incomplete(folder: Path) -> str:
    """Return what a release lacks: its record, a file of it, or the file's bytes."""
    try:
        record = json.loads((folder / "record.json").read_text(encoding="utf-8"))
        for entry in record["files"]:
            data = (folder / entry["path"]).read_bytes()
            if hashlib.sha256(data).hexdigest() != entry["sha256"]:
                return f"{entry['path']} differs from its record"
    except (OSError, ValueError) as error:
        return str(error)
    return ""


# -- the watcher under test ----------------------------------------------------------------------------------


def start(hot: HotFolder, *, quick: bool, step: tuple[str, int] | None = None) -> subprocess.Popen[bytes]:
    """Start a watcher; with `step` it ends itself (or its worker ends) at that step."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    if step is not None:
        environment[STEP] = f"{step[0]} {step[1]}"
    command = [
        sys.executable,
        "-m",
        "ops.killtest",
        "--watch",
        str(hot.root),
        *(["--quick"] if quick else []),
    ]
    log = (hot.root / "watch.log").open("ab")
    with log:
        return subprocess.Popen(command, env=environment, cwd=ROOT, stderr=log)


def watch(root: Path, *, quick: bool) -> None:
    """Be a watcher that settles fast, and that ends itself at the step it was told."""
    from pipeline.hotfolder import intake
    from pipeline.hotfolder import watch as turns
    from pipeline.hotfolder.lane import WORKER
    from pipeline.hotfolder.supervisor import Setting
    from pipeline.log import configure

    configure()
    intake.QUIET_S, intake.LOOK_APART_S = 0.15, 0.02
    turns.SETTLING_S, turns.IDLE_S = 0.05, 0.2
    who, _, at = os.environ.pop(STEP, "").partition(" ")
    worker: tuple[str, ...] = QUICK if quick else WORKER
    if who == "worker":
        worker = (sys.executable, "-P", "-m", "ops.killtest", "--work", at, *(["--quick"] if quick else []))
    elif who:
        _end_at(int(at))
    turns.watch(HotFolder(root), Setting(workers=2, worker=worker))


def work(arguments: list[str]) -> NoReturn:
    """Be a worker that ends itself at a step."""
    from pipeline.hotfolder import worker

    at, quick = int(arguments[0]), "--quick" in arguments
    if quick:
        from tests import quick_worker

        worker.make = quick_worker.make
    mark = Path(arguments[-3]) / ".washfast" / "worker-ended"
    if not mark.exists():  # once: what it had begun is made by the next
        _end_at(at, mark)
    worker.main(arguments[-3:])


def _end_at(step: int, mark: Path | None = None) -> None:
    """End this process by SIGKILL at its n-th step: right before and right after commits and renames."""
    count = 0

    def here() -> None:
        nonlocal count
        count += 1
        if count == step:
            if mark:
                mark.touch()
            os.kill(os.getpid(), signal.SIGKILL)

    change, rename = Journal._change, Path.rename

    @contextmanager
    def changed(self: Journal) -> Iterator[None]:
        here()
        with change(self):
            yield
        here()

    def renamed(self: Path, target: Any) -> Path:
        here()
        result = rename(self, target)
        here()
        return result

    Journal._change = changed  # type: ignore[method-assign]
    Path.rename = renamed  # type: ignore[method-assign,assignment]


def workers_of(supervisor: int) -> list[int]:
    """Return the processes that a watcher started."""
    found = []
    for task in Path(f"/proc/{supervisor}/task").glob("*/children"):
        with suppress(OSError):
            found += [int(number) for number in task.read_text().split()]
    return found


def peak_mib(process: int) -> float:
    """Return the most memory a process has had resident, in MiB (VmHWM, proc(5))."""
    status = Path(f"/proc/{process}/status").read_text()
    return int(status.partition("VmHWM:")[2].split()[0]) / 1024


def beats(hot: HotFolder) -> int:
    """Return the process that wrote the last heartbeat."""
    try:
        return int(json.loads((hot.inner / "heartbeat.json").read_text())["process"])
    except (OSError, ValueError):
        return 0


def claims(hot: HotFolder) -> list[Claim]:
    """Return all claims as the journal has them now; none when it cannot be read at this moment."""
    try:
        journal = Journal(hot.journal, make=False)
    except Exception:
        return []
    try:
        return journal.all()
    finally:
        journal.close()


# -- a round -------------------------------------------------------------------------------------------------


@dataclass
class Result:
    """What a round came to."""

    kills: int = 0
    worker_kills: int = 0
    aside: int = 0
    looks: int = 0
    seconds: float = 0.0
    faults: list[str] = field(default_factory=list)


class Round:
    """Drops orders into one hot folder, and ends and starts its watcher until all are through."""

    def __init__(self, hot: HotFolder, orders: Sequence[int], *, quick: bool) -> None:
        self.hot, self.quick = hot, quick
        self.todo = [(number, 1) for number in orders]
        self.second = [number for number in orders if number % 10 == 4]
        self.expected = len(self.todo) + len(self.second)
        self.digests: list[str] = []
        self.result = Result()
        hot.set_up()

    def feed(self, many: int) -> None:
        """Drop the next orders; a second revision once the first is released."""
        states = {claim.label: claim.state for claim in claims(self.hot)}
        for number in [n for n in self.second if states.get(f"KT-{n:03}-r1") == "released"]:
            self.second.remove(number)
            self.digests += drop(self.hot, number, 2, number)
        for number, revision in self.todo[:many]:
            self.digests += drop(self.hot, number, revision, number)
        del self.todo[:many]

    def through(self) -> bool:
        """Whether every order has reached its end; what was set aside is asked for again, as its operator would."""
        found = claims(self.hot)
        if any(claim.state == "set aside" for claim in found):
            from pipeline.hotfolder import decide

            journal = Journal(self.hot.journal)
            for claim in journal.in_states("set aside"):
                self.result.aside += 1
                decide.again(journal, self.hot, claim.name)
            journal.close()
            return False
        done = [claim for claim in found if claim.state in ENDS]
        return not self.todo and not self.second and len(done) == len(found) == self.expected

    def run(self, moments: Iterator[tuple[float, bool]], seconds: float) -> None:
        """End the watcher (or a worker, where the moment says so) at each moment; then let it finish undisturbed."""
        begun = time.monotonic()
        stop, looker = threading.Event(), Onlooker(self.hot.released)
        eyes = threading.Thread(target=looker.run, args=(stop,))
        eyes.start()
        watcher = start(self.hot, quick=self.quick)
        try:
            for wait, at_worker in moments:
                self.feed(2)
                time.sleep(wait)
                watcher = self._end(watcher, at_worker=at_worker)
            until = time.monotonic() + seconds
            # a watcher that has not written its heartbeat yet may still be putting things in order
            while not (self.through() and beats(self.hot) == watcher.pid):
                self.feed(5)
                time.sleep(0.1)
                if watcher.poll() is not None or time.monotonic() > until:
                    self.result.faults.append(
                        f"did not end: {[(c.label, c.state, c.reason) for c in claims(self.hot)]}"
                    )
                    break
        finally:
            watcher.send_signal(signal.SIGTERM)
            watcher.wait()
            stop.set()
            eyes.join()
        looker.look()
        self.result.looks += looker.looks
        self.result.faults += [f"seen incomplete: {text}" for text in looker.partial]
        self.result.seconds += time.monotonic() - begun

    def _end(self, watcher: subprocess.Popen[bytes], *, at_worker: bool) -> subprocess.Popen[bytes]:
        victims = workers_of(watcher.pid)
        if at_worker and victims:
            with suppress(ProcessLookupError):
                os.kill(random.choice(victims), signal.SIGKILL)
            self.result.worker_kills += 1
            return watcher
        watcher.kill()
        watcher.wait()
        self.result.kills += 1
        return start(self.hot, quick=self.quick)

    def compare(self, undisturbed: HotFolder) -> None:
        """Compare what came out with an undisturbed run, and look for everything that was dropped."""
        hot, faults = self.hot, self.result.faults
        for name in ("released", "held"):
            ours, theirs = tree(hot.root / name), tree(undisturbed.root / name)
            faults += [f"{name}: {path} is missing" for path in sorted(theirs.keys() - ours.keys())]
            faults += [f"{name}: {path} is too much" for path in sorted(ours.keys() - theirs.keys())]
            faults += [
                f"{name}: {p} differs" for p in sorted(ours.keys() & theirs.keys()) if ours[p] != theirs[p]
            ]
        kept = {hashlib.sha256(data).hexdigest() for data in tree(hot.archive).values()}
        kept |= {hashlib.sha256(data).hexdigest() for data in tree(hot.incoming).values()}
        faults += [f"input {digest[:12]} is lost" for digest in self.digests if digest not in kept]
        journal = Journal(hot.journal)
        journal.check()
        for claim in journal.all():
            steps = [step.after for step in journal.transitions(claim=claim) if step.before == "making"]
            ends = [state for state in steps if state in ("released", "held")]
            if len(ends) != 1:
                faults.append(f"{claim.label} came to an end {len(ends)} times: {steps}")
        journal.close()


def tree(folder: Path) -> dict[str, bytes]:
    """Return every file below a folder by its path."""
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def undisturbed(place: Path, orders: Sequence[int], *, quick: bool) -> HotFolder:
    """Return a hot folder in which the orders came out with no disturbance."""
    calm = Round(HotFolder(place), orders, quick=quick)
    calm.run(iter(()), 600.0)
    assert not calm.result.faults, calm.result.faults
    return calm.hot


def random_moments(kills: int, longest: float, seed: int) -> Iterator[tuple[float, bool]]:
    """Return random moments: how long to wait, and whether a worker is ended instead of the watcher."""
    chance = random.Random(seed)
    for _ in range(kills):
        yield chance.uniform(0.0, longest), chance.random() < 0.25


def every_step(
    place: Path, calm: HotFolder, orders: Sequence[int], *, quick: bool, stride: int = 1, first: int = 1
) -> Result:
    """End the watcher, then a worker, at each of their steps in turn, each time with a fresh hot folder."""
    total = Result()
    for who in ("watcher", "worker"):
        step = first
        while True:
            one = Round(HotFolder(place / f"{who}-{step}"), orders, quick=quick)
            ended = one_step(one, (who, step))
            one.compare(calm)
            total.kills += ended and who == "watcher"
            total.worker_kills += ended and who == "worker"
            total.looks += one.result.looks
            total.aside += one.result.aside
            total.faults += [f"{who} step {step}: {text}" for text in one.result.faults]
            shutil.rmtree(one.hot.root)
            if not ended:
                break
            step += stride
    return total


def one_step(one: Round, step: tuple[str, int]) -> bool:
    """Run one hot folder through with one end at a step; whether the step was ever reached."""
    watcher = start(one.hot, quick=one.quick, step=step)
    until = time.monotonic() + 60
    while not (one.through() and beats(one.hot) == watcher.pid) and time.monotonic() < until:
        one.feed(9)
        if watcher.poll() is not None:
            break
        time.sleep(0.02)
    killed = watcher.poll() == -signal.SIGKILL
    died = any("ended by the system" in step.reason for step in _steps(one.hot))
    watcher.terminate()
    watcher.wait()
    one.run(iter(()), 60.0)
    return killed if step[0] == "watcher" else died


def _steps(hot: HotFolder) -> list[Any]:
    journal = Journal(hot.journal)
    try:
        return list(journal.transitions())
    finally:
        journal.close()


def main() -> int:
    """Run the long version and say what came of it."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--kills", type=int, default=300)
    parser.add_argument("--orders", type=int, default=30)
    parser.add_argument(
        "--rounds", type=int, default=10, help="the kills are spread over so many runs of all orders"
    )
    parser.add_argument("--longest", type=float, default=4.0, help="seconds between two kills at most")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--steps", action="store_true")
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--watch", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.watch:
        watch(options.watch, quick=options.quick)
        return 0
    place = options.keep or Path(tempfile.mkdtemp(prefix="killtest-"))
    orders = (1, 4, 9) if options.steps else range(options.orders)
    calm = undisturbed(place / "calm", orders, quick=options.quick)
    results = []
    if options.steps:
        results.append(every_step(place, calm, orders, quick=options.quick))
    for number in range(0 if options.steps else options.rounds):
        one = Round(HotFolder(place / f"round-{number}"), orders, quick=options.quick)
        many = options.kills // options.rounds
        one.run(random_moments(many, options.longest, options.seed * 1000 + number), 600.0)
        one.compare(calm)
        results.append(one.result)
        print(f"round {number}: {one.result}", flush=True)
    faults = [text for result in results for text in result.faults]
    print(
        f"{sum(r.kills for r in results)} watchers and {sum(r.worker_kills for r in results)} workers killed; "
        f"{sum(r.aside for r in results)} orders set aside and asked for again; released/ was looked at "
        f"{sum(r.looks for r in results)} times; {len(faults)} faults"
    )
    print("\n".join(faults))
    if not options.keep and not faults:
        shutil.rmtree(place)
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(work(sys.argv[2:]) if sys.argv[1:2] == ["--work"] else main())
