"""Order + shop + what the art says → the plan: which draws and plates there will be. Pure data; no pixel is touched.

A **plate** is one print on one colourway in one band of sizes. A **draw** is one piece of art drawn at one size in one
way; plates share draws: a band needs one plain draw, and one keyed draw for each fabric whose colour the art has.
A **job** is one print on one colourway with all its plates; what is decided, is decided once for a job.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from pipeline.art.paint import PaintMap, Rgb, parse_hex
from pipeline.art.piece import Art, BitmapArt, Edge, PageArt, VectorArt, art_digest, edge_of
from pipeline.art.spool import drawing_name
from pipeline.fabric import Cloth
from pipeline.finding import Finding
from pipeline.keys import key_of
from pipeline.order import ArtChoices, Order, Print, choices_of, garment_of, prints_of, slugs
from pipeline.order_parts import Colourway
from pipeline.plan_names import plate_key, pooled, stem_of
from pipeline.plan_paints import LEFT_IN, Treatment, goes_as_pixels, has_images, left_in, paints_for
from pipeline.raster import Pixels
from pipeline.raster_ops import colours_of
from pipeline.shop import Shop, cloth_of, press_of, reference_of
from pipeline.shop_parts import Thresholds
from pipeline.shop_presses import Press
from pipeline.stages.fade import FadeSettings, OwnChange
from pipeline.stages.knockout import Keys, keys_for
from pipeline.stages.place import Placement, Spot, place


@dataclass(frozen=True, slots=True)
class Draw:
    """One piece of art, drawn at one size in one way. `art` and `turn_deg` name the drawing."""

    key: str
    art: str
    turn_deg: float
    width_px: int
    height_px: int
    paints: PaintMap
    treatment: Treatment


@dataclass(frozen=True, slots=True)
class Plate:
    """One band of a job. Kept art = solve(first, second) for vector art, the `second` draw itself for bitmaps.

    `plain` is the art before the knock-out; of a bitmap that is knocked out, at the size of the job's smallest band.
    """

    key: str
    stem: str
    placement: Placement
    pieces: int
    plain: Draw
    first: Draw | None
    second: Draw | None

    @property
    def draws(self) -> tuple[Draw, ...]:
        """The draws it is made of."""
        return tuple(draw for draw in (self.plain, self.first, self.second) if draw is not None)


@dataclass(frozen=True, slots=True)
class Job:
    """One print on one colourway, all its bands, smallest first."""

    colourway: str
    print: Print
    garment: str
    wearer: str
    cloth: Cloth
    choices: ArtChoices
    press_name: str
    press: Press
    limits: Thresholds
    fade: FadeSettings
    keys: Keys | None
    plates: tuple[Plate, ...]
    bitmap_px: float | None
    fabrics: tuple[Rgb, ...]
    findings: tuple[Finding, ...] = ()
    edge: Edge = "unknown"

    @property
    def key(self) -> str:
        """A name for the job that is unique in the order."""
        return f"{self.colourway}\0{self.print.name}"


@dataclass(frozen=True, slots=True)
class Plan:
    """All that will be made for an order.

    `folders` are the slugs of colourways and prints, `findings` what is known before anything is drawn.
    """

    order: Order
    jobs: tuple[Job, ...]
    folders: Mapping[str, Mapping[str, str]]
    findings: tuple[Finding, ...] = ()
    overs: Mapping[str, Mapping[str, int]] = field(default_factory=dict)

    @property
    def name(self) -> str:
        """Folder name of the release."""
        return f"{self.order.order}-r{self.order.revision}"

    def folder(self, job: Job) -> str:
        """Return the folder of a job's press files in the release."""
        return f"{self.folders['colourways'][job.colourway]}/{self.folders['prints'][job.print.name]}"

    def draws(self, plates: tuple[Plate, ...]) -> dict[str, Draw]:
        """Return the distinct draws that these plates need, by key."""
        return {draw.key: draw for plate in plates for draw in plate.draws}

    def as_json(self) -> dict[str, Any]:
        """Return the plan for programs."""
        plates = tuple(plate for job in self.jobs for plate in job.plates)
        return {
            "schema": "washfast-plan/1",
            "order": self.order.order,
            "revision": self.order.revision,
            "draws": [
                {"key": d.key, "art": d.art, "width_px": d.width_px, "height_px": d.height_px,
                 "keyed": d.paints.key is not None or d.treatment.cloth_srgb is not None}
                for d in self.draws(plates).values()
            ],
            "plates": [
                {"key": plate.key, "colourway": job.colourway, "print": job.print.name,
                 "sizes": list(plate.placement.sizes), "route": job.print.route, "press": job.press_name,
                 "width_mm": round(plate.placement.width_mm, 3), "height_mm": round(plate.placement.height_mm, 3),
                 "width_px": plate.placement.width_px, "height_px": plate.placement.height_px,
                 "origin_mm": [round(v, 2) for v in plate.placement.origin_mm], "pieces": plate.pieces}
                for job in self.jobs for plate in job.plates
            ],
            "papers": ["proof.pdf", *(f"{f}/ticket.pdf" for f in self.folders["colourways"].values())],
        }  # fmt: skip


def make_plan(order: Order, shop: Shop, arts: Mapping[str, Art]) -> Plan:
    """Return the plan of an order. `arts` holds every drawing by `drawing_name`.

    Raises Refused for what the shop does not have: a garment, a size, a position, a fabric, a press.
    """
    folders = {
        "colourways": slugs(c.name for c in order.colourways),
        "prints": slugs(p.name for p in order.prints),
    }
    digests = {name: art_digest(art) for name, art in arts.items()}
    colours = {name: colours_of(art.pixels) for name, art in arts.items() if isinstance(art, BitmapArt)}
    jobs = tuple(
        _job(_Context(order, shop, arts, digests, colours, folders), colourway, print_)
        for colourway in order.colourways
        for print_ in prints_of(order, colourway)
    )
    names = dict.fromkeys(
        drawing_name(p.art, p.turn_deg) for c in order.colourways for p in prints_of(order, c)
    )
    seen = tuple(
        finding.at(art=name.partition("@")[0])
        for name in names
        for finding in arts[name].findings
        if finding.code not in LEFT_IN  # told by job: a colourway may leave it out
    )
    overs = {c.name: _overs(order, shop, c) for c in order.colourways}
    return Plan(order, pooled(jobs, order, folders), folders, tuple(dict.fromkeys(seen)), overs)


@dataclass(frozen=True, slots=True)
class _Context:
    order: Order
    shop: Shop
    arts: Mapping[str, Art]
    digests: Mapping[str, str]
    colours: Mapping[str, Pixels]
    folders: Mapping[str, Mapping[str, str]]


def _job(context: _Context, colourway: Colourway, print_: Print) -> Job:
    order, shop = context.order, context.shop
    garment_name = garment_of(order, colourway)
    garment = shop.garment(garment_name)
    press_name, press = press_of(shop, print_)
    cloth = cloth_of(shop, colourway)
    choices = choices_of(order, colourway, print_)
    limits = shop.thresholds[print_.route]
    name = drawing_name(print_.art, print_.turn_deg)
    art = context.arts[name]
    reference, reference_size = reference_of(shop, order, print_, garment_name)
    spot = Spot(
        garment,
        shop.position(garment_name, print_.position),
        shop.garment(reference),
        reference_size,
        shop.defaults.widest_of_half_chest,
    )
    placements = place(print_, spot, press, (art.width, art.height), colourway.pieces)
    paints, treatment, findings = paints_for(
        art,
        choices,
        cloth,
        limits,
        placements[0].width_mm,
        _elements(context, colourway),
        context.colours.get(name),
    )
    keys = None
    if not goes_as_pixels(art):
        in_images = has_images(art) and treatment.knock_out is not None
        keys = keys_for(paints.cloth, cut_out=bool(paints.cut_out) or in_images)
    fade = _fade(order, shop, print_, press, cloth)
    job = Job(
        colourway=colourway.name,
        print=print_,
        garment=garment_name,
        wearer=garment.wearer,
        cloth=cloth,
        choices=choices,
        press_name=press_name,
        press=press,
        limits=limits,
        fade=fade,
        keys=keys,
        plates=(),
        edge=edge_of(art),
        bitmap_px=art.width if isinstance(art, BitmapArt) else None,
        fabrics=tuple(dict.fromkeys(_rgb8(cloth_of(shop, other).srgb) for other in order.colourways)),
        findings=(
            *(f.at(art=print_.art, colourways=(colourway.name,)) for f in left_in(art, choices)),
            *(
                f.at(art=print_.art, print=print_.name, colourways=(colourway.name,))
                for f in (*findings, *(f for p in placements for f in p.findings))
            ),
        ),
    )
    return replace(
        job,
        plates=tuple(
            _plate(context, job, p, placements[0], paints, treatment, colourway) for p in placements
        ),
    )


def _elements(context: _Context, colourway: Colourway) -> frozenset[str]:
    """Return the elements and layers of all art on a colourway."""
    names = {drawing_name(p.art, p.turn_deg) for p in prints_of(context.order, colourway)}
    arts = [art for name in names if isinstance(art := context.arts[name], VectorArt | PageArt)]
    return frozenset().union(*(art.elements for art in arts))


def _plate(
    context: _Context,
    job: Job,
    placement: Placement,
    smallest: Placement,
    paints: PaintMap,
    treatment: Treatment,
    colourway: Colourway,
) -> Plate:
    name = drawing_name(job.print.art, job.print.turn_deg)
    digest = context.digests[name]
    bitmap = goes_as_pixels(context.arts[name])

    def draw(paints: PaintMap, treatment: Treatment, at: Placement = placement) -> Draw:
        width, height = at.width_px, at.height_px
        key = key_of("draw", digest, width, height, paints, treatment)
        return Draw(key, job.print.art, job.print.turn_deg, width, height, paints, treatment)

    # the plain draw knows nothing of the cloth, so that colourways share it; where it only says how much ink the art
    # has, one size of it says so for all
    bare = replace(treatment, cloth_srgb=None, knock_out=None)
    knocked_out_before = bitmap and treatment.knock_out is not None
    plain = draw(replace(paints, cloth=(), cut_out=()), bare, smallest if knocked_out_before else placement)
    first = second = None
    if knocked_out_before:
        second = draw(paints, treatment)
    elif job.keys is not None:
        second = draw(replace(paints, key=job.keys.second), treatment)
        first = plain if job.keys.plain_is_first else draw(replace(paints, key=job.keys.first), treatment)
    pieces = sum(colourway.pieces[size] for size in placement.sizes)
    folders = context.folders
    stem = stem_of(
        context.order,
        folders["colourways"][job.colourway],
        folders["prints"][job.print.name],
        placement.sizes,
    )
    plate = Plate("", stem, placement, pieces, plain, first, second)
    return replace(plate, key=plate_key(job, plate))


def _rgb8(srgb: tuple[float, float, float]) -> Rgb:
    red, green, blue = (round(v * 255) for v in srgb)
    return red, green, blue


def _fade(order: Order, shop: Shop, print_: Print, press: Press, cloth: Cloth) -> FadeSettings:
    route = print_.route
    wash, defaults = shop.washes[route], shop.defaults.fade
    rates = {str(fibre): rate for fibre, rate in wash.fibres.items()}
    parts = [(rates.get(name, rates["other"]), share / 100) for name, share in cloth.fibres]
    k = tuple(sum(rate.k[channel] * share for rate, share in parts) for channel in range(3))
    first_loss = tuple(sum(rate.f[channel] * share for rate, share in parts) for channel in range(3))
    return FadeSettings(
        method=order.fade.method or defaults.method[route],
        washes=float(defaults.washes if order.fade.washes is None else order.fade.washes),
        percent=defaults.percent if order.fade.percent is None else order.fade.percent,
        k=(k[0], k[1], k[2]),
        first_loss=(first_loss[0], first_loss[1], first_loss[2]),
        darkest=press.darkest_reflectance,
        ground_srgb=_rgb8(cloth.srgb),
        base_reflectance=press.base_reflectance,
        max_fresh_shift=defaults.max_fresh_shift,
        hold=tuple(parse_hex(c) for c in order.fade.hold),
        own=tuple(
            OwnChange(parse_hex(colour), change.saturation or 0.0, change.value or 0.0)
            for colour, change in order.fade.colours.items()
        ),
        calibrated=bool(wash.calibrated),
        life=float(wash.life),
    )


def _overs(order: Order, shop: Shop, colourway: Colourway) -> dict[str, int]:
    """Return the extra pieces of each size: a share of its pieces, rounded up, and at least so many."""
    percent = shop.defaults.overs.percent if order.overs.percent is None else order.overs.percent
    at_least = shop.defaults.overs.at_least if order.overs.at_least is None else order.overs.at_least
    return {
        size: max(math.ceil(count * percent / 100 - 1e-9), at_least)
        for size, count in colourway.pieces.items()
    }
