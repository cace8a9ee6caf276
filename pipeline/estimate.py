"""What an order will take, by the shop's own figures: ink, film, minutes at the press, and what that costs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.plan import Job, Plan, Plate
from pipeline.tasks import Plated

MM2_PER_M2 = 1e6


def run_pieces(plan: Plan, job: Job, plate: Plate) -> int:
    """Return how often a plate is printed: the pieces ordered and their overs."""
    overs = plan.overs[job.colourway]
    return plate.pieces + sum(overs.get(size, 0) for size in plate.placement.sizes)


def minutes(plan: Plan, job: Job) -> float:
    """Return the minutes a job takes at its press, overs included."""
    return sum(run_pieces(plan, job, plate) for plate in job.plates) * 60 / job.press.pieces_per_hour


def estimates(plan: Plan, plated: Mapping[str, Plated], rolls: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """Return ink in ml, film in metres, press minutes by route, and cost by kind where the shop states a price.

    Ink is area at full coverage times the press's ml per m², base after its choke; overs included. `cost` is empty
    when no price is stated. A held order has no plates yet, so its ink is 0.
    """
    ink = {"colour": 0.0, "base": 0.0}
    time: dict[str, float] = {}
    cost: dict[str, float] = {}

    def costs(kind: str, amount: float, price: float) -> None:
        if price and amount:
            cost[kind] = cost.get(kind, 0.0) + amount * price

    for job in plan.jobs:
        press = job.press
        needed = minutes(plan, job)
        time[job.print.route] = time.get(job.print.route, 0.0) + needed
        costs("press time", needed / 60, press.price_per_hour)
        for plate in job.plates:
            if plate.stem not in plated:
                continue
            made, times = plated[plate.stem], run_pieces(plan, job, plate)
            colour = made.ink_mm2 / MM2_PER_M2 * press.colour_ml_per_m2 * times
            base = made.base_mm2 / MM2_PER_M2 * press.base_ml_per_m2 * times
            ink["colour"] += colour
            ink["base"] += base
            costs("colour ink", colour / 1000, press.colour_price_per_litre)
            costs("base ink", base / 1000, press.base_price_per_litre)
    film_m = sum(roll["length_mm"] for roll in rolls) / 1000
    costs("film", film_m, next((job.press.roll.price_per_m for job in plan.jobs if job.press.roll), 0.0))
    return {
        "ink_ml": {kind: round(ml, 1) for kind, ml in ink.items()},
        "film_m": round(film_m, 2),
        "press_minutes": {route: round(value, 1) for route, value in time.items()},
        "cost": {kind: round(value, 2) for kind, value in cost.items()},
    }
