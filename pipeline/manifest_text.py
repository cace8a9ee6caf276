"""Strict reading of what people write: JSON and TOML, with every fault of the text named by its key path."""

from __future__ import annotations

import json
import math
import os
import re
import stat
import tomllib
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeAlias

from pipeline.faults import Refused

LARGEST_FILE = 2**20
"""Bytes; an order of a thousand colourways is far smaller."""

DEEPEST = 32
"""Levels of tables and lists; a manifest has six."""

LARGEST_WHOLE = 2**53
"""Beyond it JSON readers elsewhere would round the number."""

MOST_SHOWN = 100
"""Problems listed in one message; the rest are counted."""

_DOTTED = re.compile(
    r"""(?<![\w-])(?:(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+\.[ \t]*+){%d}""" % DEEPEST  # noqa: UP031
)
"""A dotted key deeper than any manifest; the TOML reader takes minutes for a long one."""

Loc: TypeAlias = tuple[str | int, ...]


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing to put right: where (key path), the value (shortened, or "" if none), the sentence."""

    loc: Loc
    value: str
    text: str

    def line(self, source: str) -> str:
        """Return the problem as one line of the refusal."""
        where = f"{key_path(self.loc)}: " if self.loc else ""
        value = f"{self.value} – " if self.value else ""
        return f"{source}: {where}{value}{self.text}"


def refusal(source: str, problems: Iterable[Problem], code: str) -> Refused:
    """Return the one exception that lists all problems of a file."""
    lines = [problem.line(source) for problem in problems]
    if len(lines) > MOST_SHOWN:
        lines = [*lines[:MOST_SHOWN], f"{source}: … and {len(lines) - MOST_SHOWN} more of the same kind."]
    return Refused("\n".join(lines), code=code)


def key_path(loc: Loc) -> str:
    """Return a key path like colourways[1].fabric.srgb; keys that are not plain words stand in quotes."""
    text = ""
    for part in loc:
        if isinstance(part, int):
            text += f"[{part}]"
        else:
            plain = part.isascii() and part.replace("_", "").replace("-", "").isalnum()
            text += ("." if text else "") + (part if plain else shorten(part, 40))
    return text


def shorten(value: object, longest: int = 60) -> str:
    """Return a value as one short printable line, whatever it is."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int) and abs(value) > LARGEST_WHOLE:
        return f"a whole number of {value.bit_length()} bits"
    if isinstance(value, Mapping):
        return f"a table of {len(value)}"
    if isinstance(value, list | tuple):
        return f"a list of {len(value)}"
    text = printable(value[: longest + 1]) if isinstance(value, str) else printable(str(value))
    if len(text) > longest:
        text = text[: longest - 1] + "…"
    return f'"{text}"' if isinstance(value, str) else text


def printable(text: str) -> str:
    """Return `text` with whatever cannot stand on one line of a log or a page written as an escape."""
    return "".join(
        c if c.isprintable() else c.encode("unicode_escape", "backslashreplace").decode("ascii") for c in text
    )


def tidy(text: str) -> str:
    """Return a name without spaces around it, in composed form (NFC), so that equal names compare equal."""
    return unicodedata.normalize("NFC", text.strip())


def read_manifest(path: Path, code: str) -> dict[str, Any]:
    """Return the top table of a JSON or TOML file, chosen by its suffix.

    Raises Refused with `code` for anything that is not a readable, well formed file of at most 1 MiB. What
    `clean` finds is left to it, so that it is reported with all else.
    """
    source = printable(path.name)
    kind = path.suffix.lower()
    if kind not in (".toml", ".json"):
        raise Refused(f'{source}: the name must end in ".toml" or ".json", which says how to read it.', code)
    text = _text_of(path, source, code)
    deep = Refused(f"{source}: nested deeper than {DEEPEST} levels. Write it flatter.", code)
    if kind == ".toml" and _DOTTED.search(text):
        raise deep
    try:
        data = tomllib.loads(text) if kind == ".toml" else _json_of(text)
    except RecursionError:
        raise deep from None
    except ValueError as fault:
        if "int_max_str_digits" in str(fault):
            raise Refused(f"{source}: a whole number is too long. Write an ordinary number.", code) from None
        # The messages of both readers carry line and column.
        what = "TOML" if kind == ".toml" else "JSON"
        raise Refused(
            f"{source}: not well formed {what}: {printable(str(fault))}. Correct that place.", code
        ) from None
    if not isinstance(data, dict):
        raise Refused(f"{source}: holds {shorten(data)}; it must be one table of keys and values.", code)
    return data


def _text_of(path: Path, source: str, code: str) -> str:
    try:
        # A pipe or a device would block for ever, so the kind is asked before it is opened.
        if not stat.S_ISREG(path.stat().st_mode):
            raise Refused(f"{source}: is not a file. Name the manifest itself.", code)
        with path.open("rb") as file:
            raw = file.read(LARGEST_FILE + 1)
    except FileNotFoundError:
        raise Refused(f"{source}: there is no such file. Check the name and the folder.", code) from None
    except (OSError, ValueError) as fault:
        reason = (
            os.strerror(fault.errno)
            if isinstance(fault, OSError) and fault.errno
            else "its name cannot be used"
        )
        raise Refused(f"{source}: cannot be read ({reason}). Check its name and permissions.", code) from None
    if len(raw) > LARGEST_FILE:
        raise Refused(f"{source}: larger than 1 MiB. A manifest names its art, it does not hold it.", code)
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as fault:
        raise Refused(
            f"{source}: byte {fault.start} is not UTF-8. Save the file again with UTF-8 encoding.", code
        ) from None


class _Doubled(dict[str, Any]):
    """A JSON table in which keys were given more than once; the first of each counts."""

    doubled: tuple[str, ...] = ()


def _table(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    table = _Doubled()
    twice = []
    for key, value in pairs:
        if key in table:
            twice.append(key)
        else:
            table[key] = value
    table.doubled = tuple(twice)
    return table


def _json_of(text: str) -> Any:
    return json.loads(text, object_pairs_hook=_table, parse_constant=float)


def clean(data: Mapping[str, Any]) -> tuple[dict[str, Any], list[Problem]]:
    """Return a copy with tidy keys, and what no field may hold: NaN, huge numbers, doubled keys …"""
    problems: list[Problem] = []
    tidied = _cleaned(data, (), problems)
    return tidied if isinstance(tidied, dict) else {}, problems


def _cleaned(value: Any, loc: Loc, problems: list[Problem]) -> Any:
    if isinstance(value, Mapping | list | tuple):
        if len(loc) >= DEEPEST:
            problems.append(Problem(loc, "", f"nested deeper than {DEEPEST} levels. Write it flatter."))
            return None
        if isinstance(value, Mapping):
            return _cleaned_table(value, loc, problems)
        return [_cleaned(item, (*loc, index), problems) for index, item in enumerate(value)]
    text = _wrong_scalar(value)
    if text:
        problems.append(Problem(loc, shorten(value), text))
    return value


def _cleaned_table(table: Mapping[Any, Any], loc: Loc, problems: list[Problem]) -> dict[str, Any]:
    result: dict[str, Any] = {}
    twice = list(table.doubled) if isinstance(table, _Doubled) else []
    for key, value in table.items():
        if not isinstance(key, str):
            problems.append(Problem(loc, shorten(key), "a key must be text."))
            continue
        name = tidy(key)
        if name in result:
            twice.append(name)
            continue
        fault = "holds a NUL. Type it again." if "\0" in key else _wrong_scalar(key)
        if fault:
            problems.append(Problem(loc, shorten(key), f"as a key: {fault}"))
            continue
        result[name] = _cleaned(value, (*loc, name), problems)
    problems.extend(
        Problem((*loc, tidy(key)), "", "is given twice; only one can be meant. Remove one of them.")
        for key in twice
    )
    return result


def _wrong_scalar(value: object) -> str:
    if isinstance(value, float) and not math.isfinite(value):
        return "is not a number that can be measured. Write an ordinary number."
    if isinstance(value, int) and abs(value) > LARGEST_WHOLE:
        return f"is larger than {LARGEST_WHOLE}. Write an ordinary number."
    if isinstance(value, str) and any("\ud800" <= c <= "\udfff" for c in value):
        return "holds half of a character (a lone surrogate). Type it again."
    return ""
