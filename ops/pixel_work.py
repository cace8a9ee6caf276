"""The pixel work of an order alone: drawings, knock-out, fade, base, and the two PNG files of every plate.

    python -m ops.pixel_work MANIFEST OUT [--workers N]

What scripts that only make pictures do; no preflight, tickets, PDF, record or reading back. For comparing times.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

from pipeline.engine import Engine
from pipeline.make import prepare
from pipeline.order import load_order
from pipeline.production import Floor, make_plates
from pipeline.shop import load_shop
from pipeline.stages.base import BaseDecision
from pipeline.warm import load_libraries

FILES = ("press-colour", "press-base")


def main(arguments: list[str]) -> int:
    """Make the PNG files of all plates of one order."""
    parser = argparse.ArgumentParser(description=str(__doc__).splitlines()[0])
    parser.add_argument("manifest", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--workers", type=int)
    options = parser.parse_args(arguments)
    with (
        tempfile.TemporaryDirectory(prefix=".pixel-work-", dir=options.out) as folder,
        Engine(options.workers) as engine,
    ):
        engine.warm(load_libraries)
        planned = prepare(options.manifest, load_order(options.manifest), load_shop(None), Path(folder))
        base = BaseDecision(1.0, "always, as the scripts do")
        make_plates(
            planned.plan,
            {job.key: base for job in planned.plan.jobs},
            Floor(Path(folder), engine),
            options.out,
            FILES,
        )
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
