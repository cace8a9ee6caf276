"""What workers load beforehand, while the art is read. Light itself, so that they can be told early."""

from __future__ import annotations


def load_libraries() -> None:
    """Import what tasks need, and what they import on use."""
    import pipeline.art.draw
    import pipeline.art.svg.canvas
    import pipeline.press.direct
    import pipeline.tasks  # noqa: F401
