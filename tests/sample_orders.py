"""Generated orders that try to break the papers: long names, many scripts, 1 to 40 sizes, 1 to 8 prints."""

from __future__ import annotations

import random
from dataclasses import replace

import numpy as np

from pipeline.finding import Finding
from pipeline.papers.facts import (
    BandFacts,
    ClothFacts,
    ColourFacts,
    ColourwayFacts,
    Decision,
    JobFacts,
    PrintFacts,
    ProofFacts,
    SizeFacts,
    TicketFacts,
)

NAMES = (
    "Oar",
    "The Society for the Preservation of Disused Harbour Lights and Associated Fog Signals",
    "Donaudampfschifffahrtselektrizitätenhauptbetriebswerkbauunterbeamtengesellschaft" * 2,
    "Łódź Żółw " * 4,
    "מועדון חתירה 1931",
    "نادي التجديف ٤٢ B",
    "日本漕艇倶楽部",
    "Ze\u0301ro\u0300\u0301\u0302\u0303\u0304\u0305 Club",
    "a\u202eb\u0007\nc\td",
    "⚓ Ελληνικά Кириллица 🚣",
    "\udcff",
    "x" * 300,
)
ENDS = ("colour.png", "base.png", "page.pdf")
POSITIONS = (
    ("full front", "collar seam"),
    ("full back", "collar seam"),
    ("left chest", "collar seam"),
    ("right chest", "collar seam"),
    ("left sleeve", "sleeve hem"),
    ("right sleeve", "shoulder seam"),
    ("nape", "collar seam"),
    ("neck label", "collar seam"),
)


PICTURES = {
    f"thin-line-{k}.png": np.random.default_rng(k).integers(0, 256, (high, wide, 3), dtype=np.uint8)
    for k, (high, wide) in enumerate(((24, 48), (90, 20), (12, 120)))
}
"""Pictures of findings, of extreme shapes."""


def _bands(
    rng: random.Random, sizes: tuple[SizeFacts, ...], position: str, name: str
) -> tuple[BandFacts, ...]:
    wide = 300.0 if position.startswith("full") else 90.0
    groups = [(s,) for s in sizes] if rng.random() < 0.4 else [sizes]
    same = rng.random() < 0.3  # what is fixed has the same size on all
    x, y = {"left chest": (55.0, 110.0), "right chest": (-145.0, 110.0)}.get(position, (-wide / 2, 75.0))
    if "sleeve" in position:
        y = -120.0 if "left" in position else 40.0
    return tuple(
        BandFacts(
            sizes=tuple(s.size for s in group),
            pieces=sum(s.pieces for s in group),
            width_mm=wide + (0 if same else rng.randrange(0, 900) / 10),
            height_mm=wide * (1.2 if same else rng.choice((0.1, 0.7, 1.0, 1.3))),
            origin_mm=(x, y),
            files=tuple(f"{name}_{k}_{end}" for end in ENDS[: rng.randrange(4)]),
            width_px=rng.randrange(1, 9000),
            height_px=4800,
        )
        for k, group in enumerate(groups)
    )


def _colour(rng: random.Random, number: int) -> ColourFacts:
    def rgb() -> tuple[int, int, int]:
        return rng.randrange(256), rng.randrange(256), rng.randrange(256)

    some = rng.random() < 0.7
    return ColourFacts(
        number, rgb(), rgb(), rng.choice(("", *NAMES)), (rng.uniform(0, 100), -120.2, 33.3) if some else None,
        rgb() if some else None, rgb() if some else None, ("4-5", "1-2", "3-4", "1") if some else (), rng.random(),
    )  # fmt: skip


def _print(rng: random.Random, number: int, sizes: tuple[SizeFacts, ...]) -> PrintFacts:
    position, line = rng.choice(POSITIONS)
    noise = np.random.default_rng(number).integers(0, 256, (90, 80, 3), dtype=np.uint8)
    pictured = rng.random() < 0.8
    name = rng.choice(NAMES)
    return PrintFacts(
        name=f"{number} {name}",
        position=position,
        line=line,
        route=rng.choice(("direct", "transfer", "screen")),
        bands=_bands(
            rng, sizes, position, rng.choice(("p", "a-rather-long-name-of-a-print-file", "ü", "n" * 120))
        ),
        picture=noise if pictured else None,
        knocked_out=noise[..., 0] > 200 if pictured else None,
        picture_washed=noise // 2 + 60 if pictured and rng.random() < 0.5 else None,
        press=rng.choice(("", *NAMES)),
        platen=rng.choice(("", *NAMES)),
        collar_line_mm=rng.choice((None, 61.5)),
        centre_mm=rng.choice((None, 203.0)),
        ppi=rng.choice((0, 300, 600)),
        pretreat=rng.random() < 0.5,
        base=rng.choice((None, 0.0, 0.6, 1.0)),
        base_why=rng.choice(NAMES),
        base_file=rng.random() < 0.5,
        mirrored_file=rng.random() < 0.5,
        mirror_at_press=rng.random() < 0.3,
        cure=rng.choice(("", *NAMES)),
        knocked_out_mm2=rng.uniform(0, 90000),
        knocked_out_share=rng.random(),
        ink_mm2=rng.uniform(0, 90000),
        colours=tuple(_colour(rng, i + 1) for i in range(rng.choice((0, 1, 3, 8, 17)))),
        fade=rng.choice(("none", "saturation", "model")),
        fade_calibrated=rng.random() < 0.5,
        washes=rng.choice((0, 12)),
        life=25,
        inks=tuple(rng.sample(NAMES, 4)) if rng.random() < 0.3 else (),
        hazards=tuple(rng.sample(NAMES, 2)) if rng.random() < 0.3 else (),
    )


def colourway(seed: int) -> ColourwayFacts:
    """Return one generated colourway; equal seeds give equal facts."""
    rng = random.Random(seed)
    many = rng.choice((1, 2, 5, 8, 40)) if seed % 10 == 0 else rng.randrange(1, 9)
    prints = rng.randrange(1, 9) if seed % 10 == 1 else rng.randrange(1, 4)
    sizes = tuple(
        SizeFacts(
            f"{k}XL" if k % 7 else f"size {k} long, tall",
            rng.choice((0, 1, 48, 10_500)),
            rng.randrange(3),
            400 + 12 * k,
            650 + 8 * k,
        )
        for k in range(many)
    )
    findings = tuple(
        Finding(
            "thin-line",
            rng.choice(("stop", "warn", "note")),
            rng.choice(NAMES) + " is 0.2 mm.",
            "Widen it.",
            picture=rng.choice(("", *PICTURES)),
        )
        for _ in range(rng.randrange(5))
    )
    return ColourwayFacts(
        name=rng.choice(NAMES),
        garment=rng.choice(NAMES),
        cloth=ClothFacts(
            rng.choice(NAMES),
            (rng.randrange(256), rng.randrange(256), rng.randrange(256)),
            (51.2, -3.4, 7.7),
            rng.choice(NAMES),
            rng.random() < 0.5,
        ),
        sizes=sizes,
        prints=tuple(_print(rng, i, sizes) for i in range(prints)),
        wearer=rng.choice(("adult", "youth", "child")),
        drawn_as=rng.choice(("tee", "fitted tee", "long sleeve", "hooded", "bag", "flat", "unheard-of")),
        wash_label=rng.choice(NAMES),
        findings=findings,
        decisions=(Decision("thin-line", rng.choice(NAMES), rng.choice(NAMES), rng.choice(NAMES)),),
        changes=tuple(rng.sample(NAMES, 2)),
    )


def ticket(seed: int) -> TicketFacts:
    """Return one generated ticket."""
    rng = random.Random(-seed)
    job = JobFacts(
        order=rng.choice(("A1", "ORDER-2026.0417_b", "N" * 64)),
        revision=rng.choice((1, 2, 144)),
        customer=rng.choice(NAMES),
        title=rng.choice(NAMES),
        due=rng.choice(("", "4 December 2026")),
        priority=rng.choice(("normal", "rush")),
        notes=rng.choice(NAMES),
        shop=rng.choice(NAMES),
        paper=rng.choice(("A4", "Letter")),
        approved_by=rng.choice(("", *NAMES)),
        changes=tuple(rng.sample(NAMES, 2)),
    )
    return TicketFacts(job, colourway(seed), PICTURES)


def usual(seed: int) -> TicketFacts:
    """Return a ticket as most are: two prints, up to eight sizes of which one print follows each, a finding or two."""
    rng = random.Random(seed)
    sizes = tuple(
        SizeFacts(f"{k + 1}XL", rng.randrange(1, 60), 1, 400 + 50 * k, 690 + 25 * k)
        for k in range(rng.randrange(1, 9))
    )
    stem = f"BK-{rng.randrange(9999):04}-r1_midnight-navy"
    prints = []
    places = (("front", 280.0, "full front", 13), ("nape", 80.0, "nape", 7))
    for name, wide, position, most in places[: rng.randrange(1, 3)]:
        widths = [wide * (1 + 0.1 * k * (wide > 100)) for k in range(len(sizes))]
        bands = tuple(
            BandFacts((size.size,), size.pieces, width, width * 1.2, (-width / 2, 75.0),
                      tuple(f"{stem}_{name}_{size.size}_{end}" for end in ENDS), 3300, 3900)
            for size, width in zip(sizes, widths, strict=True)
        )  # fmt: skip
        noise = np.random.default_rng(seed).integers(0, 256, (96, 80, 3), dtype=np.uint8)
        colours = tuple(
            replace(_colour(rng, i + 1), name="dark grey-blue") for i in range(rng.randrange(1, most))
        )
        prints.append(
            PrintFacts(name, position, "direct", bands, noise, noise[..., 0] > 200, press="direct-1",
                       platen="standard", collar_line_mm=-30, centre_mm=203, ppi=300, pretreat=True, base=1.0,
                       base_why="straight on the fabric #f3e9d2 would shift by ΔE00 59.7", knocked_out_mm2=7002.4,
                       knocked_out_share=0.16, ink_mm2=37103, ink_ml=0.45, colours=colours, fade="saturation",
                       washes=12, life=25)
        )  # fmt: skip
    findings = tuple(
        Finding("soft-alpha", "warn", "3.9 % of the inked area is half transparent away from edges.", "",
                print="front", picture=name) for name in list(PICTURES)[: rng.randrange(2)]
    )  # fmt: skip
    cloth = ClothFacts("Midnight navy", (29, 43, 79), (17.4, 5.1, -22.3), "100 % cotton")
    way = replace(colourway(3), name="Midnight navy", garment="unisex tee", cloth=cloth, sizes=sizes, wearer="adult",
                  prints=tuple(prints), findings=findings, decisions=(), changes=(), drawn_as="tee",
                  wash_label="Wash at 30 °C, inside out.")  # fmt: skip
    job = JobFacts(
        f"BK-{seed:04}",
        1,
        "Brackwater Kite Society",
        "Club shirts with crest",
        "16 April 2027",
        shop="A shop",
    )
    return TicketFacts(job, way, PICTURES)


def proof(seed: int) -> ProofFacts:
    """Return one generated proof of one to three colourways."""
    ways = tuple(replace(colourway(seed + 1000 * k), name=f"way {k}") for k in range(1 + seed % 3))
    job = ticket(seed).job
    held = ways[0].findings if seed % 2 else ()
    declined = NAMES[seed % 12] if seed % 5 == 0 else ""
    return ProofFacts(job, ways, NAMES[:2], ways[0].decisions, held, PICTURES, declined, asks=seed % 3 > 0)
