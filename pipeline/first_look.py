"""Has the art of an order read in a disposable child, or takes what was read before from the shelf.

Light: the child begins before anything heavy is loaded here.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from pipeline.art import sandbox
from pipeline.art.limits import Limits
from pipeline.art.spool import art_files, drawing_name
from pipeline.faults import Refused
from pipeline.keys import key_of
from pipeline.order import Order, art_path, prints_of
from pipeline.shelf import Shelf, digest


@dataclass(frozen=True, slots=True)
class Wanted:
    """A drawing to read: the art's name, its file, and how far it is turned."""

    art: str
    path: Path
    turns: tuple[float, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """The names of its drawings on the spool."""
        return tuple(drawing_name(self.art, turn) for turn in self.turns)


@dataclass(frozen=True, slots=True)
class Looked:
    """What reading says of one art file: its SHA-256, and the seconds that two renderers took to agree on it."""

    digest: str
    agreement_s: float


def read_apart(wanted: tuple[Wanted, ...], spool: Path, limits: Limits) -> dict[str, Looked]:
    """Put every drawing of the art on the spool, in a disposable child; return what was seen by the art's name.

    Each file has the limits to itself: when one brings the child down, each is read in a child of its own, and the one
    is named. Raises Refused with the refusals of all files, each on a line.
    """
    refused: list[Refused] = []
    read: dict[str, Looked] = {}
    for name, found in _apart(wanted, spool, limits).items():
        if isinstance(found, Refused):
            refused.append(found)
        else:
            read[name] = found
    if refused:
        raise Refused("\n".join(dict.fromkeys(one.message for one in refused)), refused[0].code)
    return read


def _apart(wanted: tuple[Wanted, ...], spool: Path, limits: Limits) -> dict[str, Looked | Refused]:
    whole = replace(limits, seconds=limits.seconds * max(1, len(wanted)))
    try:
        found: dict[str, Looked | Refused] = sandbox.run(
            "pipeline.reading:read_drawings", (wanted, spool, limits), whole, spool
        )
    except Refused as refusal:
        if len(wanted) == 1:
            return {
                wanted[0].art: Refused(refusal.message.replace("the art", wanted[0].art, 1), refusal.code)
            }
        found = {}
        for entry in wanted:
            found |= _apart((entry,), spool, limits)
    return found


def wanted_of(manifest: Path, order: Order) -> tuple[Wanted, ...]:
    """Return the drawings that an order needs; Refused when a file is not there."""
    turns: dict[str, dict[float, None]] = {}
    for colourway in order.colourways:
        for print_ in prints_of(order, colourway):
            turns.setdefault(print_.art, {})[print_.turn_deg] = None
    return tuple(
        Wanted(name, art_path(manifest.parent, order.art[name]), tuple(degrees))
        for name, degrees in turns.items()
    )


def take_looks(shelf: Shelf | None, wanted: tuple[Wanted, ...], spool: Path) -> dict[str, Looked]:
    """Put the drawings that the shelf has on the spool; returns what was seen of them by the art's name."""
    found: dict[str, Looked] = {}
    if shelf is None:
        return found
    for entry in wanted:
        content = digest(entry.path)
        key = _key(entry, content)
        note = shelf.note(key)
        if note is None:
            continue
        if shelf.take(key, {name: spool / name for name in note["files"]}, link=True) is not None:
            found[entry.art] = Looked(content, note["agreement_s"])
    return found


def keep_look(shelf: Shelf, entry: Wanted, looked: Looked, spool: Path) -> None:
    """Put the drawings of one art on the shelf."""
    files = {path.name: path for name in entry.names for path in art_files(spool, name)}
    note = {"files": sorted(files), "agreement_s": looked.agreement_s}
    shelf.keep(_key(entry, looked.digest), files, note, link=True)


def _key(entry: Wanted, content: str) -> str:
    return key_of("art", content, entry.path.suffix, entry.art, entry.turns)
