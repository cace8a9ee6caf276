"""The simulated night keeps the bounds of any schedule (Graham 1969, Bounds on multiprocessing timing anomalies)."""

from __future__ import annotations

import pytest

from ops.capacity import WORKERS, Order, mix, simulate

COST = {
    kind: {"a": 0.9, "b": 0.02, "c": 0.2, "d": 0.5, "e": 0.05}
    for kind in ("flat", "illustration", "photograph")
}


@pytest.mark.parametrize("workers", WORKERS)
def test_a_night_lies_between_the_bounds(workers: int) -> None:
    """Never less than the work shared out or the longest order; never more than that and one longest order."""
    orders = mix(COST)[:500]
    work = sum(order.alone + sum(order.tasks) for order in orders)
    longest = max(order.alone + max(order.tasks) for order in orders)

    took = simulate(orders, workers, workers)

    assert max(work / workers, longest) <= took + 1e-6
    assert took <= work / workers + 2 * longest


def test_one_order_at_a_time_is_bounded_by_each_order() -> None:
    """With more workers than plates, each order takes its own part and its longest plate."""
    orders = [Order(1.0, (3.0, 2.0)), Order(0.5, (4.0,))]

    assert simulate(orders, 64, 1) == pytest.approx(1 + 3 + 0.5 + 4)
    assert simulate(orders, 1, 1) == pytest.approx(1 + 5 + 0.5 + 4)
