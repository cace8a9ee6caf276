"""What order manifests and shop files have in common: strict models, and errors in words for people."""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Iterable, Mapping
from functools import cache
from typing import Annotated, Any, TypeAlias, TypeVar

from pydantic import AfterValidator, BaseModel, ConfigDict, Discriminator, Field, Strict, ValidationError
from pydantic_core import PydanticCustomError

from pipeline.manifest_text import Loc, Problem, clean, printable, refusal, shorten, tidy

T = TypeVar("T")
M = TypeVar("M", bound=BaseModel)

Many: TypeAlias = Annotated[tuple[T, ...], Strict(False)]
"""A list in the file, a tuple in the model; what it holds stays strict."""

TAG = "\0"
"""Starts the names of union branches, so that they can be taken out of key paths again."""

NAME_LENGTH = 80
_DIRECTION = set("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
"""Marks that reverse text: with them a name reads differently on paper and in the file."""


class Model(BaseModel):
    """A table: strict types, no unknown keys, no NaN, not changed after reading."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False, defer_build=True)


def wrong(text: str) -> PydanticCustomError:
    """Return the error of a rule; `text` says what is allowed and what to do."""
    return PydanticCustomError("rule", "{text}", {"text": text})


def by_shape(**branches: type | tuple[type, ...]) -> Discriminator:
    """Choose the branch of a union by the kind of value alone, so that only that branch's errors are told."""

    def choose(value: object) -> str | None:
        for name, kinds in branches.items():
            if isinstance(value, kinds) and not (isinstance(value, bool)):
                return TAG + name
        return None

    return Discriminator(choose, custom_error_type="shape", custom_error_message="none of the forms")


def _line(value: str) -> str:
    line = tidy(value)
    if len(line) > NAME_LENGTH:
        raise wrong(f"is longer than {NAME_LENGTH} characters. Shorten it.")
    if any(unicodedata.category(c) in ("Cc", "Zl", "Zp") for c in line) or _DIRECTION & set(line):
        raise wrong(
            "holds control characters (a line break, a tab, a mark that turns the text). Type it again."
        )
    return line


def _name(value: str) -> str:
    if not tidy(value):
        raise wrong(f"is empty. Write a name of 1 to {NAME_LENGTH} characters.")
    return _line(value)


def _colour(value: str) -> str:
    if not re.fullmatch("#[0-9a-fA-F]{6}", value):
        raise wrong('is not a colour. Write it as "#rrggbb", six digits 0–9 a–f, like "#8f2430".')
    return value.lower()


Name: TypeAlias = Annotated[
    str, AfterValidator(_name), Field(json_schema_extra={"minLength": 1, "maxLength": NAME_LENGTH})
]
Line: TypeAlias = Annotated[str, AfterValidator(_line), Field(json_schema_extra={"maxLength": NAME_LENGTH})]
Colour: TypeAlias = Annotated[
    str, AfterValidator(_colour), Field(json_schema_extra={"pattern": "^#[0-9a-fA-F]{6}$"})
]
Argument: TypeAlias = Annotated[str, Field(max_length=4096)]
"""One argument of a command: as long as a path may be (PATH_MAX of Linux)."""
Note: TypeAlias = Annotated[str, Field(max_length=4000)]
Millimetres: TypeAlias = Annotated[float, Field(gt=0, le=2000)]
Offset: TypeAlias = Annotated[float, Field(ge=-2000, le=2000)]
Pair: TypeAlias = Annotated[tuple[Offset, Offset], Strict(False)]
Size: TypeAlias = Annotated[tuple[Millimetres, Millimetres], Strict(False)]
Rect: TypeAlias = Annotated[tuple[Offset, Offset, Millimetres, Millimetres], Strict(False)]
Share: TypeAlias = Annotated[float, Field(ge=0, le=1)]
Percent: TypeAlias = Annotated[float, Field(ge=0, le=100)]


def nearest(word: str, known: Iterable[str]) -> str:
    """Return ' Did you mean "x"?' when something known is near, and what there is."""
    names = [printable(name) for name in known]
    close = difflib.get_close_matches(word.lower(), [n.lower() for n in names], n=1, cutoff=0.6)
    hint = "".join(f' Did you mean "{n}"?' for n in names if close and n.lower() == close[0])
    listed = ", ".join(f'"{n}"' for n in names[:40]) + (", …" if len(names) > 40 else "")
    return f"{hint} Known here: {listed}." if names else " None is known here."


def check(
    model: type[M], data: Mapping[str, Any], rules: Iterable[Problem]
) -> tuple[M | None, list[Problem]]:
    """Return the model, or all that is wrong with `data`: faults of types, then `rules`."""
    problems: list[Problem] = []
    made = None
    try:
        made = model.model_validate(data)
    except ValidationError as errors:
        problems += [_problem(model, e) for e in errors.errors(include_url=False) if not _only_follows(e)]
    problems += rules
    return made, problems


def checked(model: type[M], data: object, rules: Any, *, source: str, code: str) -> M:
    """Return `data` as `model`, or raise one Refused that lists everything wrong with it.

    `rules(tidied data)` yields the problems that concern several keys; it reads the raw tables, so that a
    fault elsewhere hides nothing.
    """
    if not isinstance(data, Mapping):
        raise refusal(source, [Problem((), shorten(data), "must be one table of keys and values.")], code)
    tidied, problems = clean(data)
    made, more = check(model, tidied, rules(tidied))
    seen = {problem.loc for problem in problems}
    for problem in more:
        if problem.loc not in seen or not problem.loc:
            problems.append(problem)
            seen.add(problem.loc)
    if problems or made is None:
        raise refusal(source, problems, code)
    return made


def _only_follows(error: Any) -> bool:
    """Whether a list is called too short only because what it holds was refused, which is told anyway."""
    return bool(error["type"] == "too_short" and len(error["input"]) >= error["ctx"]["min_length"])


def _problem(model: type[BaseModel], error: Any) -> Problem:
    kind = error["type"]
    # A fault of a key itself has "[key]" after the key; a stranger may have that very name.
    skipped = (TAG,) if kind == "extra_forbidden" else (TAG, "[key]")
    loc: Loc = tuple(p for p in error["loc"] if not (isinstance(p, str) and p.startswith(skipped)))
    context = {k: f"{v:g}" if isinstance(v, float) else v for k, v in error.get("ctx", {}).items()}
    about = _about(model, loc)
    value = "" if kind == "missing" else shorten(error["input"])
    if kind == "extra_forbidden":
        return Problem(
            loc,
            "",
            f"is not a key here.{nearest(str(loc[-1]), _known(model, loc[:-1]))} Rename or remove it.",
        )
    if kind == "rule":
        return Problem(loc, value, context["text"])
    if kind == "missing":
        return Problem(loc, "", f"is missing. Add it: {about}")
    if kind == "literal_error":
        known = re.findall(r"'([^']*)'", context["expected"])
        return Problem(loc, value, f"is not one of the choices.{nearest(str(error['input']), known)}")
    words = _WORDS[kind].format_map(context) if kind in _WORDS else error["msg"]
    return Problem(loc, value, f"{words}. Write: {about}")


_WORDS = {
    "string_type": "must be text in quotes",
    "int_type": "must be a whole number, without quotes and without a point",
    "float_type": "must be a number, without quotes",
    "bool_type": "must be true or false, without quotes",
    "tuple_type": "must be a list in [ ]",
    "list_type": "must be a list in [ ]",
    "dict_type": "must be a table of keys and values",
    "mapping_type": "must be a table of keys and values",
    "model_type": "must be a table of keys and values",
    "shape": "has none of the forms that are allowed here",
    "greater_than": "must be more than {gt}",
    "greater_than_equal": "must be {ge} or more",
    "less_than": "must be less than {lt}",
    "less_than_equal": "must be {le} or less",
    "too_short": "must hold at least {min_length}",
    "too_long": "must hold at most {max_length}",
    "string_too_long": "must have at most {max_length} characters",
    "finite_number": "must be an ordinary number",
}


@cache
def _schema(model: type[BaseModel]) -> dict[str, Any]:
    return model.model_json_schema()


def _branches(schema: Mapping[str, Any], root: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """Return the schema with its reference and its alternatives resolved."""
    found = [schema]
    if "$ref" in schema:
        found += _branches(root["$defs"][schema["$ref"].rsplit("/", 1)[-1]], root)
    for way in ("anyOf", "oneOf", "allOf"):
        for branch in schema.get(way, ()):
            found += _branches(branch, root)
    return found


def _at(model: type[BaseModel], loc: Loc) -> list[Mapping[str, Any]]:
    root = _schema(model)
    here = _branches(root, root)
    for part in loc:
        following: list[Mapping[str, Any]] = []
        for schema in here:
            if isinstance(part, str) and part in schema.get("properties", {}):
                following += _branches(schema["properties"][part], root)
            elif isinstance(part, str) and isinstance(schema.get("additionalProperties"), dict):
                following += _branches(schema["additionalProperties"], root)
            elif isinstance(part, int) and isinstance(schema.get("items"), dict):
                following += _branches(schema["items"], root)
        here = following or here
    return here


def _known(model: type[BaseModel], loc: Loc) -> list[str]:
    return [key for schema in _at(model, loc) for key in schema.get("properties", {})]


def _about(model: type[BaseModel], loc: Loc) -> str:
    """Return the description of the field at `loc`, or of the nearest table above it that has one."""
    for end in range(len(loc), 0, -1):
        for schema in _at(model, loc[:end]):
            if "description" in schema:
                return str(schema["description"]).split("\n\n")[0].replace("\n", " ")
    return "what the schema says (washfast schema)."
