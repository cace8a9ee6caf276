"""Keeps what the benchmark measured, one dated file a run, and compares a run with the one kept before it."""

from __future__ import annotations

import json
from pathlib import Path

KEPT = Path(__file__).resolve().parent / "measured"
FALL = 1.2
"""A ratio to a peer that grew by more than this is shouted."""

Ratios = dict[str, dict[str, float]]


def keep(day: str, table: dict[str, object], ratios: Ratios) -> list[str]:
    """Write a run as ops/measured/DAY.json, and return what fell behind since the run kept last, in plain words.

    `ratios` are ours / peer by art, then by "ours / peer"; lower is better.
    """
    KEPT.mkdir(exist_ok=True)
    before = [path for path in sorted(KEPT.glob("*.json")) if path.stem != day]
    fallen = []
    if before:
        last: Ratios = json.loads(before[-1].read_text(encoding="utf-8"))["ratios"]
        fallen = [
            f"{art}, {pair}: {last[art][pair]:.2f} on {before[-1].stem}, {ratio:.2f} now"
            for art, pairs in ratios.items()
            for pair, ratio in pairs.items()
            if pair in last.get(art, {}) and ratio > FALL * last[art][pair]
        ]
    text = json.dumps({"ratios": ratios, "runs": table}, indent=1)
    (KEPT / f"{day}.json").write_text(text + "\n", encoding="utf-8")
    return fallen
