"""The run sheet: the jobs of a night by press, in the order that saves change-overs, rush jobs first."""

from __future__ import annotations

from itertools import groupby, pairwise

from pipeline.papers import words
from pipeline.papers.kit import BIG, BODY, GIANT, INK, MARGIN, PAPERS, STRONG, Sheet, Style, in_two_runs
from pipeline.papers.night_facts import RunFacts, RunJob
from pipeline.papers.parts import chip, foot, heading, tick
from pipeline.papers.table import Column, Table

_CHANGES = (("film", 8), ("platen", 4), ("pretreat", 2))  # what takes longest weighs most (ours)
_ROW_MM = 11.5
_COLUMNS = (
    Column("done", 9),
    Column("order", 34, style=Style("bold", 11)),
    Column("", 6),
    Column("fabric", 36),
    Column("print", 36),
    Column("platen", 24),
    Column("pretreat", 17),
    Column("pieces", 16, "right", Style("bold", 13)),
    Column("min", 14, "right"),
)


def run_sheet_pdf(facts: RunFacts) -> bytes:
    """Return the run sheet as PDF; the same facts give the same bytes, whatever the order of the jobs."""
    return run_sheet(facts).finish()


def run_sheet(facts: RunFacts) -> Sheet:
    """Return the run sheet as drawn, with its boxes, before it is written out."""
    return in_two_runs(lambda pages: _draw(facts, pages))


def changes(before: RunJob | None, job: RunJob) -> tuple[str, ...]:
    """Return what must be changed over between two jobs at one press."""
    if before is None:
        return ()
    return tuple(name for name, _ in _CHANGES if getattr(before, name) != getattr(job, name))


def in_sequence(jobs: tuple[RunJob, ...]) -> tuple[RunJob, ...]:
    """Return the jobs of one press: rush first, then always the one that takes the least change-over next.

    Ties go by platen, fabric, order and print, so that the result does not depend on the order of `jobs`.
    """
    left = sorted(jobs, key=_by_name)
    done: list[RunJob] = []
    while left:
        before = done[-1] if done else None
        best = min(left, key=lambda job: (not job.rush, _cost(before, job)))
        left.remove(best)
        done.append(best)
    return tuple(done)


def _by_name(job: RunJob) -> tuple[str, ...]:
    return (
        job.platen,
        str(job.pretreat),
        job.film,
        job.fabric,
        job.order,
        f"{job.revision:09d}",
        job.colourway,
        job.print,
    )


def _cost(before: RunJob | None, job: RunJob) -> int:
    weights = dict(_CHANGES)
    other = (
        before is not None and before.fabric != job.fabric
    )  # one fabric after the other, where it costs nothing
    return 2 * sum(weights[name] for name in changes(before, job)) + other


def _draw(facts: RunFacts, pages: int) -> Sheet:
    sheet = Sheet(
        PAPERS[facts.paper],
        title=f"Run sheet {facts.night}",
        author=facts.shop,
        furniture=lambda s: _furniture(s, facts),
        pages=pages,
    )
    if not facts.jobs:
        sheet.say(MARGIN, sheet.y, words.RUN_NOTHING, BODY, sheet.right - MARGIN)
    jobs = sorted(facts.jobs, key=lambda job: (job.route, job.press))
    for (_, press), group in groupby(jobs, key=lambda job: (job.route, job.press)):
        _press(sheet, press, in_sequence(tuple(group)))
    return sheet


def _furniture(sheet: Sheet, facts: RunFacts) -> None:
    foot(sheet, f"run sheet · {facts.night} · {facts.shop}".rstrip(" ·"))
    width = sheet.right - MARGIN
    style = GIANT if sheet.page == 1 else BIG
    sheet.say(MARGIN, sheet.y, f"Run sheet · {facts.night}", style, width)
    sheet.y += style.height
    if sheet.page == 1:
        sheet.y += sheet.tell(MARGIN, sheet.y, words.RUN_ORDER, BODY, width)


def _press(sheet: Sheet, press: str, jobs: tuple[RunJob, ...]) -> None:
    heading(sheet, "", f"{press} · {words.ROUTES.get(jobs[0].route, jobs[0].route)}", 30)
    table = Table(_COLUMNS, MARGIN, sheet.right - MARGIN)
    pieces = sum(job.pieces + job.overs for job in jobs)
    time = sum(job.minutes for job in jobs)
    swaps = sum(bool(changes(one, two)) for one, two in pairwise(jobs))
    said = (
        words.count(len(jobs), "job"),
        f"{words.count(pieces, 'print')} with overs",
        f"about {words.hours(time)}",
        words.count(swaps, "change-over"),
    )
    sheet.say(sheet.left, sheet.y, " · ".join(said), STRONG, sheet.span)
    sheet.y += STRONG.height + 1
    table.heads(sheet)
    before = None
    for job in jobs:
        _job(sheet, table, job, changes(before, job))
        before = job
    table.close(sheet)


def _job(sheet: Sheet, table: Table, job: RunJob, swapped: tuple[str, ...]) -> None:
    if swapped:
        sheet.need(_ROW_MM + 5)
        sheet.rule(MARGIN, sheet.y, sheet.right, sheet.y, 0.6)
        sheet.say(
            MARGIN + 1, sheet.y + 0.9, f"▼ change {', '.join(swapped)}", STRONG, sheet.right - MARGIN - 2
        )
        sheet.y += 5.4
    pretreat = {True: words.YES, False: words.NO, None: "–"}[job.pretreat]
    overs = f"+ {words.count(job.overs, 'over')}" if job.overs else ""
    cells = (
        ("", ""),
        (f"{job.order} r{job.revision}", f"due {job.due}" if job.due else ""),
        ("", ""),
        (job.fabric, job.garment if job.colourway == job.fabric else f"{job.colourway} · {job.garment}"),
        (job.print, job.position),
        (job.platen or "–", job.film),
        (pretreat, ""),
        (str(job.pieces), overs),
        (words.number(job.minutes, 0), ""),
    )
    table.row(sheet, cells, _ROW_MM)
    top = sheet.y - _ROW_MM
    places = table.places()
    tick(sheet, places[0][1] + 1.5, top + 2.2, 5)
    chip(sheet, places[2][1] + 0.8, top + 1, places[2][2] - 1.4, 8, job.fabric_rgb, "")
    if job.rush:
        sheet.fill(places[0][1], top + 8, 8.5, 3, INK)
        sheet.say(places[0][1], top + 7.9, "RUSH", Style("bold", 7), 8.5, "centre")
