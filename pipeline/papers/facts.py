"""What the papers are made from: frozen values that the release step fills in. Papers read nothing else.

Lengths are mm, colours 8-bit sRGB, shares 0–1. Pictures are uint8 arrays (H, W, 3) of a print lying on its
fabric, printed side up, a few hundred pixels wide; they are compared by identity, not by value.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from pipeline.art.paint import Rgb
from pipeline.finding import Finding
from pipeline.papers.film import FilmFacts, FilmLength

Picture: TypeAlias = NDArray[np.uint8]
"""sRGB, shape (H, W, 3), 0–255."""

Mask: TypeAlias = NDArray[np.bool_]
"""Shape (H, W), true where ink was knocked out."""

Route: TypeAlias = Literal["direct", "transfer", "screen"]
Paper: TypeAlias = Literal["A4", "Letter"]


@dataclass(frozen=True, slots=True)
class ClothFacts:
    """The fabric: its name, colour and what it is made of. `lab` is L*, a*, b* as the shop states it."""

    name: str
    srgb: Rgb
    lab: tuple[float, float, float] | None = None
    fibres: str = ""
    heather: bool = False


@dataclass(frozen=True, slots=True)
class SizeFacts:
    """One size: pieces ordered, overs on top, and the garment's measures in mm (0 when unknown)."""

    size: str
    pieces: int
    overs: int = 0
    half_chest_mm: float = 0.0
    body_length_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class BandFacts:
    """Sizes that share one press file. `origin_mm` is the print's upper left corner from centre line and seam.

    `files` are base names, the one the press loads first; that name is also what the bar codes hold.
    """

    sizes: tuple[str, ...]
    pieces: int
    width_mm: float
    height_mm: float
    origin_mm: tuple[float, float] = (0.0, 0.0)
    files: tuple[str, ...] = ()
    width_px: int = 0
    height_px: int = 0


@dataclass(frozen=True, slots=True)
class ColourFacts:
    """One main colour. `washed` and `worn` are predictions at the planned wash and at the end of life.

    `grades` are grey-scale steps (ISO 105-A02/A05, "5" is no change, "4-5" a half step) with and without compensation,
    at the planned wash and then at the end of life: four, or none. `share` is the part of the inked area.
    """

    number: int
    design: Rgb
    printed: Rgb
    name: str = ""
    lab: tuple[float, float, float] | None = None
    washed: Rgb | None = None
    worn: Rgb | None = None
    grades: tuple[str, ...] = ()
    share: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class PrintFacts:
    """One print on one colourway, all its bands.

    `base` is the strength of the white base, 0–1; None when the route knows none. `base_file` says that the
    base lies in the press file (else the press adds it), `mirrored_file` that the file is mirrored already,
    `mirror_at_press` that the press must mirror. `cure` and `pretreat_recipe` are the shop's own words; empty
    means not set. `collar_line_mm`/`centre_mm` say where the seam line and centre lie on the platen, from its
    upper and left edge. `inks` is the print order of a screen print. `film` says where
    the pieces of a transfer lie, empty where the night gangs them; `peel` is the shop's own words, empty if not set;
    `dot_mm` is the dot that soft ink becomes on film, 0 where there is none.
    """

    name: str
    position: str
    route: Route
    bands: tuple[BandFacts, ...]
    picture: Picture | None = None
    knocked_out: Mask | None = None
    picture_washed: Picture | None = None
    press: str = ""
    platen: str = ""
    collar_line_mm: float | None = None
    centre_mm: float | None = None
    ppi: float = 0.0
    line: str = "collar seam"
    pretreat: bool = False
    pretreat_margin_mm: float = 15.0
    pretreat_recipe: str = ""
    base: float | None = None
    base_why: str = ""
    base_file: bool = True
    base_polarity: str = "light is ink"
    base_plate: str = "White"
    choke_mm: float = 0.0
    mirrored_file: bool = False
    mirror_at_press: bool = False
    cure: str = ""
    knock_out_mode: str = ""
    knocked_out_mm2: float = 0.0
    knocked_out_share: float = 0.0
    ink_mm2: float = 0.0
    ink_ml: float | None = None
    colours: tuple[ColourFacts, ...] = ()
    fade: str = "none"
    fade_calibrated: bool = False
    washes: int = 0
    life: int = 0
    inks: tuple[str, ...] = ()
    hazards: tuple[str, ...] = ()
    film: tuple[FilmFacts, ...] = ()
    peel: str = ""
    dot_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class Decision:
    """An accepted finding or an answered question: what, where, by whom, why."""

    what: str
    by: str
    why: str = ""
    where: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class ColourwayFacts:
    """One garment in one fabric colour with its sizes and prints."""

    name: str
    garment: str
    cloth: ClothFacts
    sizes: tuple[SizeFacts, ...]
    prints: tuple[PrintFacts, ...]
    wearer: Literal["adult", "youth", "child"] = "adult"
    drawn_as: str = "tee"
    wash_label: str = ""
    findings: tuple[Finding, ...] = ()
    decisions: tuple[Decision, ...] = ()
    changes: tuple[str, ...] = ()

    @property
    def garments(self) -> int:
        """Pieces ordered, overs not counted."""
        return sum(size.pieces for size in self.sizes)

    @property
    def overs(self) -> int:
        """Extra pieces for spoilage."""
        return sum(size.overs for size in self.sizes)

    @property
    def impressions(self) -> int:
        """Pieces times prints, overs not counted."""
        return sum(band.pieces for item in self.prints for band in item.bands)


@dataclass(frozen=True, slots=True)
class JobFacts:
    """What all papers of one order share. `due` is already written out, as the shop writes dates.

    `changes` since the last revision concern the order as a whole; `approved_by` is empty where nobody did.
    """

    order: str
    revision: int = 1
    customer: str = ""
    title: str = ""
    due: str = ""
    priority: Literal["normal", "rush"] = "normal"
    notes: str = ""
    shop: str = ""
    paper: Paper = "A4"
    approved_by: str = ""
    changes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class TicketFacts:
    """One job ticket: one colourway of one order. `pictures` are those of findings, by `Finding.picture`."""

    job: JobFacts
    colourway: ColourwayFacts
    pictures: Mapping[str, Picture] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, eq=False)
class ProofFacts:
    """One proof: all colourways of one order, and what was changed in plain words.

    `held` are the findings that wait for a decision, `pictures` show them; `declined` is why the last revision was
    sent back; `asks` says that the customer's answer is wanted; `film` are the rolls of the order.
    """

    job: JobFacts
    colourways: tuple[ColourwayFacts, ...]
    changes: tuple[str, ...] = ()
    decisions: tuple[Decision, ...] = ()
    held: tuple[Finding, ...] = ()
    pictures: Mapping[str, Picture] = field(default_factory=dict)
    declined: str = ""
    asks: bool = True
    film: tuple[FilmLength, ...] = ()
