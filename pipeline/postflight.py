"""Looks at a finished release as the press will: does every file still say what the record says?"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from pipeline.engine import Engine, Task
from pipeline.faults import Fault, Refused
from pipeline.keys import key_of, program_version
from pipeline.release import RECORD, digests, files_below
from pipeline.shelf import Shelf

SCHEMA = "washfast-record/1"


def read_record(folder: Path) -> dict[str, Any]:
    """Return the record of a release; Refused when there is none that can be read."""
    path = folder / RECORD
    try:
        record = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise Refused(f"{path} cannot be read ({error}). Is {folder} a release?", code="release") from error
    if not isinstance(record, dict) or record.get("schema") != SCHEMA:
        raise Refused(f"{path} is not a record of the form {SCHEMA}.", code="release")
    return record


def audit(
    folder: Path, *, pixels: bool = True, engine: Engine | None = None, shelf: Shelf | None = None
) -> list[str]:
    """Return what is wrong with a release, in plain words; an empty list when it is whole.

    Digests and sizes of all files, nothing missing and nothing added; with `pixels` also every plate decoded: its size
    and resolution, no base outside the colour, and what film asks for (postflight_film.py).
    `engine`, if there is one, decodes the plates; those that the `shelf` knows to be right, by their digests, are not
    decoded again.
    """
    record = read_record(folder)
    wrong: list[str] = []
    listed = {entry["path"]: entry for entry in record["files"]}
    present = {path.as_posix() for path in files_below(folder)} - {RECORD}
    wrong += [f"{path}: listed in the record, but not there" for path in sorted(listed.keys() - present)]
    wrong += [f"{path}: there, but not in the record" for path in sorted(present - listed.keys())]
    both = sorted(listed.keys() & present)
    for path, sha256 in zip(both, digests(folder / path for path in both), strict=True):
        entry = listed[path]
        size = (folder / path).stat().st_size
        if size != entry["bytes"] or sha256 != entry["sha256"]:
            wrong.append(
                f"{path}: changed since it was released ({size} bytes, {entry['bytes']} in the record)"
            )
        elif pixels and entry["role"] in ("press-colour", "press-base"):
            wrong += _plate_faults(folder, entry)
    if pixels and not wrong:
        wrong += _base_faults(folder, record, engine or Engine(1), shelf)
        from pipeline.postflight_film import film_faults

        wrong += film_faults(folder, record)
    return wrong


def verify(made: Path, engine: Engine | None = None, shelf: Shelf | None = None) -> None:
    """Look at finished files as the press will, before anybody can take them; raises Fault when they are wrong.

    Without an engine the plates are not decoded: digests alone are compared.
    """
    near = None if engine is None or engine.far else engine
    wrong = audit(made, pixels=engine is not None, engine=near, shelf=shelf)
    if wrong:
        raise Fault(
            "The files as written are not what was made; nothing was published. Make the order again; if it stays so, "
            f"look at the disk.\n{chr(10).join(wrong)}"
        )


def _plate_faults(folder: Path, entry: dict[str, Any]) -> list[str]:
    from PIL import Image

    with Image.open(folder / entry["path"]) as image:
        mode = "RGBA" if entry["role"] == "press-colour" else "L"
        size = (entry["width_px"], entry["height_px"])
        ppi = image.info.get("dpi", (0.0, 0.0))[0]
        if image.mode != mode or image.size != size:
            return [f"{entry['path']}: {image.mode} {image.size}, expected {mode} {size}"]
        if abs(ppi - entry["ppi"]) > 0.02:  # the file stores whole pixels per metre
            return [f"{entry['path']}: {ppi:.2f} ppi, expected {entry['ppi']:.2f}"]
    return []


def _base_faults(folder: Path, record: dict[str, Any], engine: Engine, shelf: Shelf | None) -> list[str]:
    def place(entry: dict[str, Any]) -> tuple[Any, ...]:
        return entry["colourway"], entry["print"], tuple(entry["sizes"])

    colours = {place(e): e for e in record["files"] if e["role"] == "press-colour"}
    dark_is_ink = {place(e) for e in record["files"] if e.get("polarity") == "dark is ink"}
    pairs: dict[str, Task] = {}  # equal files need be looked at once
    bases: dict[str, str] = {}
    for entry in record["files"]:
        if entry["role"] != "press-base" or place(entry) not in colours:
            continue
        colour, turned = colours[place(entry)], place(entry) in dark_is_ink
        key = key_of("base under colour", program_version(), colour["sha256"], entry["sha256"], turned)
        if shelf is not None and shelf.note(key) is not None:
            continue
        bases[entry["path"]] = key
        pairs[key] = Task(
            key,
            outside_colour,
            (folder / colour["path"], folder / entry["path"], turned),
            cost=entry["width_px"] * entry["height_px"],
        )
    found = engine.run(pairs.values())
    if shelf is not None:
        for key in found:
            if not found[key]:
                shelf.keep(key, {})
    return [f"{path}: {found[key]}" for path, key in bases.items() if found[key]]


def outside_colour(colour: Path, base: Path, turned: bool) -> str:  # noqa: FBT001 – a task has no keywords
    """Return what is wrong with a base (`turned`: 0 is full white) beside the colour it lies under, "" if nothing."""
    from pipeline.press.png import read_coverage

    try:
        alpha, white = read_coverage(colour), read_coverage(base)
    except ValueError as error:
        return str(error)
    if alpha.shape != white.shape:
        return f"it is {white.shape[::-1]} px, the colour {alpha.shape[::-1]}"
    if bool(((255 - white if turned else white) > alpha).any()):
        return "white ink lies outside the colour"
    return ""
