"""Flat art as runs says the same as its pixels, in every operation."""

from __future__ import annotations

import io
from pathlib import Path

import cairosvg
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from pipeline.press.png import png_pieces, write_png
from pipeline.raster_ops import joined
from pipeline.raster_runs import Runs, flat_or_not, in_step, inked, merged, only, runs_of
from pipeline.stages import fade
from pipeline.stages.base import base_plane
from pipeline.stages.fade import FadeSettings


def flat(seed: int, height: int, width: int, colours: int = 3) -> NDArray[np.uint8]:
    """A picture of long runs, some of them over the ends of rows."""
    rng = np.random.default_rng(seed)
    table = rng.integers(0, 256, (colours, 4), np.uint8)
    table[0] = 0
    size = height * width
    which = np.repeat(rng.integers(0, colours, size), rng.integers(1, 9, size))[:size]
    return table[which].reshape(height, width, 4)


pictures = st.builds(flat, st.integers(0, 10**6), st.integers(1, 23), st.integers(1, 31))


@given(pictures)
@settings(max_examples=60, deadline=None)
def test_runs_give_back_the_pixels_they_were_made_of(pixels: NDArray[np.uint8]) -> None:
    """Round trip, whole and by rows, and as few runs as numpy counts changes."""
    runs = runs_of(pixels)
    words = pixels.view(np.uint32).reshape(-1)
    assert (runs.pixels() == pixels).all()
    assert runs.starts.size == 1 + np.count_nonzero(np.diff(words.astype(np.int64)))
    middle = pixels.shape[0] // 2
    for rows in (slice(0, middle), slice(middle, None), slice(middle, middle + 1)):
        assert (runs.pixels(rows) == pixels[rows]).all()
    assert inked(runs) == inked(pixels) == int(pixels[..., 3].sum(dtype=np.int64))
    assert int(runs.lengths.sum()) == words.size


@given(st.integers(0, 10**6), st.integers(1, 23), st.integers(1, 31))
@settings(max_examples=60, deadline=None)
def test_runs_in_step_show_both_pictures(seed: int, height: int, width: int) -> None:
    """Two pictures on common runs are the same pictures, and merging undoes it."""
    one, other = flat(seed, height, width), flat(seed + 1, height, width)
    a, b = in_step(runs_of(one), runs_of(other))
    assert (a.starts == b.starts).all()
    assert (a.pixels() == one).all()
    assert (b.pixels() == other).all()
    assert merged(a).starts.size == runs_of(one).starts.size
    assert (merged(a).pixels() == one).all()


@given(pictures, st.tuples(*[st.integers(0, 31)] * 4))
@settings(max_examples=80, deadline=None)
def test_a_window_of_runs_is_that_window_of_the_pixels(
    pixels: NDArray[np.uint8], ends: tuple[int, ...]
) -> None:
    """All outside the rows and columns is empty, all inside is as it was, as numpy's slices have it."""
    height, width = pixels.shape[:2]
    rows = slice(*sorted(min(end, height) for end in ends[:2]))
    columns = slice(*sorted(min(end, width) for end in ends[2:]))
    wanted = np.zeros_like(pixels)
    wanted[rows, columns] = pixels[rows, columns]
    assert (only(runs_of(pixels), rows, columns).pixels() == wanted).all()


def test_pictures_of_two_sizes_are_not_laid_side_by_side() -> None:
    with pytest.raises(ValueError, match="cannot be laid"):
        in_step(runs_of(flat(1, 4, 5)), runs_of(flat(1, 5, 4)))


def test_grain_stays_pixels_and_flat_art_becomes_runs_across_strips() -> None:
    """A large picture of noise is left alone; a large flat one becomes runs that give it back."""
    grain = np.random.default_rng(3).integers(0, 256, (1200, 1200, 4), np.uint8)
    assert flat_or_not(grain) is grain
    plate = np.zeros((700, 2**13, 4), np.uint8)  # more than one strip of two million pixels
    plate[200:500, 1000:7000] = (10, 200, 30, 255)
    runs = flat_or_not(plate)
    assert isinstance(runs, Runs)
    assert runs.starts.size == 601
    assert (runs.pixels() == plate).all()


def crest(px: int = 300) -> NDArray[np.uint8]:
    svg = (
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 100 100"><defs><linearGradient id="g" x2="0" y2="1">'
        '<stop stop-color="#1d2b4f"/><stop offset="1" stop-color="#d9a441"/></linearGradient></defs>'
        '<circle cx="50" cy="50" r="46" fill="#8f2430"/><circle cx="50" cy="50" r="38" fill="url(#g)"/>'
        '<path d="M50 6 A44 44 0 0 1 50 94 Z" fill="#080808"/><path d="M20 30 L46 60" stroke="#f3e9d2"/></svg>'
    )
    png = cairosvg.svg2png(bytestring=svg.encode(), output_width=px, output_height=px)
    pixels = np.array(Image.open(io.BytesIO(png)).convert("RGBA"))
    pixels[pixels[..., 3] == 0] = 0
    return pixels


@pytest.mark.parametrize("method", ["model", "saturation", "none"])
@pytest.mark.parametrize("on_base", [True, False])
def test_a_plate_of_runs_is_the_plate_of_its_pixels(method: str, on_base: bool, tmp_path: Path) -> None:  # noqa: FBT001
    """Fade, base and PNG of runs against those of pixels, which are checked against formulas and geometry elsewhere."""
    pixels = crest()
    runs = runs_of(pixels)
    settings = FadeSettings(method=method)  # type: ignore[arg-type]
    faded = fade.compensate(pixels, on_base, settings).pixels
    assert (fade.compensate_runs(runs, settings, on_base=on_base).pixels() == faded).all()
    assert (base_plane(runs, 300.0, 0.15, 1.0, "base") == base_plane(pixels, 300.0, 0.15, 1.0, "base")).all()
    for row_filter in ("none", "up", "auto"):
        write_png(tmp_path / "runs.png", runs, 300, row_filter=row_filter)
        assert (tmp_path / "runs.png").read_bytes() == b"".join(
            png_pieces(pixels, 300, row_filter=row_filter)
        )


@given(
    st.integers(1, 60).flatmap(
        lambda n: st.tuples(st.just(n), st.lists(st.tuples(*[st.integers(0, n - 1)] * 2)))
    )
)
def test_what_links_join_has_one_label(graph: tuple[int, list[tuple[int, int]]]) -> None:
    """The same labels as scipy.sparse.csgraph.connected_components gives."""
    count, links = graph
    one, other = np.array(links, np.intp).reshape(-1, 2).T
    matrix = coo_array((np.ones(one.size), (one, other)), shape=(count, count))
    assert joined(count, one, other).tolist() == connected_components(matrix, directed=False)[1].tolist()
