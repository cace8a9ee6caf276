"""The base: white ink under the colours. Whether a fabric needs one, where it lies, and what one sees with it."""

from __future__ import annotations

from pipeline.stages.base.decide import BaseDecision, decide
from pipeline.stages.base.plane import Hairlines, base_plane
from pipeline.stages.base.seen import mirror, simulate

__all__ = ["BaseDecision", "Hairlines", "base_plane", "decide", "mirror", "simulate"]
