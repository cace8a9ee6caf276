"""Tells people and machines how the hot folder is: log, the shop's own command, metrics, heartbeat, service manager."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path

from pipeline.hotfolder.journal import Journal, now
from pipeline.hotfolder.layout import HotFolder
from pipeline.log import logger

COMMAND_S, LAST_COMMAND_S = 60.0, 10.0
"""The shop's command is ended after so long, and sooner when the program ends."""


class Teller:
    """Runs the shop's command once an event; what becomes of it never touches an order."""

    def __init__(self, command: Sequence[str], clock: Callable[[], float] = time.monotonic) -> None:
        self._command = tuple(command)
        self._clock = clock
        self._running: list[tuple[subprocess.Popen[bytes], float]] = []

    def tell(self, journal: Journal | None, event: str, key: str, message: str, order: str = "") -> None:
        """Log an event, and run the command if this `key` was never told before.

        The command gets WASHFAST_EVENT, WASHFAST_ORDER and WASHFAST_MESSAGE in its environment.
        """
        if journal is not None and not journal.first_time(f"{event} {key}"):
            return
        logger().warning(event, order=order, message=message)
        if not self._command:
            return
        environment = {
            **os.environ,
            "WASHFAST_EVENT": event,
            "WASHFAST_ORDER": order,
            "WASHFAST_MESSAGE": message[:4000].replace("\0", ""),
        }
        try:
            child = subprocess.Popen(
                self._command,
                env=environment,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                start_new_session=True,
            )
        except (OSError, ValueError) as error:
            logger().warning("the notification command cannot be run", error=str(error))
            return
        self._running.append((child, self._clock() + COMMAND_S))

    def poll(self) -> None:
        """Take note of commands that ended, and end those that are late."""
        still = []
        for child, deadline in self._running:
            status = child.poll()
            if status is None and self._clock() > deadline:
                child.kill()
                status = child.wait()
            if status is None:
                still.append((child, deadline))
            elif status != 0:
                logger().warning("the notification command failed", status=status)
        self._running = still

    def close(self) -> None:
        """Wait a little for commands that still run, and end those that do not."""
        for child, _ in self._running:
            try:
                child.wait(LAST_COMMAND_S)
            except subprocess.TimeoutExpired:
                child.kill()
                child.wait()
        self._running = []


def write_health(
    hot: HotFolder, counts: Mapping[str, int], incoming: int, overdue: Sequence[str], *, paused: bool
) -> None:
    """Write heartbeat.json and metrics.txt anew, each by one rename.

    metrics.txt follows the OpenMetrics text format (version 1.0): families with type and help, ended by # EOF.
    """
    disk = os.statvfs(hot.root)
    free = disk.f_bavail * disk.f_frsize
    beat = {
        "at": now(),
        "process": os.getpid(),
        "orders": dict(counts),
        "incoming": incoming,
        "overdue": list(overdue),
        "paused": paused,
        "free_bytes": free,
    }
    lines = [
        "# TYPE washfast_orders gauge",
        "# HELP washfast_orders Orders by state.",
        *(f'washfast_orders{{state="{state}"}} {count}' for state, count in counts.items()),
    ]
    for name, what, value in (
        ("incoming_manifests", "Manifests in incoming.", incoming),
        ("overdue_manifests", "Manifests that do not become complete.", len(overdue)),
        ("paused", "1 while work is paused.", int(paused)),
        ("free_bytes", "Free space of the hot folder.", free),
        ("seen_timestamp_seconds", "When the hot folder was last looked at.", round(time.time(), 3)),
    ):
        lines += [
            f"# TYPE washfast_{name} gauge",
            f"# HELP washfast_{name} {what}",
            f"washfast_{name} {value}",
        ]
    _replace(hot.inner / "heartbeat.json", json.dumps(beat, indent=1) + "\n")
    _replace(hot.inner / "metrics.txt", "\n".join([*lines, "# EOF"]) + "\n")


def _replace(path: Path, text: str) -> None:
    fresh = path.with_name(f".{path.name}.new")
    fresh.write_text(text, encoding="utf-8")
    fresh.replace(path)


def service(state: str) -> None:
    """Tell the service manager a state, like "READY=1" (sd_notify: one datagram to $NOTIFY_SOCKET), if there is one."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address:
        return
    if address.startswith("@"):
        address = "\0" + address[1:]
    with suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as link:
        link.connect(address)
        link.sendall(state.encode())
