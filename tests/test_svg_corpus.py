"""A sample of an open test suite, drawn from its own files and compared with its stored pictures.

Source: test suite of the resvg project, commit d8e0643 (MIT), 500 px PNG references. The whole suite is gone through by
`python -m ops.corpus`.
"""

from __future__ import annotations

import numpy as np
import pytest
from PIL import Image

from pipeline.art import svg
from pipeline.art.draw import draw
from pipeline.art.fonts import FontShelf
from pipeline.art.svg.agree import differing
from tests.conftest import corpora

DRAWN = [
    "shapes/path/M-A",
    "shapes/path/M-C-S",
    "shapes/path/M-Q-T",
    "shapes/path/negative-sweep-flag-value",
    "shapes/rect/rounded-rect",
    "shapes/rect/em-values",
    "shapes/ellipse/simple-case",
    "shapes/polyline/simple-case",
    "structure/style/important",
    "structure/style/attribute-selector",
    "structure/use/simple-case",
    "structure/use/position-inheritance",
    "structure/symbol/simple-case",
    "structure/svg/preserveAspectRatio=xMaxYMax",
    "structure/switch/systemLanguage",
    "structure/transform/transform-list",
    "structure/transform-origin/length-percent",
    "structure/image/embedded-png",
    "structure/image/embedded-svg",
    "structure/image/embedded-svgz",
    "structure/image/external-svg-with-transform",
    "structure/image/preserveAspectRatio=xMaxYMax-slice-on-svg",
    "structure/image/zero-height",
    "painting/fill/currentColor",
    "painting/fill/hsl-120-100percent-25percent",
    "painting/marker/nested",
    "painting/marker/on-ArcTo",
    "painting/marker/orient=auto-on-M-C-C-4",
    "painting/paint-order/stroke-markers",
    "painting/stroke-dasharray/0-n-with-butt-caps",
    "painting/stroke-linejoin/miter-clip",
    "painting/stroke/line-as-curve-2",
    "painting/opacity/group-opacity",
    "painting/mix-blend-mode/multiply",
    "painting/visibility/bbox-impact-1",
    "painting/context/in-use",
    "paint-servers/linearGradient/attributes-via-xlink-href",
    "paint-servers/linearGradient/gradientUnits=userSpaceOnUse",
    "paint-servers/radialGradient/fx-resolving-1",
    "paint-servers/pattern/nested-objectBoundingBox",
    "paint-servers/stop/equal-stop-color",
    "paint-servers/pattern/simple-case",
    "masking/clipPath/clip-path-on-child",
    "masking/clipPath/clipPathUnits=objectBoundingBox",
    "masking/clip-rule/clip-rule=evenodd",
    "masking/mask/simple-case",
    "masking/mask/mask-type=alpha",
    "masking/clipPath/clipping-with-text",
    "filters/feGaussianBlur/simple-case",
    "filters/feDropShadow/only-stdDeviation",
    "text/text/simple-case",
    "text/text-anchor/on-tspan",
    "text/textPath/with-letter-spacing",
    "text/letter-spacing/mixed-spacing",
    "text/tspan/mixed",
    "text/text-decoration/underline",
]
STOPPED = [
    "structure/image/external-png",
    "structure/use/self-recursive",
    "filters/feImage/simple-case",
    "text/writing-mode/tb",
    "painting/context/with-gradient-in-use",
    "masking/mask/recursive",
]


def test_the_sample_is_large_enough():
    assert len(DRAWN) >= 40


@pytest.mark.parametrize("name", DRAWN)
def test_the_sample_is_drawn_like_its_picture(name):
    """At most 0.2 % of the pixels lie beyond what an edge one pixel aside explains (level 32/255, premultiplied)."""
    folder = corpora("svg")
    path = folder / "tests" / f"{name}.svg"
    shelf = FontShelf.of_folder(folder / "fonts", {"": "Noto Sans"})
    with Image.open(path.with_suffix(".png")) as picture:
        reference = np.array(picture.convert("RGBA"))
    height, width = reference.shape[:2]

    art = svg.read(path.read_bytes(), path.name, fonts=shelf)

    assert not [f.message for f in art.findings if f.severity == "stop"]
    assert svg.agreement(art) is None
    assert svg.read(art.svg, path.name).svg == art.svg  # normalising again changes nothing
    assert differing(draw(art, width, height), reference).mean() <= 0.002


@pytest.mark.parametrize("name", STOPPED)
def test_what_is_not_drawn_stops_by_name(name):
    folder = corpora("svg")
    path = folder / "tests" / f"{name}.svg"

    art = svg.read(
        path.read_bytes(), path.name, fonts=FontShelf.of_folder(folder / "fonts", {"": "Noto Sans"})
    )

    assert [f for f in art.findings if f.severity == "stop" and f.measured]
