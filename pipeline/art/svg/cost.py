"""What would take hours at print size is named and stops, though its small picture comes at once.

Measured with the renderer that draws filters: a morphology takes 10 ns a pixel and pixel of its square, so that 0.25 %
of a 4,800 px print needs minutes and 1 % an hour. A layer (opacity, mask, blending, a step of a filter) fills the page.
"""

from __future__ import annotations

import math
from xml.etree.ElementTree import Element

from pipeline.art.svg import units
from pipeline.art.svg.job import Job, owners_of
from pipeline.art.svg.parse import too_large
from pipeline.art.svg.units import IDENTITY, Matrix, multiply

WIDEST = 0.0025
"""Largest radius of a morphology, as a share of the drawing's longer side."""
OCTAVES = 10
"""Octaves of turbulence; each further one changes less than an 8-bit level."""
ORDER = 25
"""Cells of a convolution's kernel, in all."""
LAYERS = 2000

_HEAVY = ("opacity", "mask", "style")


def check(job: Job, defs: list[Element], content: Element, width: float, height: float) -> None:
    """Note filters that could not be drawn at print size in reasonable time, and take them off: papers show the rest.

    Raises Refused ("art-too-large") for too many layers.
    """
    filters = {d.get("id", ""): d for d in defs if d.tag == "filter"}
    layers = 0
    for part in (content, *(d for d in defs if d.tag in ("mask", "pattern", "clipPath"))):
        for group, matrix in _groups(part):
            layers += any(name in group.attrib for name in _HEAVY)
            value = group.get("filter", "")
            made = filters.get(value[5:-1])
            layers += 0 if not value else 1 if made is None else len(made)
            if made is not None:
                scale = math.sqrt(abs(matrix[0] * matrix[3] - matrix[1] * matrix[2])) / max(width, height)
                _filter(job, group, made, scale)
    if layers > LAYERS:
        raise too_large(job.document.name, f"more than {LAYERS:,} transparent, masked or filtered layers")


def _groups(element: Element, matrix: Matrix = IDENTITY) -> list[tuple[Element, Matrix]]:
    found = []
    for child in element:
        if child.tag == "g":
            inner = multiply(matrix, units.transform(child.get("transform")) or IDENTITY)
            found += [(child, inner), *_groups(child, inner)]
    return found


def _filter(job: Job, group: Element, made: Element, scale: float) -> None:
    whole = 1.0 if made.get("primitiveUnits") == "objectBoundingBox" else scale
    for step in made:
        sizes = _numbers(step, "radius" if step.tag == "feMorphology" else "order")
        if step.tag == "feMorphology" and max(sizes, default=0.0) * whole > WIDEST:
            what = f"a morphology filter with a radius above {100 * WIDEST:g} % of the drawing"
        elif step.tag == "feTurbulence" and max(_numbers(step, "numOctaves"), default=0.0) > OCTAVES:
            what = f"a turbulence filter with more than {OCTAVES} octaves"
        elif step.tag == "feConvolveMatrix" and math.prod((sizes * 2)[:2]) > ORDER:
            what = f"a convolution filter with a kernel of more than {ORDER} cells"
        else:
            continue
        group.attrib.pop("filter", None)
        owners = owners_of(group)
        job.unsupported(job.document.ids.get(owners[-1]) if owners else None, what)


def _numbers(step: Element, name: str) -> list[float]:
    return [float(found) for found in units.NUMBER.findall(step.get(name, ""))]
