"""What the papers of a night are made from: the report, the run sheet, the pull list. Nothing comes from a clock.

Addresses are relative to the folder in which the papers lie. Prices are in the shop's currency.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

from pipeline.art.paint import Rgb
from pipeline.papers.facts import Paper, Picture

NightState: TypeAlias = Literal["released", "held", "refused", "failed", "waiting"]
Priority: TypeAlias = Literal["normal", "rush"]


@dataclass(frozen=True, slots=True, eq=False)
class Reason:
    """Why an order is held or refused, what to do, and the picture that shows it, if there is one."""

    text: str
    remedy: str = ""
    picture: Picture | None = None
    address: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class NightOrder:
    """One order of a night. `links` are (label, relative address), `minutes` (route, minutes at the press)."""

    order: str
    revision: int = 1
    state: NightState = "released"
    customer: str = ""
    title: str = ""
    due: str = ""
    priority: Priority = "normal"
    garments: int = 0
    impressions: int = 0
    files: int = 0
    ink_ml: tuple[tuple[str, float], ...] = ()
    film_m: float = 0.0
    minutes: tuple[tuple[str, float], ...] = ()
    cost: tuple[tuple[str, float], ...] = ()
    reasons: tuple[Reason, ...] = ()
    links: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class NightFacts:
    """One night: `night` is its date as the shop writes it."""

    night: str
    orders: tuple[NightOrder, ...]
    shop: str = ""
    currency: str = ""
    notes: tuple[str, ...] = ()
    paper: Paper = "A4"


@dataclass(frozen=True, slots=True)
class RunJob:
    """One print on one colourway at one press. `pretreat` is None where the route knows none; `film` names a roll."""

    press: str
    route: str
    platen: str
    order: str
    revision: int
    colourway: str
    garment: str
    fabric: str
    fabric_rgb: Rgb
    print: str
    position: str
    pieces: int
    overs: int = 0
    minutes: float = 0.0
    pretreat: bool | None = None
    film: str = ""
    due: str = ""
    rush: bool = False


@dataclass(frozen=True, slots=True)
class RunFacts:
    """All jobs of a night, in any order."""

    night: str
    jobs: tuple[RunJob, ...]
    shop: str = ""
    paper: Paper = "A4"


@dataclass(frozen=True, slots=True)
class PullLine:
    """Blanks of one garment, colour and size: pieces ordered, overs on top, and the orders they are for."""

    garment: str
    fabric: str
    fabric_rgb: Rgb
    size: str
    pieces: int
    overs: int = 0
    orders: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class PullFacts:
    """All blanks of a night, in the order in which they are to stand."""

    night: str
    lines: tuple[PullLine, ...]
    shop: str = ""
    paper: Paper = "A4"
