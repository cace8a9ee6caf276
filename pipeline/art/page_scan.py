"""What a PDF page uses that a press file cannot keep, or that PDFium draws otherwise than meant (ISO 32000-1)."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from pipeline.art import page_layers, page_overprint
from pipeline.art.refusal import too_large, unreadable
from pipeline.finding import Finding

CONTENT_BYTES = 128 * 2**20
OBJECTS = 50_000
DEPTH = 24
DRAWN = 1_000_000
NAME = re.compile(rb"/([^\x00\t\n\f\r ()<>\[\]{}/%]+)")
DRAWS = re.compile(rb"/([^\x00\t\n\f\r ()<>\[\]{}/%]+)\s+Do\b")
CMYK_PAINT = re.compile(rb"[\d.]\s+[kK](?=[\s\[/(<]|$)")
PROCESS = frozenset({"Cyan", "Magenta", "Yellow", "Black", "All", "None"})
LOSSY = frozenset({"/DCTDecode", "/DCT", "/JPXDecode"})
EMBEDDED = ("/FontFile", "/FontFile2", "/FontFile3")


@dataclass(slots=True)
class Seen:
    """What the walk has met."""

    name: str
    spots: set[str] = field(default_factory=set)
    fonts: set[str] = field(default_factory=set)
    cmyk: bool = False
    lossy: bool = False
    overprint: set[page_overprint.Kind] = field(default_factory=set)
    content: int = 0
    objects: int = 0
    drawn: dict[tuple[int, int], int] = field(default_factory=dict)
    done: set[tuple[int, int]] = field(default_factory=set)


def scan(pdf: Any, name: str) -> tuple[tuple[Finding, ...], bool]:
    """Return the findings about the first page of an open pikepdf.Pdf, and whether it draws images that are lossy.

    Raises Refused over the caps.
    """
    page = pdf.pages[0].obj
    seen = Seen(name)
    _colour_space(page.get("/Group", {}).get("/CS"), seen, 0)
    resources = _inherited(page, "/Resources")
    _content(_joined(page.get("/Contents"), seen), resources, seen, 0)
    findings = (*_findings(seen, _annotations(page)), *page_layers.findings(pdf, name))
    return findings, seen.lossy


def _inherited(page: Any, key: str) -> Any:
    for _ in range(DEPTH):
        if key in page:
            return page[key]
        if "/Parent" not in page:
            break
        page = page["/Parent"]
    return {}


def _joined(contents: Any, seen: Seen) -> bytes:
    if contents is None:
        return b""
    parts = list(contents) if _is_array(contents) else [contents]
    return b"\n".join(_bytes(part, seen) for part in parts)


def _bytes(stream: Any, seen: Seen) -> bytes:
    data = bytes(stream.read_bytes())
    seen.content += len(data)
    if seen.content > CONTENT_BYTES:
        raise too_large(
            seen.name, "the page's drawing commands are too many.", f"{CONTENT_BYTES // 2**20} MiB"
        )
    return data


def _content(data: bytes, resources: Any, seen: Seen, depth: int) -> int:
    """Look at one content stream and at what it names; return how many forms and images it draws in all."""
    if depth > DEPTH:
        raise unreadable(seen.name, "its forms are nested too deeply.", "Flatten the PDF.")
    used = {name.decode("utf-8", "replace") for name in map(_plain, NAME.findall(data))}
    seen.cmyk |= "DeviceCMYK" in used or CMYK_PAINT.search(data) is not None
    states = _used(resources, "/ExtGState", used)
    if any(_truth(state, "/OP") or _truth(state, "/op") for state in states.values()):
        seen.overprint |= page_overprint.kinds(data, states)
    for state in states.values():
        mask = state.get("/SMask")
        if _is_dictionary(mask) and "/G" in mask:
            _form(mask["/G"], resources, seen, depth + 1)
    for space in _used(resources, "/ColorSpace", used).values():
        _colour_space(space, seen, 0)
    for shading in _used(resources, "/Shading", used).values():
        _colour_space(shading.get("/ColorSpace"), seen, 0)
    for pattern in _used(resources, "/Pattern", used).values():
        if "/Shading" in pattern:
            _colour_space(pattern["/Shading"].get("/ColorSpace"), seen, 0)
        else:
            _form(pattern, resources, seen, depth + 1)
    for font in _used(resources, "/Font", used).values():
        _font(font, resources, seen, depth)
    return _drawn(data, resources, seen, depth)


def _drawn(data: bytes, resources: Any, seen: Seen, depth: int) -> int:
    """Count what `Do` draws, forms within forms multiplied: a small file can ask for 10⁸ pictures."""
    objects = resources.get("/XObject", {})
    total = 1
    for raw, times in Counter(map(_plain, DRAWS.findall(data))).items():
        inner = objects.get("/" + raw.decode("utf-8", "replace"))
        if inner is None:
            continue
        if inner.get("/Subtype") == "/Form":
            total += times * _form(inner, resources, seen, depth + 1)
        else:
            total += times
            filters = inner.get("/Filter", "")
            named = {str(one) for one in (filters if _is_array(filters) else [filters])}
            seen.lossy |= bool(named & LOSSY)
            _colour_space(inner.get("/ColorSpace"), seen, 0)
    if total > DRAWN:
        raise too_large(
            seen.name, "the page draws its parts too often.", f"{DRAWN:,} parts", "Flatten the PDF."
        )
    return total


def _form(form: Any, resources: Any, seen: Seen, depth: int) -> int:
    key = form.objgen
    if key in seen.drawn:
        return seen.drawn[key]
    if key != (0, 0):
        if key in seen.done:
            raise unreadable(seen.name, "a part of the page contains itself.", "Flatten the PDF.")
        seen.done.add(key)
    seen.objects += 1
    if seen.objects > OBJECTS:
        raise too_large(seen.name, "the page has too many parts.", f"{OBJECTS:,} parts", "Flatten the PDF.")
    if "/Group" in form:
        _colour_space(form["/Group"].get("/CS"), seen, 0)
    count = _content(_bytes(form, seen), form.get("/Resources", resources), seen, depth)
    if key != (0, 0):
        seen.drawn[key] = count
    return count


def _colour_space(space: Any, seen: Seen, depth: int) -> None:
    """Note spot colours and CMYK in a colour space and in those it builds on (ISO 32000-1, 8.6)."""
    if space is None or depth > 8:
        return
    if not _is_array(space):
        seen.cmyk |= str(space) in ("/DeviceCMYK", "/CMYK")
        return
    if len(space) < 2:
        return
    family = str(space[0])
    if family == "/ICCBased":
        seen.cmyk |= int(space[1].get("/N", 0)) == 4
    elif family in ("/Indexed", "/I", "/Pattern"):
        _colour_space(space[1], seen, depth + 1)
    elif family in ("/Separation", "/DeviceN"):
        names = [space[1]] if family == "/Separation" else list(space[1])
        plain = {str(one).removeprefix("/") for one in names}
        seen.spots |= plain - PROCESS
        seen.cmyk |= bool(plain & PROCESS - {"None"})


def _font(font: Any, resources: Any, seen: Seen, depth: int) -> None:
    """Note a font whose outlines are not in the file; look into fonts drawn by commands (Type 3)."""
    if font.get("/Subtype") == "/Type3":
        for drawing in font.get("/CharProcs", {}).values():
            _form(drawing, font.get("/Resources", resources), seen, depth + 1)
        return
    inner = font
    if "/DescendantFonts" in font and len(font["/DescendantFonts"]):
        inner = font["/DescendantFonts"][0]
    description = inner.get("/FontDescriptor", {})
    if not any(key in description for key in EMBEDDED):
        seen.fonts.add(str(font.get("/BaseFont", "/unnamed")).removeprefix("/"))


def _used(resources: Any, kind: str, used: set[str]) -> dict[str, Any]:
    entries = resources.get(kind, {})
    return {str(key)[1:]: value for key, value in entries.items() if str(key)[1:] in used}


def _plain(name: bytes) -> bytes:
    """Undo #xx in a name (ISO 32000-1, 7.3.5)."""
    return re.sub(rb"#([0-9A-Fa-f]{2})", lambda m: bytes([int(m.group(1), 16)]), name)


def _truth(state: Any, key: str) -> bool:
    return bool(state.get(key, False))


def _is_array(value: Any) -> bool:
    import pikepdf

    return isinstance(value, pikepdf.Array)


def _is_dictionary(value: Any) -> bool:
    import pikepdf

    return isinstance(value, pikepdf.Dictionary | pikepdf.Stream)


def _annotations(page: Any) -> int:
    return sum(1 for one in page.get("/Annots", []) if one.get("/Subtype") not in ("/Link", "/Popup"))


def _listed(names: set[str]) -> str:
    clean = sorted("".join(c for c in name if c.isprintable())[:60] for name in names)
    return ", ".join(clean[:8]) + (f" and {len(clean) - 8} more" if len(clean) > 8 else "")


def _findings(seen: Seen, annotations: int) -> Iterator[Finding]:
    name = seen.name
    if "colour" in seen.overprint:
        message = f"{name} uses overprint, which is not simulated: inks meant to mix would cover each other."
        yield Finding(
            "unsupported-feature", "stop", message, "Flatten transparency and overprint on export.", art=name
        )
    elif "black" in seen.overprint:
        message = f"{name} lets black overprint; it is drawn as solid black."
        yield Finding("unsupported-feature", "note", message, "Nothing to do.", art=name)
    if seen.fonts:
        message = f"{name} uses fonts that it does not contain: {_listed(seen.fonts)}."
        remedy = "Embed the fonts or convert the text to outlines."
        yield Finding("font-missing", "stop", message, remedy, art=name, measured=_listed(seen.fonts))
    if seen.spots:
        message = f"{name} uses spot colours ({_listed(seen.spots)}); their screen equivalents are printed."
        yield Finding(
            "colour-mode",
            "warn",
            message,
            "Check these colours on the proof.",
            art=name,
            measured="spot colours",
        )
    if seen.cmyk:
        message = f"{name} uses CMYK; it is converted to sRGB by a fixed rule without its profile."
        remedy = "Check the colours on the proof; export as RGB to decide them yourself."
        yield Finding("colour-mode", "warn", message, remedy, art=name, measured="CMYK", limit="sRGB")
    if annotations:
        message = f"{name} carries {annotations} comment(s), stamp(s) or form field(s), which do not print."
        yield Finding("hidden-content", "warn", message, "Flatten what is to be printed.", art=name)
