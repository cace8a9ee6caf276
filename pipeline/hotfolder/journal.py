"""The journal: what was taken, what became of it, and why; one SQLite file that survives any crash.

Write-ahead log with `synchronous=FULL`: a committed transaction outlives a power cut (SQLite, "WAL" and "PRAGMA
synchronous"). Every change goes through `add` or `move`, one transaction each, which also write the transition down.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal, get_args

State = Literal["queued", "making", "waiting", "released", "held", "refused", "set aside", "replaced"]
STATES: tuple[str, ...] = get_args(State)
UNFINISHED = ("queued", "making", "waiting")

_SCHEMA = """
CREATE TABLE claims (
  id INTEGER PRIMARY KEY, digest TEXT NOT NULL UNIQUE, name TEXT NOT NULL, revision INTEGER NOT NULL,
  manifest TEXT NOT NULL, customer TEXT NOT NULL, title TEXT NOT NULL, priority TEXT NOT NULL, due TEXT NOT NULL,
  state TEXT NOT NULL, reason TEXT NOT NULL DEFAULT '', archived INTEGER NOT NULL DEFAULT 0,
  attempts INTEGER NOT NULL DEFAULT 0, interrupted INTEGER NOT NULL DEFAULT 0, alone INTEGER NOT NULL DEFAULT 0,
  approved_by TEXT NOT NULL DEFAULT '', declined TEXT NOT NULL DEFAULT '', folder TEXT NOT NULL DEFAULT '',
  totals TEXT NOT NULL DEFAULT '{}', taken_at TEXT NOT NULL, changed_at TEXT NOT NULL);
CREATE INDEX claims_name ON claims (name, revision);
CREATE INDEX claims_state ON claims (state);
CREATE TABLE transitions (
  id INTEGER PRIMARY KEY, claim INTEGER REFERENCES claims (id), at TEXT NOT NULL, before TEXT NOT NULL,
  after TEXT NOT NULL, reason TEXT NOT NULL);
CREATE INDEX transitions_claim ON transitions (claim);
CREATE TABLE spent (path TEXT PRIMARY KEY, identity TEXT NOT NULL, archive TEXT NOT NULL);
CREATE TABLE notices (key TEXT PRIMARY KEY, at TEXT NOT NULL);
CREATE TABLE facts (key TEXT PRIMARY KEY, value TEXT NOT NULL);
"""
VERSION = 1


class Damaged(Exception):  # noqa: N818 – a state of the file
    """The journal's file is not a sound database of this version."""


@dataclass(frozen=True, slots=True)
class NewClaim:
    """What is known of an order when it is taken."""

    digest: str
    name: str
    revision: int
    manifest: str
    customer: str = ""
    title: str = ""
    priority: str = "normal"
    due: str = ""


@dataclass(frozen=True, slots=True)
class Claim:
    """One order as taken.

    `digest` is that of its content, `name` its order number, `folder` where its outcome lies, relative to the hot
    folder; `attempts` were seen to fail, `interrupted` were cut off with the supervisor.
    """

    id: int
    digest: str
    name: str
    revision: int
    manifest: str
    customer: str
    title: str
    priority: str
    due: str
    state: State
    reason: str
    archived: bool
    attempts: int
    interrupted: int
    alone: bool
    approved_by: str
    declined: str
    folder: str
    totals: Mapping[str, int]
    taken_at: str
    changed_at: str

    @property
    def label(self) -> str:
        """Return order and revision as people write them and folders are named."""
        return f"{self.name}-r{self.revision}"

    @property
    def key(self) -> str:
        """Return the name of the claim's own folders: no two claims share it."""
        return f"{self.label}-{self.digest[:12]}"


@dataclass(frozen=True, slots=True)
class Transition:
    """One step of a claim."""

    id: int
    claim: int | None
    at: str
    before: str
    after: str
    reason: str


_COLUMNS = ", ".join(field.name for field in fields(Claim))


def now() -> str:
    """Return the time for people to read; nothing is ever decided by it."""
    return datetime.now(UTC).isoformat(timespec="seconds")


class Journal:
    """An open journal. Use it from one thread; any number of processes may have it open."""

    def __init__(self, path: Path, *, make: bool = True) -> None:
        """Open the journal, making it when `make` and it is not there; raises Damaged when it is not sound."""
        try:
            mode = "rwc" if make else "rw"
            self._base = sqlite3.connect(
                f"file:{_quoted(path)}?mode={mode}", uri=True, timeout=20, isolation_level=None
            )
        except sqlite3.OperationalError as error:
            raise OSError(f"the journal cannot be opened ({error})") from error
        try:
            self._prepare(make=make)
        except sqlite3.OperationalError:
            self._base.close()
            raise
        except (sqlite3.DatabaseError, Damaged) as error:
            self._base.close()
            raise Damaged(str(error)) from error

    def _prepare(self, *, make: bool) -> None:
        base = self._base
        base.execute("PRAGMA journal_mode=WAL")
        base.execute("PRAGMA synchronous=FULL")
        base.execute("PRAGMA foreign_keys=ON")
        with self._change():
            version = base.execute("PRAGMA user_version").fetchone()[0]
            empty = base.execute("SELECT count(*) FROM sqlite_master").fetchone()[0] == 0
            if version == 0 and empty and make:
                for statement in _SCHEMA.split(";"):
                    base.execute(statement)
                base.execute(f"PRAGMA user_version={VERSION}")
            elif version != VERSION:
                raise Damaged(f"it is of version {version}, this program reads version {VERSION}")

    def check(self) -> None:
        """Raise Damaged unless SQLite's own integrity check passes."""
        try:
            found = [row[0] for row in self._base.execute("PRAGMA integrity_check(10)")]
        except sqlite3.DatabaseError as error:
            raise Damaged(str(error)) from error
        if found != ["ok"]:
            raise Damaged("; ".join(found))

    def close(self) -> None:
        """Close it."""
        self._base.close()

    def backup(self, path: Path) -> None:
        """Write a sound copy of the journal as it stands to `path`, replacing what is there."""
        fresh = path.with_suffix(".new")
        fresh.unlink(missing_ok=True)
        self._base.execute("VACUUM INTO ?", (str(fresh),))
        fresh.replace(path)

    @contextmanager
    def _change(self) -> Iterator[None]:
        # IMMEDIATE takes the write lock at once: a later upgrade would fail instead of waiting
        self._base.execute("BEGIN IMMEDIATE")
        try:
            yield
        except BaseException:
            if self._base.in_transaction:
                self._base.execute("ROLLBACK")
            raise
        self._base.execute("COMMIT")

    # -- claims ----------------------------------------------------------------------------------------------

    def add(self, new: NewClaim, state: State = "queued", reason: str = "taken") -> Claim:
        """Write down a new claim; its digest must be new."""
        at = now()
        with self._change():
            cursor = self._base.execute(
                "INSERT INTO claims (digest, name, revision, manifest, customer, title, priority, due, state, reason,"
                " taken_at, changed_at) VALUES (?,?,?,?,?,?,?,?,?,?,?,?)",
                (new.digest, new.name, new.revision, new.manifest, new.customer, new.title, new.priority, new.due,
                 state, reason, at, at),
            )  # fmt: skip
            number = int(cursor.lastrowid or 0)
            self._step(number, at, "", state, reason)
        return self.claim(number)

    def move(
        self, claim: Claim, after: State, reason: str, *, before: Iterable[str] = STATES, **changes: Any
    ) -> Claim | None:
        """Move a claim on, with further columns; None when its state is no longer one of `before`."""
        at = now()
        if "totals" in changes:
            changes["totals"] = json.dumps(dict(changes["totals"]), sort_keys=True)
        with self._change():
            found = self._base.execute("SELECT state FROM claims WHERE id=?", (claim.id,)).fetchone()
            if found is None or found[0] not in tuple(before):
                return None
            values = {"state": after, "reason": reason, "changed_at": at, **changes}
            self._base.execute(
                f"UPDATE claims SET {', '.join(f'{key}=?' for key in values)} WHERE id=?",
                (*values.values(), claim.id),
            )
            self._step(claim.id, at, found[0], after, reason)
        return self.claim(claim.id)

    def _step(self, claim: int | None, at: str, before: str, after: str, reason: str) -> None:
        self._base.execute(
            "INSERT INTO transitions (claim, at, before, after, reason) VALUES (?,?,?,?,?)",
            (claim, at, before, after, reason),
        )

    def archived(self, claim: Claim) -> None:
        """Write down that what was dropped has left incoming/."""
        with self._change():
            self._base.execute("UPDATE claims SET archived=1 WHERE id=?", (claim.id,))

    def note(self, reason: str, claim: Claim | None = None) -> None:
        """Write down what happened without changing a state."""
        state = claim.state if claim else ""
        with self._change():
            self._step(claim.id if claim else None, now(), state, state, reason)

    def claim(self, number: int) -> Claim:
        """Return a claim by its number."""
        return self._claims("WHERE id=?", (number,))[0]

    def by_digest(self, digest: str) -> Claim | None:
        """Return the claim of a content."""
        return next(iter(self._claims("WHERE digest=?", (digest,))), None)

    def of_order(self, name: str) -> list[Claim]:
        """Return all claims of an order, the newest revision last, and of one revision the newest content last."""
        return self._claims("WHERE name=? ORDER BY revision, id", (name,))

    def in_states(self, *states: str) -> list[Claim]:
        """Return the claims in any of the states, in the sequence in which they came."""
        marks = ",".join("?" * len(states))
        return self._claims(f"WHERE state IN ({marks}) ORDER BY id", states)

    def all(self) -> list[Claim]:
        """Return every claim, in the sequence in which they came."""
        return self._claims("ORDER BY id", ())

    def counts(self) -> dict[str, int]:
        """Return how many claims are in each state."""
        rows = self._base.execute("SELECT state, count(*) FROM claims GROUP BY state")
        found = {state: int(count) for state, count in rows}
        return {state: found.get(state, 0) for state in STATES}

    def queue(self, limit: int) -> list[Claim]:
        """Return what is to be made next: rush first, then by due date, then as they came; suspects last."""
        return self._claims(
            "WHERE state IN ('queued', 'waiting') ORDER BY alone, priority<>'rush', due='', due, id LIMIT ?",
            (limit,),
        )

    def _claims(self, where: str, values: Iterable[Any]) -> list[Claim]:
        rows = self._base.execute(f"SELECT {_COLUMNS} FROM claims {where}", tuple(values))
        return [_claim(row) for row in rows]

    # -- the rest --------------------------------------------------------------------------------------------

    def transitions(self, after: int = 0, claim: Claim | None = None) -> list[Transition]:
        """Return the steps after a number, of one claim or of all."""
        clause, values = ("AND claim=?", (after, claim.id)) if claim else ("", (after,))
        rows = self._base.execute(
            f"SELECT id, claim, at, before, after, reason FROM transitions WHERE id>? {clause} ORDER BY id",
            values,
        )
        return [Transition(*row) for row in rows]

    def last_step(self) -> int:
        """Return the number of the last step."""
        return int(self._base.execute("SELECT coalesce(max(id), 0) FROM transitions").fetchone()[0])

    def fact(self, key: str) -> str:
        """Return a lasting fact, like whether work is paused; "" when there is none."""
        row = self._base.execute("SELECT value FROM facts WHERE key=?", (key,)).fetchone()
        return row[0] if row else ""

    def state_fact(self, key: str, value: str) -> None:
        """Write down a lasting fact."""
        with self._change():
            self._base.execute("INSERT OR REPLACE INTO facts VALUES (?,?)", (key, value))

    def first_time(self, key: str) -> bool:
        """Whether an event is told for the first time; from now on it is not."""
        with self._change():
            cursor = self._base.execute("INSERT OR IGNORE INTO notices VALUES (?,?)", (key, now()))
            return cursor.rowcount == 1

    def spend(self, path: str, identity: str, archive: str) -> None:
        """Write down that a piece of art in incoming/ was taken with an order, and where it will be kept."""
        with self._change():
            self._base.execute("INSERT OR REPLACE INTO spent VALUES (?,?,?)", (path, identity, archive))

    def spent(self) -> dict[str, tuple[str, str]]:
        """Return the art that was taken: path → (identity, archive folder)."""
        return {path: (who, to) for path, who, to in self._base.execute("SELECT * FROM spent")}

    def forget_spent(self, path: str) -> None:
        """Forget art that has left incoming/ or was replaced there."""
        with self._change():
            self._base.execute("DELETE FROM spent WHERE path=?", (path,))


def _claim(row: tuple[Any, ...]) -> Claim:
    values = dict(zip((field.name for field in fields(Claim)), row, strict=True))
    values["archived"], values["alone"] = bool(values["archived"]), bool(values["alone"])
    values["totals"] = json.loads(values["totals"])
    return Claim(**values)


def _quoted(path: Path) -> str:
    from urllib.parse import quote

    return quote(str(path.absolute()))
