"""Two renderers look at the same drawing: what differs is found, and shown."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from pipeline.art import svg
from pipeline.art.piece import VectorArt
from pipeline.art.svg.agree import LEVEL, Disagreement, differing
from tests.test_svg import read


def disagreeing(art: VectorArt, side: int = 60) -> Disagreement | None:
    """Return what comes of it when one of the two renderers draws a square more than the other."""
    other = svg.small(art)
    other[300 - side // 2 :, 300 - side // 2 :][:side, :side] = (255, 0, 0, 255)
    return svg.agreement(art, other)


def test_renderers_that_disagree_are_found():
    """A shape missing in one of the two pictures is a finding that carries numbers alone."""
    art = read('<rect x="20" y="20" width="60" height="60" fill="red"/><circle cx="50" cy="50" r="5"/>')
    assert svg.agreement(art) is None

    found = disagreeing(art)

    assert found is not None
    assert (found.finding.code, found.finding.severity) == ("renderers-disagree", "stop")
    assert found.finding.measured > found.finding.limit  # type: ignore[operator]


def test_a_piece_of_a_hundredth_of_the_drawing_is_found_but_no_hairline():
    """6 px of 600 differ in one piece, 0.02 % of the ink; a hairline of as many pixels may be antialiasing."""
    art = read('<rect width="100" height="100" fill="#2f7f86"/>')
    line = svg.small(art)
    line[300, 100:136] = (255, 0, 0, 255)

    found = disagreeing(art, 6)
    assert found is not None
    assert found.finding.measured == 0.01
    assert svg.agreement(art, line) is None


def test_a_disagreement_is_shown_by_both_pictures_and_their_difference():
    """Side by side, no higher than 600 px: one renderer, the other, and in red the pixels that differ."""
    art = read('<rect x="20" y="20" width="60" height="60" fill="red"/><circle cx="50" cy="50" r="5"/>')
    found = disagreeing(art)
    assert found is not None
    height, width = svg.small(art).shape[:2]
    assert found.picture.shape == (height, 3 * width + 24, 3)
    ours, other, off = (found.picture[:, left : left + width] for left in (0, width + 12, 2 * width + 24))

    assert tuple(ours[height // 2, width // 2]) == (255, 0, 0)
    assert tuple(other[height // 2, width // 2]) == (0, 0, 0)
    red = (off == (208, 0, 48)).all(axis=2)
    rows, columns = np.nonzero(red)
    assert (rows.min(), rows.max()) == (columns.min(), columns.max())
    assert 265 <= rows.min() < rows.max() <= 335
    assert tuple(ours[0, 0]) != tuple(ours[0, 8])


@given(seed=st.integers(0, 999))
@settings(max_examples=25, deadline=None)
def test_pixels_differ_where_they_lie_outside_their_neighbours_range(seed: int):
    """The same mask as with minimum and maximum filters over 3 × 3 pixels (scipy.ndimage)."""
    random = np.random.default_rng(seed)
    a, b = random.integers(0, 256, (2, 12, 17, 4), dtype=np.uint8)
    b[random.random((12, 17)) < 0.7] = a[0, 0]

    def multiplied(pixels: np.ndarray) -> np.ndarray:
        alpha = pixels[..., 3:].astype(int)
        return np.concatenate([(pixels[..., :3] * alpha + 127) // 255, alpha], axis=2)

    def outside(one: np.ndarray, two: np.ndarray) -> np.ndarray:
        low = ndimage.minimum_filter(two, size=(3, 3, 1), mode="nearest") - LEVEL
        high = ndimage.maximum_filter(two, size=(3, 3, 1), mode="nearest") + LEVEL
        return ((one < low) | (one > high)).any(axis=2)

    one, two = multiplied(a), multiplied(b)
    assert (differing(a, b) == (outside(one, two) | outside(two, one))).all()
