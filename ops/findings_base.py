"""What a case of the table of findings is, and the art that cases are made of.

Art is drawn on 60 × 60 units and printed 60 mm wide on the left chest, so that a unit is a millimetre.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.finding import Finding

Art = bytes | str
"""What lies in the art file: SVG as text, a bitmap or a PDF as bytes."""

INK = '<circle cx="30" cy="30" r="20" fill="#1a3a8f"/>'
"""Art that no check has anything against, on white cotton."""


@dataclass(frozen=True)
class Case:
    """`wrong` and `right` are (art, changes to the manifest) for the order that has the finding and the one without.

    `mend` is what the remedy's words say where they are no manifest line: the art sent again, or other changes. `shop`
    and `shop_right` are lines of a shop file for the first order, and for the others; `name` is the first one's art
    file. What no order alone brings about is `found` by hand, for "wrong", "right" and "mended".
    """

    code: str
    what: str
    wrong: tuple[Art, Mapping[str, Any]]
    just_not: str
    right: tuple[Art, Mapping[str, Any]]
    mend: tuple[Art, Mapping[str, Any]] | None = None
    route: str = "direct"
    shop: str = ""
    shop_right: str = ""
    name: str = ""
    found: Callable[[str], Sequence[Finding]] | None = None


def svg(body: str, size: float = 60) -> str:
    """Return a drawing of `size` square units."""
    return f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {size} {size}">{body}</svg>'


def rect(x: float, y: float, w: float, h: float, fill: str, more: str = "") -> str:
    """Return a rectangle."""
    return f'<rect x="{x}" y="{y}" width="{w}" height="{h}" fill="{fill}" {more}/>'


def disc(r: float, fill: str, more: str = "") -> str:
    """Return a disc in the middle."""
    return f'<circle cx="30" cy="30" r="{r}" fill="{fill}" {more}/>'


def png(pixels: np.ndarray, mode: str = "RGBA", kind: str = "PNG", **how: Any) -> bytes:
    """Return a bitmap file."""
    from PIL import Image

    stream = io.BytesIO()
    Image.fromarray(pixels, mode).save(stream, kind, **how)
    return stream.getvalue()


def waves(px: int) -> bytes:
    """Return a soft, photographic disc of `px` pixels on nothing."""
    y, x = np.mgrid[:px, :px] / px
    out = np.zeros((px, px, 4), np.uint8)
    out[..., 0] = 90 + 60 * np.sin(9 * x + 3 * y)
    out[..., 1] = 60 + 40 * np.sin(7 * y)
    out[..., 2] = 120 + 50 * np.cos(6 * x - 4 * y)
    out[..., 3] = np.clip((0.42 - np.hypot(x - 0.5, y - 0.5)) * px + 0.5, 0, 1) * 255
    out[out[..., 3] == 0] = 0
    return png(out)


def cropped(x: float) -> bytes:
    """Return a disc of 20 mm radius, 800 px to 60 mm, whose middle lies `x` mm from the left."""
    down, across = np.mgrid[:800, :800] * 0.075
    out = np.zeros((800, 800, 4), np.uint8)
    out[..., :3] = (26, 58, 143)
    out[..., 3] = np.clip((20 - np.hypot(across - x, down - 30)) / 0.075 + 0.5, 0, 1) * 255
    return png(out)


def boxed(
    ground: tuple[int, int, int], logo: tuple[int, int, int] = (240, 200, 60), *, jpeg: bool = False
) -> bytes:
    """Return a yellow logo on a flat ground, 800 px wide, as PNG or JPEG."""
    out = np.full((800, 800, 4), 255, np.uint8)
    out[..., :3] = ground
    out[203:597, 253:547, :3] = logo
    return png(out[..., :3], "RGB", "JPEG", quality=90) if jpeg else png(out)


def ruled(ground: tuple[int, int, int], blur: float) -> bytes:
    """Return slanted cream lines of 6 px on a flat ground, 800 px wide, blurred by a Gaussian of so many pixels."""
    from PIL import Image, ImageDraw, ImageFilter

    sheet = Image.new("RGB", (800, 800), ground)
    draw = ImageDraw.Draw(sheet)
    for x in range(200, 600, 40):
        draw.line((x, 600, x + 60, 200), (245, 237, 209), 6)
    return png(np.asarray(sheet.filter(ImageFilter.GaussianBlur(blur))), "RGB")


def cmyk(*, profile: bool) -> bytes:
    """Return a JPEG in CMYK of a flat blue, with or without a profile."""
    from PIL import Image, ImageCms

    image = Image.new("CMYK", (720, 720), (200, 160, 20, 10))
    stream = io.BytesIO()
    image.save(stream, "JPEG", quality=95)
    if not profile:
        return stream.getvalue()
    rgb = Image.new("RGB", (720, 720), (26, 58, 143))
    stream = io.BytesIO()
    rgb.save(stream, "PNG", icc_profile=ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    return stream.getvalue()


def fabric(srgb: str, **more: Any) -> dict[str, Any]:
    """Return the change to another fabric."""
    return {"fabric": {"srgb": srgb, **more}}


def pdf(hidden: bool) -> bytes:  # noqa: FBT001
    """Return a PDF page with a blue square, in a layer that is switched off or on."""
    import pikepdf
    from pikepdf import Array, Dictionary, Name

    document = pikepdf.new()
    page = document.add_blank_page(page_size=(170, 170))
    group = document.make_indirect(Dictionary(Type=Name.OCG, Name="cut lines"))
    page.obj.Resources = Dictionary(Properties=Dictionary(L0=group))
    off = Array([group]) if hidden else Array([])
    document.Root.OCProperties = Dictionary(OCGs=Array([group]), D=Dictionary(OFF=off))
    page.obj.Contents = document.make_stream(
        b"0.1 0.2 0.6 rg 20 20 60 60 re f /OC /L0 BDC 0.6 0.1 0.1 rg 90 90 60 60 re f EMC"
    )
    stream = io.BytesIO()
    document.save(stream, static_id=True)
    return stream.getvalue()


Cases = tuple[Case, ...]
Made = Callable[[], Cases]
