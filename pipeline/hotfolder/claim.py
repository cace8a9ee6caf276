"""Takes an order: copies it, writes it down, and only then moves what was dropped out of incoming/."""

from __future__ import annotations

import filecmp
import hashlib
import json
import os
import re
import shutil
import stat
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from pipeline.hotfolder.intake import Identity, Sighting, identity
from pipeline.hotfolder.journal import Claim, Journal, NewClaim
from pipeline.hotfolder.layout import HotFolder
from pipeline.manifest_text import printable
from pipeline.release import sync, sync_folder

ABOUT = "claim.json"
"""Beside the copies: what the journal was told, so that a lost journal can be written again."""

_PLAIN = re.compile(r"[A-Za-z0-9][A-Za-z0-9 ._-]{0,90}\.(toml|json)", re.IGNORECASE)


class Changed(Exception):  # noqa: N818 – not a fault
    """What was being taken changed under our hands; it is looked at again."""


def copy(sighting: Sighting, hot: HotFolder) -> tuple[Path, NewClaim]:
    """Copy a settled order below claims/ and return the copy, synced, with what is to be written down.

    Raises Changed when a file was not the one that had settled, OSError when it cannot be copied.
    """
    head = sighting.head
    assert head is not None
    assert sighting.data is not None
    fresh = hot.claims / f"new-{os.getpid()}"
    shutil.rmtree(fresh, ignore_errors=True)
    fresh.mkdir()
    try:
        manifest = manifest_name(sighting.manifest)
        seen = dict(zip((sighting.manifest, *sighting.art.values()), sighting.state, strict=True))
        digests = {manifest: _copy(sighting.manifest, fresh / manifest, seen[sighting.manifest])}
        for file, path in sighting.art.items():
            (fresh / file).parent.mkdir(parents=True, exist_ok=True)
            digests[file] = _copy(path, fresh / file, seen[path])
        art = {file: digests[file] for file in sighting.art}
        new = NewClaim(
            content_digest(sighting.data, art), head.name, head.revision, manifest,
            head.customer, head.title, head.priority, head.due,
        )  # fmt: skip
        about = {
            "schema": "washfast-claim/1",
            **{key: getattr(new, key) for key in new.__slots__},
            "files": digests,
        }
        (fresh / ABOUT).write_text(json.dumps(about, ensure_ascii=False, indent=1), encoding="utf-8")
        place = hot.claims / new.digest[:16]
        sync(fresh)
        if place.exists():
            shutil.rmtree(fresh)
        else:
            fresh.rename(place)
            sync_folder(hot.claims)
    except BaseException:
        shutil.rmtree(fresh, ignore_errors=True)
        raise
    return place, new


def manifest_name(path: Path) -> str:
    """Return the name of a manifest's copy: its own where that is plain, else one made from it."""
    if _PLAIN.fullmatch(path.name):
        return path.name
    return f"order-{hashlib.sha256(os.fsencode(path.name)).hexdigest()[:8]}{path.suffix.lower()}"


def content_digest(data: Mapping[str, Any], art: Mapping[str, str]) -> str:
    """Return the digest of an order's content: what the manifest says, however it is laid out, and the art's bytes."""
    said = json.dumps(data, sort_keys=True, ensure_ascii=True, separators=(",", ":"), default=str)
    text = "\n".join(
        ["washfast-claim/1", said, *(f"{file}\0{digest}" for file, digest in sorted(art.items()))]
    )
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


def _copy(source: Path, target: Path, expected: Identity | None) -> str:
    """Copy a plain file through no link; return its SHA-256."""
    handle = os.open(source, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    digest = hashlib.sha256()
    with os.fdopen(handle, "rb") as stream, target.open("xb") as out:
        if not stat.S_ISREG(os.fstat(handle).st_mode):
            raise Changed(source)
        while block := stream.read(1 << 20):
            digest.update(block)
            out.write(block)
        found = os.fstat(handle)
    if (found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns) != expected or identity(
        source
    ) != expected:
        raise Changed(source)
    return digest.hexdigest()


def about(hot: HotFolder, claim: Claim) -> dict[str, Any]:
    """Return what was written down beside the copies of a claim."""
    found: dict[str, Any] = json.loads((folder_of(hot, claim) / ABOUT).read_text(encoding="utf-8"))
    return found


def folder_of(hot: HotFolder, claim: Claim) -> Path:
    """Return the folder with the copies of a claim."""
    return hot.claims / claim.digest[:16]


def clear_away(sighting: Sighting, claim: Claim, hot: HotFolder, journal: Journal, *, whole: bool) -> None:
    """Move what was dropped to the archive; safe to be cut off and done again.

    A folder that holds one order goes `whole`. Art that lies flat in incoming/ may serve further manifests of the
    same burst: the archive of each order gets it at once, as it was copied; it is marked as spent, and takes the place
    of the last order's copy once nothing in incoming/ names it.
    """
    target = hot.archive / claim.key
    if claim.archived:
        target = free_name(target / "again")
    if whole:
        target.parent.mkdir(exist_ok=True)
        sighting.manifest.parent.rename(free_name(target) if target.exists() else target)
    else:
        target.mkdir(parents=True, exist_ok=True)
        states = dict(zip((sighting.manifest, *sighting.art.values()), sighting.state, strict=True))
        for file, path in sighting.art.items():
            _archive(folder_of(hot, claim) / file, target / path.name)
            # a name SQLite cannot hold is one no journal needs: such art was found under its plain name
            journal.spend(os.fsdecode(path).encode("utf-8", "surrogateescape").hex(), repr(states[path]),
                          str(target.relative_to(hot.root)))  # fmt: skip
        sighting.manifest.rename(free_name(target / manifest_name(sighting.manifest)))
        sync_folder(target)
    sync_folder(hot.archive)
    sync_folder(sighting.manifest.parent if not whole else hot.incoming)
    journal.archived(claim)


def _archive(copy: Path, place: Path) -> None:
    """Put a copy of art that was taken into the archive; once, however often it is begun."""
    place = _place_for(copy, place)
    if os.path.lexists(place):
        return
    try:
        place.hardlink_to(copy)
    except OSError:  # another disk, or one that knows no links
        part = place.with_name(f".{place.name}.part")
        shutil.copyfile(copy, part)
        part.rename(place)


def _place_for(source: Path, place: Path) -> Path:
    """Return the path where it is free or holds the same bytes already, else the next free one."""
    same = place.is_file() and not place.is_symlink() and filecmp.cmp(source, place, shallow=False)
    return place if same else free_name(place)


def sweep(
    hot: HotFolder, journal: Journal, wanted: Callable[[Path], bool], quiet: Callable[[str], bool]
) -> None:
    """Move spent art to the archive: unchanged since it was taken, named by nothing that waits, left for a while."""
    for key, (who, to) in journal.spent().items():
        path = Path(os.fsdecode(bytes.fromhex(key)))
        found = identity(path)
        if found is None or repr(found) != who:
            journal.forget_spent(key)  # gone, or replaced by art of an order to come
        elif not wanted(path) and quiet(key):
            target = hot.root / to
            with suppress(
                OSError
            ):  # not ours to move, or no room: it stays, and is tried again at the next look
                target.mkdir(parents=True, exist_ok=True)
                path.replace(_place_for(path, target / path.name))
                journal.forget_spent(key)
                _drop_empty(path.parent, hot.incoming)


def _drop_empty(folder: Path, stop: Path) -> None:
    if folder == stop:
        return
    try:
        folder.rmdir()
    except OSError:
        return  # something else lies there


def free_name(path: Path) -> Path:
    """Return the path, or the first of path-2, path-3 … that is not there."""
    found, count = path, 1
    while os.path.lexists(found):
        count += 1
        found = path.with_name(f"{path.name}-{count}")
    return found


def shown(path: Path, hot: HotFolder) -> str:
    """Return a path below the hot folder for people and logs."""
    try:
        return printable(str(path.relative_to(hot.root)))
    except ValueError:
        return printable(str(path))
