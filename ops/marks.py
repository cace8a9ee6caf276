"""Tables that scripts make for the documents: printed, or put between two marks of a file."""

from __future__ import annotations

import sys
from pathlib import Path


def show(text: str, name: str, file: str | None) -> None:
    """Print the text, or put it between the lines <!-- name --> and <!-- /name --> of a file.

    Exits with a message when the file has no such lines.
    """
    if file is None:
        print(text)
        return
    begin, end, path = f"<!-- {name} -->", f"<!-- /{name} -->", Path(file)
    before, found, rest = path.read_text(encoding="utf-8").partition(f"{begin}\n")
    _, ended, after = rest.partition(end)
    if not (found and ended):
        sys.exit(f"{file} has no lines {begin} and {end}: add them where the tables belong")
    path.write_text(f"{before}{begin}\n{text}\n{end}{after}", encoding="utf-8")


def argument(number: int) -> str | None:
    """Return an argument of the command line, None where it was not given."""
    return sys.argv[number] if len(sys.argv) > number else None
