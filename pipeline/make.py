"""Takes one order from its manifest to a release, or to held/ with all it takes to decide, or to a refusal.

Light: what draws is loaded (workshop.py) once it is clear that something must be made.
"""

from __future__ import annotations

import errno
import tempfile
from collections.abc import Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline import release
from pipeline.again import keep_order, order_key, take_order
from pipeline.art.limits import Limits
from pipeline.engine import Engine
from pipeline.faults import Busy, ExitCode, Fault, Refused
from pipeline.finding import Finding
from pipeline.first_look import read_apart, take_looks, wanted_of
from pipeline.log import Laps, logger
from pipeline.on_film import on_film_already
from pipeline.order import Order, load_order, prints_of
from pipeline.outcome import Decided, Outcome
from pipeline.postflight import verify
from pipeline.release import Places
from pipeline.shelf import Shelf
from pipeline.shop import Shop
from pipeline.shop_lookup import check_in_shop
from pipeline.triage import ended
from pipeline.warm import load_libraries

if TYPE_CHECKING:
    from pipeline.plan import Plan
    from pipeline.workshop import Planned

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
            engine.warm(load_libraries)
            planned = prepare(manifest, order, shop, Path(folder), shelf)
            from pipeline.workshop import preflight

            found, held = preflight(planned, engine, shelf)
        findings = tuple(replace(finding, picture="") for finding in found)  # none was written
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
        made = aside / "made"
        made.mkdir()
        _only_served(order)
        on_film = on_film_already(places.released, order.order, order.revision, decided.previous)
        said = *_said(decided), *(finding.message for finding in on_film)
        key = None if shelf is None else order_key(manifest, order, shop, *said)
        if shelf is not None and key is not None and (taken := take_order(shelf, key, made)):
            logger().info("taken from the shelf", order=order.order, revision=order.revision)
            verify(made)  # pixels were looked at when they were put there
            return _publish(order, places, aside, made, *taken)
        laps = Laps()
        engine.warm(load_libraries)
        spool = aside / "spool"
        spool.mkdir()
        planned = prepare(manifest, order, shop, spool, shelf)
        known = (*planned.plan.findings, *on_film)
        planned = replace(planned, plan=replace(planned.plan, findings=known))
        laps.end("read")
        from pipeline.workshop import work_through

        work, totals = work_through(planned, shop, engine, decided, shelf, made, laps)
        if shelf is not None and key is not None and not work.held_for:
            keep_order(shelf, key, work, shop.deliver.direct, made)
        return _publish(order, places, aside, made, work.findings, totals, work.held_for)


def prepare(manifest: Path, order: Order, shop: Shop, spool: Path, shelf: Shelf | None = None) -> Planned:
    """Have the art of an order read in a disposable child, load meanwhile what the work needs, and plan the order."""
    check_in_shop(order, shop, manifest.name)
    wanted = wanted_of(manifest, order)
    known = take_looks(shelf, wanted, spool)
    new = tuple(entry for entry in wanted if entry.art not in known)
    with ThreadPoolExecutor(1) as beside:
        reading = beside.submit(read_apart, new, spool, Limits()) if new else None
        from pipeline.workshop import plan_of

        looked = known | (reading.result() if reading else {})
        return plan_of(manifest, order, shop, spool, {entry: looked[entry.art] for entry in wanted}, shelf)


def _said(decided: Decided) -> tuple[str, ...]:
    """Return what was decided in a form that a key can be made of."""
    before = decided.previous
    return (
        decided.approved_by,
        decided.declined,
        "" if before is None else release.digest(before / release.RECORD),
    )


def _only_served(order: Order) -> None:
    """Refuse what can be checked, but not made yet."""
    later = sorted({p.route for c in order.colourways for p in prints_of(order, c)} - {"direct", "transfer"})
    if later:
        names = " and ".join(f'"{route}"' for route in later)
        raise Refused(
            f"The route {names} can be checked (washfast check), but its press "
            'files are not made yet. Take the route "direct" or "transfer", or leave those prints out.'
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
