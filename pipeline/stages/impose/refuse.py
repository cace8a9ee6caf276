"""What cannot be laid out on a film, said before any work is done."""

from __future__ import annotations

import math

from pipeline.finding import Finding
from pipeline.stages.impose.forms import Box, form_of
from pipeline.stages.impose.values import Piece, Roll, Turn

MOST_PIECES = 20_000


def problems(pieces: tuple[Piece, ...], roll: Roll) -> tuple[Finding, ...]:
    """Return what keeps these pieces from going on this film; `impose` takes only what has no problems.

    Codes, all "stop": no-pieces, too-many-pieces, gutter-too-wide, larger-than-film.
    """
    total = sum(piece.count for piece in pieces if piece.count > 0)
    if total == 0:
        return (
            _stop(
                "no-pieces", "There is no piece to lay on the film.", "Give the order sizes and pieces.", 0, 1
            ),
        )
    if total > MOST_PIECES:
        return (
            _stop(
                "too-many-pieces",
                f"{total} pieces are more than one roll layout takes ({MOST_PIECES}).",
                "Check the counts, or split the order.",
                total,
                MOST_PIECES,
            ),
        )
    if not (roll.width_mm > 0 and roll.longest_mm > 0 and 0 <= roll.gutter_mm < roll.width_mm):
        return (
            _stop(
                "gutter-too-wide",
                f"A gutter of {roll.gutter_mm:g} mm leaves nothing of a film that can be printed "
                f"{roll.width_mm:g} mm wide and {roll.longest_mm:g} mm long.",
                "Set width_mm, margin_mm, gutter_mm and longest_mm of the press's roll in the shop file.",
                roll.gutter_mm,
                roll.width_mm,
            ),
        )
    return tuple(found for piece in pieces if (found := _too_large(piece, roll)))


def turns_of(piece: Piece, frame: Box, roll: Roll) -> tuple[Turn, ...]:
    """Return the turns both allow in which the frame (x, y, width, height) fits the film, smallest first."""
    _, _, width, height = frame
    fits = {
        0: width <= roll.width_mm and height <= roll.longest_mm,
        1: height <= roll.width_mm and width <= roll.longest_mm,
    }
    return tuple(turn for turn in sorted({*piece.turns} & {*roll.turns}) if fits[turn // 90 % 2])


def _too_large(piece: Piece, roll: Roll) -> Finding | None:
    width, height = piece.width_mm, piece.height_mm
    if not (0 < width < math.inf and 0 < height < math.inf and piece.outline_mm > 0):
        message = f"{piece.key} has no size: {width:g} × {height:g} mm."
    else:
        frame = form_of(piece, roll).frame
        width, height = frame[2:]
        if turns_of(piece, frame, roll):
            return None
        message = (
            f"{piece.key} takes {width:.1f} × {height:.1f} mm with its tag; the film can be printed "
            f"{roll.width_mm:g} mm wide and at most {roll.longest_mm:g} mm long, and no allowed turn makes it fit."
        )
    remedy = "Print it smaller, allow turns, or choose a press with a wider film."
    return _stop("larger-than-film", message, remedy, width, roll.width_mm)


def _stop(code: str, message: str, remedy: str, measured: float, limit: float) -> Finding:
    return Finding(code, "stop", message, remedy, measured=measured, limit=limit)
