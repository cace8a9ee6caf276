"""Draws the art of the example orders: run it to make the files again, they are kept beside it.

The scenario is invented: the Brackwater Kite Society, its crest, a marsh at dusk, and a moss patch that sinks into a
green shirt, a badge for film. The lettering is outlined from DejaVu Sans Bold, so that no font is needed to print it.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
from fontTools.pens.svgPathPen import SVGPathPen
from fontTools.pens.transformPen import TransformPen
from fontTools.ttLib import TTFont
from PIL import Image, ImageFilter

HERE = Path(__file__).resolve().parent
FONT = HERE.parent / "pipeline" / "papers" / "fonts" / "DejaVuSans-Bold.ttf"

NAVY, RED, CREAM, GOLD, TEAL, WHITE = "#1d2b4f", "#8f2430", "#f3e9d2", "#d9a441", "#2f7f86", "#ffffff"


def lettering(
    text: str, size: float, centre: tuple[float, float], radius: float | None, spacing: float = 1.0
) -> str:
    """Return path data of outlined text, centred on a point or set on an arc above (radius > 0) or below (< 0)."""
    font = TTFont(FONT)
    glyphs, names = font.getGlyphSet(), font.getBestCmap()
    scale = size / font["head"].unitsPerEm
    advances = [glyphs[names[ord(c)]].width * scale * spacing for c in text]
    total = sum(advances)
    pen = SVGPathPen(glyphs, ntos=lambda v: f"{v:.2f}".rstrip("0").rstrip("."))
    along = -total / 2
    for character, advance in zip(text, advances, strict=True):
        middle = along + advance / 2
        if radius is None:
            turn, x, y = 0.0, centre[0] + along, centre[1]
        else:
            angle = middle / radius
            turn = angle
            x = centre[0] + radius * math.sin(angle) - advance / 2 * math.cos(turn)
            y = centre[1] - radius * math.cos(angle) - advance / 2 * math.sin(turn)
        matrix = (
            scale * math.cos(turn), scale * math.sin(turn),
            scale * math.sin(turn), -scale * math.cos(turn), x, y,
        )  # fmt: skip
        glyphs[names[ord(character)]].draw(TransformPen(pen, matrix))
        along += advance
    return pen.getCommands()


def wave(y: float, height: float, left: float, right: float, crests: int) -> str:
    """Return path data of a band of water from `y` down to the bottom of the field."""
    step = (right - left) / crests
    path = f"M{left} {y}"
    for i in range(crests):
        x = left + i * step
        path += f"Q{x + step / 4:.1f} {y - height:.1f} {x + step / 2:.1f} {y}T{x + step:.1f} {y}"
    return path + f"V560H{left}Z"


def crest() -> str:
    """Return the crest: ring, field of sky and water, kite, ribbon, lettering."""
    ring = lettering("BRACKWATER KITE SOCIETY", 46, (300, 330), 236, 1.03)
    motto = lettering("FLY LOW · LAND DRY", 34, (300, 668), None, 1.04)
    star = "M0-16 4.7-5 15.2-5 6.6 2 9.4 13 0 6.4-9.4 13-6.6 2-15.2-5-4.7-5Z"
    tails = "".join(
        f'<path d="M{x} {y}l-15-9v18zm0 0l15-9v18z" fill="{colour}"/>'
        for x, y, colour in ((262, 428, GOLD), (243, 462, CREAM), (250, 500, GOLD))
    )
    return f"""<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 600 720" width="600" height="720">
<title>Crest of the Brackwater Kite Society</title>
<defs>
<linearGradient id="dusk" x1="0" y1="0" x2="0" y2="1">
<stop offset="0" stop-color="{NAVY}"/><stop offset="0.55" stop-color="{TEAL}"/><stop offset="1" stop-color="{CREAM}"/>
</linearGradient>
<radialGradient id="glow"><stop offset="0.25" stop-color="{WHITE}"/><stop offset="1" stop-color="{GOLD}"/></radialGradient>
<clipPath id="field"><circle cx="300" cy="330" r="196"/></clipPath>
</defs>
<g id="ring">
<circle cx="300" cy="330" r="286" fill="{NAVY}"/>
<circle cx="300" cy="330" r="278" fill="none" stroke="{GOLD}" stroke-width="5"/>
<circle cx="300" cy="330" r="204" fill="{GOLD}"/>
<path id="name" d="{ring}" fill="{CREAM}"/>
<g fill="{GOLD}"><path transform="translate(120 510) rotate(-40)" d="{star}"/>
<path transform="translate(480 510) rotate(40)" d="{star}"/></g>
</g>
<g clip-path="url(#field)">
<rect id="sky" x="100" y="130" width="400" height="400" fill="url(#dusk)"/>
<circle cx="385" cy="240" r="44" fill="url(#glow)"/>
<path d="{wave(430, 16, 100, 500, 8)}" fill="{TEAL}"/>
<path d="{wave(458, 16, 80, 520, 8)}" fill="{NAVY}"/>
<path d="{wave(490, 14, 100, 500, 8)}" fill="{RED}"/>
<path d="M130 470q6-60-4-96m10 100q10-50 26-84m-20 86q-4-40-26-70" fill="none" stroke="{NAVY}" stroke-width="5"
stroke-linecap="round"/>
</g>
<g id="kite">
<path d="M270 400Q252 420 262 440T244 480T254 512" fill="none" stroke="{CREAM}" stroke-width="4"/>
{tails}
<path d="M300 170L392 282L270 400L216 262Z" fill="{RED}"/>
<path d="M300 170L270 400L216 262Z" fill="{CREAM}"/>
<path d="M300 170L392 282L270 400L216 262Z" fill="{NAVY}" fill-opacity="0.18"/>
<path d="M300 170L270 400M216 262L392 282" fill="none" stroke="{NAVY}" stroke-width="5"/>
<path d="M300 170L392 282L270 400L216 262Z" fill="none" stroke="{NAVY}" stroke-width="7" stroke-linejoin="round"/>
</g>
<g id="ribbon">
<path d="M40 610L96 700L28 700L52 664Z" fill="{RED}"/><path d="M560 610L504 700L572 700L548 664Z" fill="{RED}"/>
<path d="M74 612H526V694H74Z" fill="{RED}"/>
<path d="M78 622H522M78 684H522" fill="none" stroke="{CREAM}" stroke-width="3.5"/>
<path id="motto" d="{motto}" fill="{WHITE}"/>
</g>
</svg>
"""


def nape_mark() -> str:
    """Return the small mark for the nape: the kite alone with the year."""
    year = lettering("SINCE 1987", 40, (150, 226), None, 1.05)
    return f"""<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 300 240" width="300" height="240">
<title>Nape mark of the Brackwater Kite Society</title>
<path d="M150 12L216 84L150 176L84 84Z" fill="{RED}"/>
<path d="M150 12L150 176L84 84Z" fill="{CREAM}"/>
<path d="M150 12L216 84L150 176L84 84ZM150 12V176M84 84H216" fill="none" stroke="{GOLD}" stroke-width="7"
stroke-linejoin="round"/>
<path id="year" d="{year}" fill="{CREAM}"/>
</svg>
"""


def moss_patch() -> str:
    """Return the patch of the third order: a moss green that sinks into a green shirt."""
    word = lettering("MARSH CREW", 54, (250, 330), None, 1.04)
    return f"""<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 500 360" width="500" height="360">
<title>Patch of the marsh crew</title>
<path id="hill" d="M20 250Q120 90 250 110T480 250Z" fill="#2f4a2b"/>
<circle cx="372" cy="84" r="52" fill="#e9b44c"/>
<path id="reeds" d="M90 250q4-90-10-150m40 150q14-80 40-130m-10 130q-6-70-34-110" fill="none" stroke="#f3e9d2"
stroke-width="9" stroke-linecap="round"/>
<path d="M20 250H480V266H20Z" fill="#f3e9d2"/>
<path id="word" d="{word}" fill="#f3e9d2"/>
</svg>
"""


def night_flight() -> str:
    """Return the badge of the fourth order, for film: a moon whose glow runs out, which film can only hold as dots."""
    word = lettering("NIGHT FLIGHT", 50, (250, 404), None, 1.03)
    return f"""<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 500 430" width="500" height="430">
<title>Badge of the night flight</title>
<defs><radialGradient id="glow" cx="190" cy="170" r="165" gradientUnits="userSpaceOnUse">
<stop offset="0.5" stop-color="#d9a441"/><stop offset="1" stop-color="#d9a441" stop-opacity="0"/></radialGradient></defs>
<circle id="halo" cx="190" cy="170" r="165" fill="url(#glow)"/>
<circle id="moon" cx="190" cy="170" r="84" fill="#f3e9d2"/>
<path id="kite" d="M330 40L424 128L376 250L276 150Z" fill="#2f7f86"/>
<path d="M330 40L424 128L350 152Z" fill="#f3e9d2"/>
<path id="tail" d="M376 250Q420 290 366 312T390 352" fill="none" stroke="#2f7f86" stroke-width="9" stroke-linecap="round"/>
<path id="word" d="{word}" fill="#f3e9d2"/>
</svg>
"""


def marsh_at_dusk(width: int = 1500, height: int = 1600) -> Image.Image:
    """Return a painted marsh with a soft, brushed edge that runs out into nothing."""
    y, x = np.mgrid[0:height, 0:width].astype(np.float64)
    noise = np.random.default_rng(1987)
    sky = np.array([[26, 32, 66], [92, 60, 110], [214, 108, 92], [246, 190, 110]], float)
    t = np.clip(y / (height * 0.62), 0, 1) * 3
    low = np.minimum(t.astype(int), 2)
    frac = (t - low)[..., None]
    picture = sky[low] * (1 - frac) + sky[low + 1] * frac
    sun = np.hypot(x - width * 0.62, y - height * 0.47)
    picture += np.clip(1 - sun / 420, 0, 1)[..., None] ** 2 * np.array([90, 80, 40])
    picture[sun < 118] = (255, 236, 178)
    for level, colour, rough in (
        (0.60, (70, 44, 74), 30),
        (0.70, (44, 34, 60), 44),
        (0.82, (20, 20, 32), 60),
    ):
        ridge = height * level + rough * np.sin(x / 190 + level * 40) + rough / 2 * np.sin(x / 71 + level * 9)
        picture[y > ridge] = colour
    water = (y > height * 0.70) & (y < height * 0.84) & (np.sin(y / 5.5 + 3 * np.sin(x / 160)) > 0.55)
    picture[water & (np.abs(x - width * 0.62) < 60 + (y - height * 0.70) * 1.2)] = (236, 158, 96)
    image = Image.fromarray(np.clip(picture, 0, 255).astype(np.uint8)).filter(ImageFilter.GaussianBlur(1.2))
    reach = np.hypot((x - width / 2) / (width * 0.44), (y - height / 2) / (height * 0.44))
    brush = Image.fromarray((noise.random((height // 50, width // 50)) * 255).astype(np.uint8))
    ragged = np.asarray(brush.resize((width, height), Image.Resampling.BICUBIC), float) / 255
    alpha = np.clip((1.02 - reach + (ragged - 0.5) * 0.14) * 20, 0, 1) * 255
    image.putalpha(Image.fromarray(alpha.astype(np.uint8)).filter(ImageFilter.GaussianBlur(1.0)))
    return image


def main() -> None:
    """Write all pieces of art beside this script."""
    folder = HERE / "kite-society"
    folder.mkdir(exist_ok=True)
    (folder / "crest.svg").write_text(crest(), encoding="utf-8")
    (folder / "nape-mark.svg").write_text(nape_mark(), encoding="utf-8")
    (folder / "moss-patch.svg").write_text(moss_patch(), encoding="utf-8")
    (folder / "night-flight.svg").write_text(night_flight(), encoding="utf-8")
    marsh_at_dusk().save(folder / "marsh-at-dusk.png", optimize=True)


if __name__ == "__main__":
    main()
