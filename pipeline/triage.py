"""What can be said of orders from their manifests alone, before anything heavy is loaded: refused, or made first."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from pipeline.faults import Fault, Refused
from pipeline.finding import Finding
from pipeline.order import load_order
from pipeline.outcome import Outcome
from pipeline.shop import Shop
from pipeline.shop_lookup import check_in_shop


def refusal(manifest: Path, shop: Shop) -> Outcome | None:
    """Return the outcome of an order that its manifest or the shop rules out; None for one that can be begun."""
    name, revision = manifest.name, 0
    try:
        order = load_order(manifest)
        name, revision = order.order, order.revision
        check_in_shop(order, shop, manifest.name)
    except Fault as fault:
        return ended(name, revision, fault)
    return None


def ended(name: str, revision: int, fault: Fault) -> Outcome:
    """Return the outcome of an order that a fault ended: refused when the order is to blame, else failed."""
    if not isinstance(fault, Refused):
        return Outcome(name, revision, "failed", fault.exit_code, message=fault.message)
    why = Finding(fault.code, "stop", fault.message, "Mend what is named and hand the order in again.")
    return Outcome(name, revision, "refused", fault.exit_code, (why,), message=fault.message)


def rush_first(manifests: Sequence[Path]) -> list[Path]:
    """Return the manifests in the order to make them: rush orders overtake, the others stay as they came."""

    def waits(manifest: Path) -> bool:
        try:
            return load_order(manifest).priority != "rush"
        except Fault:
            return True  # it is refused when its turn comes

    return sorted(manifests, key=waits) if len(manifests) > 1 else list(manifests)
