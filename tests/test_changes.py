"""What a revision says it changed. No outside source: the sentences are our own, the facts are the manifests'."""

from __future__ import annotations

import copy
from typing import Any

from pipeline.changes import changes_since


def colourway(**other: Any) -> dict[str, Any]:
    band = {
        "sizes": ["S", "M"],
        "width_mm": 280.0,
        "height_mm": 300.0,
        "origin_mm": [-140.0, 75.0],
        "plate": "a",
    }
    front = {"name": "front", "position": "full front", "route": "direct", "press": "table", "bands": [band]}
    whole = {
        "name": "Moss",
        "garment": "unisex tee",
        "fabric": "fern-green",
        "fabric_srgb": "#34522f",
        "sizes": {"S": 3, "M": 4},
        "prints": [front],
    }
    return copy.deepcopy(whole) | other


def said(new: dict[str, Any], old: dict[str, Any] | None = None) -> dict[str, tuple[str, ...]]:
    return changes_since({"colourways": [old or colourway()]}, [new])


def test_an_equal_revision_changed_nothing() -> None:
    """No sentence where nothing changed."""
    assert said(colourway()) == {}


def test_counts_and_fabrics_are_named_with_both_values() -> None:
    """Old and new stand side by side, sizes that stayed are left out."""
    lines = said(colourway(sizes={"S": 3, "M": 6, "L": 1}, fabric="barn-red"))["Moss"]

    assert lines == ("The fabric was fern-green and is barn-red.", "Pieces: M 4 → 6, L 0 → 1.")


def test_a_larger_print_a_moved_one_and_remade_plates_are_told_apart() -> None:
    """Size comes first; a print that only moved needs no new file; equal size and other plate is a remake."""
    for change, expected in (
        ({"width_mm": 300.0, "plate": "b"}, "front S–M: 280 × 300 → 300 × 300 mm."),
        ({"origin_mm": [-140.0, 90.0]}, "front: placed elsewhere on S–M; see the position drawing."),
        ({"plate": "b"}, "front: new press files for S–M; the art, its colours or settings are others."),
    ):
        new = colourway()
        new["prints"][0]["bands"][0] |= change
        assert said(new) == {"Moss": (expected,)}


def test_colourways_and_prints_that_come_and_go_are_named() -> None:
    """What is new or gone is said once, for the order or the colourway."""
    new = colourway(name="Clay")
    assert said(new) == {
        "": ("Clay is new.", "Moss is no longer ordered."),
        "Clay": ("New in this revision.",),
    }

    more = colourway()
    more["prints"].append(more["prints"][0] | {"name": "nape"})
    assert said(more) == {"Moss": ("The print nape is new.",)}
    assert said(colourway(), more) == {"Moss": ("The print nape is left out.",)}
