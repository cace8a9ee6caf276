"""Which claim of an order may be made, which is told off, and what goes when another takes its place."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from pipeline.faults import Refused
from pipeline.hotfolder.claim import about, folder_of, free_name
from pipeline.hotfolder.journal import UNFINISHED, Claim, Journal
from pipeline.hotfolder.layout import HotFolder
from pipeline.manifest_text import key_path, read_manifest, shorten
from pipeline.release import RECORD, retire

MOST_DIFFERENCES = 12


def verdict(claim: Claim, others: list[Claim], hot: HotFolder) -> tuple[str, str]:
    """Return ("make" | "wait" | "replaced" | "refused", why) for a claim whose turn has come."""
    rank = (claim.revision, claim.id)
    if not (folder_of(hot, claim) / claim.manifest).is_file():
        return "refused", (
            f"The copies of {claim.label} were tidied away. Drop it again: what came lies in archive/{claim.key}."
        )
    for other in others:
        if other.state == "released" and other.revision > claim.revision:
            return "refused", (
                f"Revision {other.revision} of {claim.name} is already released; this is the older revision "
                f"{claim.revision}. If it is meant, hand it in as revision {other.revision + 1}."
            )
        if other.state == "released" and other.revision == claim.revision:
            return "refused", (
                f"{claim.label} is already released with other content, and a release is never overwritten. Hand it in "
                f"as revision {claim.revision + 1}. What differs: {differences(other, claim, hot)}"
            )
        if (
            other.state in (*UNFINISHED, "held")
            and (other.revision, other.id) > rank
            and other.state != "making"
        ):
            return "replaced", f"replaced by revision {other.revision}, handed in later, before it was made"
    if any(other.state == "making" for other in others):
        return "wait", "another revision of the order is being made"
    return "make", ""


def previous_of(claim: Claim, others: list[Claim], hot: HotFolder) -> Path | None:
    """Return the folder of the revision before a claim: the last released one, else the last held one."""
    before = [
        (o.state != "held", o.revision, o.id, hot.root / o.folder)
        for o in others
        if o.folder and (o.revision, o.id) < (claim.revision, claim.id)
    ]
    there = [entry for entry in before if _readable(entry[3])]
    return max(there)[3] if there else None


def _readable(folder: Path) -> bool:
    try:
        found = json.loads((folder / RECORD).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    return isinstance(found, dict) and "schema" in found


def declined_before(claim: Claim, others: list[Claim]) -> str:
    """Return why the last revision was sent back, if it was."""
    before = [o for o in others if (o.revision, o.id) < (claim.revision, claim.id)]
    return before[-1].declined if before else ""


def replace_older(claim: Claim, journal: Journal, hot: HotFolder) -> None:
    """Clear away what a released or held claim takes the place of; safe to be cut off and done again.

    A release stays until a later revision is released. What was held goes as soon as something newer is held or
    released. Folders go to the archive, where the order's manifest and art lie.
    """
    if claim.state == "released" and (hot.held / claim.label).is_dir():  # cut off before it was cleared
        retire(hot.held / claim.label, free_name(hot.archive / claim.key / "held"))
    for other in journal.of_order(claim.name):
        older = (other.revision, other.id) < (claim.revision, claim.id)
        goes = ("released", "held") if claim.state == "released" else ("held",)
        if not older or other.state not in goes:
            continue
        folder = hot.root / other.folder if other.folder else None
        changes = {"folder": ""}
        if folder is not None and folder != hot.root / claim.folder and folder.is_dir():
            to = free_name(hot.archive / other.key / other.state)
            retire(folder, to)
            changes["folder"] = str(to.relative_to(hot.root))
        journal.move(other, "replaced", f"replaced by {claim.label}", before=goes, **changes)


def differences(old: Claim, new: Claim, hot: HotFolder) -> str:
    """Return in words where two contents of an order differ, at most a dozen places."""
    try:
        before, after = _content(old, hot), _content(new, hot)
    except (OSError, Refused, ValueError):
        return "the earlier manifest is no longer kept, so the difference cannot be named."
    said = [
        f"{key} was {before.get(key, 'not there')}, is {after.get(key, 'not there')}"
        for key in dict.fromkeys((*before, *after))
        if before.get(key) != after.get(key)
    ]
    more = f"; and {len(said) - MOST_DIFFERENCES} more" if len(said) > MOST_DIFFERENCES else ""
    return "; ".join(said[:MOST_DIFFERENCES]) + more + "."


def _content(claim: Claim, hot: HotFolder) -> dict[str, str]:
    """Return every value of a manifest by its key path, and the start of each art file's digest."""
    folder = folder_of(hot, claim)
    found = dict(_flat(read_manifest(folder / claim.manifest, "manifest"), ()))
    files: Mapping[str, str] = about(hot, claim)["files"]
    for file, digest in files.items():
        if file != claim.manifest:
            found[f'the art "{file}"'] = f"{digest[:12]}…"
    return found


def _flat(value: Any, loc: tuple[str | int, ...]) -> Iterator[tuple[str, str]]:
    if isinstance(value, Mapping) and value:
        for key, inner in value.items():
            yield from _flat(inner, (*loc, key))
    elif isinstance(value, list) and value:
        for index, inner in enumerate(value):
            yield from _flat(inner, (*loc, index))
    else:
        yield key_path(loc), shorten(value)


def stands(claim: Claim, hot: HotFolder) -> str:
    """Return "released" or "held" when the outcome of exactly this content already lies in its place, else ""."""
    try:
        wanted: Mapping[str, str] = about(hot, claim)["files"]
    except (OSError, ValueError):
        return ""
    for state, place in (("released", hot.released), ("held", hot.held)):
        folder = place / claim.label
        try:
            record = json.loads((folder / RECORD).read_text(encoding="utf-8"))
            inputs = {entry["path"]: entry["sha256"] for entry in record["inputs"]}
            if record["state"] == state and inputs == wanted and _complete(folder, record):
                return state
        except (OSError, ValueError, KeyError, TypeError):
            continue
    return ""


def _complete(folder: Path, record: Mapping[str, Any]) -> bool:
    return all((folder / entry["path"]).stat().st_size == entry["bytes"] for entry in record["files"])
