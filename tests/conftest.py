"""What the tests share: where outside data lies, and skipping by name where it does not."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
os.environ["WASHFAST_SHELF"] = "none"  # what one test makes is not there for the next
REFERENCE = Path(__file__).resolve().parent / "reference"


def corpora(name: str) -> Path:
    """Return the folder of open corpus files called `name`, or skip the test by that name."""
    base = Path(os.environ.get("WASHFAST_CORPORA", ROOT.parent / "shared" / "corpora"))
    folder = base / name
    if not folder.is_dir():
        pytest.skip(f"open corpus '{name}' is not here (set WASHFAST_CORPORA)")
    return folder
