"""Plans an order, studies it, makes its plates, writes its papers, looks at them: all between reading and publishing.

Heavy: `make.py` loads it while a child reads the art.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from pipeline import paperwork, reading, record, release
from pipeline.art.piece import Art
from pipeline.changes import changes_since
from pipeline.engine import Engine
from pipeline.finding import Finding
from pipeline.first_look import Looked, Wanted, keep_look
from pipeline.log import Laps, logger
from pipeline.order import Order
from pipeline.outcome import Decided
from pipeline.plan import Plan, make_plan
from pipeline.postflight import read_record, verify
from pipeline.production import Floor, Studies, study_and_print, study_jobs
from pipeline.rolls import delivered, order_rolls
from pipeline.shelf import Shelf
from pipeline.shop import Shop
from pipeline.work import Work

_BY_FONTS = ("live-text", "font-missing")
"""What such art looks like depends on the fonts that are here: it is read anew."""


@dataclass(frozen=True, slots=True)
class Planned:
    """An order read and laid out: its plan, the digests of its files, and the spool where its art lies."""

    plan: Plan
    inputs: Mapping[str, str]
    spool: Path
    agreement_s: float


def plan_of(
    manifest: Path,
    order: Order,
    shop: Shop,
    spool: Path,
    looked: Mapping[Wanted, Looked],
    shelf: Shelf | None = None,
) -> Planned:
    """Plan an order whose art was read into the spool, and keep on the shelf what was read."""
    arts: dict[str, Art] = {}
    for entry, seen in looked.items():
        drawings = {name: reading.load_drawing(spool, name) for name in entry.names}
        findings = [finding for drawing in drawings.values() for finding in drawing.findings]
        if shelf is not None and not any(f.picture or f.code in _BY_FONTS for f in findings):
            keep_look(shelf, entry, seen, spool)
        arts |= drawings
    plan = make_plan(order, shop, dict(sorted(arts.items())))
    inputs = {manifest.name: release.digest(manifest)}
    by_name = sorted(looked.items(), key=lambda one: one[0].art)
    inputs |= {order.art[entry.art].file: seen.digest for entry, seen in by_name}
    return Planned(plan, inputs, spool, sum(seen.agreement_s for seen in looked.values()))


def preflight(planned: Planned, engine: Engine, shelf: Shelf | None) -> tuple[tuple[Finding, ...], bool]:
    """Return what is found on an order, and whether it would be held for it."""
    studies = study_jobs(planned.plan, Floor(planned.spool, engine, shelf))
    findings = record.all_findings(planned.plan, studies)
    return findings, bool(record.stops(findings))


def work_through(
    planned: Planned,
    shop: Shop,
    engine: Engine,
    decided: Decided,
    shelf: Shelf | None,
    made: Path,
    laps: Laps,
) -> tuple[Work, dict[str, int]]:
    """Make a whole staged release, or what an order that is held shows, at `made`, an empty folder.

    Returns the work and the record's totals.
    """
    plates = made.parent / "plates"  # those of an order that is held go with the staging folder
    plates.mkdir()
    work = _work(planned, shop, Floor(planned.spool, engine, shelf), decided, plates, laps)
    if not work.held_for:
        plates.rename(made)
        work = replace(work, rolls=order_rolls(work.plan, work.plated, shop, made))
        work = replace(work, plated=delivered(work.plan, work.plated, shop, made))
    laps.end("plates")
    reading.move_pictures(planned.spool, made)
    paperwork.write_papers(work, shop, made, engine)
    totals = record.write_record(work, made)
    laps.end("papers")
    verify(made, engine, shelf)
    laps.end("verify")
    logger().info(
        "made",
        order=work.plan.order.order,
        revision=work.plan.order.revision,
        state="held" if work.held_for else "released",
        plates=len(work.plated),
        agreement_s=round(planned.agreement_s, 3),
        seconds=laps.seconds,
    )
    return work, totals


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


def _changes(previous: Path | None, plan: Plan) -> dict[str, tuple[str, ...]]:
    return {} if previous is None else changes_since(read_record(previous), record.colourways(plan))


def _held_for(order: Order, shop: Shop, findings: tuple[Finding, ...], decided: Decided) -> tuple[str, ...]:
    reasons = []
    if record.stops(findings):
        reasons.append("findings")
    if (order.approval or shop.defaults.approval) == "required" and not decided.approved_by:
        reasons.append("approval")
    return tuple(reasons)
