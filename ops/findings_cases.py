"""Small orders for the table of findings: one that brings a code about, one that just does not, and what mends it."""

from __future__ import annotations

from ops.findings_base import (
    INK,
    Case,
    Cases,
    Made,
    boxed,
    cmyk,
    cropped,
    disc,
    fabric,
    pdf,
    rect,
    ruled,
    svg,
    waves,
)
from ops.findings_rare import film, rare


def measured() -> Cases:
    """Return the cases of what is measured on the art: resolution, lines, specks, edges of alpha."""
    ok = svg(INK)
    line = 'transform="rotate(20 30 30)"'
    upper = rect(10, 10, 40, 15, "#1a3a8f")
    yellow = disc(20, "#f0c040")
    text = '<text x="5" y="34" font-family="DejaVu Sans" font-size="{}" fill="#1a3a8f">across the seven seas</text>'
    return (
        Case("low-resolution", "a soft bitmap of 470 px, 199 ppi", (waves(470), {}), "480 px, 203 ppi",
             (waves(480), {})),
        Case("thin-line", "a line of 0.33 mm", (svg(rect(10, 30, 40, 0.33, "#1a3a8f", line)), {}),
             "0.36 mm", (svg(rect(10, 30, 40, 0.36, "#1a3a8f", line)), {})),
        Case("thin-gap", "a gap of 0.33 mm", (svg(upper + rect(10, 25.33, 40, 15, "#1a3a8f")), {}),
             "0.36 mm", (svg(upper + rect(10, 25.36, 40, 15, "#1a3a8f")), {})),
        Case("base-too-thin", "a line of 0.39 mm on black, choke 0.15 mm",
             (svg(rect(10, 30, 40, 0.39, "#f0c040", line)), fabric("#101012")),
             "0.41 mm", (svg(rect(10, 30, 40, 0.41, "#f0c040", line)), fabric("#101012"))),
        Case("specks", "a dot of 0.25 mm²", (svg(INK + rect(55, 5, 0.5, 0.5, "#1a3a8f")), {}),
             "0.36 mm²", (svg(INK + rect(55, 5, 0.6, 0.6, "#1a3a8f")), {})),
        Case("soft-alpha", "a shadow of 20 mm² at half strength over a base, 1.6 % of the ink",
             (svg(yellow + rect(52, 5, 5, 4, "#f0c040", 'opacity="0.5"')), fabric("#101012")),
             "of 5 mm², 0.4 %", (svg(yellow + rect(52, 5, 2.5, 2, "#f0c040", 'opacity="0.5"')), fabric("#101012"))),
        Case("small-text", "DejaVu Sans of 2.6 mm, 1.42 mm in its small letters", (svg(text.format(2.6)), {}),
             "of 2.9 mm, 1.58 mm", (svg(text.format(2.9)), {})),
        Case("nothing-to-print", "an empty drawing", (svg(""), {}), "a disc", (ok, {}), mend=(ok, {})),
        Case("out-of-gamut", "a main colour darker than the press prints", (svg(disc(20, "#000000")), {}),
             "a dark grey", (svg(disc(20, "#222222")), {})),
    )  # fmt: skip


def coloured() -> Cases:
    """Return the cases of colours: near the fabric's, like a neighbour's, gone altogether."""
    green = fabric("#2c5a40")
    halves = '<path d="M10 30A20 20 0 0 1 50 30z" fill="{}"/><path d="M10 30A20 20 0 0 0 50 30z" fill="{}"/>'
    return (
        Case("low-contrast", "ΔE00 9.9 from the fabric", (svg(disc(20, "#47765b")), green),
             "ΔE00 11.4", (svg(disc(20, "#4a7a5e")), green)),
        Case("low-contrast-neighbours", "two halves ΔE00 6 apart", (svg(halves.format("#a03030", "#b04038")), {}),
             "ΔE00 10", (svg(halves.format("#a03030", "#bc5046")), {})),
        Case("near-fabric", "ΔE00 5.8 from the fabric, upon another colour",
             (svg(disc(26, "#f0e8d0") + disc(20, "#3b6b50")), green),
             "ΔE00 6.6", (svg(disc(26, "#f0e8d0") + disc(20, "#3d6d52")), green)),
        Case("all-knocked-out", "the fabric's own colour alone", (svg(disc(20, "#2c5a40")), green),
             "another colour beside it", (svg(disc(20, "#2c5a40") + rect(5, 5, 8, 8, "#f0f0f0")), green)),
        Case("lost-on-fabric", "a square of the fabric's colour beside other ink",
             (svg(disc(16, "#f0e8d0") + rect(2, 2, 9, 9, "#2c5a40")), green),
             "upon it", (svg(disc(16, "#f0e8d0") + rect(25, 25, 9, 9, "#2c5a40")), green)),
        Case("fabric-preview", "a square within ΔE00 10 of the fabric, under the art",
             (svg(rect(0, 0, 60, 60, "#3f6f55") + disc(20, "#f0e8d0")), green),
             "no square", (svg(disc(20, "#f0e8d0")), green)),
        Case("opaque-ground", "a logo on a white box", (boxed((255, 255, 255)), green),
             "on a white shirt", (boxed((255, 255, 255)), {})),
        Case("lossy-edges", "a JPEG, its yellow 25 levels lighter than the fabric",
             (boxed((153, 153, 158), (226, 181, 40), jpeg=True), fabric("#99999e")),
             "42 levels", (boxed((153, 153, 158), jpeg=True), fabric("#99999e")),
             mend=(boxed((153, 153, 158), (226, 181, 40)), fabric("#99999e"))),
        Case("blurred-strokes", "lines of 0.45 mm blurred by 0.17 mm", (ruled((44, 90, 64), 2.2), green),
             "by 0.03 mm", (ruled((44, 90, 64), 0.4), green), mend=(ruled((44, 90, 64), 0.0), green)),
        Case("swap-not-found", "a swap of a colour that is not there",
             (svg(INK), {"swap": [{"from": "#c0a020", "to": "#203020"}]}),
             "of one that is", (svg(INK), {"swap": [{"from": "#1a3a8f", "to": "#203020"}]}),
             mend=(svg(INK), {})),
        Case("nothing-knocked-out", "shows_fabric names a colour that is not there",
             (svg(INK), {"shows_fabric": ["#c0a020"]}),
             "one that is", (svg(INK + rect(2, 2, 8, 8, "#a02020")), {"shows_fabric": ["#1a3a8f"]}),
             mend=(svg(INK), {})),
        Case("dye-migration", "50 % polyester, cure not set",
             (svg(INK), fabric("#f0f0f0", fibre={"cotton": 50, "polyester": 50})),
             "29 %", (svg(INK), fabric("#f0f0f0", fibre={"cotton": 71, "polyester": 29}))),
        Case("fade-not-calibrated", "the model, without wash tests", (svg(INK), {"fade": {"method": "model"}}),
             "the studio habit", (svg(INK), {"fade": {"method": "saturation"}}),
             mend=(svg(INK), {"fade": {"method": "saturation"}})),
        Case("fade-unreachable", "dark ink for 60 washes",
             (svg(disc(20, "#2a2a30")), {"fade": {"method": "model", "washes": 60}}),
             "for 5", (svg(disc(20, "#4a4a60")), {"fade": {"method": "model", "washes": 5}}),
             mend=(svg(disc(20, "#2a2a30")), {"fade": {"method": "none"}})),
    )  # fmt: skip


def placed() -> Cases:
    """Return the cases of place and size."""
    ok = svg(INK)
    full = svg(rect(5, 5, 50, 50, "#1a3a8f"))
    two = {"bands": [["M", "L"]], "sizes": {"M": 1, "L": 1}}
    hooded = {"garment": "hooded sweatshirt", "position": "full front", "by_size": {"M": {"width_mm": 120}}}
    return (
        Case("outside-area", "shifted 2 mm over the area's edge", (full, {"shift_mm": [32, 0]}),
             "by cut_ok", (full, {"shift_mm": [32, 0], "cut_ok": True})),
        Case("outside-area", "a disc that runs 0.4 mm out of its drawing area",
             (svg('<circle cx="40.4" cy="30" r="20" fill="#1a3a8f"/>'), {}),
             "0.2 mm", (svg('<circle cx="40.2" cy="30" r="20" fill="#1a3a8f"/>'), {})),
        Case("near-edge", "a bitmap whose disc is cut by the file's edge, 4 mm",
             (cropped(44), {}), "a disc that touches it", (cropped(40), {})),
        Case("near-edge", "2.5 mm from the area's edge", (full, {"shift_mm": [27.5, 0]}),
             "3.5 mm", (full, {"shift_mm": [26.5, 0]})),
        Case("on-obstruction", "shifted 10 mm onto a pocket", (ok, hooded | {"shift_mm": [0, 195]}),
             "above it", (ok, hooded | {"shift_mm": [0, 40]})),
        Case("size-held", "600 mm wide when scaled to 3XL",
             (ok, {"position": "full front", "width_mm": 300, "sizes": {"M": 1, "3XL": 1}}),
             "on M alone", (ok, {"position": "full front", "width_mm": 300, "sizes": {"M": 1}})),
        Case("band-size", "a width stated for the larger of two sizes of a band",
             (ok, two | {"by_size": {"L": {"width_mm": 70}}}),
             "for the smaller", (ok, two | {"by_size": {"M": {"width_mm": 70}}}),
             mend=(ok, two | {"bands": "each size", "by_size": {"L": {"width_mm": 70}}})),
    )  # fmt: skip


def read() -> Cases:
    """Return the cases of what reading the art finds."""
    ok = svg(INK)
    live = '<text x="8" y="34" font-family="{}" font-size="12" fill="#1a3a8f">Kites</text>'
    hidden = '<g id="sketch" display="none"><rect width="9" height="9" fill="#802020"/></g>'
    guides = '<g id="guides"><path d="M2 0v60" stroke="#802020" stroke-width="1"/></g>'
    outlined = svg(rect(8, 24, 30, 10, "#1a3a8f"))
    return (
        Case("font-missing", "live text in a font that is not here", (svg(live.format("No Such Face")), {}),
             "outlined text", (outlined, {}), mend=(outlined, {})),
        Case("live-text", "live text in a font that is here", (svg(live.format("DejaVu Sans")), {}),
             "outlined text", (outlined, {}), mend=(outlined, {})),
        Case("element-not-found", "omit names nothing", (ok, {"omit": ["sun"]}),
             "something", (svg(INK + rect(2, 2, 9, 9, "#802020", 'id="sun"')), {"omit": ["sun"]}), mend=(ok, {})),
        Case("hidden-content", "a layer that is switched off", (svg(INK + hidden), {}),
             "left out by name", (svg(INK + hidden), {"omit": ["sketch"]}),
             mend=(svg(INK + hidden), {"omit": ["sketch"]})),
        Case("hidden-content", "a PDF layer that is switched off", (pdf(True), {}), "switched on", (pdf(False), {}),
             mend=(pdf(True), {"omit": ["cut lines"]})),
        Case("guide-left", "a layer called guides", (svg(INK + guides), {}),
             "left out by name", (svg(INK + guides), {"omit": ["guides"]}),
             mend=(svg(INK + guides), {"omit": ["guides"]})),
        Case("external-reference", "a picture that lies on another machine",
             (svg(INK + '<image width="9" height="9" href="http://example.invalid/a.png"/>'), {}),
             "none", (ok, {}), mend=(ok, {})),
        Case("unsupported-feature", "a colour no renderer knows",
             (svg(rect(5, 5, 30, 30, "oklch(0.6 0.2 30)")), {}), "a plain one", (ok, {}), mend=(ok, {})),
        Case("colour-mode", "a bitmap in CMYK", (cmyk(profile=False), {}), "in sRGB", (cmyk(profile=True), {}),
             mend=(cmyk(profile=True), {})),
        Case("no-profile", "CMYK without a profile", (cmyk(profile=False), {}), "sRGB with one",
             (cmyk(profile=True), {}), mend=(cmyk(profile=True), {})),
        Case("art-unreadable", "half of a PNG", (waves(300)[:400], {}), "the whole", (waves(480), {}), mend=(ok, {})),
        Case("art-too-large", "a drawing 30,000 px high at print size",
             (svg(INK).replace('viewBox="0 0 60 60"', 'viewBox="0 0 1 60"'), {}), "square", (ok, {}), mend=(ok, {})),
        Case("not-served", "ship = as ready", (ok, {"ship": "as ready"}), "together", (ok, {"ship": "together"}),
             mend=(ok, {"ship": "together"})),
    )  # fmt: skip


def routes() -> Cases:
    """Return cases that another route's own limits decide."""
    line = 'transform="rotate(20 30 30)"'
    upper = rect(10, 10, 40, 15, "#1a3a8f")
    return (
        Case("thin-line", "a line of 0.29 mm", (svg(rect(10, 30, 40, 0.29, "#1a3a8f", line)), {}),
             "0.51 mm", (svg(rect(10, 30, 40, 0.51, "#1a3a8f", line)), {}), route="transfer"),
        Case("thin-gap", "a gap of 0.48 mm", (svg(upper + rect(10, 25.48, 40, 15, "#1a3a8f")), {}),
             "0.51 mm", (svg(upper + rect(10, 25.51, 40, 15, "#1a3a8f")), {}), route="transfer"),
        Case("specks", "a separate patch 0.45 mm wide", (svg(INK + rect(55, 5, 0.45, 1.5, "#1a3a8f")), {}),
             "0.55 mm", (svg(INK + rect(55, 5, 0.55, 1.5, "#1a3a8f")), {}), route="transfer"),
        Case("faint-ink", "a line of 0.32 mm that covers 40 %",
             (svg(INK + rect(5, 5, 40, 0.32, "#1a3a8f", 'opacity="0.4"')), {}),
             "of 0.45 mm", (svg(INK + rect(5, 5, 40, 0.45, "#1a3a8f", 'opacity="0.4"')), {}), route="transfer"),
        Case("thin-line", "a line of 0.24 mm", (svg(rect(10, 30, 40, 0.24, "#1a3a8f", line)), {}),
             "0.36 mm", (svg(rect(10, 30, 40, 0.36, "#1a3a8f", line)), {}), route="screen"),
        Case("thin-gap", "a gap of 0.34 mm", (svg(upper + rect(10, 25.34, 40, 15, "#1a3a8f")), {}),
             "0.51 mm", (svg(upper + rect(10, 25.51, 40, 15, "#1a3a8f")), {}), route="screen"),
    )  # fmt: skip


FAMILIES: tuple[Made, ...] = (measured, coloured, placed, read, routes, film, rare)
