"""Cases for the table of findings that need more than a drawing: a shop's film, another renderer, last night's roll."""

from __future__ import annotations

import io
import json
import tempfile
from collections.abc import Sequence
from pathlib import Path

from ops.findings_base import INK, Case, Cases, disc, fabric, rect, svg, waves
from pipeline.finding import Finding

FILM = "[presses.film-1.roll]\n"
BASE_POLICY = "[thresholds.direct]\nhairline = {}\n"


def film() -> Cases:
    """Return the cases of what cannot be laid out on film, or not held by it."""
    ok = svg(INK)
    line = 'transform="rotate(20 30 30)"'
    return (
        Case("larger-than-film", "a print of 60 mm on film that prints 50 mm wide", (ok, {}),
             "on film of 200 mm", (ok, {}), route="transfer",
             shop=FILM + "width_mm = 70\n", shop_right=FILM + "width_mm = 200\n"),
        Case("gutter-too-wide", "a gutter of 590 mm on film that prints 580 mm wide", (ok, {}), "of 6 mm", (ok, {}),
             mend=(ok, {}), route="transfer", found=_gutter),
        Case("too-many-pieces", "20,001 pieces", (ok, {"sizes": {"M": 20_001}, "overs": {"percent": 0}}),
             "20,000", (ok, {"sizes": {"M": 20_000}, "overs": {"percent": 0}}),
             mend=(ok, {"sizes": {"M": 10_000}}), route="transfer"),
        Case("no-pieces", "a roll without a piece", (ok, {}), "with one", (ok, {}), mend=(ok, {}),
             route="transfer", found=_no_pieces),
        Case("on-film-already", "a roll of an earlier night holds revision 1, this is 2", (ok, {}), "revision 1",
             (ok, {}), mend=(ok, {}), route="transfer", found=_on_film),
        Case("base-too-thin", "a line of 0.33 mm, choke 0.12 mm", (svg(rect(10, 30, 40, 0.33, "#1a3a8f", line)), {}),
             "0.51 mm", (svg(rect(10, 30, 40, 0.51, "#1a3a8f", line)), {}), route="transfer"),
    )  # fmt: skip


def rare() -> Cases:
    """Return the cases of what few orders have."""
    ok = svg(INK)
    grey = fabric("#808080")
    thin = svg(rect(10, 30, 40, 0.39, "#f0c040", 'transform="rotate(20 30 30)"'))
    return (
        Case("low-resolution", "a soft bitmap of 280 px, 118 ppi", (waves(280), {}), "480 px, 203 ppi",
             (waves(480), {})),
        Case("base-too-thin", 'a line of 0.39 mm where the shop says hairline = "stop"', (thin, fabric("#101012")),
             "0.41 mm", (thin.replace("0.39", "0.41"), fabric("#101012")),
             shop=BASE_POLICY.format('"stop"'), shop_right=BASE_POLICY.format('"stop"')),
        Case("fresh-shift", "colours made 60 % purer", (svg(disc(20, "#a05040")), {"fade": {"percent": 60}}),
             "4 %", (svg(disc(20, "#a05040")), {"fade": {"percent": 4}}),
             mend=(svg(disc(20, "#a05040")), {"fade": {"percent": 4}})),
        Case("fade-held-back", "the model for 12 washes, on a blue",
             (svg(disc(20, "#2a6a9a")), {"fade": {"method": "model", "washes": 12}}),
             "for 6", (svg(disc(20, "#2a6a9a")), {"fade": {"method": "model", "washes": 6}}),
             mend=(svg(disc(20, "#2a6a9a")), {"fade": {"method": "model", "washes": 6}})),
        Case("gradient-through-fabric", "a gradient from black to white on a grey shirt",
             (_gradient("#000000", "#ffffff"), grey), "from black to a dark red",
             (_gradient("#000000", "#701010"), grey),
             mend=(_gradient("#000000", "#701010"), grey)),
        Case("renderers-disagree", "a drawing of which one of two renderers leaves a piece out", (ok, {}),
             "both draw it alike", (ok, {}), mend=(ok, {}), found=_renderers),
        Case("owner-locked", "a PDF whose owner forbids printing", (_locked(True), {}), "an open one",
             (_locked(False), {}), mend=(_locked(False), {})),
        Case("wrong-extension", "a PNG called art.jpg", (waves(480), {}), "art.png", (waves(480), {}),
             mend=(waves(480), {}), name="art.jpg"),
        Case("text-undrawable", "a title in letters that the papers' fonts lack", (ok, {"title": "Kites \U00013000"}),
             "in Latin letters", (ok, {"title": "Kites Ünder sail"}), mend=(ok, {"title": "Kites"})),
    )  # fmt: skip


def _gradient(first: str, last: str) -> str:
    stops = f'<stop stop-color="{first}"/><stop offset="1" stop-color="{last}"/>'
    return svg(
        f'<linearGradient id="g">{stops}</linearGradient><rect x="5" y="5" width="50" height="50" fill="url(#g)"/>'
    )


def _locked(locked: bool) -> bytes:  # noqa: FBT001
    import pikepdf

    document = pikepdf.new()
    page = document.add_blank_page(page_size=(170, 170))
    page.obj.Contents = document.make_stream(b"0.1 0.2 0.6 rg 20 20 130 130 re f")
    stream = io.BytesIO()
    rights = pikepdf.Permissions(print_lowres=False, print_highres=False)
    how = pikepdf.Encryption(owner="owner", user="", allow=rights) if locked else False
    document.save(stream, encryption=how)
    return stream.getvalue()


def _gutter(which: str) -> Sequence[Finding]:
    from pipeline.stages.impose import Piece, Roll, problems

    roll = Roll(width_mm=580, longest_mm=10_000, gutter_mm=590 if which == "wrong" else 6)
    return problems((Piece("front", 60, 60, 1),), roll)


def _no_pieces(which: str) -> Sequence[Finding]:
    from pipeline.gang import film_problems
    from pipeline.shop import load_shop

    return film_problems(
        [("front", 60.0, 60.0, 0 if which == "wrong" else 1)], load_shop(None).presses["film-1"]
    )


def _on_film(which: str) -> Sequence[Finding]:
    from pipeline.on_film import on_film_already
    from pipeline.postflight import SCHEMA

    roll = {"press": "film-1", "path": "rolls/film-1-1.pdf"}
    record = {"schema": SCHEMA, "orders": [{"order": "T-1", "revision": 1}], "rolls": [roll], "files": []}
    with tempfile.TemporaryDirectory() as released:
        folder = Path(released) / "roll-film-1-0a1b2c"
        folder.mkdir()
        (folder / "record.json").write_text(json.dumps(record), encoding="utf-8")
        return on_film_already(Path(released), "T-1", 2 if which == "wrong" else 1)


def _renderers(which: str) -> Sequence[Finding]:
    from pipeline.art import svg as drawings
    from pipeline.art.piece import VectorArt
    from pipeline.art.read import art_of

    art = art_of(svg(INK).encode(), ".svg", "art.svg")
    assert isinstance(art, VectorArt)
    ours = drawings.small(art)
    if which == "wrong":
        ours[280:320, 280:320] = 0
    found = drawings.agreement(art, ours)
    return () if found is None else (found.finding,)
