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


def _bands(
    rng: random.Random, sizes: tuple[SizeFacts, ...], position: str, name: str
) -> tuple[BandFacts, ...]:
    wide = 300.0 if position.startswith("full") else 90.0
    groups = [(s,) for s in sizes] if rng.random() < 0.4 else [sizes]
    x, y = {"left chest": (55.0, 110.0), "right chest": (-145.0, 110.0)}.get(position, (-wide / 2, 75.0))
    if "sleeve" in position:
        y = -120.0 if "left" in position else 40.0
    return tuple(
        BandFacts(
            sizes=tuple(s.size for s in group),
            pieces=sum(s.pieces for s in group),
            width_mm=wide + rng.randrange(0, 900) / 10,
            height_mm=wide * rng.choice((0.1, 0.7, 1.0, 1.3)),
            origin_mm=(x, y),
            files=tuple(f"{name}-{k}.{end}" for end in ("pdf", "png")[: rng.randrange(3)]),
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
        rgb() if some else None, rgb() if some else None, 4.5 if some else None, 1.5 if some else None, rng.random(),
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
            "thin-line", rng.choice(("stop", "warn", "note")), rng.choice(NAMES) + " is 0.2 mm.", "Widen it."
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
    )
    return TicketFacts(job, colourway(seed))


def proof(seed: int) -> ProofFacts:
    """Return one generated proof of one to three colourways."""
    ways = tuple(replace(colourway(seed + 1000 * k), name=f"way {k}") for k in range(1 + seed % 3))
    return ProofFacts(ticket(seed).job, ways, NAMES[:2], ways[0].decisions)
