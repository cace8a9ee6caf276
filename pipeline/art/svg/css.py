"""The cascade: which value of a property holds for an element, before inheritance.

Sources: CSS Cascading 4 section 6 (order: presentation attributes, sheets by specificity and place, `style`, then
`!important` ones), SVG 2 section 6.6 (presentation attributes), CSS Variables 1 (custom properties).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from xml.etree.ElementTree import Element

import cssselect2
import tinycss2

from pipeline.art.svg import colour, units
from pipeline.art.svg.parse import Document
from pipeline.art.svg.units import NUMBER, Frame

Style = dict[str, str]
"""Computed values by property; only what was set or inherited stands in it."""

INHERITED = units.words(
    """
    clip-rule color color-interpolation color-interpolation-filters color-rendering cursor direction
    dominant-baseline fill fill-opacity fill-rule font-family font-feature-settings font-kerning
    font-size font-size-adjust font-stretch font-style font-variant font-weight font-variation-settings
    glyph-orientation-horizontal glyph-orientation-vertical image-rendering kerning letter-spacing
    marker-end marker-mid marker-start paint-order shape-rendering stroke stroke-dasharray
    stroke-dashoffset stroke-linecap stroke-linejoin stroke-miterlimit stroke-opacity stroke-width
    text-anchor text-orientation text-rendering visibility white-space word-spacing writing-mode
    """
)
OWN = units.words(
    """
    alignment-baseline baseline-shift clip clip-path display enable-background filter flood-color
    flood-opacity isolation lighting-color mask mask-type mix-blend-mode opacity overflow stop-color
    stop-opacity text-decoration text-decoration-line text-decoration-style text-decoration-color
    transform transform-box transform-origin unicode-bidi vector-effect
    """
)
GEOMETRY = frozenset(["x", "y", "width", "height", "cx", "cy", "r", "rx", "ry", "d"])
"""Properties of SVG 2 that style sheets may set too; they override the attributes of the same name."""

_ATTRIBUTES = (INHERITED | OWN) - units.words(
    "mix-blend-mode isolation font-kerning font-feature-settings font-variation-settings"
)
"""Presentation attributes; those left out are properties alone."""
_WIDE = frozenset(["inherit", "initial", "unset", "revert"])
_COLOURS = frozenset(["fill", "stroke", "color", "stop-color", "flood-color", "lighting-color"])
_LENGTHS = frozenset(["stroke-width", "stroke-dashoffset", "font-size"])
_WORDED = frozenset(["font-size"])
_LENGTH = re.compile(rf"({NUMBER.pattern})\s*(px|in|mm|cm|q|pt|pc|em|ex|ch|rem|%)?$")
_CHOICES = {
    "fill-rule": frozenset(["nonzero", "evenodd"]),
    "clip-rule": frozenset(["nonzero", "evenodd"]),
    "stroke-linecap": frozenset(["butt", "round", "square"]),
    "stroke-linejoin": frozenset(["miter", "miter-clip", "round", "bevel", "arcs"]),
    "visibility": frozenset(["visible", "hidden", "collapse"]),
}
_PLAIN = re.compile(r"[a-z-]+$")
_VARIABLE = re.compile(r"var\(\s*(--[^\s,()]+)\s*(?:,((?:[^()]|\([^()]*\))*))?\)", re.IGNORECASE)
_FONT = re.compile(
    r"\s*(?P<words>(?:[a-z0-9-]+\s+)*?)(?P<size>[\d.]+[a-z%]*|xx-small|x-small|small|medium|large|x-large|xx-large|larger"
    r"|smaller)(?:\s*/\s*\S+)?\s+(?P<family>.+)$",
    re.IGNORECASE,
)


@dataclass(slots=True)
class Sheets:
    """All rules of the document, ready to be matched; `imports` and `problems` are what was not followed."""

    normal: cssselect2.Matcher = field(default_factory=cssselect2.Matcher)
    important: cssselect2.Matcher = field(default_factory=cssselect2.Matcher)
    imports: list[str] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)
    count: int = 0
    wrappers: dict[Element, cssselect2.ElementWrapper] = field(default_factory=dict)


def collect(document: Document) -> Sheets:
    """Read every <style> of the document."""
    sheets = Sheets(imports=list(document.sheets))
    for element in document.root.iter("style"):
        if element.get("type", "text/css").strip().lower() in ("", "text/css"):
            text = "".join(element.itertext())
            _rules(tinycss2.parse_stylesheet(text, skip_comments=True, skip_whitespace=True), sheets)
    if sheets.count:
        wrapped = cssselect2.ElementWrapper.from_xml_root(document.root)
        sheets.wrappers = {w.etree_element: w for w in wrapped.iter_subtree()}
    return sheets


def _rules(rules: list[object], sheets: Sheets) -> None:
    for rule in rules:
        kind = rule.type  # type: ignore[attr-defined]
        if kind == "at-rule":
            _at_rule(rule, sheets)
        elif kind == "qualified-rule":
            _rule(rule, sheets)


def _at_rule(rule: object, sheets: Sheets) -> None:
    name = rule.lower_at_keyword  # type: ignore[attr-defined]
    prelude = tinycss2.serialize(rule.prelude).strip()  # type: ignore[attr-defined]
    if name == "import":
        sheets.imports.append(prelude.strip("\"'"))
    elif name == "media" and prelude.lower() in ("all", "screen", ""):
        content = rule.content or []  # type: ignore[attr-defined]
        _rules(tinycss2.parse_rule_list(content, skip_comments=True, skip_whitespace=True), sheets)
    elif name not in ("charset", "font-face", "namespace", "keyframes"):
        sheets.problems.append(f"@{name} {prelude}".strip())


def _rule(rule: object, sheets: Sheets) -> None:
    try:
        selectors = cssselect2.compile_selector_list(rule.prelude)  # type: ignore[attr-defined]
    except cssselect2.SelectorError:
        return  # an unreadable selector matches nothing
    normal, important = _declarations(rule.content)  # type: ignore[attr-defined]
    for matcher, declarations in ((sheets.normal, normal), (sheets.important, important)):
        for selector in selectors:
            if declarations and selector.pseudo_element is None:
                matcher.add_selector(selector, declarations)
                sheets.count += 1


def _declarations(content: object) -> tuple[list[tuple[str, str]], list[tuple[str, str]]]:
    normal: list[tuple[str, str]] = []
    important: list[tuple[str, str]] = []
    for one in tinycss2.parse_blocks_contents(content, skip_comments=True, skip_whitespace=True):
        if one.type == "declaration":
            name = one.name if one.name.startswith("--") else one.lower_name
            (important if one.important else normal).append((name, tinycss2.serialize(one.value).strip()))
    return normal, important


def declared(element: Element, sheets: Sheets) -> Style:
    """Return what attributes, sheets and `style` say of the element; shorthands are spread, nothing is inherited."""
    out: Style = {}
    for name, value in element.attrib.items():
        if name in _ATTRIBUTES:
            _set(out, name, value.strip())
    if element.get("xml:space"):
        out["xml:space"] = element.get("xml:space", "")
    text = element.get("style")
    inline = _declarations(text) if text else ([], [])
    wrapper = sheets.wrappers.get(element)
    for step in _steps(wrapper, sheets, inline):
        for name, value in step:
            _set(out, name, value)
    return out


def _steps(
    wrapper: cssselect2.ElementWrapper | None,
    sheets: Sheets,
    inline: tuple[list[tuple[str, str]], list[tuple[str, str]]],
) -> Iterator[list[tuple[str, str]]]:
    if wrapper is not None:
        yield from (match[-1] for match in sheets.normal.match(wrapper))
    yield inline[0]
    if wrapper is not None:
        yield from (match[-1] for match in sheets.important.match(wrapper))
    yield inline[1]


def _set(out: Style, name: str, value: str) -> None:
    if not _valid(name, value):
        return  # CSS 2.1 section 4.2: an illegal value is as if it were not there
    if name == "marker":
        for end in ("marker-start", "marker-mid", "marker-end"):
            out[end] = value
    elif name == "font":
        found = _FONT.match(value)
        if found:
            _set_font(out, found)
    elif name == "text-decoration":
        out[name] = value
        out.pop("text-decoration-line", None)
    else:
        out[name] = value


def _valid(name: str, value: str) -> bool:
    lower = value.lower()
    if name[:2] == "--" or "var(" in lower or lower in _WIDE:
        return True
    if name in _COLOURS:
        return _is_paint(lower, name in ("fill", "stroke"))
    if name in _LENGTHS:
        return (name in _WORDED and bool(_PLAIN.match(lower))) or _LENGTH.match(lower) is not None
    return name not in _CHOICES or lower in _CHOICES[name]


def _is_paint(value: str, paint: bool) -> bool:  # noqa: FBT001  one private caller
    if value == "currentcolor" or (paint and value in ("none", "context-fill", "context-stroke")):
        return True
    if paint and value.startswith("url("):
        return True
    try:
        return colour.parse(value) is not None
    except colour.ForeignColourError:
        return True


def _set_font(out: Style, found: re.Match[str]) -> None:
    for name in ("font-style", "font-variant", "font-weight", "font-stretch"):
        out[name] = "normal"
    for name in ("font-kerning", "font-feature-settings", "font-size-adjust"):
        out[name] = "initial"
    out["font-size"], out["font-family"] = found["size"], found["family"]
    for word in found["words"].lower().split():
        if word in ("italic", "oblique"):
            out["font-style"] = word
        elif word == "small-caps":
            out["font-variant"] = word
        elif word.isdigit() or word in ("bold", "bolder", "lighter"):
            out["font-weight"] = word
        elif word != "normal":
            out["font-stretch"] = word


def computed(own: Style, parent: Style) -> Style:
    """Return the values that hold: own ones, inherited ones, variables put in, `inherit` and `initial` resolved.

    A value that uses a variable which nobody sets is dropped, as CSS asks.
    """
    out = {
        name: value
        for name, value in parent.items()
        if name in INHERITED or name[:2] == "--" or name == "xml:space"
    }
    if not own:
        return out
    out.update((name, value) for name, value in own.items() if name[:2] == "--")
    for name, value in own.items():
        if name[:2] == "--":
            continue
        if "var(" in value:
            value = _with_variables(value, out)
        word = value.lower()
        if word == "inherit" or (word == "unset" and name in INHERITED):
            if name in parent:
                out[name] = parent[name]
            elif name == "overflow":
                out[name] = "visible"
            else:
                out.pop(name, None)
        elif word in ("initial", "unset", "revert", ""):
            out.pop(name, None)
        elif name == "font-weight" and word in ("bolder", "lighter"):
            out[name] = _relative(word, parent.get(name, "normal"))
        else:
            out[name] = value
    return out


def _relative(word: str, above: str) -> str:
    """Return the weight that is bolder or lighter than the inherited one (CSS Fonts 4 section 2.2.1)."""
    weight = {"normal": 400.0, "bold": 700.0}.get(above.strip().lower(), units.number(above) or 400.0)
    steps = (
        ((350, "400"), (550, "700"), (1001, "900"))
        if word == "bolder"
        else ((100, "100"), (550, "100"), (750, "400"), (1001, "700"))
    )
    return next(answer for end, answer in steps if weight < end)


def _with_variables(value: str, known: Style, depth: int = 8) -> str:
    missing = False

    def put(found: re.Match[str]) -> str:
        nonlocal missing
        got = known.get(found.group(1), found.group(2))
        missing = missing or got is None
        return (got or "").strip()

    value = _VARIABLE.sub(put, value)
    if missing or depth == 0 or len(value) > 10_000:
        return ""
    return _with_variables(value, known, depth - 1) if "var(" in value else value


def word(style: Style, name: str, default: str) -> str:
    """Return a keyword property in lower case."""
    value = style.get(name, default).strip().lower()
    return value if _PLAIN.match(value) else default


_SIZES = {
    "xx-small": 9.6, "x-small": 12.0, "small": 14.22, "medium": 16.0, "large": 19.2, "x-large": 24.0, "xx-large": 32.0
}  # fmt: skip


def font_size(style: Style, parent: Style, frame: Frame) -> float:
    """Return the font size in user units (CSS Fonts 3 section 3.5); that of the parent is settled, in px."""
    above = units.length(parent.get("font-size"), frame, "d") or 16.0
    text = style.get("font-size", "").strip().lower()
    if text.endswith("%"):
        value = units.number(text[:-1])
        return above * value / 100 if value is not None else above
    if text in ("larger", "smaller"):
        return above * 1.2 if text == "larger" else above / 1.2
    value = _SIZES.get(text) or units.length(text, replace(frame, font_size=above), "d")
    if value is None:
        value = above if "font-size" in style else 16.0
    return value if 0 <= value < units.LARGEST else above
