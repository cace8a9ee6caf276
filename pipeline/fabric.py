"""A fabric as manifests and shop files describe it, and the cloth that the stages see."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Literal, TypeAlias

from pydantic import Field, Strict, Tag

from pipeline.manifest_check import TAG, Colour, Model, by_shape
from pipeline.manifest_text import Loc, Problem

Fibre: TypeAlias = Literal[
    "cotton", "polyester", "viscose", "modal", "lyocell", "linen", "hemp", "wool", "silk",
    "acrylic", "nylon", "elastane", "polypropylene", "other",
]  # fmt: skip
FibreShares: TypeAlias = Mapping[Fibre, Annotated[float, Field(gt=0, le=100)]]
Illuminant: TypeAlias = Literal["D50", "D65"]
Observer: TypeAlias = Literal[2, 10]
Base: TypeAlias = Annotated[
    Annotated[Literal["none", "full"], Tag(TAG + "word")]
    | Annotated[float, Field(ge=0, le=1), Tag(TAG + "share")],
    by_shape(word=str, share=(int, float)),
]
Lab: TypeAlias = Annotated[
    tuple[
        Annotated[float, Field(ge=0, le=100)],
        Annotated[float, Field(ge=-150, le=150)],
        Annotated[float, Field(ge=-150, le=150)],
    ],
    Strict(False),
]


class Coloured(Model):
    """A colour, given as sRGB or as a measured Lab: exactly one of the two."""

    srgb: Colour | None = Field(default=None, description='Colour as sRGB, "#rrggbb".')
    lab: Lab | None = Field(
        default=None, description="Colour as measured: [L, a, b], L 0 to 100, a and b -150 to 150."
    )
    illuminant: Illuminant = Field(
        default="D50", description='Illuminant of the Lab reading: "D50" (graphic arts) or "D65" (textiles).'
    )
    observer: Observer = Field(
        default=2, description="Observer of the Lab reading in degrees: 2 (graphic arts) or 10 (textiles)."
    )


class FabricSpec(Coloured):
    """A fabric: its colour, fibres and how it takes a base."""

    fibre: Annotated[
        Annotated[Fibre, Tag(TAG + "one")] | Annotated[FibreShares, Tag(TAG + "shares")],
        by_shape(one=str, shares=Mapping),
    ] = Field(
        default="cotton",
        description="Fibre, or shares in percent that make 100, like { cotton = 52, polyester = 48 }.",
    )
    heather: float = Field(
        default=0.0,
        ge=0,
        le=30,
        description="Spread of a heathered fabric's colour in ΔE00, 0 for a plain one, at most 30.",
    )
    base: Base | None = Field(
        default=None,
        description='White base: "none", "full" or a share 0 to 1; left out, it is decided by simulation.',
    )


@dataclass(frozen=True, slots=True)
class Cloth:
    """The fabric of one colourway as the stages see it.

    `srgb` is encoded sRGB 0–1 (D65), `lab` its CIE Lab (D65, 2°), `fibres` (fibre, percent), largest first,
    `heather` a spread in ΔE00, `base` what the fabric states, or None to decide by simulation.
    """

    name: str
    srgb: tuple[float, float, float]
    lab: tuple[float, float, float]
    fibres: tuple[tuple[str, float], ...] = (("cotton", 100.0),)
    heather: float = 0.0
    base: Literal["none", "full"] | float | None = None

    @property
    def polyester(self) -> float:
        """Share of polyester in percent, 0–100."""
        return dict(self.fibres).get("polyester", 0.0)


def cloth_from(spec: FabricSpec, name: str) -> Cloth:
    """Return the cloth that a fabric describes; Lab readings are adapted to D65 and 2° first."""
    from pipeline.colour import spaces

    if spec.lab is not None:
        encoded, *_ = spaces.measured_lab_to_srgb(spec.lab, spec.illuminant, spec.observer)
        srgb = _three(encoded)
    else:
        text = spec.srgb or "#ffffff"
        srgb = _three([int(text[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    shares = {spec.fibre: 100.0} if isinstance(spec.fibre, str) else dict(spec.fibre)
    fibres = tuple(
        sorted(((str(f), float(s)) for f, s in shares.items()), key=lambda share: (-share[1], share[0]))
    )
    return Cloth(name, srgb, _three(spaces.srgb_to_lab(srgb)), fibres, spec.heather, spec.base)


def _three(values: Any) -> tuple[float, float, float]:
    first, second, third = (float(v) for v in values)
    return first, second, third


def coloured_problems(table: object, loc: Loc) -> Iterator[Problem]:
    """Yield what is wrong with the colour of a raw table: exactly one of srgb and lab."""
    if isinstance(table, Mapping) and ("srgb" in table) == ("lab" in table):
        yield Problem(
            loc, "", 'needs exactly one colour: srgb = "#rrggbb" or lab = [L, a, b]. Keep one of them.'
        )


def fabric_problems(table: object, loc: Loc) -> Iterator[Problem]:
    """Yield what is wrong between the keys of a raw fabric table."""
    yield from coloured_problems(table, loc)
    shares = table.get("fibre") if isinstance(table, Mapping) else None
    if isinstance(shares, Mapping) and all(isinstance(s, int | float) for s in shares.values()):
        total = sum(shares.values())
        if not 99 <= total <= 101:
            yield Problem(
                (*loc, "fibre"), f"{total:g} percent in all", "the shares must make 100. Correct them."
            )
