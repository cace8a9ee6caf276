"""Runs tasks on a Dask cluster instead of this machine's processes, with the same bytes.

Workers that see the spool (a shared folder, or the same machine) get paths and settings, as processes here do. Where a
worker does not see it, the art travels once, each worker draws for itself, and its press files come back as bytes.
A lost worker or a restarted scheduler costs time only: a task run twice writes the same bytes to the same place.
"""

from __future__ import annotations

import ipaddress
import shutil
import tempfile
import uuid
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, CancelledError, Future, wait
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from pipeline import tasks
from pipeline.engine import Engine, Feed, Queue, Task
from pipeline.faults import Busy, Fault, Usage
from pipeline.log import logger
from pipeline.memory import settle
from pipeline.plan import Job, Plate
from pipeline.release import files_below

TRIES = 3
"""How often what a cluster lost is handed in again before the order is given up."""

CONNECT_SECONDS = 20


class ClusterEngine(Engine):
    """Runs tasks on the cluster whose scheduler listens at `address`. Use it as a context manager.

    `shared` says whether workers see the files of this process; None asks them once for every spool.
    """

    far = True

    def __init__(self, address: str, *, shared: bool | None = None) -> None:
        super().__init__(workers=1)
        if find_spec("distributed") is None:
            raise Usage("--cluster needs the package distributed: install washfast[cluster].")
        self.address = _safe(address)
        self._shared = shared
        self._client: Any = None
        self._carried: dict[Path, tuple[str, Any]] = {}
        self._warming: list[Any] = []

    def __exit__(self, *ended: object) -> None:
        self._close()

    def warm(self, function: Callable[[], None]) -> None:
        """Have the workers there are load what they will need; don't wait for them."""
        self._connect()
        workers = self._client.scheduler_info(n_workers=-1)["workers"]
        self._warming = [self._client.submit(function, workers=[worker], pure=False) for worker in workers]

    def run(self, tasks: Iterable[Task], feed: Feed | None = None, *, largest: float = 0.0) -> dict[str, Any]:  # noqa: ARG002 – each worker has its own limit
        """Run all tasks, and what `feed` has beside them; what the cluster loses is handed in again."""
        queue = Queue(tasks, feed)
        for _ in range(TRIES):
            try:
                return self._run(queue)
            except _lost() as error:
                self._close()
                last = error
        raise Fault(
            f"The cluster at {self.address} lost work {TRIES} times ({last}). Nothing was published. Look at its "
            "workers (memory, mounts, versions) and make the order again, or leave out --cluster."
        ) from last

    def _run(self, queue: Queue) -> dict[str, Any]:
        pool, room = self._connect()
        running: dict[Future[Any], Task] = {}
        try:
            while True:
                for task in queue.take(room - len(running)):
                    running[pool.submit(*self._call(task))] = task
                if not running:
                    break
                for future in wait(running, return_when=FIRST_COMPLETED).done:
                    result = _landed(running[future], future.result())
                    queue.end(running.pop(future), result)
        finally:
            for future, task in running.items():
                future.cancel()
                queue.waiting[task.key] = task  # for the next try
        if queue.waiting:
            raise queue.stuck()
        return queue.done

    def _connect(self) -> tuple[Any, int]:
        """Return the cluster as an executor of the standard library's shape, and how many tasks it takes at once."""
        import distributed

        connect: Any = distributed.Client
        if self._client is None:
            try:
                self._client = connect(self.address, timeout=CONNECT_SECONDS, set_as_default=False)
            except OSError as error:
                raise Busy(
                    f"No scheduler answers at {self.address} ({error}). Start it (ops/wide), or leave out --cluster."
                ) from error
            self._client.run(settle, None)
        threads = sum(
            worker["nthreads"] for worker in self._client.scheduler_info(n_workers=-1)["workers"].values()
        )
        if not threads:
            raise Busy(f"The cluster at {self.address} has no workers. Start some (ops/wide), and try again.")
        # pure: equal calls would run once only, and a second order would get the first one's answer
        return self._client.get_executor(pure=False, retries=0), 2 * threads

    def _call(self, task: Task) -> tuple[Any, ...]:
        """Return the call to submit: the task itself, or one that carries what it needs and what it makes."""
        if task.function is tasks.write_bytes_task:
            return _paper, *task.arguments[1:]
        spool = task.arguments[0]
        if self._sees(spool):
            return task.function, *task.arguments
        if task.function is tasks.draw_task:  # each worker draws what it needs itself
            return (_nothing,)
        token, arts = self._carried[spool]
        return _carry, task.function, token, arts, *task.arguments[1:]

    def _sees(self, spool: Path) -> bool:
        if spool not in self._carried:
            mark = spool / f"seen-{uuid.uuid4().hex}"
            mark.touch()
            shared = self._shared
            if shared is None:
                shared = all(self._client.run(_exists, mark).values())
            mark.unlink()
            arts = {}
            if not shared:
                files = {path.name: path.read_bytes() for path in sorted(spool.glob("art-*"))}
                arts = self._client.scatter(files, broadcast=True, hash=False)
            self._carried = {spool: ("" if shared else uuid.uuid4().hex, arts)}
        return not self._carried[spool][0]

    def _close(self) -> None:
        client, self._client = self._client, None
        if client is not None:
            tokens = [token for token, _ in self._carried.values() if token]
            try:
                if tokens:
                    client.run(_forget, tokens)
                client.close(timeout=2)
            except Exception as error:  # it may be gone; its temporary files went with its workers
                logger().info("cluster gone before it was left", error=str(error))
        self._carried, self._warming = {}, []


def _safe(address: str) -> str:
    """Return the address if it may be used: a scheduler runs whatever anybody who reaches it sends."""
    parts = urlsplit(address if "://" in address else f"tcp://{address}")
    try:
        host, port = parts.hostname, parts.port
    except ValueError:
        host = port = None
    if parts.scheme not in ("tcp", "tls") or not host or not port:
        raise Usage(f"--cluster {address}: a scheduler's address is wanted, such as tls://press-room:8786.")
    if parts.scheme == "tcp" and not _loopback(host):
        raise Usage(
            f"--cluster {address}: beyond this machine a cluster needs TLS, because a scheduler runs whatever it is "
            "sent. Use tls:// and set the certificates as ops/wide/README.md says."
        )
    return f"{parts.scheme}://{parts.netloc}"


def _loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def _lost() -> tuple[type[BaseException], ...]:
    from distributed import KilledWorker
    from distributed.comm.core import CommClosedError

    return KilledWorker, CommClosedError, CancelledError, TimeoutError


@dataclass(frozen=True, slots=True)
class _Made:
    """What a worker made where nobody else can see it: the task's own result, and its files by path."""

    result: Any
    files: tuple[tuple[str, bytes], ...]


def _landed(task: Task, result: Any) -> Any:
    """Write what a worker sent back where it belongs, and return what the task would have returned here."""
    if task.function is tasks.write_bytes_task:
        tasks.write_bytes_task(task.arguments[0], bytes, result)
        return None
    if not isinstance(result, _Made):
        return result
    release = next(argument for argument in task.arguments[1:] if isinstance(argument, Path))
    for name, data in result.files:
        tasks.write_bytes_task(release / name, bytes, data)
    return result.result


# What runs on workers:


def _exists(path: Path) -> bool:
    return path.exists()


def _nothing() -> None:
    pass


def _paper(function: Callable[[Any], bytes], facts: Any) -> bytes:
    return function(facts)


def _carry(function: Callable[..., Any], token: str, arts: Mapping[str, bytes], job: Job, *rest: Any) -> Any:
    """Run a task about a job on a worker that cannot see the spool: draw here, make here, return the files."""
    spool = _local_spool(token)
    spool.mkdir(parents=True, exist_ok=True)
    for name, data in arts.items():
        if not (spool / name).exists():
            aside = spool / f"{name}.{uuid.uuid4().hex}"
            aside.write_bytes(data)
            aside.rename(spool / name)
    plate = rest[0] if rest and isinstance(rest[0], Plate) else job.plates[0]
    for draw in dict.fromkeys(plate.draws):
        if not tasks.is_drawn(spool, draw):
            tasks.draw_task(spool, draw)
    with tempfile.TemporaryDirectory(prefix="washfast-") as folder:
        made = Path(folder)
        result = function(
            spool, job, *(made if isinstance(argument, Path) else argument for argument in rest)
        )
        files = tuple((path.as_posix(), (made / path).read_bytes()) for path in files_below(made))
    return _Made(result, files) if files else result


def _local_spool(token: str) -> Path:
    return Path(tempfile.gettempdir()) / f"washfast-spool-{token}"


def _forget(tokens: Sequence[str]) -> None:
    for token in tokens:
        shutil.rmtree(_local_spool(token), ignore_errors=True)
