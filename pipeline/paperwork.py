"""Fills in the facts of the papers from the plan and what was made, and has the papers written."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path

from pipeline.colour.spaces import lab_of_rgb8
from pipeline.engine import Engine, Task
from pipeline.order_parts import Accept, Colourway
from pipeline.papers import words
from pipeline.papers.colour_names import colour_name
from pipeline.papers.contact import opaque
from pipeline.papers.facts import (
    BandFacts,
    ClothFacts,
    ColourFacts,
    ColourwayFacts,
    Decision,
    JobFacts,
    Picture,
    PrintFacts,
    ProofFacts,
    SizeFacts,
    TicketFacts,
)
from pipeline.plan import Job, Plan, Plate
from pipeline.roll_files import film_lengths, film_places
from pipeline.shop import Shop
from pipeline.stages.fade import ColourLife
from pipeline.tasks import Plated, write_bytes_task
from pipeline.work import Work

CONTACT, SWATCHES, PICTURES = "contact.png", "swatches.png", "pictures"
PICTURE_PPI = 150


def write_papers(work: Work, shop: Shop, folder: Path, engine: Engine) -> None:
    """Write the proof, a ticket per colourway once plates are made, and the pictures.

    Pictures are those of findings (pictures/NAME, as `Finding.picture` names them), a contact sheet, swatches of the
    main colours, and for an order that is held one of each print on its fabric.
    """
    from pipeline.papers.contact import contact_sheet, swatch_sheet
    from pipeline.papers.proof import proof_pdf
    from pipeline.papers.ticket import ticket_pdf

    plan = work.plan
    job = _job_facts(work, shop)
    pictures = _pictures(work, folder)
    ways = tuple(_colourway(work, shop, colourway) for colourway in plan.order.colourways)
    proof = ProofFacts(
        job,
        ways,
        _changed_art(plan),
        _decisions(plan.order.accept),
        tuple(finding for finding in work.findings if finding.severity == "stop"),
        pictures,
        work.declined,
        asks=(plan.order.approval or shop.defaults.approval) == "required" and not work.approved_by,
        film=film_lengths(work.rolls),
    )
    todo = [
        Task(name, write_bytes_task, (folder / name, function, proof))
        for name, function in (("proof.pdf", proof_pdf), (CONTACT, contact_sheet), (SWATCHES, swatch_sheet))
    ]
    for way in ways if work.plated else ():
        path = folder / plan.folders["colourways"][way.name] / "ticket.pdf"
        shown = {f.picture: pictures[f.picture] for f in way.findings if f.picture in pictures}
        facts = TicketFacts(job, way, shown)
        todo.append(Task(f"ticket {way.name}", write_bytes_task, (path, ticket_pdf, facts)))
    _write_pictures(work, pictures, folder)
    engine.run(todo)


def _pictures(work: Work, folder: Path) -> dict[str, Picture]:
    """Return the pictures that findings of the order name; those from reading the art lie in `folder` already."""
    from pipeline.press.png import read_png

    named = {finding.picture for finding in work.findings}
    read = {path.name: read_png(path)[0][..., :3] for path in sorted((folder / PICTURES).glob("*.png"))}
    studied = {name: picture for study in work.studies.values() for name, picture in study.pictures.items()}
    return {name: picture for name, picture in (read | studied).items() if name in named}


def _write_pictures(work: Work, pictures: Mapping[str, Picture], folder: Path) -> None:
    from pipeline.press.png import png_bytes

    todo = {folder / PICTURES / name: picture for name, picture in pictures.items()}
    for job in () if work.plated else work.plan.jobs:
        folders = work.plan.folders
        where = folder / folders["colourways"][job.colourway] / folders["prints"][job.print.name]
        todo[where / "picture.png"] = work.studies[job.key].picture
    for path, picture in todo.items():
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(png_bytes(opaque(picture), PICTURE_PPI))


def _job_facts(work: Work, shop: Shop) -> JobFacts:
    order = work.plan.order
    return JobFacts(
        order=order.order,
        revision=order.revision,
        customer=order.customer,
        title=order.title,
        due="" if order.due is None else words.date(order.due),
        priority=order.priority,
        notes=order.notes,
        shop=shop.name,
        paper="A4" if shop.defaults.paper == "A4" else "Letter",
        approved_by=work.approved_by,
        changes=tuple(work.changes.get("", ())),
    )


def _colourway(work: Work, shop: Shop, colourway: Colourway) -> ColourwayFacts:
    plan = work.plan
    jobs = [job for job in plan.jobs if job.colourway == colourway.name]
    garment = shop.garment(jobs[0].garment)
    cloth = jobs[0].cloth
    overs = plan.overs[colourway.name]
    return ColourwayFacts(
        name=colourway.name,
        garment=jobs[0].garment,
        cloth=ClothFacts(
            name=cloth.name,
            srgb=_rgb(cloth.srgb),
            lab=cloth.lab,
            fibres=", ".join(f"{share:g} % {fibre}" for fibre, share in cloth.fibres),
            heather=cloth.heather > 0,
        ),
        sizes=tuple(
            SizeFacts(
                size,
                colourway.pieces[size],
                overs[size],
                garment.sizes[size].half_chest_mm,
                garment.sizes[size].length_mm,
            )
            for size in garment.size_order
            if size in colourway.pieces
        ),
        prints=tuple(_print(shop, job, work) for job in jobs),
        wearer="child" if garment.wearer == "child" else "adult",
        drawn_as=garment.drawn_as,
        wash_label=" · ".join(dict.fromkeys(job.press.wash_text for job in jobs if job.press.wash_text)),
        findings=tuple(f for f in work.findings if not f.colourways or colourway.name in f.colourways),
        changes=tuple(work.changes.get(colourway.name, ())),
        decisions=_decisions(a for a in plan.order.accept if a.colourway in (None, colourway.name)),
    )


def _rgb(srgb: tuple[float, float, float]) -> tuple[int, int, int]:
    red, green, blue = (round(v * 255) for v in srgb)
    return red, green, blue


def _print(shop: Shop, job: Job, work: Work) -> PrintFacts:
    press, smallest = job.press, job.plates[0]
    study, plated = work.studies[job.key], work.plated
    platen = press.platens.get(smallest.placement.platen)
    largest = max(job.plates, key=lambda plate: plate.placement.width_mm)  # as its picture on the ticket
    made = plated.get(largest.stem)
    inked = 0.0 if made is None else made.ink_mm2 + made.knocked_out_mm2
    route = job.print.route
    return PrintFacts(
        name=job.print.name,
        position=job.print.position,
        route=route,
        bands=tuple(_band(plate, plated) for plate in job.plates),
        picture=study.picture,
        knocked_out=study.knocked_out if study.knocked_out.any() else None,
        picture_washed=study.picture_washed if job.fade.calibrated else None,
        press=job.press_name,
        platen=smallest.placement.platen,
        collar_line_mm=None if platen is None else platen.collar_line_mm,
        centre_mm=None if platen is None else platen.centre_mm,
        ppi=smallest.placement.ppi,
        line=smallest.placement.line,
        pretreat=route == "direct" and study.base.strength > 0,
        pretreat_margin_mm=shop.defaults.seam_allowance_mm,
        pretreat_recipe=press.pretreat_text,
        base=study.base.strength,
        base_why=study.base.why,
        base_file=press.base_from == "file",
        base_polarity=press.base_polarity,
        base_plate=press.base_plate_name,
        choke_mm=press.choke_mm,
        mirrored_file=route == "transfer" and press.mirror_in == "file",
        mirror_at_press=route == "transfer" and press.mirror_in == "press",
        cure=press.cure_text,
        knock_out_mode=study.mode,
        knocked_out_mm2=0.0 if made is None else made.knocked_out_mm2,
        knocked_out_share=0.0 if not inked or made is None else made.knocked_out_mm2 / inked,
        ink_mm2=0.0 if made is None else made.ink_mm2,
        ink_ml=None if made is None else made.ink_mm2 * press.colour_ml_per_m2 / 1e6,
        colours=tuple(_colour(number, life) for number, life in enumerate(study.lives, 1)),
        fade=job.fade.method,
        fade_calibrated=job.fade.calibrated,
        washes=round(job.fade.washes),
        life=round(job.fade.life),
        inks=tuple(ink.name for ink in job.print.inks),
        hazards=press.hazards,
        film=film_places(work.rolls, job.colourway, job.print.name),
        peel=press.peel_text,
        dot_mm=press.dot_mm if study.dotted else 0.0,
    )


def _colour(number: int, life: ColourLife) -> ColourFacts:
    lightness, a, b = lab_of_rgb8(life.printed).tolist()
    return ColourFacts(
        number=number,
        name=colour_name((lightness, a, b)),
        lab=(lightness, a, b),
        design=life.design,
        printed=life.printed,
        washed=life.compensated[0].rgb,
        worn=life.compensated[1].rgb,
        grades=tuple(
            worn.grade.label for pair in zip(life.compensated, life.plain, strict=True) for worn in pair
        ),
        share=round(life.share, 4),  # rounded as the record has it, here and below
    )


def _band(plate: Plate, plated: Mapping[str, Plated]) -> BandFacts:
    placement = plate.placement
    files = plated[plate.stem].files if plate.stem in plated else ()
    return BandFacts(
        sizes=placement.sizes,
        pieces=plate.pieces,
        width_mm=round(placement.width_mm, 3),
        height_mm=round(placement.height_mm, 3),
        origin_mm=(round(placement.origin_mm[0], 2), round(placement.origin_mm[1], 2)),
        files=tuple(Path(path).name for _, path in files),
        width_px=placement.width_px,
        height_px=placement.height_px,
    )


def _decisions(accepts: Iterable[Accept]) -> tuple[Decision, ...]:
    return tuple(
        Decision(
            a.code,
            a.by,
            a.why,
            " · ".join(part for part in (a.art, a.print, a.colourway) if part),
        )
        for a in accepts
    )


def _changed_art(plan: Plan) -> tuple[str, ...]:
    """Say in plain words what the manifest changes about the art, for the customer."""
    said = []
    for colourway in plan.order.colourways:
        for rule in colourway.swap:
            what = f"the colour {rule.from_}" if rule.from_ else f"the part “{rule.element}”"
            said.append(f"On {colourway.name}, {what} is printed as {rule.to}.")
        if colourway.omit:
            said.append(f"On {colourway.name}, these parts are left out: {', '.join(colourway.omit)}.")
        if colourway.cut_out:
            said.append(f"On {colourway.name}, the cloth shows in place of: {', '.join(colourway.cut_out)}.")
    return tuple(said)
