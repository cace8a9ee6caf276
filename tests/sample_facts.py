"""Facts for looking at and testing the papers: an invented lighthouse-rowing club, invented people."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.art.paint import Rgb
from pipeline.finding import Finding
from pipeline.papers.facts import (
    BandFacts,
    ClothFacts,
    ColourFacts,
    ColourwayFacts,
    Decision,
    JobFacts,
    Mask,
    Picture,
    PrintFacts,
    ProofFacts,
    SizeFacts,
    TicketFacts,
)
from pipeline.papers.night_facts import NightFacts, NightOrder, PullFacts, PullLine, Reason, RunFacts, RunJob

CHESTS = {"S": 457.0, "M": 508.0, "L": 559.0, "XL": 610.0, "2XL": 660.0}
LENGTHS = {"S": 711.0, "M": 737.0, "L": 762.0, "XL": 787.0, "2XL": 813.0}
CREAM, GOLD, FLAME, SEA = (243, 233, 210), (214, 158, 46), (196, 60, 38), (38, 92, 110)


def crest(cloth: Rgb, *, size: int = 420, washed: bool = False) -> tuple[Picture, Mask]:
    """Return a lighthouse over waves on a cloth, and the mask of its night sky, which is knocked out."""
    y, x = np.mgrid[0:size, 0:size] / size
    picture = np.empty((size, size, 3), np.uint8)
    picture[:] = cloth

    def paint(where: Mask, colour: Rgb) -> None:
        tone = (
            tuple(int(c * 0.82 + 0.18 * f) for c, f in zip(colour, cloth, strict=True)) if washed else colour
        )
        picture[where] = tone

    disc = (x - 0.5) ** 2 + (y - 0.5) ** 2 < 0.235
    ring = disc & ((x - 0.5) ** 2 + (y - 0.5) ** 2 > 0.205)
    tower = (np.abs(x - 0.5) < 0.055 + (y - 0.25) * 0.09) & (y > 0.26) & (y < 0.72)
    bands = tower & (((y * 12).astype(int) % 2) == 0)
    lamp = (np.abs(x - 0.5) < 0.05) & (y > 0.19) & (y <= 0.26)
    beam = (np.abs(y - 0.22) < (x - 0.55) * 0.22) & (x > 0.55) & disc & ~ring
    sea = disc & ~ring & (y > 0.70 + 0.015 * np.sin(x * 40))
    paint(ring, GOLD)
    paint(beam, GOLD)
    paint(tower, CREAM)
    paint(bands, FLAME)
    paint(lamp, GOLD)
    paint(sea, SEA)
    return picture, disc & ~ring & ~tower & ~lamp & ~beam & ~sea


def oars(cloth: Rgb) -> Picture:
    """Return two crossed oars on a cloth."""
    y, x = np.mgrid[0:150, 0:150] / 150
    picture = np.empty((150, 150, 3), np.uint8)
    picture[:] = cloth
    for sign in (1, -1):
        along = (x - 0.5) * sign - (y - 0.5)
        blade = (np.abs(along) < 0.09) & (y < 0.28) & (y > 0.05)
        picture[(np.abs(along) < 0.025) & (y > 0.05) & (y < 0.95)] = CREAM
        picture[blade] = GOLD
    return picture


def _mix(colour: Rgb, cloth: Rgb, share: float) -> Rgb:
    r, g, b = (round(c * (1 - share) + f * share) for c, f in zip(colour, cloth, strict=True))
    return r, g, b


def colours(cloth: Rgb) -> tuple[ColourFacts, ...]:
    """Return four main colours with predictions that grey a little."""
    rows = (("lamp gold", GOLD, 0.34), ("cream", CREAM, 0.31), ("flame", FLAME, 0.19), ("sea", SEA, 0.16))
    return tuple(
        ColourFacts(
            number=i + 1,
            name=name,
            design=rgb,
            printed=_mix(rgb, rgb[::-1], 0.05),
            lab=(62.1 - 9 * i, 11.4 + i, 48.0 - 17.5 * i),
            washed=_mix(rgb, cloth, 0.08),
            worn=_mix(rgb, cloth, 0.2),
            grades=("4-5", "3" if i == 2 else "3-4", "3", "2"),
            share=share,
        )
        for i, (name, rgb, share) in enumerate(rows)
    )


def crest_back(cloth: Rgb, sizes: tuple[SizeFacts, ...]) -> PrintFacts:
    """Return a full back, one band a size, printed direct with a base."""
    picture, mask = crest(cloth)
    bands = tuple(
        BandFacts(
            sizes=(s.size,),
            pieces=s.pieces,
            width_mm=round(300 * s.half_chest_mm / 508, 1),
            height_mm=round(300 * s.half_chest_mm / 508, 1),
            origin_mm=(-round(150 * s.half_chest_mm / 508, 1), 100.0),
            files=(
                f"crest-{s.size.lower()}.pdf",
                f"crest-{s.size.lower()}-colour.png",
                f"crest-{s.size.lower()}-base.png",
            ),
            width_px=round(300 * s.half_chest_mm / 508 / 25.4 * 300),
            height_px=round(300 * s.half_chest_mm / 508 / 25.4 * 300),
        )
        for s in sizes
    )
    return PrintFacts(
        name="crest",
        position="full back",
        route="direct",
        bands=bands,
        picture=picture,
        knocked_out=mask,
        picture_washed=crest(cloth, washed=True)[0],
        press="Press 2, direct",
        platen="adult 406 × 508",
        collar_line_mm=60.0,
        centre_mm=203.0,
        ppi=300,
        pretreat=True,
        base=1.0,
        base_why="dark fabric, cream and gold need it",
        choke_mm=0.15,
        base_file=True,
        knock_out_mode="exact (vector art)",
        knocked_out_mm2=31_420.0,
        knocked_out_share=0.447,
        ink_mm2=38_870.0,
        ink_ml=4.2,
        colours=colours(cloth),
        fade="K/S model, first-wash loss and slow loss",
        fade_calibrated=True,
        washes=12,
        life=25,
    )


def chest(cloth: Rgb, sizes: tuple[SizeFacts, ...]) -> PrintFacts:
    """Return a left chest, one band, as a transfer that is already mirrored."""
    pieces = sum(s.pieces for s in sizes)
    band = BandFacts(
        sizes=tuple(s.size for s in sizes),
        pieces=pieces,
        width_mm=90,
        height_mm=90,
        origin_mm=(55.0, 110.0),
        files=("roll-01.pdf",),
        width_px=1063,
        height_px=1063,
    )
    return PrintFacts(
        name="oars",
        position="left chest",
        route="transfer",
        bands=(band,),
        picture=oars(cloth),
        press="Press 4, heat",
        platen="small 150 × 150",
        ppi=300,
        base=1.0,
        base_why="transfer: white carries the adhesive",
        choke_mm=0.1,
        mirrored_file=True,
        ink_mm2=2_310.5,
        colours=colours(cloth)[:2],
        fade="saturation + 12 %",
        washes=12,
        life=25,
    )


def colourway(
    name: str = "Harbour night",
    cloth: Rgb = (28, 40, 58),
    counts: tuple[int, ...] = (12, 30, 24, 10, 4),
    *,
    second: bool = True,
) -> ColourwayFacts:
    """Return one colourway of the club's tee."""
    sizes = tuple(
        SizeFacts(s, n, 1 if n > 20 else 0, CHESTS[s], LENGTHS[s])
        for s, n in zip(CHESTS, counts, strict=False)
    )
    prints = (crest_back(cloth, sizes), chest(cloth, sizes)) if second else (crest_back(cloth, sizes),)
    return ColourwayFacts(
        name=name,
        garment="unisex tee",
        cloth=ClothFacts(name.lower(), cloth, (15.6, -0.9, -12.8), "100 % cotton"),
        sizes=sizes,
        prints=prints,
        wash_label="30 °C, inside out, no tumble dryer",
        findings=(
            Finding(
                "thin-line",
                "warn",
                "The rail of the lantern is 0.31 mm wide in size S.",
                "Make it 0.35 mm or wider, or accept it.",
                print="crest",
                sizes=("S",),
                measured=0.31,
                limit=0.35,
            ),
            Finding(
                "near-fabric",
                "note",
                "The night sky is ΔE00 3.2 from the fabric and is knocked out.",
                "",
                print="crest",
            ),
        ),
        decisions=(
            Decision("low-resolution", "Ines Varga", "the photograph is meant to look coarse", "oars"),
        ),
        changes=(
            "XL: 10 pieces instead of 8.",
            "The cream of the tower is warmer (#f3e9d2 instead of #f0f0e6).",
        ),
    )


JOB = JobFacts(
    order="LRC-0417",
    revision=2,
    customer="Skerry Point Lighthouse Rowing Club",
    title="Regatta shirts for the 90th crossing",
    due="4 December 2026",
    priority="rush",
    notes="Pack by size. The club collects at noon.",
    shop="Tidewater Print Room",
)


def ticket() -> TicketFacts:
    """Return a usual job ticket."""
    return TicketFacts(JOB, colourway())


def proof() -> ProofFacts:
    """Return a proof of three colourways."""
    ways = (
        colourway(),
        colourway("Signal red", (170, 38, 44), counts=(6, 10, 10, 4, 0)),
        colourway("Sail cloth", (238, 232, 218), second=False, counts=(0, 8, 8, 2, 0)),
    )
    return ProofFacts(
        JOB,
        ways,
        ("On Signal red, the flame bands of the tower are printed as sea, because red on red would vanish.",),
        ways[0].decisions,
    )


def night() -> NightFacts:
    """Return one night with all four outcomes."""
    return NightFacts(
        night="24 November 2026",
        shop=JOB.shop,
        currency="EUR",
        orders=(
            NightOrder(
                "LRC-0417",
                2,
                "released",
                JOB.customer,
                JOB.title,
                JOB.due,
                "rush",
                80,
                160,
                23,
                (("colour", 88.2), ("base", 61.5)),
                3.1,
                (("direct", 230.0), ("transfer", 95.5)),
                (("colour ink", 12.4), ("press time", 81.0)),
                (),
                (
                    ("Harbour night ticket", "LRC-0417-r2/harbour-night/ticket.pdf"),
                    ("proof", "LRC-0417-r2/proof.pdf"),
                ),
            ),
            NightOrder(
                "MOL-22",
                1,
                "held",
                "Mole & Daughters <bakers>",
                "Aprons",
                "1 December 2026",
                "normal",
                14,
                14,
                reasons=(
                    Reason(
                        "near-fabric: moss is ΔE00 4.1 from the fabric.",
                        'near_fabric = "knock_out"  # or "keep"',
                        crest((28, 40, 58))[0],
                        "../../held/MOL-22-r1/pictures/moss.png",
                    ),
                    Reason("Waits for the customer's yes."),
                ),
            ),
            NightOrder(
                "KTE-7",
                1,
                "refused",
                "Kestrel Choir",
                "Tour",
                "",
                reasons=(Reason("art/cover.svg cannot be read: line 3."),),
            ),
            NightOrder("ABY-100", 3, "waiting", "Abbey Lane School", "Sports day", "9 December 2026"),
        ),
        notes=("Roll film: 3.1 m used, 46.9 m left on the roll by count.",),
    )


def run() -> RunFacts:
    """Return jobs of three orders on two presses, two of them rush."""
    jobs = []
    for order, rush in (("LRC-0417", True), ("ABY-100", False), ("KTE-7", False)):
        for fabric, rgb in (("Harbour night", (28, 40, 58)), ("Sail cloth", (238, 232, 218))):
            for name, position, platen in (("crest", "full back", "standard"), ("mark", "nape", "collar")):
                jobs.append(
                    RunJob(
                        "direct-1", "direct", platen, order, 1, fabric, "unisex tee", fabric, rgb, name, position,
                        40, 2, 100.8, fabric == "Harbour night", due=JOB.due if rush else "", rush=rush,
                    )
                )  # fmt: skip
    jobs.append(RunJob("film-1", "transfer", "", "ABY-100", 1, "Sail cloth", "unisex tee", "Sail cloth",
                       (238, 232, 218), "oars", "left chest", 40, film="roll-01.pdf", minutes=42.0))  # fmt: skip
    return RunFacts("24 November 2026", tuple(jobs), JOB.shop)


def pull() -> PullFacts:
    """Return the blanks of two colours in five sizes."""
    return PullFacts(
        "24 November 2026",
        tuple(
            PullLine(
                "unisex tee", fabric, rgb, size, 10 + k, k % 2, ("LRC-0417 r2", "ABY-100 r3")[: 1 + k % 2]
            )
            for fabric, rgb in (("Harbour night", (28, 40, 58)), ("Sail cloth", (238, 232, 218)))
            for k, size in enumerate(CHESTS)
        ),
        JOB.shop,
    )


def letter(facts: TicketFacts) -> TicketFacts:
    """Return the same ticket on US Letter."""
    return replace(facts, job=replace(facts.job, paper="Letter"))
