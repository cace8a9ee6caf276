"""What does not belong on the shirt: guides, marks, instructions, locked layers, ink beside the area."""

from __future__ import annotations

from collections.abc import Iterator
from xml.etree.ElementTree import Element

from pipeline.art.guides import is_guide
from pipeline.art.svg import shapes, units
from pipeline.art.svg.job import Job, owners_of
from pipeline.art.svg.units import IDENTITY, Matrix, multiply

_HAIR, _NEAR = 0.005, 0.01
"""Of the longer side: how thick the line of a frame is at most, and how far from the edges of the drawing area."""
_LOCKED = frozenset(["insensitive", "locked", "lock"])
_YES = frozenset(["true", "1", "yes"])
_DRAWING = shapes.TAGS | {"g", "text", "image", "use", "svg"}


def labels(job: Job) -> None:
    """Note elements whose name says that they are no ink, and layers that the editor locks."""
    for element in job.document.root.iter():
        if element.tag not in _DRAWING or element is job.document.root or _resource(job, element):
            continue
        foreign = {k.rpartition("}")[2].lower(): v for k, v in element.attrib.items() if k[0] == "{"}
        names = [
            n
            for n in (element.get("id"), foreign.get("label"), foreign.get("name"), element.get("class"))
            if n
        ]
        guide = next((n for n in names if is_guide(n)), None)
        identity = element.get("id")
        answer = (
            f'Remove it from the art, or omit = ["{identity}"].' if identity else "Remove it from the art."
        )
        if guide is not None:
            job.find(
                "guide-left",
                "warn",
                element,
                f"is named {guide[:60]!r} and would be printed",
                answer,
                measured=identity or guide,
            )
        if any(foreign.get(k, "").strip().lower() in _YES for k in _LOCKED):
            job.find(
                "hidden-content",
                "warn",
                element,
                "is locked in the drawing and is printed",
                answer,
                measured=identity,
            )


def _resource(job: Job, element: Element) -> bool:
    kinds = ("defs", "clipPath", "mask", "pattern", "marker", "symbol")
    return any(a.tag in kinds for a in job.document.ancestors(element))


def outside(job: Job, content: Element, width: float, height: float) -> None:
    """Note shapes that lie wholly beside the drawing area."""
    named: set[str] = set()
    for leaf, matrix in leaves(content):
        outline = job.outlines.get(leaf)
        box = outline.moved(matrix).box() if outline is not None else None
        if box is None:
            continue
        more = 0.0
        if leaf.get("stroke"):
            scale = max(abs(v) for v in matrix[:4])
            more = float(leaf.get("stroke-width", "1")) * scale * 0.7072
        if box[2] + more > 0 and box[3] + more > 0 and box[0] - more < width and box[1] - more < height:
            continue
        owners = owners_of(leaf)
        label = owners[-1] if owners else ""
        if label in named:
            continue
        named.add(label)
        what = f"'{label}'" if label else "a shape without an id"
        job.find(
            "hidden-content",
            "warn",
            job.document.ids.get(label),
            f"{what} lies wholly outside the drawing area and is not printed",
            f'Delete it, or omit = ["{label}"].' if label else "Delete it, or move it into the drawing area.",
            measured=label or None,
        )


def frames(job: Job, content: Element, width: float, height: float) -> None:
    """Note thin lines around the whole drawing area: what programs and templates draw to show where it ends."""
    longest = max(width, height)
    for leaf, matrix in leaves(content):
        outline = job.outlines.get(leaf)
        line = float(leaf.get("stroke-width", "1")) * max(abs(v) for v in matrix[:4])
        if outline is None or leaf.get("fill") != "none" or not leaf.get("stroke") or line > _HAIR * longest:
            continue
        box = outline.moved(matrix).box() if outline.ops in (list("MLLLZ"), list("MLLLLZ")) else None
        if box is None:
            continue
        apart = [abs(v) for v in (box[0], box[1], width - box[2], height - box[3])]
        if max(apart) <= _NEAR * longest:
            owners = owners_of(leaf)
            job.find(
                "guide-left",
                "warn",
                job.document.ids.get(owners[-1]) if owners else None,
                "a thin line frames the whole drawing area and would be printed",
                f'Remove it from the art, or omit = ["{owners[-1]}"].'
                if owners
                else "Remove it from the art.",
                measured=owners[-1] if owners else "frame",
            )


def leaves(element: Element, matrix: Matrix = IDENTITY) -> Iterator[tuple[Element, Matrix]]:
    """Yield every path and image of the output tree with its matrix to the drawing area."""
    for child in element:
        inner = multiply(matrix, units.transform(child.get("transform")) or IDENTITY)
        if child.tag == "g":
            yield from leaves(child, inner)
        else:
            yield child, inner
