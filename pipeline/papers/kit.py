"""The layout kit of all papers: one sheet with a grid, a type scale, and a record of every box it draws.

Coordinates are mm from the page's upper left corner, y down. A sheet has a cursor `y`; `need(height)` turns
the page when too little is left. Nothing here knows what a ticket is.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from pipeline.art.paint import Rgb
from pipeline.papers import text as words

MM = 72 / 25.4
PAPERS: dict[str, tuple[float, float]] = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
MARGIN = 11.0
RAIL = 15.0
"""Width of the left rail that carries the step numbers."""

INK: Rgb = (17, 17, 17)
QUIET: Rgb = (84, 84, 84)
HAIR: Rgb = (150, 150, 150)
PALE: Rgb = (240, 240, 238)
WHITE: Rgb = (255, 255, 255)

Align: TypeAlias = Literal["left", "right", "centre"]


@dataclass(frozen=True, slots=True)
class Style:
    """A step of the type scale: face, size in points, ink (None: black or white, by the ground)."""

    face: words.Face
    size: float
    ink: Rgb | None = None

    @property
    def height(self) -> float:
        """Height of one line in mm, leading included."""
        return self.size * 1.22 / MM


TINY = Style("plain", 7.0)
SMALL = Style("plain", 8.5)
BODY = Style("plain", 10.0)
STRONG = Style("bold", 10.0)
LABEL = Style("bold", 7.5)
MONO = Style("mono", 7.5)
LARGE = Style("bold", 13.0)
BIG = Style("bold", 16.0)
HUGE = Style("bold", 22.0)
GIANT = Style("bold", 28.0)


@dataclass(frozen=True, slots=True)
class Box:
    """One line of text as drawn: page from 1, mm, what it says, its ink and the ground it stands on."""

    page: int
    x: float
    y: float
    width: float
    height: float
    text: str
    ink: Rgb
    ground: Rgb


def luminance(colour: Rgb) -> float:
    """Relative luminance 0–1 of an sRGB colour (WCAG 2.2)."""
    total = 0.0
    for value, weight in zip(colour, (0.2126, 0.7152, 0.0722), strict=True):
        part = value / 255
        total += weight * (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4)
    return total


def contrast(one: Rgb, other: Rgb) -> float:
    """Contrast ratio 1–21 of two sRGB colours (WCAG 2.2)."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def ink_on(ground: Rgb) -> Rgb:
    """Return black or white, whichever stands out more; never below 4.58 : 1."""
    return (0, 0, 0) if contrast((0, 0, 0), ground) >= contrast(WHITE, ground) else WHITE


class Sheet:
    """A PDF in the making: draws in mm, breaks pages, keeps the boxes of its text.

    `furniture` is called at the start of each page, with the cursor at the upper margin; `pages` is the
    number of pages when known (a first run counts them). `compact` asks for smaller pictures and lower rows.
    """

    def __init__(
        self,
        size: tuple[float, float],
        *,
        title: str,
        subject: str = "",
        author: str = "",
        furniture: Callable[[Sheet], None] | None = None,
        pages: int = 0,
        bottom: float = MARGIN + 3.5,
        compact: bool = False,
    ) -> None:
        from reportlab.pdfgen.canvas import Canvas

        self.width, self.height = size
        self.left, self.right = MARGIN + RAIL, size[0] - MARGIN
        self.bottom = size[1] - bottom
        self.pages, self.page, self.y, self.compact = pages, 1, MARGIN, compact
        self.boxes: list[Box] = []
        self.running = ""  # the section that a turned page continues
        self._fills: list[tuple[float, float, float, float, Rgb]] = []
        self._furniture = furniture
        self._out = io.BytesIO()
        points = (size[0] * MM, size[1] * MM)
        words.font("plain")
        self.canvas: Any = Canvas(
            self._out,
            pagesize=points,
            invariant=1,
            pageCompression=1,
            lang="en-GB",
            # else every page names a standard font that isn't embedded; the stubs take a name for a number
            initialFontName="paper-plain",  # type: ignore[arg-type]
        )
        self.canvas.setTitle(words.spelled(title))
        self.canvas.setSubject(words.spelled(subject))
        self.canvas.setAuthor(words.spelled(author))
        self.canvas.setCreator("washfast")
        if furniture:
            furniture(self)

    # -- pages -------------------------------------------------------------------------------------------

    @property
    def span(self) -> float:
        """Width of the content in mm."""
        return self.right - self.left

    def need(self, height: float) -> bool:
        """Turn the page when less than `height` mm is left; return whether it was turned."""
        if self.y + height <= self.bottom:
            return False
        self.turn()
        return True

    def turn(self) -> None:
        """Start the next page."""
        self.canvas.showPage()
        self.page += 1
        self.y = MARGIN
        self._fills = []
        if self._furniture:
            self._furniture(self)

    def bookmark(self, label: str, level: int = 0) -> None:
        """Add an entry to the document's outline that leads here."""
        key = f"o{len(self.boxes)}-{self.page}"
        self.canvas.bookmarkHorizontal(key, 0, self._up(self.y - 2))
        self.canvas.addOutlineEntry(words.spelled(label), key, level, closed=False)

    def finish(self) -> bytes:
        """Return the PDF."""
        from reportlab import rl_config

        self.canvas.showOutline()
        wrapped = rl_config.useA85
        rl_config.useA85 = 0  # plain binary streams: a fifth smaller
        try:
            self.canvas.save()
        finally:
            rl_config.useA85 = wrapped
        return self._out.getvalue()

    # -- drawing -----------------------------------------------------------------------------------------

    def _up(self, y: float) -> float:
        return (self.height - y) * MM

    def fill(self, x: float, y: float, width: float, height: float, colour: Rgb) -> None:
        """Fill a rectangle; text drawn inside it later stands on this colour."""
        self._fills.append((x, y, width, height, colour))
        self.canvas.setFillColorRGB(*(v / 255 for v in colour))
        self.canvas.rect(x * MM, self._up(y + height), width * MM, height * MM, stroke=0, fill=1)

    def frame(self, x: float, y: float, width: float, height: float, weight: float = 0.25) -> None:
        """Outline a rectangle; `weight` in mm, drawn inside."""
        self._pen(INK, weight)
        inset = weight / 2
        self.canvas.rect(
            (x + inset) * MM, self._up(y + height - inset), (width - weight) * MM, (height - weight) * MM
        )

    def _pen(self, colour: Rgb, weight: float, dash: tuple[float, ...] = ()) -> None:
        self.canvas.setStrokeColorRGB(*(v / 255 for v in colour))
        self.canvas.setLineWidth(weight * MM)
        self.canvas.setDash([d * MM for d in dash])

    def rule(
        self,
        x1: float,
        y1: float,
        x2: float,
        y2: float,
        weight: float = 0.2,
        colour: Rgb = INK,
        dash: tuple[float, ...] = (),
    ) -> None:
        """Draw a line."""
        self._pen(colour, weight, dash)
        self.canvas.line(x1 * MM, self._up(y1), x2 * MM, self._up(y2))

    def shape(
        self,
        points: list[tuple[float, float]],
        *,
        fill: Rgb | None = None,
        stroke: Rgb = INK,
        weight: float = 0.25,
    ) -> None:
        """Draw a closed polygon."""
        path = self.canvas.beginPath()
        for i, (x, y) in enumerate(points):
            (path.lineTo if i else path.moveTo)(x * MM, self._up(y))
        path.close()
        self._pen(stroke, weight)
        if fill is not None:
            self.canvas.setFillColorRGB(*(v / 255 for v in fill))
        self.canvas.drawPath(path, stroke=1, fill=int(fill is not None))

    def image(self, x: float, y: float, width: float, height: float, pixels: NDArray[np.uint8]) -> None:
        """Place an sRGB picture (H, W, 3) at a size in mm."""
        from PIL import Image
        from reportlab import rl_config
        from reportlab.lib.utils import ImageReader

        wrapped = rl_config.useA85
        rl_config.useA85 = 0
        try:
            picture = ImageReader(Image.fromarray(np.ascontiguousarray(pixels)))
            self.canvas.drawImage(picture, x * MM, self._up(y + height), width * MM, height * MM)
        finally:
            rl_config.useA85 = wrapped

    def link(self, x: float, y: float, width: float, height: float, address: str) -> None:
        """Make a rectangle lead to an address."""
        self.canvas.linkURL(address, (x * MM, self._up(y + height), (x + width) * MM, self._up(y)))

    # -- text --------------------------------------------------------------------------------------------

    def _ground(self, x: float, y: float) -> Rgb:
        for left, top, width, height, colour in reversed(self._fills):
            if left <= x <= left + width and top <= y <= top + height:
                return colour
        return WHITE

    def _line(self, x: float, y: float, line: str, style: Style, width: float, align: Align) -> None:
        if not line:
            return
        drawn = words.width_of(line, style.face, style.size) / MM
        x += {"left": 0.0, "right": width - drawn, "centre": (width - drawn) / 2}[align]
        em = style.size / MM
        ground = self._ground(x, y + em / 2)
        ink = ink_on(ground) if style.ink is None else style.ink
        self.canvas.setFillColorRGB(*(v / 255 for v in ink))
        words.draw(self.canvas, x * MM, self._up(y + 0.86 * em), line, style.face, style.size)
        self.boxes.append(Box(self.page, x, y + 0.1 * em, drawn, em, line, ink, ground))

    def say(self, x: float, y: float, text: str, style: Style, width: float, align: Align = "left") -> float:
        """Write one line, its middle cut out with "…" to fit into `width` mm; return the height used."""
        self._line(x, y, words.fit(text, style.face, style.size, width * MM), style, width, align)
        return style.height

    def figure(
        self, x: float, y: float, text: str, style: Style, width: float, align: Align = "left"
    ) -> float:
        """Write a number or size that must not be cut: set smaller, down to 7 pt, before "…" is used."""
        drawn = words.width_of(words.spelled(text), style.face, style.size) / MM
        size = max(7.0, min(style.size, style.size * width / drawn - 0.05)) if drawn else style.size
        self.say(x, y + (style.size - size) * 0.86 / MM, text, replace(style, size=size), width, align)
        return style.height

    def tell(
        self,
        x: float,
        y: float,
        text: str,
        style: Style,
        width: float,
        align: Align = "left",
        most: int = 40,
    ) -> float:
        """Write a text in as many lines as it needs, `most` at most, the last cut; return the height used in mm."""
        lines = words.wrap(text, style.face, style.size, width * MM)
        if len(lines) > most:
            lines = (*lines[: most - 1], " ".join(lines[most - 1 :]))
        for i, line in enumerate(lines):
            if words.width_of(line, style.face, style.size) > width * MM:
                line = words.fit(line, style.face, style.size, width * MM)
            self._line(x, y + i * style.height, line, style, width, align)
        return len(lines) * style.height

    def width_of(self, text: str, style: Style) -> float:
        """Width of one line, uncut, in mm."""
        return words.width_of(words.spelled(text), style.face, style.size) / MM

    def height_of(self, text: str, style: Style, width: float, most: int = 40) -> float:
        """Height that `tell` will use, in mm."""
        lines = len(words.wrap(text, style.face, style.size, width * MM))
        return min(lines, most) * style.height


def in_two_runs(make: Callable[[int], Sheet]) -> Sheet:
    """Draw once to count the pages, then again with the count known."""
    return make(make(0).page)
