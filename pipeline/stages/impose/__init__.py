"""Lay pieces on a roll of film in the shortest length: `impose` takes the best of several methods.

    problems(pieces, roll) -> findings    what cannot be laid out, before any work
    impose(pieces, roll) -> Layout        every piece placed once, the gutter kept, no part longer than the film

Everything is integer (0.1 mm) or whole cells, and random choices come from a fixed sequence: the same pieces
in the same order give the same layout on every machine. Work is counted in steps, not in seconds.
"""

from pipeline.stages.impose.best import impose
from pipeline.stages.impose.refuse import MOST_PIECES, problems
from pipeline.stages.impose.values import TURNS, Layout, Piece, Placed, Roll, Turn

__all__ = ["MOST_PIECES", "TURNS", "Layout", "Piece", "Placed", "Roll", "Turn", "impose", "problems"]
