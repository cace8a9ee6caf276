"""What nesting is given and what it gives back: pieces, the film they go on, and where each one lies."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Turn = Literal[0, 90, 180, 270]
TURNS: tuple[Turn, ...] = (0, 90, 180, 270)


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """Equal pieces of film: one print in one size, as it lies on the film (mirrored already, if it will be).

    `width_mm` × `height_mm` is the box of the plate, > 0. `outline` is bool (rows, columns), row 0 at the top
    of the box, cells of `outline_mm` counted from the box's upper left corner, True where there is any ink
    in the cell; None means that the whole box is kept free. `turns` are the turns this piece allows beside
    those of the roll.
    """

    key: str
    width_mm: float
    height_mm: float
    count: int
    outline: NDArray[np.bool_] | None = None
    outline_mm: float = 1.0
    turns: tuple[Turn, ...] = TURNS


@dataclass(frozen=True, slots=True)
class Roll:
    """The film and how it may be laid out.

    `width_mm` is what can be printed across; `longest_mm` the longest piece of film. `gutter_mm` is kept
    between any two pieces, tags included, not at the edges of the film. `tag_mm` is the (width, height) of
    each piece's tag, (0, 0) for none: it lies `tag_gap_mm` under the box, left edges flush, or beside the ink
    where an outline leaves room. `effort` is the work allowed, in millions of steps (one takes one to three
    seconds): more can only shorten the roll, and the same effort gives the same roll.
    """

    width_mm: float
    longest_mm: float
    gutter_mm: float = 5.0
    turns: tuple[Turn, ...] = TURNS
    tag_mm: tuple[float, float] = (0.0, 0.0)
    tag_gap_mm: float = 0.0
    effort: float = 4.0


@dataclass(frozen=True, slots=True)
class Placed:
    """Where one piece lies: `x_mm`, `y_mm` is the upper left corner of its turned box on its part of the film.

    Of a piece with an outline only the ink is sure to lie on the film and clear of others: its box may reach over
    the film's edges (`x_mm` < 0) and over the boxes of its neighbours. x runs across the film, y along it.
    `index` counts the equal pieces of a key from 0, `part` the parts of the film from 0. `turn_deg` is clockwise
    as seen on the film (numpy.rot90(box, -turn_deg // 90)). `tag_mm` is (x, y, width, height) of the turned tag
    on the film, None without tags.
    """

    key: str
    index: int
    x_mm: float
    y_mm: float
    turn_deg: Turn
    part: int
    tag_mm: tuple[float, float, float, float] | None = None


@dataclass(frozen=True, slots=True)
class Layout:
    """A whole layout, and the figures to judge it by.

    `lengths_mm` is the film used by each part, `length_mm` their sum. `utilisation` is the pieces' own area
    (outlines where there are some) over the film used, in (0, 1]. `area_bound_mm` is a length no layout can beat:
    the outlines, holes filled and parts joined, grown by half a gutter, over the film's width. `row_layout_mm` is
    what plain rows in the order given take. `tried` names every method with the length it reached; `method` is
    the best of them.
    """

    placed: tuple[Placed, ...]
    lengths_mm: tuple[float, ...]
    utilisation: float
    area_bound_mm: float
    row_layout_mm: float
    method: str
    tried: tuple[tuple[str, float], ...] = field(default=())

    @property
    def length_mm(self) -> float:
        """The film used, all parts together."""
        return sum(self.lengths_mm)
