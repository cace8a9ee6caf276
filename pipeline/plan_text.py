"""A plan as people read it: what would be made, and how large."""

from __future__ import annotations

from pipeline.papers.words import count
from pipeline.plan import Plan


def plan_text(plan: Plan) -> str:
    """Return the plan in lines: what there is in all, then every job and its bands."""
    bands = tuple(plate for job in plan.jobs for plate in job.plates)
    plates = len({plate.stem for plate in bands})
    shared = " (what is the same on film shares one)" if plates < len(bands) else ""
    parts = (
        count(len(plan.draws(bands)), "draw"),
        count(plates, "plate") + shared,
        count(len(plan.folders["colourways"]), "ticket"),
        "1 proof",
    )
    lines = [f"{plan.name}: {', '.join(parts)}"]
    for job in plan.jobs:
        lines.append(f"  {job.colourway} · {job.print.name} · {job.print.position} · {job.print.route}")
        for plate in job.plates:
            p = plate.placement
            lines.append(
                f"    {', '.join(p.sizes):<16} {p.width_mm:6.1f} × {p.height_mm:.1f} mm"
                f"   {p.width_px} × {p.height_px} px   {count(plate.pieces, 'piece')}"
            )
    return "\n".join(lines)
