"""Guides and hidden parts left in the art: `only` and `omit` answer them, for the colourways they serve."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from pipeline.finding import Finding
from pipeline.make import plan_order
from pipeline.record import all_findings
from pipeline.shop import load_shop
from pipeline.study import Study
from tests.test_make import hand_in, make, order, plate, record

ART = """<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 100 80">
<g id="crest"><circle id="sun" cx="40" cy="40" r="30" fill="#8f2430"/>
<path id="sketch" d="M1 1h9v9z" visibility="visible" display="none"/></g>
<g id="guides"><path id="crop-marks" d="M90 0v80" stroke="#000000"/></g>
<rect id="aside" x="200" y="10" width="9" height="9" fill="#2f7f86"/></svg>"""


class NoStudies(dict[str, Study]):
    """Studies of an order that nobody has drawn yet: nothing was found."""

    def __missing__(self, _key: str) -> Any:
        return type("Nothing", (), {"findings": ()})


def found(
    folder: Path, *, art: dict[str, Any] | None = None, red: dict[str, Any] | None = None
) -> list[Finding]:
    """Return what is found of the art on a black colourway, and on a red one with settings of its own."""
    manifest = order()
    manifest["art"]["badge"] |= art or {}
    manifest["colourways"][0] |= red or {}
    plan = plan_order(hand_in(folder, manifest, {"badge.svg": ART}), load_shop(None))
    return [f for f in all_findings(plan, NoStudies()) if f.code in ("guide-left", "hidden-content")]


@pytest.mark.parametrize(
    ("stops", "ways"),
    [
        (("#d03b50", "#4d0d10"), [("Barn red",)]),  # half way: the red shirt's #8f2430
        (("#8f2430", "#4d0d10"), []),  # it starts there: the stop is keyed
        (("#d03b50", "#f3e9d2"), []),
    ],
)
def test_a_gradient_that_only_passes_through_the_fabrics_colour_is_said(
    tmp_path: Path, stops: tuple[str, str], ways: list[tuple[str, ...]]
) -> None:
    """The mean of the stops is the shirt's colour: no paint is there to knock out, so it is printed and said."""
    art = (
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 100 80"><linearGradient id="g">'
        f'<stop stop-color="{stops[0]}"/><stop offset="1" stop-color="{stops[1]}"/></linearGradient>'
        '<rect width="90" height="70" fill="url(#g)"/></svg>'
    )
    plan = plan_order(hand_in(tmp_path, order(), {"badge.svg": art}), load_shop(None))
    found = [f for f in all_findings(plan, NoStudies()) if f.code == "gradient-through-fabric"]

    assert [(f.severity, f.colourways) for f in found] == [("note", way) for way in ways]


def decided(folder: Path) -> dict[str, str]:
    """Return the severity of what is left in the art of a made order, by element or layer."""
    return {
        f["measured"]: f["severity"]
        for f in record(folder)["findings"]
        if f["code"] in ("guide-left", "hidden-content")
    }


BLENDED = """<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 100 80">
<rect width="50" height="80" fill="#2f7f86"/>
<rect width="30" height="20" fill="#f3e9d2" style="mix-blend-mode:multiply"/>
<rect id="guides" x="60" width="40" height="80" fill="#00ff00"/></svg>"""


def test_what_is_left_out_of_blended_art_is_on_no_plate(tmp_path: Path) -> None:
    """Art that is knocked out as pixels loses the element before that, on every fabric."""
    manifest = order(art={"badge": {"file": "badge.svg", "omit": ["guides"]}})
    assert make(tmp_path, manifest, {"badge.svg": BLENDED}) == 0

    assert decided(tmp_path) == {"guides": "note"}
    for colourway in ("Barn red", "Black"):
        pixels = plate(tmp_path, "press-colour", colourway, "M")
        assert pixels[:, : pixels.shape[1] // 2, 3].any()
        assert not pixels[:, pixels.shape[1] * 6 // 10 :, 3].any()


def severities(findings: list[Finding]) -> dict[str, str]:
    return {str(f.measured): f.severity for f in findings}


def test_left_overs_are_told_once_with_the_colourways(tmp_path: Path) -> None:
    """Nobody has decided: each is a warning, named by its element, for all colourways together."""
    findings = found(tmp_path)

    assert severities(findings) == dict.fromkeys(("guides", "crop-marks", "sketch", "aside"), "warn")
    assert {f.colourways for f in findings} == {("Barn red", "Black")}
    assert {f.art for f in findings} == {"badge"}


@pytest.mark.parametrize(
    ("choice", "answered"),
    [
        ({"omit": ["guides"]}, {"guides", "crop-marks"}),
        ({"omit": ["crop-marks"]}, {"crop-marks", "guides"}),
        ({"omit": ["sketch", "aside"]}, {"sketch", "aside"}),
        ({"only": ["crest"]}, {"guides", "crop-marks", "aside"}),
        ({"only": ["crest", "crop-marks"]}, {"crop-marks", "aside"}),
    ],
)
def test_only_and_omit_turn_them_into_notes(
    tmp_path: Path, choice: dict[str, Any], answered: set[str]
) -> None:
    """What is left out is not printed, what `only` names is meant to be: both are decisions, and are said as notes."""
    findings = found(tmp_path, art=choice)

    assert {name for name, severity in severities(findings).items() if severity == "note"} == answered
    for finding in findings:
        assert ("The manifest" in finding.message or "the manifest" in finding.message) == (
            finding.severity == "note"
        )


def test_what_one_colourway_leaves_out_stays_a_warning_on_the_others(tmp_path: Path) -> None:
    """`omit` of a colourway serves that colourway alone."""
    guides = [f for f in found(tmp_path, red={"omit": ["guides"]}) if f.measured == "guides"]

    assert [(f.severity, f.colourways) for f in guides] == [("warn", ("Black",)), ("note", ("Barn red",))]
