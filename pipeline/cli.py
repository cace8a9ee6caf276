"""The doors of the program: parse, call, print. Everything heavy is imported behind the door that needs it."""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline import __version__
from pipeline.doors_hotfolder import add_doors
from pipeline.faults import ExitCode, Fault
from pipeline.findings_text import findings_text

if TYPE_CHECKING:
    from pipeline.engine import Engine
    from pipeline.outcome import Outcome
    from pipeline.shelf import Shelf
    from pipeline.shop import Shop

EXIT_CODES = """exit codes: 0 done · 1 a fault of the program · 2 wrong usage · 3 an order is held · 4 a manifest, shop
file or art was refused · 5 busy or out of space: nothing lost, try again. With several orders the highest applies."""


_READINGS = """\
Fits what washing takes from each channel (k a wash, f at the first) and prints the lines for the shop file.

The table is a CSV, one reading a row; its first row names the columns, in any order:
  route, fibre          as in the shop file: direct, transfer or screen; cotton, polyester, ...
  patch                 name of the colour patch; "base" is the white base without colour (if left out, 0.85)
  cycles                whole washes so far; each patch is read at 0, and at two or more others
  L, a, b               CIE Lab as the instrument gives it
  illuminant, observer  D50 or D65; 2 or 10
Measure at least a cyan, a magenta, a yellow and a black patch, and paler tints of what is very vivid."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command and return its exit code."""
    options = _parser().parse_args(arguments)
    run: Callable[[argparse.Namespace], ExitCode] = options.run
    try:
        return int(run(options))
    except Fault as fault:
        print(f"washfast: {fault.message}", file=sys.stderr)
        return int(fault.exit_code)
    except BrokenPipeError:
        return int(ExitCode.DONE)
    except Exception as error:  # last resort: say it plainly, keep the trace for whoever mends it
        from pipeline.log import configure, logger

        configure()
        logger().error("a fault of the program; nothing was published", exc_info=error)
        return int(ExitCode.FAULT)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="washfast",
        description="Order manifests in, press-ready art and job tickets out.",
        epilog=EXIT_CODES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"washfast {__version__}")
    doors = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")

    demo = doors.add_parser("demo", help="make the bundled example orders and say what was made and where")
    demo.add_argument(
        "--out",
        type=Path,
        default=Path("washfast-demo"),
        metavar="DIR",
        help="where they go (default: washfast-demo)",
    )
    _add_workers(demo)
    demo.set_defaults(run=_demo)

    make = doors.add_parser("make", help="make orders: press files, tickets, proof, record")
    make.add_argument("manifests", nargs="+", type=Path, metavar="MANIFEST")
    make.add_argument(
        "--out",
        type=Path,
        default=Path("washfast-out"),
        metavar="DIR",
        help="folder for releases and, in its held/, for what waits (default: washfast-out)",
    )
    _add_shop(make)
    where = make.add_mutually_exclusive_group()
    _add_workers(where)
    where.add_argument(
        "--cluster", metavar="ADDRESS", help="run on the Dask cluster whose scheduler is there"
    )
    _add_shelf(make)
    _add_json(make)
    make.set_defaults(run=_make)

    check = doors.add_parser(
        "check", help="preflight alone: what was found, and the manifest lines that answer it"
    )
    check.add_argument("manifests", nargs="+", type=Path, metavar="MANIFEST")
    _add_shop(check)
    _add_workers(check)
    _add_shelf(check)
    _add_json(check)
    check.set_defaults(run=_check)

    plan = doors.add_parser("plan", help="say what would be made")
    plan.add_argument("manifest", type=Path, metavar="MANIFEST")
    _add_shop(plan)
    _add_json(plan)
    plan.set_defaults(run=_plan)

    add_doors(doors, _add_shop, _add_workers)

    audit = doors.add_parser("audit", help="does a release still match its record?")
    audit.add_argument("release", type=Path, metavar="RELEASE")
    audit.set_defaults(run=_audit)

    calibrate = doors.add_parser(
        "calibrate",
        help="wash-test readings (CSV) to lines for the shop file",
        description=_READINGS,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    calibrate.add_argument("readings", type=Path, metavar="CSV")
    calibrate.add_argument(
        "--picture", type=Path, metavar="PNG", help="also draw the fit against the readings"
    )
    calibrate.set_defaults(run=_calibrate)

    schema = doors.add_parser("schema", help="print the JSON Schema of the order manifest or the shop file")
    schema.add_argument("of", choices=("order", "shop"))
    schema.set_defaults(run=_schema)
    return parser


def _add_shop(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--shop", type=Path, metavar="FILE", help="the shop file, laid over the built-in one")


def _add_workers(parser: argparse._ActionsContainer) -> None:
    parser.add_argument("--workers", type=_count, metavar="N", help="processes to use (default: one a core)")


def _add_shelf(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--shelf",
        default=os.environ.get("WASHFAST_SHELF"),
        metavar="DIR",
        help='where what was made is kept for the next time, or "none" (default: WASHFAST_SHELF, or the user\'s cache)',
    )


def _add_json(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--json", action="store_true", help="print the result as JSON")


def _count(text: str) -> int:
    try:
        value = int(text)
    except ValueError:
        value = 0
    if not 1 <= value <= 1024:
        raise argparse.ArgumentTypeError(f"{text!r} is not a whole number from 1 to 1024")
    return value


def _demo(options: argparse.Namespace) -> ExitCode:
    from pipeline.engine import Engine
    from pipeline.make import example_manifests, make_order
    from pipeline.order import load_order
    from pipeline.release import Places, remove
    from pipeline.shop import load_shop

    _start_log()
    shop = load_shop(None)
    outcomes = []
    with Engine(options.workers) as engine:
        for manifest in example_manifests():
            order = load_order(manifest)
            remove(options.out, f"{order.order}-r{order.revision}")  # show today's program, not yesterday's
            outcomes.append(make_order(manifest, shop, Places.below(options.out), engine))
    for manifest, outcome in zip(example_manifests(), outcomes, strict=True):
        _print_outcome(outcome, outcome.headline(), manifest)
    held = [outcome for outcome in outcomes if outcome.state == "held"]
    print(f"\n{len(outcomes)} orders made below {options.out.resolve()}", end="")
    print(f"; {len(held)} held on purpose, to show what waits for a decision." if held else ".")
    failed = [outcome.exit_code for outcome in outcomes if outcome.state == "refused"]
    return max(failed, default=ExitCode.DONE)


def _make(options: argparse.Namespace) -> ExitCode:
    from pipeline.release import Places
    from pipeline.triage import rush_first

    places, shelf = Places.below(options.out), _shelf(options.shelf)
    options.manifests = rush_first(options.manifests)

    def act(path: Path, shop: Shop, engine: Engine) -> Outcome:
        from pipeline.make import make_order

        return make_order(path, shop, places, engine, shelf=shelf)

    code = _each_order(options, "washfast-make/1", act)
    if shelf is not None:
        shelf.tidy()
    return code


def _check(options: argparse.Namespace) -> ExitCode:
    shelf = _shelf(options.shelf)

    def act(path: Path, shop: Shop, engine: Engine) -> Outcome:
        from pipeline.make import check_order

        return check_order(path, shop, engine, shelf)

    return _each_order(options, "washfast-check/1", act, headline=_checked)


def _shelf(wanted: str | None) -> Shelf | None:
    from pipeline.shelf import Shelf, user_shelf

    if wanted == "none":
        return None
    return Shelf(Path(wanted)) if wanted else user_shelf()


def _each_order(
    options: argparse.Namespace,
    schema: str,
    act: Callable[[Path, Shop, Engine], Outcome],
    headline: Callable[[Outcome], str] = lambda outcome: outcome.headline(),
) -> ExitCode:
    from pipeline.shop import load_shop
    from pipeline.triage import refusal

    _start_log()
    shop = load_shop(options.shop)
    outcomes: list[Outcome] = []
    with _engine(options) as engine:
        for path in options.manifests:
            outcome = refusal(path, shop) or act(path, shop, engine)
            outcomes.append(outcome)
            if not options.json:
                _print_outcome(outcome, headline(outcome), path)
    if options.json:
        print(
            json.dumps(
                {"schema": schema, "orders": [o.as_json() for o in outcomes]}, ensure_ascii=False, indent=1
            )
        )
    return max((outcome.exit_code for outcome in outcomes), default=ExitCode.DONE)


def _engine(options: argparse.Namespace) -> Engine:
    if getattr(options, "cluster", None):
        from pipeline.cluster import ClusterEngine

        return ClusterEngine(options.cluster)
    from pipeline.engine import Engine

    return Engine(options.workers)


def _plan(options: argparse.Namespace) -> ExitCode:
    from pipeline.make import plan_order
    from pipeline.plan_text import plan_text
    from pipeline.shop import load_shop

    _start_log()
    plan = plan_order(options.manifest, load_shop(options.shop))
    print(json.dumps(plan.as_json(), ensure_ascii=False, indent=1) if options.json else plan_text(plan))
    return ExitCode.DONE


def _audit(options: argparse.Namespace) -> ExitCode:
    from pipeline.postflight import audit

    wrong = audit(options.release)
    for line in wrong:
        print(line)
    if wrong:
        print(
            f"{options.release}: {len(wrong)} faults; do not print from it, make the order again",
            file=sys.stderr,
        )
        return ExitCode.REFUSED
    print(f"{options.release}: whole, every file is as released")
    return ExitCode.DONE


def _calibrate(options: argparse.Namespace) -> ExitCode:
    from pipeline.calibrate import calibrate, format_lines, picture
    from pipeline.faults import Refused

    try:
        text = options.readings.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise Refused(
            f"{options.readings} cannot be read as UTF-8 text ({error}).", code="readings"
        ) from error
    result = calibrate(text)
    print(format_lines(result))
    try:
        if options.picture:
            picture(result).save(options.picture, format="PNG")
    except OSError as error:
        raise Refused(f"The picture cannot be written: {error}.", code="readings") from error
    return ExitCode.DONE


def _schema(options: argparse.Namespace) -> ExitCode:
    from pipeline.order import order_schema
    from pipeline.shop import shop_schema

    made = order_schema() if options.of == "order" else shop_schema()
    print(json.dumps(made, ensure_ascii=False, indent=2))
    return ExitCode.DONE


def _start_log() -> None:
    from pipeline.log import configure

    configure()


def _print_outcome(outcome: Outcome, headline: str, manifest: Path) -> None:
    if outcome.state == "refused":
        print(f"{manifest}  REFUSED", flush=True)
        print(f"washfast: {outcome.message}", file=sys.stderr)
        return
    print(headline, flush=True)
    for line in findings_text(outcome.findings):
        print(line)
    if "approval" in outcome.held_for:
        print('        Once the customer says yes to proof.pdf: approval = "not needed", and make it again.')


def _checked(outcome: Outcome) -> str:
    """Return what preflight says of an order in one line: it released nothing."""
    stops = sum(finding.severity == "stop" for finding in outcome.findings)
    warns = sum(finding.severity == "warn" for finding in outcome.findings)
    verdict = f"WOULD BE HELD, {stops} to answer" if stops else "READY TO MAKE"
    return f"{outcome.order} r{outcome.revision}  {verdict}{f', {warns} to look at' if warns else ''}"


if __name__ == "__main__":
    sys.exit(main())
