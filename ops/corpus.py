"""Draw an open corpus of SVG files and say of each: drawn right, stopped by name, or silently wrong.

    python -m ops.corpus FOLDER [--only TEXT] [--show]

FOLDER holds `tests/<group>/<sub>/<file>.svg` with a PNG reference beside each, and `fonts/` (the resvg project's test
suite, MIT licence). Right means: premultiplied, at the reference's size, at most 0.2 % of all pixels lie more than
32/255 outside the range that the reference takes within one pixel around (edges may fall half a pixel aside; what is
missing, moved or miscoloured by more shows). Where the stored reference is contradicted, a newer release of the
renderer that made it is asked, with the file as it came (marked * in the table). Exit 1 when a file is silently wrong
and not among the exceptions below.
"""

from __future__ import annotations

import argparse
import io
import re
import sys
from collections import Counter
from pathlib import Path

import numpy as np
import resvg_py
from numpy.typing import NDArray
from PIL import Image

from pipeline.art import svg
from pipeline.art.draw import draw
from pipeline.art.fonts import FontShelf
from pipeline.art.svg.agree import differing
from pipeline.faults import Refused

SHARE = 0.002
GENERIC = {
    "": "Noto Sans", "serif": "Noto Serif", "sans-serif": "Noto Sans", "cursive": "Yellowtail",
    "fantasy": "Sedgwick Ave Display", "monospace": "Noto Mono",
}  # fmt: skip
"""Families that the corpus means by the generic names."""
UNDEFINED = "the suite itself calls the case undefined (its picture is the letters UB)"
EXCEPTIONS: dict[str, str] = {
    "painting/fill/icc-color.svg": UNDEFINED + "; the sRGB colour before icc-color() is the stated fallback",
    "painting/marker/target-with-subpaths-2.svg": UNDEFINED,
    "painting/stroke-width/negative.svg": UNDEFINED
    + "; CSS drops a negative width, so the initial one holds",
    "paint-servers/linearGradient/invalid-gradientTransform.svg": UNDEFINED,
    "paint-servers/pattern/invalid-patternTransform.svg": UNDEFINED,
    "paint-servers/radialGradient/invalid-gradientTransform.svg": UNDEFINED,
    "text/font-size/negative-size.svg": UNDEFINED,
    "text/letter-spacing/large-negative.svg": UNDEFINED,
    "painting/marker/orient=auto-on-M-L-Z.svg": "SVG 2 11.6.2 halves the angle at the ends of a closed part",
    "painting/marker/orient=auto-on-M-L-L-Z-Z-Z.svg": "SVG 2 11.6.2 halves the angle at the ends of a closed part",
    "shapes/rect/ch-values.svg": "CSS Values 3: ch is half an em where no font is known",
    "structure/image/embedded-svg-with-text.svg": "SVG 2 12.3 draws text in embedded drawings; the picture lacks it",
    "structure/style/non-presentational-attribute.svg": "SVG 2: width and height are properties that sheets may set",
    "structure/style-attribute/non-presentational-attribute.svg": "SVG 2: width and height are properties",
    "structure/symbol/with-transform.svg": "SVG 2: a symbol may carry a transform (the suite tests SVG 1.1)",
    "text/font-size/named-value.svg": "CSS Fonts 3: medium is 16 px, here as in browsers",
    "text/font-size/named-value-without-a-parent.svg": "CSS Fonts 3: medium is 16 px, here as in browsers",
    "text/tspan/mixed-font-size.svg": "letters are not kerned across a change of size, as in browsers",
    "text/tspan/text-shaping-across-multiple-tspan-2.svg": "letters are not kerned across a change of font",
    "text/textPath/startOffset=5mm.svg": "CSS Values 3: 5mm is 18.9 px; the picture has 20 (a newer release none)",
    "text/text-decoration/indirect-with-multiple-colors.svg": "pieces of one line overlap in another order, by a hair",
}
"""Files whose stored picture contradicts current SVG practice or this project's stated policy, with the reason."""


def share_off(ours: NDArray[np.uint8], reference: NDArray[np.uint8]) -> float:
    """Return the share of all pixels that differ beyond what an edge one pixel aside explains."""
    return float(differing(ours, reference).mean())


def classify(path: Path, shelf: FontShelf) -> tuple[str, str, float]:
    """Return (class, detail, share of pixels off) of one file."""
    with Image.open(path.with_suffix(".png")) as picture:
        reference = np.array(picture.convert("RGBA"))
    height, width = reference.shape[:2]
    try:
        art = svg.read(path.read_bytes(), path.name, fonts=shelf)
    except Refused as error:
        return "stopped", f"refused: {error.code}", 0.0
    stops = [f for f in art.findings if f.severity == "stop"]
    if stops:
        outside = all(finding.code == "external-reference" for finding in stops)
        kind = "outside the file" if outside else "stopped"
        return kind, f"{stops[0].code}: {'' if outside else stops[0].measured or ''}", 0.0
    ours = draw(art, width, height)
    if svg.agreement(art) is not None:
        return "stopped", "renderers-disagree", 0.0
    share = share_off(ours, reference)
    if share <= SHARE:
        return "right", art.renderer, share
    newer = share_off(ours, by_current_renderer(path, shelf, width, height))
    return (
        ("right" if newer <= SHARE else "WRONG"),
        (f"{art.renderer}*" if newer <= SHARE else art.renderer),
        min(newer, share),
    )


def by_current_renderer(path: Path, shelf: FontShelf, width: int, height: int) -> NDArray[np.uint8]:
    """Return the file as it came, drawn by a newer release of the renderer that made the references."""
    try:
        png = resvg_py.svg_to_bytes(
            svg_string=_text(path),
            width=width,
            height=height,
            skip_system_fonts=True,
            font_dirs=[str(shelf.folder)],
            font_family="Noto Sans",
            serif_family="Noto Serif",
            sans_serif_family="Noto Sans",
            cursive_family="Yellowtail",
            fantasy_family="Sedgwick Ave Display",
            monospace_family="Noto Mono",
            resources_dir=str(path.parent),
        )
    except ValueError:
        return np.zeros((height, width, 4), np.uint8)
    with Image.open(io.BytesIO(bytes(png))) as picture:
        pixels = np.array(picture.convert("RGBA"))
    return pixels if pixels.shape[:2] == (height, width) else np.zeros((height, width, 4), np.uint8)


def _text(path: Path) -> str:
    """Return the file as text, without the declaration of an encoding that the text no longer has."""
    data = path.read_bytes()
    found = re.match(rb"""<\?xml[^>]*encoding=["']([\w-]+)["'][^>]*\?>""", data)
    return data.decode(found.group(1).decode() if found else "utf-8").split("?>", 1)[-1 if found else 0]


COLUMNS = (
    "right by cairosvg",
    "right by cairosvg*",
    "right by resvg",
    "right by resvg*",
    "exception",
    "outside the file",
    "stopped",
    "WRONG",
)
DRAWN = COLUMNS[:5]


def _print_table(table: dict[str, Counter[str]]) -> None:
    """Print a line for each group: how many of each class, and the share drawn right of all and of what is in the file.

    What refers to something outside its file must stop: nothing outside is ever opened. It is drawn nowhere.
    """
    print(
        f"{'group':15}" + "".join(f"{c:>19}" for c in COLUMNS) + f"{'drawn right':>13}{'of in the file':>16}"
    )
    total = sum(table.values(), Counter[str]())
    for name, counts in [*sorted(table.items()), ("all", total)]:
        drawn, every = sum(counts[c] for c in DRAWN), counts.total()
        inside = max(1, every - counts["outside the file"])
        shares = f"{100 * drawn / max(1, every):12.1f}%{100 * drawn / inside:15.1f}%"
        print(f"{name:15}" + "".join(f"{counts[c]:19}" for c in COLUMNS) + shares)


def main() -> int:
    """Print the table; return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--only", default="", help="only files whose path holds this text")
    parser.add_argument("--show", action="store_true", help="list every file")
    given = parser.parse_args()
    shelf = FontShelf.of_folder(given.folder / "fonts", GENERIC)
    table: dict[str, Counter[str]] = {}
    reasons: Counter[str] = Counter()
    wrong: list[str] = []
    for path in sorted((given.folder / "tests").rglob("*.svg")):
        name = path.relative_to(given.folder / "tests").as_posix()
        if given.only not in name or not path.with_suffix(".png").exists():
            continue
        kind, detail, share = classify(path, shelf)
        group = table.setdefault(name.split("/")[0], Counter())
        if kind == "WRONG" and name in EXCEPTIONS:
            kind = "exception"
        group[f"right by {detail}" if kind == "right" else kind] += 1
        if kind in ("stopped", "outside the file"):
            reasons[detail] += 1
        if kind == "WRONG":
            wrong.append(f"{name}  {detail}  {share:.4f}")
        if given.show:
            print(f"{kind:16} {name}  {detail}  {share:.4f}", flush=True)
    _print_table(table)
    print("\nstopped, by reason:")
    for reason, count in sorted(reasons.items(), key=lambda r: (-r[1], r[0])):
        print(f"{count:5}  {reason}")
    print("\nexceptions:", *(f"{n}: {r}" for n, r in sorted(EXCEPTIONS.items())), sep="\n  ")
    print("\nsilently wrong:", *wrong, sep="\n  ")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
