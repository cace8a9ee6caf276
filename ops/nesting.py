"""How short the rolls are: published rectangles, art nested by its outline, and a large order, as tables.

The instances are those of `tests/reference/strip_packing_instances.txt` (quarter turns allowed), beside the best of
three methods of rectpack, a general packing library. The orders are made from the drawings of an open SVG set that is
not part of the project: invented counts and sizes, a fixed choice. Seconds are processor seconds.

    python -m ops.nesting SVGS [FILE]   print the tables, or put them between the marks of FILE
"""

from __future__ import annotations

import io
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ops.marks import argument, show
from pipeline.stages.impose import Layout, Piece, Roll, impose

INSTANCES = Path(__file__).resolve().parent.parent / "tests" / "reference" / "strip_packing_instances.txt"
FILM_MM, LONGEST_MM, GUTTER_MM, STEP_MM = 560.0, 10_000.0, 5.0, 0.5
ORDERS = ((1, 10, 150), (2, 20, 250), (3, 30, 300), (4, 20, 60), (5, 40, 400))  # (choice, designs, pieces)
LARGE = (6, 40, 1500)
NO_LIMIT = 1e6


def instances() -> Iterator[tuple[str, int, int, list[tuple[int, int]]]]:
    """Yield (name, width, optimal height, rectangles)."""
    lines = iter(INSTANCES.read_text(encoding="utf-8").splitlines()[1:])
    for line in lines:
        name, width, height, count = line.split()
        sides = [next(lines).split() for _ in range(int(count))]
        yield name, int(width), int(height), [(int(w), int(h)) for w, h in sides]


def packed(width: int, sides: list[tuple[int, int]]) -> tuple[int, float]:
    """Return the least height that three methods of rectpack reach, and the seconds of all three."""
    import rectpack

    begun, best = time.process_time(), sum(max(side) for side in sides)
    methods = [rectpack.SkylineBl]
    if len(sides) <= 500:  # the others take hours beyond
        methods += [rectpack.MaxRectsBl, rectpack.GuillotineBssfSas]
    for method in methods:
        packer = rectpack.newPacker(pack_algo=method, sort_algo=rectpack.SORT_AREA, rotation=True)
        for side in sides:
            packer.add_rect(*side)
        packer.add_bin(width, best)
        packer.pack()
        placed = packer.rect_list()
        if len(placed) == len(sides):
            best = min(best, max(y + high for _, _, y, _, high, _ in placed))
    return best, time.process_time() - begun


def instance_rows(effort: float = 2.0) -> Iterator[str]:
    """Yield a table of the published instances, and the mean gap."""
    yield "| instance | pieces | optimum | washfast | gap | s | rectpack | gap | s |"
    yield "|---|---|---|---|---|---|---|---|---|"
    ours, theirs = [], []
    for name, width, optimum, sides in instances():
        pieces = tuple(Piece(str(n), w, h, 1) for n, (w, h) in enumerate(sides))
        layout, seconds = timed(pieces, Roll(width, NO_LIMIT, gutter_mm=0.0, effort=effort))
        other, other_seconds = packed(width, sides)
        ours.append(layout.length_mm / optimum - 1)
        theirs.append(other / optimum - 1)
        yield (
            f"| {name} | {len(sides)} | {optimum} | {layout.length_mm:.0f} | {ours[-1]:.2%} | {seconds:.1f} "
            f"| {other} | {theirs[-1]:.1%} | {other_seconds:.1f} |"
        )
    yield (
        f"\nMean gap {np.mean(ours):.2%}, worst {max(ours):.2%}; rectpack, best of three: {np.mean(theirs):.1%}, "
        f"{max(theirs):.1%}."
    )


def timed(pieces: tuple[Piece, ...], roll: Roll) -> tuple[Layout, float]:
    """Return the layout and the processor seconds it took."""
    begun = time.process_time()
    layout = impose(pieces, roll)
    return layout, time.process_time() - begun


def outline(svg: Path, width: int) -> NDArray[np.bool_]:
    """Return the ink of a drawing `width` cells wide, cropped to its ink; a cell is True when any ink is in it."""
    import resvg_py
    from PIL import Image

    fine = 4
    png = bytes(resvg_py.svg_to_bytes(svg_string=svg.read_text(encoding="utf-8"), width=width * fine))
    ink = np.greater(np.asarray(Image.open(io.BytesIO(png)).convert("RGBA"))[..., 3], 0)
    rows, columns = (-(-side // fine) for side in ink.shape)
    padded = np.pad(ink, ((0, rows * fine - ink.shape[0]), (0, columns * fine - ink.shape[1])))
    cells: NDArray[np.bool_] = np.asarray(padded.reshape(rows, fine, columns, fine).any((1, 3)))
    ys, xs = np.flatnonzero(cells.any(1)), np.flatnonzero(cells.any(0))
    return np.asarray(cells[ys[0] : ys[-1] + 1, xs[0] : xs[-1] + 1]) if ys.size else cells


def order(svgs: Path, choice: int, designs: int, total: int) -> tuple[Piece, ...]:
    """Return an invented order: a third of the designs for front or back, the others for chest, sleeve and nape."""
    rng = np.random.default_rng(choice)
    files = sorted(svgs.glob("*.svg"))
    chosen = [files[n] for n in rng.choice(len(files), designs, replace=False)]
    shares = rng.exponential(size=designs)
    pieces = []
    for number, file in enumerate(chosen):
        wide = rng.uniform(220, 320) if number % 3 == 0 else rng.uniform(75, 110)
        cells = outline(file, round(wide / STEP_MM))
        count = max(1, round(total * float(shares[number] / shares.sum())))
        rows, columns = cells.shape
        pieces.append(Piece(file.stem, columns * STEP_MM, rows * STEP_MM, count, cells, STEP_MM))
    return tuple(pieces)


def order_rows(svgs: Path, wanted: tuple[tuple[int, int, int], ...], effort: float) -> Iterator[str]:
    """Yield a table of orders nested by outline."""
    yield (
        "| designs | pieces | area with gutter, m | outlines, m | rectangles, m | rows, m | under rectangles "
        "| without any gap | under rows | ink on film | s |"
    )
    yield "|---|---|---|---|---|---|---|---|---|---|---|"
    for choice, designs, total in wanted:
        pieces = order(svgs, choice, designs, total)
        layout, seconds = timed(pieces, Roll(FILM_MM, LONGEST_MM, GUTTER_MM, effort=effort))
        tried = dict(layout.tried)
        shaped = tried.get("outlines", layout.length_mm)
        yield (
            f"| {designs} | {sum(piece.count for piece in pieces)} | {layout.area_bound_mm / 1000:.2f} "
            f"| {shaped / 1000:.2f} | {tried['rectangles'] / 1000:.2f} | {tried['rows'] / 1000:.2f} "
            f"| {1 - shaped / tried['rectangles']:.1%} | {1 - layout.area_bound_mm / tried['rectangles']:.1%} "
            f"| {1 - shaped / tried['rows']:.1%} "
            f"| {layout.utilisation:.1%} | {seconds:.0f} |"
        )


def report(svgs: Path) -> str:
    """Return all tables."""
    lines = [
        "Published rectangles:",
        "",
        *instance_rows(),
        "",
        f"Orders made from an open SVG set on film of {FILM_MM:g} mm, {GUTTER_MM:g} mm gutter, quarter turns:",
        "",
        *order_rows(svgs, ORDERS, 8.0),
        "",
        "A large order:",
        "",
        *order_rows(svgs, (LARGE,), 16.0),
    ]
    return "\n".join(lines)


def main() -> None:
    """Print the tables, or with a second file name put them between the file's two marks."""
    if len(sys.argv) < 2 or not any(Path(sys.argv[1]).glob("*.svg")):
        sys.exit("Name a folder of SVG drawings: python -m ops.nesting SVGS [FILE]")
    show(report(Path(sys.argv[1])), "nesting", argument(2))


if __name__ == "__main__":
    main()
