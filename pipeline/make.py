"""Takes one order from its manifest to a release, or to held/ with all it takes to decide, or to a refusal."""

from __future__ import annotations

import errno
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from pipeline import paperwork, reading, record, release, tasks
from pipeline.again import keep_order, order_key, take_order
from pipeline.art.piece import Limits
from pipeline.changes import changes_since
from pipeline.engine import Engine
from pipeline.faults import Busy, ExitCode, Fault, Refused
from pipeline.finding import Finding
from pipeline.log import Laps, logger
from pipeline.order import Order, art_path, load_order, prints_of
from pipeline.outcome import Decided, Outcome
from pipeline.plan import Plan, drawing_name, make_plan
from pipeline.postflight import audit, read_record
from pipeline.production import Floor, Studies, study_and_print, study_jobs
from pipeline.reading import Wanted
from pipeline.release import Places
from pipeline.rolls import order_rolls
from pipeline.shelf import Shelf
from pipeline.shop import Shop
from pipeline.shop_lookup import check_in_shop
from pipeline.triage import ended
from pipeline.work import Work

_NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EMFILE, errno.ENFILE)


def example_manifests() -> tuple[Path, ...]:
    """Return the manifests of the bundled example orders, from a wheel or from a checkout."""
    here = Path(__file__).resolve().parent
    for folder in (here / "_data" / "examples", here.parent / "examples"):
        if folder.is_dir():
            return tuple(sorted(folder.glob("*/*.toml")))
    raise Fault("The bundled examples are missing: install washfast again.")


def make_order(
    manifest: Path,
    shop: Shop,
    places: Places,
    engine: Engine,
    decided: Decided | None = None,
    shelf: Shelf | None = None,
) -> Outcome:
    """Make an order and publish it, or hold it; never raises for what is wrong with the order.

    What stands on the `shelf` is not made again; the release is the same with it and without.
    """
    return _guarded(
        manifest, lambda order: _make(manifest, order, shop, places, engine, decided or Decided(), shelf)
    )


def check_order(manifest: Path, shop: Shop, engine: Engine, shelf: Shelf | None = None) -> Outcome:
    """Run preflight alone; nothing is written but a spool that is gone afterwards."""

    def check(order: Order) -> Outcome:
        with tempfile.TemporaryDirectory(prefix="washfast-") as folder:
            engine.warm(tasks.load_libraries)
            planned = prepare(manifest, order, shop, Path(folder))
            studies = study_jobs(planned.plan, Floor(planned.spool, engine, shelf))
            findings = record.all_findings(planned.plan, studies)
        held = record.stops(findings)
        return Outcome(
            order.order,
            order.revision,
            "held" if held else "released",
            ExitCode.HELD if held else ExitCode.DONE,
            findings,
            held_for=("findings",) if held else (),
        )

    return _guarded(manifest, check)


def plan_order(manifest: Path, shop: Shop) -> Plan:
    """Return what would be made."""
    with tempfile.TemporaryDirectory(prefix="washfast-") as folder:
        return prepare(manifest, load_order(manifest), shop, Path(folder)).plan


def _guarded(manifest: Path, act: Any) -> Outcome:
    name, revision = manifest.name, 0
    try:
        order = load_order(manifest)
        name, revision = order.order, order.revision
        with _no_room():
            outcome: Outcome = act(order)
            return outcome
    except Fault as fault:
        return ended(name, revision, fault)


@contextmanager
def _no_room() -> Iterator[None]:
    try:
        yield
    except OSError as error:
        if error.errno in _NO_ROOM:
            raise Busy(
                f"No room to work: {error.strerror}. Nothing was published; free space and make the order again."
            ) from error
        raise
    except MemoryError as error:
        raise Busy(
            "Not enough memory. Nothing was published; try again with fewer --workers or on a larger machine."
        ) from error


@dataclass(frozen=True, slots=True)
class Planned:
    """An order read and laid out: its plan, the digests of its files, and the spool where its art lies."""

    plan: Plan
    inputs: Mapping[str, str]
    spool: Path
    agreement_s: float


def prepare(manifest: Path, order: Order, shop: Shop, spool: Path) -> Planned:
    """Read the art of an order in a disposable child and plan the order."""
    check_in_shop(order, shop, manifest.name)
    turns: dict[str, dict[float, None]] = {}
    for colourway in order.colourways:
        for print_ in prints_of(order, colourway):
            turns.setdefault(print_.art, {})[print_.turn_deg] = None
    wanted = tuple(
        Wanted(name, art_path(manifest.parent, order.art[name]), tuple(degrees))
        for name, degrees in turns.items()
    )
    looked = reading.read_apart(wanted, spool, Limits())
    names = {drawing_name(entry.art, turn) for entry in wanted for turn in entry.turns}
    arts = {name: reading.load_drawing(spool, name) for name in sorted(names)}
    plan = make_plan(order, shop, arts)
    inputs = {manifest.name: release.digest(manifest)}
    inputs |= {order.art[name].file: seen.digest for name, seen in sorted(looked.items())}
    return Planned(plan, inputs, spool, sum(seen.agreement_s for seen in looked.values()))


def _make(
    manifest: Path,
    order: Order,
    shop: Shop,
    places: Places,
    engine: Engine,
    decided: Decided,
    shelf: Shelf | None,
) -> Outcome:
    with release.staging(places.aside) as aside:
        spool, made = aside / "spool", aside / "made"
        spool.mkdir()
        made.mkdir()
        _only_served(order)
        key = None if shelf is None else order_key(manifest, order, shop, *_said(decided))
        if shelf is not None and key is not None and (taken := take_order(shelf, key, made)):
            logger().info("taken from the shelf", order=order.order, revision=order.revision)
            _verify(made, engine, pixels=False)  # they were looked at when they were put there
            return _publish(order, places, aside, made, *taken)
        laps = Laps()
        engine.warm(tasks.load_libraries)
        planned = prepare(manifest, order, shop, spool)
        laps.end("read")
        plates = aside / "plates"  # those of an order that is held go with the staging folder
        plates.mkdir()
        work = _work(planned, shop, Floor(spool, engine, shelf), decided, plates, laps)
        if not work.held_for:
            plates.rename(made)
            work = replace(work, rolls=order_rolls(work.plan, work.plated, shop, made))
        laps.end("plates")
        reading.move_pictures(spool, made)
        paperwork.write_papers(work, shop, made, engine)
        totals = record.write_record(work, made)
        laps.end("papers")
        _verify(made, engine)
        laps.end("verify")
        logger().info(
            "made",
            order=order.order,
            revision=order.revision,
            state="held" if work.held_for else "released",
            plates=len(work.plated),
            agreement_s=round(planned.agreement_s, 3),
            seconds=laps.seconds,
        )
        if shelf is not None and key is not None and not work.held_for:
            keep_order(shelf, key, work, shop.deliver.direct, made)
        return _publish(order, places, aside, made, work.findings, totals, work.held_for)


def _said(decided: Decided) -> tuple[str, ...]:
    """Return what was decided in a form that a key can be made of."""
    before = decided.previous
    return (
        decided.approved_by,
        decided.declined,
        "" if before is None else release.digest(before / release.RECORD),
    )


def _work(planned: Planned, shop: Shop, floor: Floor, decided: Decided, plates: Path, laps: Laps) -> Work:
    """Study an order, decide whether it is held, and write its plates below `plates` where it is not."""
    plan = planned.plan

    def held_for(findings: tuple[Finding, ...]) -> tuple[str, ...]:
        return _held_for(plan.order, shop, findings, decided)

    def may_print(studies: Studies) -> bool:
        if len(studies) == len(plan.jobs):
            laps.end("study")
        return not held_for(record.all_findings(plan, studies))

    studies, plated = study_and_print(plan, floor, plates, shop.deliver.direct, may_print)
    findings = record.all_findings(plan, studies)
    return Work(
        plan,
        planned.inputs,
        studies,
        findings,
        held_for(findings),
        plated,
        changes=_changes(decided.previous, plan),
        approved_by=decided.approved_by,
        declined=decided.declined,
    )


def _only_served(order: Order) -> None:
    """Refuse what can be checked, but not made yet."""
    later = sorted({p.route for c in order.colourways for p in prints_of(order, c)} - {"direct", "transfer"})
    if later:
        raise Refused(
            f"The route {' and '.join(repr(route) for route in later)} can be checked (washfast check), but its press "
            'files are not made yet. Take the route "direct" or "transfer", or leave those prints out.'
        )


def _changes(previous: Path | None, plan: Plan) -> dict[str, tuple[str, ...]]:
    return {} if previous is None else changes_since(read_record(previous), record.colourways(plan))


def _held_for(order: Order, shop: Shop, findings: tuple[Finding, ...], decided: Decided) -> tuple[str, ...]:
    reasons = []
    if record.stops(findings):
        reasons.append("findings")
    if (order.approval or shop.defaults.approval) == "required" and not decided.approved_by:
        reasons.append("approval")
    return tuple(reasons)


def _verify(made: Path, engine: Engine, *, pixels: bool = True) -> None:
    """Look at the finished files as the press will, before anybody can take them (postflight)."""
    wrong = audit(made, pixels=pixels, engine=None if engine.far else engine)
    if wrong:
        raise Fault(
            "The files as written are not what was made; nothing was published. Make the order again; if it stays so, "
            f"look at the disk.\n{chr(10).join(wrong)}"
        )


def _publish(
    order: Order,
    places: Places,
    aside: Path,
    made: Path,
    findings: tuple[Finding, ...],
    totals: Mapping[str, int],
    held_for: tuple[str, ...] = (),
) -> Outcome:
    name = f"{order.order}-r{order.revision}"
    if held_for:
        release.hold(made, places, name, aside)
        path, unchanged = places.held / name, False
    else:
        unchanged = not release.publish(made, places, name)
        path = places.released / name
    return Outcome(
        order.order,
        order.revision,
        "held" if held_for else "released",
        ExitCode.HELD if held_for else ExitCode.DONE,
        findings,
        path,
        totals=totals,
        held_for=held_for,
        unchanged=unchanged,
    )
