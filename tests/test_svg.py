"""Reading SVG: what is normalised, what is named and stops, what is refused."""

from __future__ import annotations

import time

import pytest

from pipeline.art import svg
from pipeline.art.piece import Limits
from pipeline.art.svg import colour, outline, units
from pipeline.faults import Refused

HEAD = '<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" viewBox="0 0 100 100">'


def read(body: str, head: str = HEAD) -> svg.VectorArt:
    return svg.read(f"{head}{body}</svg>".encode(), "art.svg")


def codes(body: str) -> set[str]:
    return {f.code for f in read(body).findings}


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("#f00", (255, 0, 0, 1.0)),
        ("#f008", (255, 0, 0, 136 / 255)),
        ("#80aB40", (128, 171, 64, 1.0)),
        ("rgb(255 0 0 / 50%)", (255, 0, 0, 0.5)),
        ("rgba(100%, 0%, 0%, 0.25)", (255, 0, 0, 0.25)),
        ("hsl(120deg 100% 50%)", (0, 255, 0, 1.0)),
        ("hsl(120, 100%, 25%)", (0, 128, 0, 1.0)),
        ("hsl(0.5turn 100% 50%)", (0, 255, 255, 1.0)),
        ("hwb(60 0% 0%)", (255, 255, 0, 1.0)),
        ("hwb(0 50% 50%)", (128, 128, 128, 1.0)),
        ("transparent", (0, 0, 0, 0.0)),
        ("rgba(0, 50%, 0, 0.5)", None),
        ("#12345", None),
        ("red blue", None),
    ],
)
def test_css_colours_become_srgb(text, expected):
    """CSS Color 4, sections 4.2 (hex), 5.1 (rgb), 7 (hsl), 8 (hwb): its own equivalences."""
    assert colour.parse(text) == expected


def test_a_colour_of_another_space_stops_by_name():
    """CSS Color 4 lab() and friends are not sRGB; they are named, not guessed."""
    assert codes('<rect width="9" height="9" fill="oklch(0.6 0.2 30)"/>') == {"unsupported-feature"}


@pytest.mark.parametrize(
    ("text", "point"),
    [
        ("translate(3)", (4, 1)),
        ("translate(3 4) scale(2)", (5, 6)),
        ("rotate(90)", (-1, 1)),
        ("rotate(180, 5, 5)", (9, 9)),
        ("matrix(1 2 3 4 5 6)", (9, 12)),
        ("skewX(45)", (2, 1)),
        ("translateX(2px) rotate(90deg)", (1, 1)),
    ],
)
def test_transform_lists_map_points_as_svg_says(text, point):
    """SVG 1.1 section 7.6: each function's matrix, applied from right to left, here to the point (1, 1)."""
    matrix = units.transform(text)
    assert matrix is not None
    assert units.apply(matrix, 1, 1) == pytest.approx(point)


def test_an_arc_is_the_circle_that_it_says():
    """SVG 1.1 F.6: every point of the cubics lies on the circle within 3e-4 of its radius."""
    made = outline.parse("M 0 50 A 50 50 0 1 1 100 50 A 50 50 0 0 1 0 50")

    p, at, last = made.points, 2, (0.0, 50.0)
    for op in made.ops[1:]:
        assert op == "C"
        for t in (0.25, 0.5, 0.75, 1.0):
            s = 1 - t
            x, y = (
                s**3 * last[i]
                + 3 * s * s * t * p[at + i]
                + 3 * s * t * t * p[at + 2 + i]
                + t**3 * p[at + 4 + i]
                for i in (0, 1)
            )
            assert (x - 50) ** 2 + (y - 50) ** 2 == pytest.approx(2500, rel=6e-4)
        last, at = (p[at + 4], p[at + 5]), at + 6
    assert made.box() == pytest.approx((0, 0, 100, 100), abs=0.02)


def test_path_data_is_drawn_up_to_its_first_error():
    """SVG 1.1 F.2: the path is drawn up to the segment in error; flags are 0 or 1 and need no separator."""
    assert outline.parse("M0 0L5 5L9").d() == "M0 0L5 5"
    assert outline.parse("M0 0a5 5 0 1 -1 5 5").d() == "M0 0"
    assert outline.parse("M0 0a5 5 0 0110 10").ops == ["M", "C", "C"]
    assert outline.parse("M.5.5-1-1").d() == "M0.5 0.5L-1 -1"


RICH = """
  <style>.a{fill:hsl(0 100% 50%)!important} g > .b{stroke:currentColor} @media screen{.c{opacity:50%}}</style>
  <defs><linearGradient id="base"><stop stop-color="#123"/><stop offset="1" stop-color="#fed" stop-opacity=".5"/>
    </linearGradient><radialGradient id="r" href="#base" fx="40%"/>
    <pattern id="p" width=".2" height=".2"><circle id="dot" r="4" fill="teal"/></pattern>
    <mask id="m"><rect width="100" height="100" fill="#888"/></mask>
    <clipPath id="c" clipPathUnits="objectBoundingBox"><circle cx=".5" cy=".5" r=".5"/></clipPath>
    <symbol id="s" viewBox="0 0 10 10"><path id="leaf" d="M0 0h10v10z" style="fill:var(--x,red)"/></symbol>
    <marker id="k" orient="auto"><path d="M0 0L3 1 0 3z" fill="context-stroke"/></marker></defs>
  <g id="g" color="navy" transform="rotate(10) translate(3)">
    <rect class="a b" id="r1" x="5" width="30" height="20" rx="4"/>
    <ellipse cx="60" cy="30" rx="20" ry="9" fill="url(#r)" paint-order="stroke" stroke="#00f8"/></g>
  <use id="u" href="#s" x="10" y="50" width="30" height="30" style="--x:lime" class="c"/>
  <polyline points="5 90 40 95 80 88" fill="none" stroke="green" marker-end="url(#k)" stroke-dasharray="3,1,2"/>
  <rect x="50" y="50" width="40" height="40" fill="url(#p)" mask="url(#m)"/>
  <circle cx="70" cy="70" r="20" clip-path="url(#c)" opacity=".3" fill="rgb(10% 20% 30%)"/>
  <svg x="5" y="5" width="20" height="10" viewBox="0 0 5 5"><rect width="9" height="9"/></svg>"""


def test_normalising_twice_changes_nothing():
    once = read(RICH)
    twice = svg.read(once.svg, "art.svg")

    assert not [f for f in once.findings if f.severity == "stop"]
    assert twice.svg == once.svg
    assert (twice.paints, twice.elements, twice.renderer, twice.linear) == (
        once.paints, once.elements, once.renderer, once.linear,
    )  # fmt: skip
    assert {"g", "r1", "u", "s", "leaf", "dot"} <= once.elements


def test_use_symbol_css_and_current_color_come_down_to_plain_paints():
    art = read(RICH)

    assert {(255, 0, 0), (0, 0, 128), (0, 255, 0), (0, 128, 128), (0, 128, 0)} <= set(art.paints)
    assert (0x88, 0x88, 0x88) not in art.paints  # a mask's colours are no ink
    for word in (b"<use", b"class=", b"<symbol", b"currentColor", b"hsl(", b"var(", b"<style"):
        assert word not in art.svg


def test_a_quarter_turn_swaps_the_drawing_area_and_four_give_the_art_back():
    art = read('<rect x="10" width="20" height="5" fill="red"/>', HEAD.replace("100 100", "100 50"))

    quarter = svg.turned(art, 90)

    assert (quarter.width, quarter.height) == (50, 100)
    assert svg.turned(svg.turned(art, 45), 0).width == pytest.approx((100 + 50) / 2**0.5)
    back = svg.turned(svg.turned(svg.turned(quarter, 90), 90), 90)
    assert back.svg.replace(b' transform="matrix(1 0 0 1 0 0)"', b"") == art.svg


@pytest.mark.parametrize(
    ("body", "feature"),
    [
        ("<foreignObject width='9' height='9'/>", "<foreignObject>"),
        ("<flowRoot/>", "<flowRoot>"),
        ("<rect width='9' height='9' stroke='red' vector-effect='non-scaling-stroke'/>", "vector-effect"),
        ("<rect width='9' height='9' style='clip-path:circle(3px)'/>", "clip-path: circle()"),
        ("<rect width='9' height='9' transform='rotate(bad)'/>", "transform"),
        ("<style>@media print{rect{fill:red}}</style><rect width='9' height='9'/>", "@media print"),
        ("<filter id='f'><feImage href='#x'/></filter><rect width='9' height='9' filter='url(#f)'/>", "feImage"),
        ("<g id='a'><use href='#b'/></g><g id='b'><use href='#a'/></g>", "circular reference"),
        ("<pattern id='p' width='1' height='1'><path d='M0 0h9v9' fill='url(#p)'/></pattern>"
         "<path d='M0 0h9v9' fill='url(#p)'/>", "a pattern that paints itself"),
        ("<text>שלום</text>", "right to left"),
    ],
)  # fmt: skip
def test_what_cannot_be_drawn_stops_with_element_and_line(body, feature):
    stops = [f for f in read("\n" + body).findings if f.code == "unsupported-feature"]

    assert any(feature in f"{f.measured} {f.message}" for f in stops)
    assert all("line " in f.message or "style sheet" in f.message for f in stops)
    assert all(f.severity == "stop" and f.remedy for f in stops)


@pytest.mark.parametrize(
    "body",
    [
        '<image width="9" height="9" href="http://example.invalid/a.png"/>',
        '<image width="9" height="9" href="file:///etc/hostname"/>',
        '<use href="other.svg#a"/>',
        '<rect width="9" height="9" fill="url(other.svg#p) red"/>',
        '<style>@import url("a.css");</style><rect width="9" height="9"/>',
    ],
)
def test_references_outside_the_file_are_stripped_and_named(body):
    art = read(body)

    assert {f.code for f in art.findings} == {"external-reference"}
    assert b"example" not in art.svg
    assert b"other.svg" not in art.svg
    assert b"file:" not in art.svg


@pytest.mark.parametrize(
    ("feature", "renderer", "linear"),
    [
        ("<rect width='9' height='9'/>", "cairosvg", True),
        ("<mask id='m'><rect width='9' height='9' fill='gray'/></mask><rect width='9' height='9' mask='url(#m)'/>",
         "resvg", True),
        ("<rect width='9' height='9' style='mix-blend-mode:multiply'/>", "resvg", False),
        ("<rect width='9' height='9' filter='blur(2px)'/>", "resvg", False),
        ("<clipPath id='c'><path d='M0 0h9v9zM2 2h3v3z' clip-rule='evenodd'/></clipPath>"
         "<rect width='9' height='9' clip-path='url(#c)'/>", "cairosvg", True),
        ("<path d='M0 0L0 0' stroke='red' stroke-linecap='square'/>", "resvg", True),
    ],
)  # fmt: skip
def test_art_goes_to_the_renderer_that_draws_it_right(feature, renderer, linear):
    art = read(feature)

    assert (art.renderer, art.linear) == (renderer, linear)


def test_hidden_layers_guides_locked_layers_and_ink_beside_the_area_are_named():
    art = read(
        '<g id="layer1" style="display:none"><rect width="9" height="9"/></g>'
        '<g id="crop-marks"><path d="M0 0L5 5" stroke="red"/></g>'
        '<g id="locked" xmlns:e="urn:editor" e:insensitive="true"><rect width="9" height="9"/></g>'
        '<circle id="stray" cx="300" cy="20" r="5"/><rect id="shown" width="9" height="9"/>'
    )

    named = {(f.code, f.measured) for f in art.findings}
    assert named == {
        ("hidden-content", "layer1"), ("guide-left", "crop-marks"),
        ("hidden-content", "locked"), ("hidden-content", "stray"),
    }  # fmt: skip
    assert {"layer1", "crop-marks", "locked", "stray", "shown"} <= art.elements


ENTITIES = "".join(f'<!ENTITY a{i} "{f"&a{i - 1};" * 10 if i else "ha"}">' for i in range(9))
BOMB = "".join(f'<g id="a{i}">' + f'<use href="#a{i - 1}"/>' * 10 + "</g>" for i in range(1, 12))


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("", "art-unreadable"),
        ("not xml", "art-unreadable"),
        ("<html/>", "art-unreadable"),
        (HEAD + "<g>", "art-unreadable"),
        (f"<!DOCTYPE svg [{ENTITIES}]>{HEAD}<text>&a8;</text></svg>", "art-unreadable"),
        (f'<!DOCTYPE svg [<!ENTITY x SYSTEM "file:///etc/passwd">]>{HEAD}<text>&x;</text></svg>', "art-unreadable"),
        (HEAD + "<g>" * 5000 + "</g>" * 5000 + "</svg>", "art-too-large"),
        (HEAD.replace('viewBox="0 0 100 100"', "") + "</svg>", "art-unreadable"),
        (HEAD.replace('viewBox="0 0 100 100"', 'width="nan" height="1e400"') + "</svg>", "art-unreadable"),
        (HEAD.replace("0 0 100 100", "0 0 0 0") + "</svg>", "art-unreadable"),
        (HEAD.replace("viewBox=", 'width="1e30" height="1e30" viewBox=') + "</svg>", "art-too-large"),
        (HEAD + '<g id="a0"><path/></g>' + BOMB + "</svg>", "art-too-large"),
    ],
)  # fmt: skip
def test_hostile_and_broken_files_are_refused_at_once(text, code):
    """Entity and reference bombs, endless nesting, sizes that are none: refused within two seconds, naming the art."""
    start = time.monotonic()
    with pytest.raises(Refused, match=r"art\.svg") as caught:
        svg.read(text.encode(), "art.svg")
    assert caught.value.code == code
    assert time.monotonic() - start < 2


def test_namespace_entities_of_drawing_programs_are_read():
    text = (
        '<!DOCTYPE svg PUBLIC "x" "y" [<!ENTITY ns "http://www.w3.org/2000/svg">]>'
        '<svg xmlns="&ns;" viewBox="0 0 9 9"><rect width="9" height="9" fill="red"/></svg>'
    )
    assert svg.read(text.encode(), "a.svg").paints == ((255, 0, 0),)


@pytest.mark.parametrize(
    ("frame", "told"),
    [
        (
            '<rect id="edge" x=".5" y=".5" width="99" height="99" fill="none" stroke="#000" stroke-width=".25"/>',
            ["edge"],
        ),
        ('<path d="M0 0H100V100H0Z" fill="none" stroke="#000" stroke-width=".25"/>', ["frame"]),
        ('<rect x=".5" y=".5" width="99" height="99" fill="none" stroke="#000" stroke-width="3"/>', []),
        ('<rect x=".5" y=".5" width="99" height="99" fill="#fff" stroke="#000" stroke-width=".25"/>', []),
        ('<rect x="9" y="9" width="80" height="80" fill="none" stroke="#000" stroke-width=".25"/>', []),
        ('<circle cx="50" cy="50" r="50" fill="none" stroke="#000" stroke-width=".25"/>', []),
    ],
)
def test_a_thin_frame_around_the_drawing_is_noted(frame, told):
    """Templates draw their edge as a hairline (common practice, no source); a border that is thick or inside is art."""
    art = read(frame + '<path d="M9 9h9v9z"/>')

    assert [f.measured for f in art.findings] == told
    assert all((f.code, f.severity) == ("guide-left", "warn") for f in art.findings)


def test_limits_are_kept_for_elements_and_bytes():
    body = f"{HEAD}{'<g/>' * 50}</svg>".encode()
    with pytest.raises(Refused, match="50 elements"):
        svg.read(body, "a.svg", Limits(elements=50))
    with pytest.raises(Refused, match="bytes"):
        svg.read(body, "a.svg", Limits(file_bytes=100))
