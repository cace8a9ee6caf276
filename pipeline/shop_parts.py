"""The tables of the shop file. `washfast schema shop` prints what stands here; manifests/shop.toml fills them in."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Literal, TypeAlias

from pydantic import Field, Strict

from pipeline.fabric import FabricSpec, Fibre
from pipeline.manifest_check import (
    Argument,
    Line,
    Many,
    Millimetres,
    Model,
    Name,
    Offset,
    Percent,
    Rect,
    Share,
)
from pipeline.order_types import Approval, BandRule, FadeMethod, Route, Scale
from pipeline.shop_presses import NotNegative, Wearer

Drawn: TypeAlias = Literal["tee", "fitted tee", "long sleeve", "hooded", "bag", "flat"]
ByRoute: TypeAlias = Mapping[Route, BandRule]
Channels: TypeAlias = Annotated[tuple[NotNegative, NotNegative, NotNegative], Strict(False)]
Shares: TypeAlias = Annotated[tuple[Share, Share, Share], Strict(False)]


class Fabric(FabricSpec):
    """A fabric that orders may name."""

    title: Line = Field(default="", description="What papers call the fabric; default its name.")


class GarmentSize(Model):
    """One size of a garment."""

    half_chest_mm: Millimetres = Field(description="Half chest in mm: the width of the garment lying flat.")
    length_mm: Millimetres = Field(
        description="Body length in mm, from the shoulder seam at the collar to the hem."
    )


class KeepOut(Model):
    """What a print must keep clear of: a pocket, a zip, a placket, a hood, a seam."""

    name: Name = Field(description='What it is, like "pocket".')
    area_mm: Rect = Field(
        description="[x, y, width, height] in mm from the centre line and the position's line."
    )


class PlaceAtSize(Model):
    """Where a position lies on one size; keys left out stay as the position has them."""

    area_mm: Rect | None = Field(
        default=None, description="Print area on this size: [x, y, width, height] in mm."
    )
    top_mm: Offset | None = Field(default=None, description="Upper edge of the print below the line, in mm.")
    bottom_mm: Offset | None = Field(
        default=None, description="Lower edge of the print above the line, in mm."
    )
    centre_mm: Offset | None = Field(
        default=None, description="Centre of the print right of the centre line, in mm."
    )
    keep_outs: Many[KeepOut] | None = Field(default=None, description="What to keep clear of on this size.")


class Position(Model):
    """A position on a garment, in mm at the reference size: x to the viewer's right, y down.

    The print hangs from `line` by `top_mm`, or stands above it by `bottom_mm`: exactly one of the two.
    """

    line: Name = Field(description='The seam that heights are measured from, like "collar seam".')
    line_below_collar_mm: Offset = Field(
        default=0.0,
        description="How far that seam lies below the collar line of the platen, in mm; above is negative.",
    )
    area_mm: Rect = Field(
        description="Print area: [x, y, width, height] in mm from the centre line and the line."
    )
    top_mm: Offset | None = Field(default=None, description="Upper edge of the print below the line, in mm.")
    bottom_mm: Offset | None = Field(
        default=None, description="Lower edge of the print above the line, in mm."
    )
    centre_mm: Offset = Field(default=0.0, description="Centre of the print right of the centre line, in mm.")
    scale: Scale = Field(description='Over the sizes: "with garment" or "fixed".')
    by_size: Mapping[Name, PlaceAtSize] = Field(default={}, description="What differs on single sizes.")
    keep_outs: Many[KeepOut] = Field(default=(), description="What to keep clear of.")
    bands: ByRoute = Field(default={}, description="Bands by route where they differ from the garment's.")


class Garment(Model):
    """A garment: its sizes and the positions it can be printed at."""

    wearer: Wearer = Field(
        default="adult", description='"adult" or "child"; children\'s wear gets a caution.'
    )
    drawn_as: Drawn = Field(
        default="tee",
        description='Outline on papers: "tee", "fitted tee", "long sleeve", "hooded", "bag" or "flat".',
    )
    reference_size: Name = Field(description="The size that widths in an order are meant for.")
    sizes: Mapping[Name, GarmentSize] = Field(min_length=1, description="The sizes by name.")
    positions: Mapping[Name, Position] = Field(min_length=1, description="The positions by name.")
    bands: ByRoute = Field(default={}, description="Bands by route where they differ from the press's.")

    @property
    def size_order(self) -> tuple[str, ...]:
        """Sizes from the smallest half chest up; equal ones as the file has them."""
        return tuple(sorted(self.sizes, key=lambda size: self.sizes[size].half_chest_mm))


class WashRate(Model):
    """Loss of colour by washing on one fibre, for linear red, green and blue."""

    k: Channels = Field(description="Rate a wash: [red, green, blue], 0 or more.")
    f: Shares = Field(description="Lost in the first wash: [red, green, blue], 0 to 1.")


class Wash(Model):
    """Wash tests of one route."""

    life: Annotated[int, Field(ge=1, le=500)] = Field(description="Washes a garment lives.")
    calibrated: Line = Field(default="", description="Readings the rates come from; empty: not calibrated.")
    fibres: Mapping[Fibre, WashRate] = Field(description='Rates by fibre; "other" is for those not named.')


class Thresholds(Model):
    """Limits of every check on one route; 0 switches a stop limit off."""

    resolution_stop_ppi: NotNegative = Field(description="Raster art below it stops, in ppi.")
    resolution_warn_ppi: NotNegative = Field(description="Raster art below it warns, in ppi.")
    lettering_warn_ppi: NotNegative = Field(description="Hard-edged lettering below it warns, in ppi.")
    line_stop_mm: NotNegative = Field(description="Thinner lines stop, in mm.")
    line_warn_mm: NotNegative = Field(description="Thinner lines warn, in mm.")
    gap_stop_mm: NotNegative = Field(description="Thinner gaps stop, in mm; 0 for none.")
    gap_warn_mm: NotNegative = Field(description="Thinner gaps warn, in mm.")
    base_line_stop_mm: NotNegative = Field(description="Least width of a base after the choke, in mm.")
    hairline: Literal["base", "none", "stop"] = Field(description="Policy for lines thinner than two chokes.")
    x_height_warn_mm: NotNegative = Field(description="Lower lettering warns, x-height in mm.")
    x_height_reversed_warn_mm: NotNegative = Field(
        description="Lower reversed lettering warns, x-height in mm."
    )
    island_warn_mm: NotNegative = Field(description="Narrower islands warn, in mm; 0 for none.")
    speck_warn_mm2: NotNegative = Field(description="Smaller specks warn, in mm²; 0 for none.")
    soft_alpha_warn_percent: Percent = Field(description="More soft alpha warns, percent of the inked area.")
    contrast_warn_de: NotNegative = Field(description="Less contrast to the fabric warns, ΔE00.")
    contrast_warn_dl: NotNegative = Field(description="Less contrast to the fabric warns, ΔL*.")
    neighbours_warn_de: NotNegative = Field(description="Less contrast of touching colours warns, ΔE00.")
    knock_out_de: NotNegative = Field(description="Colours this near the fabric's are knocked out, ΔE00.")
    knock_out_note_de: NotNegative = Field(description="Above it a knock-out is noted, ΔE00.")
    near_fabric_de: NotNegative = Field(description="Colours this near the fabric's ask, ΔE00.")
    preview_de: NotNegative = Field(description="A fabric preview resembles a fabric up to here, ΔE00.")
    no_base_de: NotNegative = Field(description="Largest change without a base before one is needed, ΔE00.")
    gamut_warn_de: NotNegative = Field(description="A colour that comes out this far off warns, ΔE00.")
    near_edge_mm: NotNegative = Field(description="Ink nearer the print area's edge warns, in mm.")
    main_colour_percent: Percent = Field(description="A colour covering this much of the ink is a main one.")
    smallest_hole_mm2: NotNegative = Field(description="Smaller holes in the ink are filled, in mm².")
    dye_migration_polyester_percent: Percent = Field(
        description="From this share of polyester dye may migrate."
    )
    dye_migration_cure_c: NotNegative = Field(description="From this cure temperature dye may migrate, °C.")


class FadeDefaults(Model):
    """Compensation of fading where the order says nothing."""

    method: Mapping[Route, FadeMethod] = Field(description="Method by route.")
    percent: Percent = Field(description="Added saturation in percent.")
    washes: Annotated[int, Field(ge=0, le=500)] = Field(description="Washes after which it is to look right.")
    max_fresh_shift: NotNegative = Field(
        description="Largest change of a fresh print by the model, ΔE00; saturation beyond it is noted."
    )


class OversDefaults(Model):
    """Extra pieces where the order says nothing."""

    percent: Percent = Field(description="Overs in percent of the pieces.")
    at_least: Annotated[int, Field(ge=0, le=10_000)] = Field(description="At least so many overs.")


class Defaults(Model):
    """What holds where the order says nothing."""

    approval: Approval = Field(description='Customer\'s approval: "required" or "not needed".')
    paper: Literal["A4", "letter"] = Field(
        description='Paper of tickets, proofs and reports: "A4" or "letter".'
    )
    currency: Line = Field(default="", description="Currency of the prices, as papers write it.")
    fade: FadeDefaults = Field(description="Compensation of fading.")
    overs: OversDefaults = Field(description="Extra pieces.")
    widest_of_half_chest: Share = Field(
        description="Widest a scaled print gets, as a share of the half chest."
    )
    seam_allowance_mm: NotNegative = Field(description="Pretreat goes beyond the print by this, in mm.")


DirectRole: TypeAlias = Literal["press-colour", "press-base", "press-page"]
TransferRole: TypeAlias = Literal["press-colour", "press-base", "press-roll"]
ScreenRole: TypeAlias = Literal["press-film", "press-tiff"]


class Deliver(Model):
    """Which press files are delivered, by route."""

    direct: Annotated[tuple[DirectRole, ...], Strict(False), Field(min_length=1)] = Field(
        description="Direct."
    )
    transfer: Annotated[tuple[TransferRole, ...], Strict(False), Field(min_length=1)] = Field(
        description="Transfer."
    )
    screen: Annotated[tuple[ScreenRole, ...], Strict(False), Field(min_length=1)] = Field(
        description="Screen."
    )


class HotFolderRules(Model):
    """How the hot folder works for the shop."""

    notify: Many[Argument] = Field(
        default=(), description="Command run once an event (program, arguments); none when empty."
    )
    order_minutes: Annotated[float, Field(gt=0, le=1440)] = Field(
        description="Longest an order may take, in minutes."
    )
    order_memory_gb: NotNegative = Field(
        description="Most memory of one worker process, in GiB; 0 shares out the machine's."
    )
