"""The tables of an order manifest. `washfast schema order` prints what stands here."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import Field, Tag

from pipeline.fabric import Coloured, FabricSpec
from pipeline.manifest_check import (
    TAG,
    Colour,
    Line,
    Many,
    Millimetres,
    Model,
    Name,
    Note,
    Pair,
    Percent,
    Share,
    by_shape,
)
from pipeline.order_types import (
    Answer,
    Approval,
    ArtFile,
    BandRule,
    Code,
    Day,
    Elements,
    FadeMethod,
    KnockOut,
    NearFabric,
    OrderId,
    Pieces,
    Route,
    Scale,
)


class ArtEntry(Model):
    """One piece of art and how it is to be read."""

    file: ArtFile = Field(
        description='File of the art, relative, inside the manifest\'s folder, like "crest.svg".'
    )
    cut_out: Elements = Field(
        default=(), description="Ids of elements removed with all beneath them, down to the fabric."
    )
    omit: Elements = Field(
        default=(), description="Ids of elements or layers not drawn; what lies beneath shows."
    )
    only: Elements = Field(
        default=(), description="Ids of the only elements or layers drawn; empty draws all."
    )
    shows_fabric: Many[Colour] = Field(
        default=(), description='Colours of the art that stand for the cloth, like ["#8f2430"].'
    )
    preview: Answer = Field(
        default="stop", description='A fabric preview left in the art: "stop", "remove" or "keep".'
    )
    ground: Answer = Field(
        default="stop", description='An opaque ground in raster art: "stop", "remove" or "keep".'
    )
    near_fabric: NearFabric = Field(
        default="ask", description='Colours near the fabric\'s: "ask", "knock_out" or "keep".'
    )
    knock_out: KnockOut = Field(
        default="auto", description='How to knock out: "auto", "edges", "ramp" or "none".'
    )


class Reference(Model):
    """The garment and size that the widths are meant for."""

    garment: Name | None = Field(
        default=None, description="Garment, as the shop file names it; default the order's."
    )
    size: Name | None = Field(
        default=None, description='Size, like "M"; default the garment\'s reference size.'
    )


class SizeWidth(Model):
    """The print's size on one garment size: exactly one of the two."""

    width_mm: Millimetres | None = Field(default=None, description="Width in mm, above 0, at most 2000.")
    height_mm: Millimetres | None = Field(default=None, description="Height in mm, above 0, at most 2000.")


class Ink(Coloured):
    """One ink of a screen print."""

    name: Name = Field(description="Name of the ink as it stands on the pot, 1 to 80 characters.")
    opacity: Share | None = Field(default=None, description="How much it hides, 0 to 1; default the press's.")
    ruling: float | None = Field(
        default=None, gt=0, le=200, description="Halftone ruling in lines per inch; default the press's."
    )
    angle: float | None = Field(
        default=None, ge=-360, le=360, description="Halftone angle in degrees; default the press's."
    )


class PrintChange(Model):
    """What a colourway may change about a print; keys left out stay as the print has them."""

    art: Name | None = Field(default=None, description="Name of the art, a key of [art].")
    position: Name | None = Field(
        default=None, description='Position on the garment, like "full front" or "left chest".'
    )
    route: Route | None = Field(
        default=None, description='How it is printed: "direct", "transfer" or "screen".'
    )
    width_mm: Millimetres | None = Field(
        default=None, description="Width in mm on the reference size, above 0, at most 2000."
    )
    height_mm: Millimetres | None = Field(
        default=None, description="Height in mm on the reference size, above 0, at most 2000."
    )
    fit: bool | None = Field(default=None, description="true fills the print area of the reference size.")
    reference: Reference | None = Field(
        default=None, description='Garment and size the width is meant for, like { size = "M" }.'
    )
    scale: Scale | None = Field(
        default=None, description='Over the sizes: "with garment" or "fixed"; default by position.'
    )
    bands: BandRule | None = Field(
        default=None,
        description='Sizes that share a print size: "each size", "one" or lists like [["S", "M"], ["L"]].',
    )
    by_size: Mapping[Name, SizeWidth] | None = Field(
        default=None, description="Sizes of the print stated by hand, like { 2XL = { width_mm = 330 } }."
    )
    shift_mm: Pair | None = Field(
        default=None, description="Moves the print by [x, y] mm; x to the viewer's right, y down."
    )
    turn_deg: float | None = Field(
        default=None, ge=-360, le=360, description="Turns the art clockwise by so many degrees, -360 to 360."
    )
    cut_ok: bool | None = Field(
        default=None,
        description="true accepts that the print area, or the drawing's own edge, cuts the print.",
    )
    press: Name | None = Field(
        default=None, description="Press, as the shop file names it; default the first of the route."
    )
    inks: Many[Ink] | None = Field(default=None, description="Inks of a screen print, in any order.")


class Print(PrintChange):
    """One design at one position; exactly one of width_mm, height_mm and fit."""

    name: Name = Field(description="Name of the print, unique in the order, 1 to 80 characters.")
    art: Name = Field(description="Name of the art, a key of [art].")
    position: Name = Field(description='Position on the garment, like "full front" or "left chest".')
    route: Route = Field(default="direct", description='How it is printed: "direct", "transfer" or "screen".')
    fit: bool = Field(default=False, description="true fills the print area of the reference size.")
    reference: Reference = Field(
        default=Reference(), description='Garment and size the width is meant for, like { size = "M" }.'
    )
    by_size: Mapping[Name, SizeWidth] = Field(
        default={}, description="Sizes of the print stated by hand, like { 2XL = { width_mm = 330 } }."
    )
    shift_mm: Pair = Field(
        default=(0.0, 0.0), description="Moves the print by [x, y] mm; x to the viewer's right, y down."
    )
    turn_deg: float = Field(
        default=0.0, ge=-360, le=360, description="Turns the art clockwise by so many degrees, -360 to 360."
    )
    cut_ok: bool = Field(
        default=False,
        description="true accepts that the print area, or the drawing's own edge, cuts the print.",
    )
    inks: Many[Ink] = Field(default=(), description="Inks of a screen print, in any order.")


class SwapRule(Model):
    """Replaces a colour of the art, or the colour of an element: exactly one of from and element."""

    from_: Colour | None = Field(
        default=None, alias="from", description='Colour of the art to replace, "#rrggbb".'
    )
    element: str | None = Field(
        default=None, min_length=1, max_length=200, description="Id of the element to recolour."
    )
    to: Colour = Field(description='The new colour, "#rrggbb".')


class Colourway(Model):
    """One garment in one fabric colour with its size breakdown."""

    name: Name = Field(description="Name of the colourway, unique in the order, 1 to 80 characters.")
    garment: Name | None = Field(
        default=None, description="Garment, as the shop file names it; default the order's."
    )
    fabric: Annotated[
        Annotated[Name, Tag(TAG + "name")] | Annotated[FabricSpec, Tag(TAG + "table")],
        by_shape(name=str, table=(Mapping, Model)),
    ] = Field(description='Name of a fabric in the shop file, or a table like { srgb = "#8f2430" }.')
    sizes: Mapping[Name, Pieces] = Field(
        min_length=1, description="Pieces by size, like { S = 12, M = 30 }; 0 to 1,000,000 each, one above 0."
    )
    prints: (
        Annotated[
            Annotated[Many[Name], Field(min_length=1), Tag(TAG + "names")]
            | Annotated[Mapping[Name, PrintChange], Field(min_length=1), Tag(TAG + "changes")],
            by_shape(names=(list, tuple), changes=Mapping),
        ]
        | None
    ) = Field(
        default=None,
        description='Prints on this colourway, like ["front"], or a table of changes by print; default all.',
    )
    swap: Many[SwapRule] = Field(
        default=(),
        description='Colours replaced on this colourway, like [{ from = "#3d5a2a", to = "#f3e9d2" }].',
    )
    near_fabric: NearFabric | None = Field(
        default=None,
        description='Colours near the fabric\'s: "ask", "knock_out" or "keep"; wins over the art\'s.',
    )
    knock_out: KnockOut | None = Field(
        default=None, description='How to knock out: "auto", "edges", "ramp" or "none"; wins over the art\'s.'
    )
    cut_out: Elements = Field(default=(), description="Ids of elements cut out on this colourway as well.")
    omit: Elements = Field(default=(), description="Ids of elements omitted on this colourway as well.")
    shows_fabric: Many[Colour] = Field(
        default=(), description="Colours that stand for the cloth on this colourway as well."
    )

    @property
    def pieces(self) -> dict[str, int]:
        """Pieces by size, without the sizes of which there are none."""
        return {size: count for size, count in self.sizes.items() if count}


class ColourChange(Model):
    """A change of one colour against fading, in percent points of HSB; at least one of the two."""

    saturation: float | None = Field(
        default=None, ge=-100, le=100, description="Change of saturation in percent, -100 to 100."
    )
    value: float | None = Field(
        default=None, ge=-100, le=100, description="Change of value in percent, -100 to 100."
    )


class Fade(Model):
    """Compensation of fading; what is left out is the shop's choice."""

    method: FadeMethod | None = Field(
        default=None, description='How: "model", "saturation" or "none"; default the shop\'s.'
    )
    washes: int | None = Field(
        default=None, ge=0, le=500, description="Washes after which it is to look right, 0 to 500."
    )
    percent: Percent | None = Field(default=None, description="Added saturation in percent, 0 to 100.")
    hold: Many[Colour] = Field(default=(), description="Colours that must not move.")
    colours: Mapping[Colour, ColourChange] = Field(
        default={}, description='Changes of single colours, like { "#d03a2b" = { saturation = 15 } }.'
    )


class Overs(Model):
    """Extra pieces for spoilage; what is left out is the shop's choice."""

    percent: Percent | None = Field(default=None, description="Overs in percent of the pieces, 0 to 100.")
    at_least: int | None = Field(
        default=None, ge=0, le=10_000, description="At least so many overs, 0 to 10,000."
    )


class Accept(Model):
    """A finding that somebody accepts: it stands on ticket and proof."""

    code: Code = Field(description='Code of the finding, like "low-resolution".')
    art: Name | None = Field(default=None, description="Only for this art; a key of [art].")
    print: Name | None = Field(default=None, description="Only for this print.")
    colourway: Name | None = Field(default=None, description="Only for this colourway.")
    by: Name = Field(description="Who accepts it, by name.")
    why: Annotated[str, Field(min_length=1, max_length=400)] = Field(description="Why, 1 to 400 characters.")


class Order(Model):
    """An order: what is printed where, on which fabrics, in how many pieces."""

    order: OrderId = Field(description='Number of the order, like "HB-2041": 1 to 64 of A–Z a–z 0–9 . _ -.')
    revision: int = Field(
        default=1, ge=1, le=9999, description="Revision, 1 to 9999; a higher one replaces a lower one."
    )
    customer: Line = Field(default="", description="Customer, at most 80 characters.")
    title: Line = Field(default="", description="Title of the order, at most 80 characters.")
    due: Day | None = Field(default=None, description="Day it is due, like 2026-12-04 (in JSON in quotes).")
    notes: Note = Field(default="", description="Notes for the ticket, at most 4000 characters.")
    priority: Literal["normal", "rush"] = Field(default="normal", description='"normal" or "rush".')
    approval: Approval | None = Field(
        default=None, description='Customer\'s approval: "required" or "not needed"; default the shop\'s.'
    )
    ship: Literal["together", "as ready"] = Field(
        default="together", description='"together" (one held colourway holds all) or "as ready".'
    )
    garment: Name | None = Field(
        default=None, description='Garment of the colourways that name none, like "unisex tee".'
    )
    art: Mapping[Name, ArtEntry] = Field(
        min_length=1, description="The art by the order's own names, at least one table [art.NAME]."
    )
    prints: Many[Print] = Field(
        min_length=1,
        description="The prints, at least one [[prints]]; film is pressed onto a garment in this order.",
    )
    colourways: Many[Colourway] = Field(
        min_length=1, description="The colourways, at least one [[colourways]]."
    )
    fade: Fade = Field(default=Fade(), description="Compensation of fading, a table [fade].")
    overs: Overs = Field(default=Overs(), description="Extra pieces for spoilage, a table [overs].")
    accept: Many[Accept] = Field(default=(), description="Findings that somebody accepts, [[accept]].")
