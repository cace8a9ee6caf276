"""The art of an order on its way to the spool."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from pipeline import reading
from pipeline.art.piece import Limits, VectorArt
from pipeline.art.svg import agree
from pipeline.raster import Pixels

BADGE = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 90 60"><circle cx="30" cy="30" r="25" fill="#8f2430"/>'
    '<path id="bar" d="M60 5h20v50h-20z" fill="#2f7f86"/></svg>'
)


def wanted(folder: Path, art: str = BADGE, *turns: float) -> tuple[reading.Wanted, ...]:
    (folder / "badge.svg").write_text(art)
    return (reading.Wanted("badge", folder / "badge.svg", turns or (0.0,)),)


def test_pictures_of_renderers_that_disagree_lie_beside_the_papers(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Both drawings and their difference go to the release's pictures under the name that the finding gives."""
    spool, made = tmp_path / "spool", tmp_path / "made"
    spool.mkdir()
    made.mkdir()
    draw = agree.small

    def without_the_bar(art: VectorArt, renderer: str | None = None) -> Pixels:
        pixels = draw(art, renderer)
        if renderer == "resvg":
            pixels[:, 400:] = 0
        return pixels

    monkeypatch.setattr(agree, "small", without_the_bar)
    reading.read_drawings(wanted(tmp_path), spool, Limits())
    (finding,) = reading.load_drawing(spool, "badge").findings
    reading.move_pictures(spool, made)

    assert (finding.code, finding.severity) == ("renderers-disagree", "stop")
    assert [path.name for path in (made / "pictures").iterdir()] == [finding.picture]
    with Image.open(made / "pictures" / finding.picture) as image:
        picture = np.asarray(image.convert("RGB"))
    assert picture.shape == (400, 3 * 600 + 24, 3)
    assert tuple(picture[200, 466]) == (0x2F, 0x7F, 0x86)
    assert tuple(picture[200, 612 + 466]) != (0x2F, 0x7F, 0x86)
    assert tuple(picture[200, 1224 + 466]) == (208, 0, 48)


def test_art_on_which_all_agree_leaves_no_pictures(tmp_path: Path) -> None:
    reading.read_drawings(wanted(tmp_path), tmp_path, Limits())
    reading.move_pictures(tmp_path, tmp_path / "made")

    assert reading.load_drawing(tmp_path, "badge").findings == ()
    assert not (tmp_path / "made").exists()
