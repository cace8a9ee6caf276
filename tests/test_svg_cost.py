"""Effects that would take hours at print size stop by name, in an instant."""

from __future__ import annotations

import time

import pytest

from pipeline.faults import Refused
from tests.test_svg import read


def filtered(step: str, around: str = "") -> str:
    return f'<filter id="f">{step}</filter><g {around}><rect id="a" width="50" height="50" filter="url(#f)"/></g>'


@pytest.mark.parametrize(
    ("step", "around", "named"),
    [
        ('<feMorphology radius="0.2"/>', "", ""),
        ('<feMorphology radius="0.3"/>', "", "morphology"),
        ('<feMorphology radius="0.1 0.3"/>', "", "morphology"),
        ('<feMorphology radius="0.1"/>', 'transform="scale(4)"', "morphology"),
        ('<feMorphology radius="9999"/>', "", "morphology"),
        ('<feTurbulence numOctaves="8"/>', "", ""),
        ('<feTurbulence numOctaves="100000"/>', "", "turbulence"),
        ('<feConvolveMatrix order="5" kernelMatrix="1"/>', "", ""),
        ('<feConvolveMatrix order="200 3" kernelMatrix="1"/>', "", "convolution"),
    ],
)
def test_filters_that_take_hours_are_named(step: str, around: str, named: str):
    """The limits are shares of the drawing (100 units wide), wherever the filter is scaled up; papers show the rest."""
    art = read(filtered(step, around))
    stops = [f for f in art.findings if f.severity == "stop"]

    assert (b"filter=" in art.svg) == (not named)
    assert [str(f.measured).split()[1] for f in stops] == ([named] if named else [])


def test_too_many_layers_are_refused_at_once():
    """Each half-transparent group of two shapes is a page of its own; so is each step of a filter."""
    pair = '<path d="M0 0h9v9z"/><path d="M5 0h9v9z"/>'
    few, many = (f'<g opacity=".5">{pair}</g>' * count for count in (1990, 2010))
    steps = filtered("<feFlood/>" * 30)
    began = time.monotonic()

    assert not read(few).findings
    for drawing in (many, few + steps):
        with pytest.raises(Refused, match="2,000 transparent, masked or filtered layers") as refusal:
            read(drawing)
        assert refusal.value.code == "art-too-large"
    assert time.monotonic() - began < 20
