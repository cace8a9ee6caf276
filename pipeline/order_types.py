"""The kinds of value that an order manifest holds."""

from __future__ import annotations

import re
from datetime import date, datetime
from typing import Annotated, Literal, TypeAlias

from pydantic import AfterValidator, BeforeValidator, Field, Strict, Tag

from pipeline.manifest_check import (
    TAG,
    Many,
    Name,
    by_shape,
    wrong,
)

Route: TypeAlias = Literal["direct", "transfer", "screen"]
NearFabric: TypeAlias = Literal["ask", "knock_out", "keep"]
KnockOut: TypeAlias = Literal["auto", "edges", "ramp", "none"]
Answer: TypeAlias = Literal["stop", "remove", "keep"]
Scale: TypeAlias = Literal["with garment", "fixed"]
Approval: TypeAlias = Literal["required", "not needed"]
FadeMethod: TypeAlias = Literal["model", "saturation", "none"]
BandRule: TypeAlias = Annotated[
    Annotated[Literal["each size", "one"], Tag(TAG + "rule")]
    | Annotated[Many[Annotated[tuple[Name, ...], Strict(False), Field(min_length=1)]], Tag(TAG + "lists")],
    by_shape(rule=str, lists=(list, tuple)),
]


def _art_file(value: str) -> str:
    parts = value.split("/")
    if not value.strip() or len(value) > 1000:
        raise wrong('is not a file name. Name the art\'s file, like "crest.svg".')
    if "\0" in value or "\\" in value:
        raise wrong('holds a backslash or a NUL. Write folders with "/", like "art/crest.svg".')
    if value.startswith("/") or re.match("[A-Za-z]:", value):
        raise wrong("is an absolute path. Put the file beside the manifest and name it from there.")
    if ".." in parts:
        raise wrong(
            'leads out of the manifest\'s folder. Put the file beside the manifest and leave out "..".'
        )
    if "" in parts or "." in parts:
        raise wrong('is not a plain path. Write it like "art/crest.svg".')
    return value


def _order_id(value: str) -> str:
    if not re.fullmatch("[A-Za-z0-9][A-Za-z0-9._-]{0,63}", value):
        raise wrong(
            'must have 1 to 64 of A–Z a–z 0–9 "." "_" "-" and start with a letter or digit, like "HB-2041".'
        )
    return value


def _code(value: str) -> str:
    if value in ("art-unreadable", "art-too-large"):
        raise wrong("cannot be accepted: there is nothing to print. Send art that can be read.")
    if not re.fullmatch("[a-z0-9]+(-[a-z0-9]+)*", value):
        raise wrong('is not a finding code. Copy it from the report, like "low-resolution".')
    return value


def _date(value: object) -> object:
    if isinstance(value, datetime) or not isinstance(value, str | date):
        raise wrong("is not a day. Write it as 2026-12-04 (in JSON in quotes).")
    if isinstance(value, str):
        try:
            return date.fromisoformat(value if len(value) == 10 else "")
        except ValueError:
            raise wrong(
                "is not a day of the calendar. Write it as year-month-day, like 2026-12-04."
            ) from None
    return value


ArtFile: TypeAlias = Annotated[str, AfterValidator(_art_file)]
OrderId: TypeAlias = Annotated[
    str, AfterValidator(_order_id), Field(json_schema_extra={"pattern": "^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$"})
]
Code: TypeAlias = Annotated[
    str, AfterValidator(_code), Field(json_schema_extra={"pattern": "^[a-z0-9]+(-[a-z0-9]+)*$"})
]
Day: TypeAlias = Annotated[date, BeforeValidator(_date)]
Elements: TypeAlias = Many[Annotated[str, Field(min_length=1, max_length=200)]]
Pieces: TypeAlias = Annotated[int, Field(ge=0, le=1_000_000)]
