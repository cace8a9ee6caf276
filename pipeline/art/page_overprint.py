"""Which paints of a PDF content stream overprint: all in black, or others too."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal, TypeAlias

Kind: TypeAlias = Literal["black", "colour"]

FILLS = frozenset({"f", "F", "f*", "B", "B*", "b", "b*", "sh", "Do", "Tj", "TJ", "'", '"'})
STROKES = frozenset({"S", "s", "B", "B*", "b", "b*"})
COLOURS = {"k": "fill", "g": "fill", "rg": "fill", "sc": "fill", "scn": "fill", "cs": "fill"}
COLOURS |= {operator.upper(): "stroke" for operator in COLOURS}
WATCHED = " ".join(sorted(FILLS | STROKES | COLOURS.keys() | {"q", "Q", "gs"}))


@dataclass(frozen=True, slots=True)
class State:
    """The part of the graphics state that matters here; PDF starts with black and no overprint."""

    fill_over: bool = False
    stroke_over: bool = False
    fill_black: bool = True
    stroke_black: bool = True


def kinds(data: bytes, states: Mapping[str, Any]) -> set[Kind]:
    """Return what overprints in the commands `data`, by the graphics states (ISO 32000-1, 8.4.5 and 8.6.7).

    A form drawn while overprint is on counts as colour: it is not looked into.
    """
    import pikepdf

    found: set[Kind] = set()
    stack: list[State] = []
    state = State()
    with pikepdf.new() as scratch:
        for command in pikepdf.parse_content_stream(scratch.make_stream(data), WATCHED):
            operands, operator = command.operands, str(command.operator)
            if operator == "q":
                stack.append(state)
            elif operator == "Q":
                state = stack.pop() if stack else state
            elif operator == "gs" and operands:
                state = _with(state, states.get(str(operands[0])[1:]))
            elif operator in COLOURS:
                state = replace(
                    state, **{f"{COLOURS[operator]}_black": _is_black(operator.lower(), operands)}
                )
            if operator in FILLS and state.fill_over:
                found.add("black" if state.fill_black and operator not in ("Do", "sh") else "colour")
            if operator in STROKES and state.stroke_over:
                found.add("black" if state.stroke_black else "colour")
    return found


def _with(state: State, change: Any) -> State:
    if change is None:
        return state
    stroke = bool(change.get("/OP", state.stroke_over))
    fill = bool(change.get("/op", stroke if "/OP" in change else state.fill_over))
    return replace(state, stroke_over=stroke, fill_over=fill)


def _is_black(operator: str, operands: Any) -> bool:
    if operator == "cs":
        return str(operands[0]) in ("/DeviceGray", "/DeviceRGB", "/DeviceCMYK") if operands else False
    try:
        values = [float(value) for value in operands]
    except (TypeError, ValueError):
        return False
    if operator == "k" or len(values) == 4:
        return len(values) == 4 and max(values[:3]) == 0 and values[3] > 0
    return operator in ("g", "rg") and bool(values) and max(values) == 0
