"""The presses of the shop file: platens, rolls, films, meshes, and what each press adds or expects itself."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from typing import Annotated, Literal, TypeAlias

from pydantic import Field
from pydantic.json_schema import SkipJsonSchema

from pipeline.manifest_check import (
    Line,
    Many,
    Millimetres,
    Model,
    Name,
    Note,
    Offset,
    Percent,
    Share,
    Size,
)
from pipeline.order_types import ArtFile, BandRule, Route

Wearer: TypeAlias = Literal["adult", "child"]
Positive: TypeAlias = Annotated[float, Field(gt=0)]
NotNegative: TypeAlias = Annotated[float, Field(ge=0)]
Ppi: TypeAlias = Annotated[float, Field(ge=50, le=2880)]


class Platen(Model):
    """The board that carries the garment, and the area the press reaches on it."""

    area_mm: Size = Field(description="Area that can be printed: [width, height] in mm.")
    collar_line_mm: Offset = Field(
        description="Collar line (sleeve: hem), in mm below the area's upper edge; above is negative."
    )
    centre_mm: Offset = Field(
        description="Where the garment's centre line lies, in mm right of the area's left edge."
    )
    positions: Many[Name] = Field(default=(), description="Positions it is used for; empty for all.")
    wearer: Wearer | None = Field(
        default=None, description='Only for "adult" or "child" garments; default both.'
    )


class Roll(Model):
    """Film on a roll, for ganging."""

    width_mm: Millimetres = Field(description="Width of the film in mm.")
    margin_mm: NotNegative = Field(description="Unprinted at each side of the film, in mm.")
    longest_mm: Annotated[float, Field(ge=100, le=200_000)] = Field(
        description="Longest sheet cut from it, in mm."
    )
    gutter_mm: NotNegative = Field(description="Space between two pieces, in mm.")
    turn: bool = Field(description="Whether pieces may be turned by 90°.")
    gang: Literal["order", "night"] = Field(
        default="order", description='What shares a roll: the pieces of one "order", or all of a "night".'
    )
    nest: Literal["outline", "box"] = Field(
        default="outline", description='What keeps the gutter: the ink\'s "outline", or the print\'s "box".'
    )
    cut_lines: bool = Field(
        default=False, description="Whether a line to cut along is printed around each piece; nests by boxes."
    )
    order_gap_mm: NotNegative = Field(
        default=0.0, description="Space between the orders of a night, in mm; 0: their pieces are mixed."
    )
    file: Literal["pdf", "tiff"] = Field(default="pdf", description='File of the roll: "pdf" or "tiff".')
    price_per_m: NotNegative = Field(default=0.0, description="Price of a metre of film; 0: not stated.")


class Film(Model):
    """One format of film for stencils."""

    format_mm: Size = Field(description="Film: [width, height] in mm.")
    mark_mm: Positive = Field(description="Size of the registration marks in mm.")


class Screen(Model):
    """How stencils are made and printed; what an ink leaves out is taken from here."""

    ruling: Annotated[float, Field(gt=0, le=200)] = Field(description="Halftone ruling in lines per inch.")
    angle: Annotated[float, Field(ge=-360, le=360)] = Field(
        description="Halftone angle in degrees, for all inks."
    )
    opacity: Share = Field(description="How much an ink hides, 0 to 1.")
    dot: Literal["round", "ellipse"] = Field(description='Dot shape: "round" or "ellipse".')
    dot_gain_percent: Percent = Field(description="Dot gain at 50 %, in percent points.")
    trap_mm: NotNegative = Field(description="Spread of a light ink under a dark neighbour, in mm.")
    black_overlap_mm: NotNegative = Field(description="Overlap of the base under black, in mm.")
    mesh_per_cm: Positive = Field(description="Threads per cm of the mesh, for the ticket.")


class Press(Model):
    """A press, or a printer with its heat press."""

    route: Route = Field(description='What it does: "direct", "transfer" or "screen".')
    resolution_ppi: Ppi = Field(description="Resolution of the press files in pixels per inch.")
    choke_mm: NotNegative = Field(description="How far the base is pulled in from the colour's edge, in mm.")
    black_tuck_mm: NotNegative = Field(description="How far the base goes under the edge of black, in mm.")
    base_from: Literal["file", "press"] = Field(
        description='Who makes the base: the "file", or the "press" itself.'
    )
    base_polarity: Literal["light is ink", "dark is ink"] = Field(description="How base plates are read.")
    mirror_in: Literal["file", "press"] = Field(
        description='Who mirrors a transfer: the "file" or the "press".'
    )
    base_plate_name: Name = Field(description="Name of the base's colour plane in PDF.")
    dot_mm: Positive = Field(
        default=0.3, description="Least dot that holds on film, in mm; soft ink becomes such dots (transfer)."
    )
    bands: BandRule = Field(description='Sizes that share a print size: "each size", "one" or lists.')
    platens: Mapping[Name, Platen] = Field(
        default={}, description="Platens by name, the first that suits is used."
    )
    roll: Roll | None = Field(default=None, description="Film roll (transfer).")
    film: Film | None = Field(default=None, description="Film format (screen).")
    screen: Screen | None = Field(default=None, description="Stencils and halftones (screen).")
    profile: ArtFile | None = Field(
        default=None,
        description="ICC output profile beside the shop file; without it darkest_reflectance tells what is in gamut.",
    )
    profile_icc: SkipJsonSchema[str] = Field(default="", description="The profile itself, in base 64.")
    darkest_reflectance: Annotated[float, Field(gt=0, lt=1)] = Field(description="Darkest it prints, 0 to 1.")
    base_reflectance: Annotated[float, Field(gt=0, lt=1)] = Field(
        description="Reflectance of the base, 0 to 1."
    )
    colour_ml_per_m2: NotNegative = Field(description="Colour ink at full coverage, ml per m².")
    base_ml_per_m2: NotNegative = Field(description="Base ink at full coverage, ml per m².")
    pieces_per_hour: Positive = Field(description="Speed in prints an hour, for the run sheet.")
    cure_c: Annotated[float, Field(ge=20, le=300)] | None = Field(
        default=None, description="Cure in °C; left out, it is unknown and counts as hot for dye migration."
    )
    cure_text: Note = Field(
        default="", description="Cure as the ticket says it; the shop's own, empty by default."
    )
    pretreat_text: Note = Field(default="", description="Pretreat as the ticket says it; the shop's own.")
    peel_text: Note = Field(
        default="", description="When and how the film is peeled, as the ticket says it; the shop's own."
    )
    wash_text: Note = Field(
        default="", description="Wash label of garments printed on it, as the ticket says it; the shop's own."
    )
    colour_price_per_litre: NotNegative = Field(
        default=0.0, description="Price of a litre of colour ink; 0: not stated."
    )
    base_price_per_litre: NotNegative = Field(
        default=0.0, description="Price of a litre of base ink; 0: not stated."
    )
    price_per_hour: NotNegative = Field(
        default=0.0, description="Price of an hour at the press; 0: not stated."
    )
    hazards: Many[Line] = Field(default=(), description="Further cautions for the ticket.")

    @property
    def icc(self) -> bytes:
        """The output profile; empty without one."""
        return base64.b64decode(self.profile_icc)
