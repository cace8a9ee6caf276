"""SVG art: read safely, normalised once to plain paths with explicit paints, scanned for what cannot be drawn."""

from __future__ import annotations

from pipeline.art.svg.agree import agreement, small
from pipeline.art.svg.normal import read, turned, widened

__all__ = ["agreement", "read", "small", "turned", "widened"]
