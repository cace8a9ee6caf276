"""Renders pages of the bundled example orders for the README: python -m ops.pages [FOLDER].

Makes the orders into a temporary folder, has the papers of one night written, and saves what an operator, a customer
and a manager would hold in their hands as small PNG files (default examples/pages/).
"""

from __future__ import annotations

import io
import sys
import tempfile
from pathlib import Path

import pypdfium2
from PIL import Image

from pipeline.engine import Engine
from pipeline.make import example_manifests, make_order
from pipeline.nightpapers import NightEntry, write_night
from pipeline.release import Places
from pipeline.shop import load_shop

PAGES = Path(__file__).resolve().parent.parent / "examples" / "pages"
PPI = 92
NIGHT = "25 November 2026"
MOST_BYTES = 150_000
ORDER = "BK-1001-r1"


def main(folder: Path = PAGES) -> None:
    """Write the pages and say how large each is."""
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as place:
        for name, picture in pictures(Path(place)).items():
            data = small_png(picture)
            if len(data) > MOST_BYTES:
                raise SystemExit(f"{name} takes {len(data)} bytes, more than {MOST_BYTES}: lower PPI.")
            (folder / f"{name}.png").write_bytes(data)
            print(f"{folder / name}.png  {picture.width} × {picture.height}  {len(data)} bytes")


def pictures(place: Path) -> dict[str, Image.Image]:
    """Make the example orders below `place` and return their pages by name."""
    shop, places = load_shop(None), Places.below(place)
    entries = []
    with Engine() as engine:
        for manifest in example_manifests():
            done = make_order(manifest, shop, places, engine)
            state = done.state
            entries.append(NightEntry(done.order, done.revision, state, done.path, done.message))
    write_night(place / "reports", NIGHT, entries, shop)
    release = place / ORDER
    ticket = release / "barn-red" / "ticket.pdf"
    found = {f"ticket-{number + 1}": page(ticket, number) for number in range(3)}
    found |= {f"proof-{number + 1}": page(release / "proof.pdf", number) for number in range(2)}
    found["proof-held"] = page(place / "held" / "BK-1003-r1" / "proof.pdf", 0)
    for name in ("report", "run-sheet", "pull-list"):
        found[name] = page(place / "reports" / f"{name}.pdf", 0)
    found["contact"] = shrunk(Image.open(release / "contact.png"), 900)
    found["swatches"] = shrunk(Image.open(release / "swatches.png"), 1200)
    return found


def page(pdf: Path, number: int) -> Image.Image:
    """Return one page as it looks on a screen, with a thin grey edge."""
    document = pypdfium2.PdfDocument(pdf)
    try:
        picture = document[number].render(scale=PPI / 72).to_pil().convert("RGB")
    finally:
        document.close()
    edged = Image.new("RGB", (picture.width + 2, picture.height + 2), (190, 190, 190))
    edged.paste(picture, (1, 1))
    return edged


def shrunk(picture: Image.Image, width: int) -> Image.Image:
    """Return a picture at most so many pixels wide."""
    if picture.width <= width:
        return picture.convert("RGB")
    return picture.convert("RGB").resize(
        (width, round(picture.height * width / picture.width)), Image.Resampling.LANCZOS
    )


def small_png(picture: Image.Image) -> bytes:
    """Return a picture as PNG of 128 colours, a third of the size of the true one."""
    out = io.BytesIO()
    picture.quantize(128, dither=Image.Dither.NONE).save(out, format="PNG", optimize=True)
    return out.getvalue()


if __name__ == "__main__":
    main(*(Path(argument) for argument in sys.argv[1:2]))
