"""record.json: the index of a release, the only file a program needs to read; and the findings that go into it."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from pipeline import __version__
from pipeline.art.paint import hex_of, parse_hex
from pipeline.estimate import estimates, minutes
from pipeline.finding import SEVERITIES, Finding
from pipeline.keys import code_version, library_versions
from pipeline.legible import undrawable_texts
from pipeline.order_parts import Colourway
from pipeline.plan import Job, Plan, Plate
from pipeline.postflight import SCHEMA
from pipeline.release import RECORD, digests, files_below
from pipeline.remedies import one_swap
from pipeline.roll_files import roll_file
from pipeline.rolls import film_findings, film_presses
from pipeline.stages.preflight.answers import answer, merge
from pipeline.study import Study
from pipeline.tasks import Plated
from pipeline.work import Work


def all_findings(plan: Plan, studies: Mapping[str, Study]) -> tuple[Finding, ...]:
    """Return what was found on the whole order: accepted ones answered, the same ones merged, stops first.

    Of jobs that were not studied yet it is what the plan found.
    """
    found = list(plan.findings)
    if plan.order.ship == "as ready":
        found.append(_ships_together())
    found += film_findings(plan)
    found += undrawable_texts(plan.order)
    for colourway in plan.order.colourways:
        jobs = [job for job in plan.jobs if job.colourway == colourway.name]
        shown = {hex_of(parse_hex(colour)) for colour in colourway.shows_fabric}
        found += _without_found(
            [(*job.findings, *_of_study(job, studies.get(job.key))) for job in jobs], shown
        )
    answered = answer(tuple(found), plan.order.accept)
    for colourway in plan.order.colourways:
        answered = _with_one_swap(colourway, answered)
    merged = merge(answered)
    return tuple(sorted(merged, key=lambda f: SEVERITIES.index(f.severity)))


def _with_one_swap(colourway: Colourway, findings: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """Return findings whose `swap` lines for a colourway are one: it has one such line, whatever the prints found."""
    asks = [
        finding.colourways == (colourway.name,)
        and finding.severity != "note"
        and finding.remedy.startswith("swap = ")
        for finding in findings
    ]
    lines = dict.fromkeys(f.remedy for f, swaps in zip(findings, asks, strict=True) if swaps)
    if len(lines) < 2:
        return findings
    line = one_swap(colourway.swap, lines)
    return tuple(replace(f, remedy=line) if swaps else f for f, swaps in zip(findings, asks, strict=True))


def _of_study(job: Job, study: Study | None) -> Iterator[Finding]:
    for finding in () if study is None else study.findings:
        yield finding.at(art=job.print.art, print=job.print.name, colourways=(job.colourway,))


def _without_found(of_prints: list[tuple[Finding, ...]], shown: set[str]) -> Iterator[Finding]:
    """Yield the findings of a colourway's prints, less those on colours it names which one of the prints has.

    It names swaps, and in `shown` what shows the fabric; what an art names so holds for that art alone.
    """
    nowhere = {
        code: set.intersection(*({f.measured for f in findings if f.code == code} for findings in of_prints))
        for code in ("swap-not-found", "nothing-knocked-out")
    }
    for finding in (finding for findings in of_prints for finding in findings):
        elsewhere = finding.measured not in nowhere.get(finding.code, {finding.measured})
        if not elsewhere or (finding.code == "nothing-knocked-out" and finding.measured not in shown):
            yield finding


def _ships_together() -> Finding:
    return Finding(
        code="not-served",
        severity="note",
        message='ship = "as ready" is not served yet: one held colourway holds the whole order.',
        remedy="Hand in what is urgent as an order of its own.",
    )


def stops(findings: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """Return the findings that hold an order."""
    return tuple(finding for finding in findings if finding.severity == "stop")


def write_record(work: Work, folder: Path) -> dict[str, int]:
    """Write record.json into a staged release and return its totals."""
    plan, order = work.plan, work.plan.order
    totals = _totals(plan, work.plated)
    rolls = [roll.as_json() for roll in work.rolls]
    record = {
        "schema": SCHEMA,
        "order": order.order,
        "revision": order.revision,
        "state": "held" if work.held_for else "released",
        "held_for": list(work.held_for),
        "approved_by": work.approved_by or None,
        "customer": order.customer,
        "title": order.title,
        "due": None if order.due is None else order.due.isoformat(),
        "priority": order.priority,
        "inputs": [{"path": path, "sha256": digest_} for path, digest_ in work.inputs.items()],
        "files": _files(work, folder),
        "findings": [finding.as_json() for finding in work.findings],
        "plates": [
            _plate(job, plate, work.plated) for job, plate in _pairs(plan) if plate.stem in work.plated
        ],
        "colourways": colourways(plan),
        "changes": {name: list(lines) for name, lines in work.changes.items()},
        "colours": [_colours(job, work.studies[job.key]) for job in plan.jobs],
        "film": film_presses(plan),
        "profiles": _profiles(plan),
        "rolls": rolls,
        "estimates": estimates(plan, work.plated, rolls),
        "totals": totals,
        "versions": {"washfast": __version__, "code": code_version(), **library_versions()},
    }
    text = json.dumps(record, ensure_ascii=False, indent=1)
    (folder / RECORD).write_text(text + "\n", encoding="utf-8")
    return totals


def _profiles(plan: Plan) -> list[dict[str, str]]:
    """Return the output profiles by which the presses of an order were proofed."""
    presses = {job.press_name: job.press for job in plan.jobs if job.press.profile}
    return [
        {"press": name, "path": press.profile or "", "sha256": hashlib.sha256(press.icc).hexdigest()}
        for name, press in sorted(presses.items())
    ]


def colourways(plan: Plan) -> list[dict[str, Any]]:
    """Return what each colourway is: garment, fabric, pieces by size, and the prints with their bands."""
    return [
        {
            "name": colourway.name,
            "garment": jobs[0].garment,
            "fabric": jobs[0].cloth.name,
            "fabric_srgb": hex_of(_rgb8(jobs[0].cloth.srgb)),
            "sizes": dict(colourway.pieces),
            "overs": dict(plan.overs[colourway.name]),
            "prints": [_print(plan, job) for job in jobs],
        }
        for colourway in plan.order.colourways
        if (jobs := [job for job in plan.jobs if job.colourway == colourway.name])
    ]


def _print(plan: Plan, job: Job) -> dict[str, Any]:
    return {
        "name": job.print.name,
        "position": job.print.position,
        "route": job.print.route,
        "press": job.press_name,
        "minutes": round(minutes(plan, job), 1),
        "bands": [
            {
                "sizes": list(place.sizes),
                "platen": place.platen,
                "pieces": plate.pieces,
                "width_mm": round(place.width_mm, 3),
                "height_mm": round(place.height_mm, 3),
                "origin_mm": [round(v, 2) for v in place.origin_mm],
                "plate": plate.key,
            }
            for plate in job.plates
            for place in (plate.placement,)
        ],
    }


def _rgb8(srgb: tuple[float, float, float]) -> tuple[int, int, int]:
    red, green, blue = (round(v * 255) for v in srgb)
    return red, green, blue


def _pairs(plan: Plan) -> list[tuple[Job, Plate]]:
    return [(job, plate) for job in plan.jobs for plate in job.plates]


def _totals(plan: Plan, plated: Mapping[str, Plated]) -> dict[str, int]:
    return {
        "garments": sum(sum(colourway.pieces.values()) for colourway in plan.order.colourways),
        "impressions": sum(plate.pieces for _, plate in _pairs(plan)),
        "overs": sum(sum(sizes.values()) for sizes in plan.overs.values()),
        "plates": len(plated),
        "press_files": sum(len(plate.files) for plate in plated.values()),
    }


def _files(work: Work, folder: Path) -> list[dict[str, Any]]:
    plan, plated = work.plan, work.plated
    known: dict[str, dict[str, Any]] = {roll.path: roll_file(roll) for roll in work.rolls}
    for job, plate in _pairs(plan):
        for role, name in plated[plate.stem].files if plate.stem in plated else ():
            entry = known.setdefault(name, _press_file(job, plate, role))
            entry["used_for"].append(
                {"colourway": job.colourway, "print": job.print.name, "sizes": list(plate.placement.sizes)}
            )
    ways = {slug: name for name, slug in plan.folders["colourways"].items()}
    prints = {slug: name for name, slug in plan.folders["prints"].items()}
    paths = files_below(folder)
    entries = []
    for path, sha256 in zip(paths, digests(folder / path for path in paths), strict=True):
        text = path.as_posix()
        about = known.get(text) or _paper(path, ways, prints)
        entries.append({"path": text, **about, "sha256": sha256, "bytes": (folder / path).stat().st_size})
    return entries


def _press_file(job: Job, plate: Plate, role: str) -> dict[str, Any]:
    placement = plate.placement
    entry = {
        "role": role,
        "colourway": job.colourway,
        "print": job.print.name,
        "sizes": list(placement.sizes),
        "route": job.print.route,
        "plate": plate.key,
        "press": job.press_name,
        "platen": placement.platen,
        "origin_mm": [round(v, 2) for v in placement.origin_mm],
        "line": placement.line,
        "width_px": placement.width_px,
        "height_px": placement.height_px,
        "ppi": placement.ppi,
        "width_mm": round(placement.width_mm, 3),
        "height_mm": round(placement.height_mm, 3),
        "mirrored": job.print.route == "transfer" and job.press.mirror_in == "file",
        "used_for": [],
    }
    if role == "press-base":
        entry["polarity"] = job.press.base_polarity
    return entry


def _paper(path: Path, ways: Mapping[str, str], prints: Mapping[str, str]) -> dict[str, Any]:
    papers = {"proof.pdf": "proof", "ticket.pdf": "ticket", "cut-list.pdf": "cut-list"}
    role = papers.get(path.name, "picture")
    folders = path.parts[:-1]
    empty = dict.fromkeys(
        (
            "route",
            "plate",
            "press",
            "platen",
            "origin_mm",
            "line",
            "width_px",
            "height_px",
            "ppi",
            "width_mm",
            "height_mm",
        )
    )
    return {
        "role": role,
        "colourway": ways.get(folders[0]) if folders else None,
        "print": prints.get(folders[1]) if len(folders) > 1 else None,
        "sizes": [],
        **empty,
        "mirrored": False,
    }


def _plate(job: Job, plate: Plate, plated: Mapping[str, Plated]) -> dict[str, Any]:
    made = plated[plate.stem]
    fade = job.fade
    return {
        "key": plate.key,
        "colourway": job.colourway,
        "print": job.print.name,
        "sizes": list(plate.placement.sizes),
        "pieces": plate.pieces,
        "reused": False,
        "knocked_out_mm2": made.knocked_out_mm2,
        "ink_mm2": made.ink_mm2,
        "base_mm2": made.base_mm2,
        "fade": {
            "method": fade.method,
            "washes": fade.washes,
            "percent": fade.percent if fade.method == "saturation" else None,
            "calibrated": fade.calibrated,
        },
    }


def _colours(job: Job, study: Study) -> dict[str, Any]:
    return {
        "colourway": job.colourway,
        "print": job.print.name,
        "base": round(study.base.strength, 4),
        "base_why": study.base.why,
        "knock_out": study.mode,
        "main": [
            {
                "design": hex_of(life.design),
                "share": round(life.share, 4),
                "printed": hex_of(life.printed),
                "fresh_shift": round(life.fresh_shift, 2),
                "predicted": [
                    {
                        "washes": with_.washes,
                        "compensated": hex_of(with_.rgb),
                        "compensated_grade": with_.grade.label,
                        "plain": hex_of(without.rgb),
                        "plain_grade": without.grade.label,
                    }
                    for with_, without in zip(life.compensated, life.plain, strict=True)
                ],
            }
            for life in study.lives
        ],
    }
