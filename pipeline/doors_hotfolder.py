"""The doors of the hot folder: parse, call, print."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.faults import ExitCode

if TYPE_CHECKING:
    from pipeline.hotfolder.journal import Journal


def add_doors(doors: Any, add_shop: Callable[[Any], None], add_workers: Callable[[Any], None]) -> None:
    """Add the commands of the hot folder to the parser's sub-commands."""
    watch = _door(doors, "watch", "work on a hot folder, stay up", _watch)
    night = _door(doors, "night", "take all that waits in a hot folder, see it through, report, end", _night)
    for parser in (watch, night):
        add_shop(parser)
        add_workers(parser)
    status = _door(doors, "status", "how the orders of a hot folder stand", _status)
    status.add_argument("--json", action="store_true", help="print the result as JSON")
    for name, what in (
        ("approve", "say yes to a held order: it is released"),
        ("decline", "send a held order back, with the reason"),
    ):
        decide = _door(doors, name, what, _decide)
        decide.add_argument("order", metavar="ORDER")
        decide.add_argument("--revision", type=int, required=True, metavar="N")
        decide.add_argument("--by", required=True, metavar="NAME", help="who decided")
        decide.add_argument("--why", required=name == "decline", default="", metavar="TEXT")
        decide.set_defaults(decision=name)
    again = _door(doors, "again", "make an order again, however it ended", _again)
    again.add_argument("order", metavar="ORDER")
    _door(doors, "pause", "begin no more orders; they are still taken", _pause)
    _door(doors, "resume", "go on after a pause", _pause).set_defaults(resume=True)
    tidy = _door(doors, "tidy", "list what is no longer needed; --remove removes it", _tidy)
    tidy.add_argument("--days", type=float, default=90.0, help="only of orders finished so long ago (90)")
    tidy.add_argument("--keep", type=int, default=0, metavar="N", help="but for the N finished last")
    tidy.add_argument("--free", type=float, default=0.0, metavar="GB", help="only until so much is free")
    tidy.add_argument("--remove", action="store_true", help="remove it instead of listing it")


def _door(doors: Any, name: str, what: str, run: Callable[[argparse.Namespace], ExitCode]) -> Any:
    parser = doors.add_parser(name, help=what)
    parser.add_argument("folder", type=Path, metavar="DIR", help="the hot folder")
    parser.set_defaults(run=run, resume=False)
    return parser


def _watch(options: argparse.Namespace) -> ExitCode:
    from pipeline.hotfolder.layout import HotFolder
    from pipeline.hotfolder.supervisor import Setting
    from pipeline.hotfolder.watch import watch
    from pipeline.log import configure

    configure()
    watch(HotFolder(options.folder.absolute()), Setting(options.shop, options.workers))
    return ExitCode.DONE


def _night(options: argparse.Namespace) -> ExitCode:
    from pipeline.hotfolder.layout import HotFolder
    from pipeline.hotfolder.night import night
    from pipeline.hotfolder.supervisor import Setting
    from pipeline.log import configure

    configure()
    done = night(HotFolder(options.folder.absolute()), Setting(options.shop, options.workers))
    for order in done.orders:
        print(f"{order.label}  {order.state.upper()}  {order.reason.splitlines()[0] if order.reason else ''}")
    for note in done.notes:
        print(f"note: {note}")
    for paper in done.papers:
        print(paper)
    return done.exit_code


def _status(options: argparse.Namespace) -> ExitCode:
    import shutil

    from pipeline.hotfolder.layout import HotFolder
    from pipeline.hotfolder.status import read_status

    status = read_status(HotFolder(options.folder.absolute()))
    if options.json:
        print(json.dumps(status.as_json(), ensure_ascii=False, indent=1))
    else:
        print(status.as_text(shutil.get_terminal_size((120, 24)).columns if sys.stdout.isatty() else 200))
    return ExitCode.DONE


def _with_journal(options: argparse.Namespace, act: Callable[[Journal], str]) -> ExitCode:
    from pipeline.hotfolder.journal import Journal
    from pipeline.hotfolder.layout import HotFolder

    hot = HotFolder(options.folder.absolute()).existing()
    journal = Journal(hot.journal, make=False)
    try:
        print(act(journal))
    finally:
        journal.close()
    return ExitCode.DONE


def _decide(options: argparse.Namespace) -> ExitCode:
    from pipeline.hotfolder import decide

    def act(journal: Journal) -> str:
        act = decide.approve if options.decision == "approve" else decide.decline
        claim = act(journal, options.order, options.revision, options.by, options.why)
        return f"{claim.label}: {claim.reason}" + (
            "; it is released by the watcher, or by the next night" if options.decision == "approve" else ""
        )

    return _with_journal(options, act)


def _again(options: argparse.Namespace) -> ExitCode:
    from pipeline.hotfolder import decide
    from pipeline.hotfolder.layout import HotFolder

    hot = HotFolder(options.folder.absolute())
    return _with_journal(
        options, lambda journal: f"{decide.again(journal, hot, options.order).label}: in the queue again"
    )


def _pause(options: argparse.Namespace) -> ExitCode:
    def act(journal: Journal) -> str:
        journal.state_fact("paused", "" if options.resume else "1")
        return "work goes on" if options.resume else "paused: orders are taken, none is begun"

    return _with_journal(options, act)


def _tidy(options: argparse.Namespace) -> ExitCode:
    from pipeline.hotfolder import tidy
    from pipeline.hotfolder.layout import HotFolder

    hot = HotFolder(options.folder.absolute())

    def act(journal: Journal) -> str:
        items = tidy.surplus(hot, journal, options.days, options.keep, int(options.free * 2**30))
        lines = [f"{item.bytes / 2**20:9.1f} MiB  {item.path}" for item in items]
        total = sum(item.bytes for item in items) / 2**20
        if options.remove:
            tidy.remove(items, hot, journal)
            return "\n".join([*lines, f"{total:.1f} MiB removed"])
        return "\n".join([*lines, f"{total:.1f} MiB could go; add --remove to remove them"])

    return _with_journal(options, act)
