"""The end of the proof: what was changed and why, what waits for a decision, and where to say yes or no."""

from __future__ import annotations

from pipeline.papers import words
from pipeline.papers.facts import ColourwayFacts, PrintFacts, ProofFacts
from pipeline.papers.kit import BIG, HAIR, INK, LARGE, SMALL, TINY, Sheet
from pipeline.papers.parts import bullets, findings_list, heading, tick
from pipeline.papers.proof_film import film_part


def ending(sheet: Sheet, facts: ProofFacts) -> None:
    """Write what follows the pictures."""
    since = since_last(facts)
    if facts.job.revision > 1:
        heading(sheet, "Δ", words.PROOF_SINCE, 10)
        bullets(sheet, since or (words.PROOF_SAME,))
    heading(sheet, "✎", words.PROOF_CHANGES, 10)
    bullets(sheet, facts.changes + said(facts.colourways) or (words.PROOF_UNCHANGED,))
    film_part(sheet, facts)
    if facts.held:
        heading(sheet, "!", words.PROOF_HELD, 14)
        findings_list(sheet, facts.held, (), facts.pictures)
    if facts.decisions:
        heading(sheet, "§", words.PROOF_AGREED, 14)
        findings_list(sheet, (), facts.decisions)
    if facts.asks:
        _answer(sheet, facts)


def since_last(facts: ProofFacts) -> tuple[str, ...]:
    """Return what changed since the last revision: of the order, then by colourway."""
    return facts.job.changes + tuple(
        f"{way.name}: {line}" for way in facts.colourways for line in way.changes
    )


def said(ways: tuple[ColourwayFacts, ...]) -> tuple[str, ...]:
    """Say in plain words what the line itself changes; once for all colourways and prints it is equal on."""
    lines: list[str] = []
    for item_name in dict.fromkeys(item.name for way in ways for item in way.prints):
        shares = [
            # An order that is held has no plates yet, whose areas tell how much; its picture shows where.
            f"{words.percent(item.knocked_out_share)} on {way.name}"
            if item.knocked_out_mm2
            else f"on {way.name}"
            for way, item in _each(ways)
            if item.name == item_name and (item.knocked_out_mm2 or item.knocked_out is not None)
        ]
        if shares:
            lines.append(words.PROOF_KNOCKED_OUT.format(print=item_name, shares=", ".join(shares)))
    based = [(way, item) for way, item in _each(ways) if item.base]
    lines += [words.PROOF_BASE.format(where=where) for where in [_where(ways, based)] if where]
    dotted = [(way, item) for way, item in _each(ways) if item.dot_mm]
    lines += [words.PROOF_DOTS.format(where=where) for where in [_where(ways, dotted)] if where]
    faded: dict[tuple[str, str], list[tuple[ColourwayFacts, PrintFacts]]] = {}
    for way, item in _each(ways):
        if item.fade != "none":
            after = words.count(item.washes, "wash", "washes") if item.washes else "washing"
            known = "" if item.fade_calibrated else f" {words.PROOF_GUESS}"
            faded.setdefault((after, known), []).append((way, item))
    for (after, known), pairs in faded.items():
        lines.append(words.PROOF_FADE.format(washes=after, where=_where(ways, pairs)) + known)
    return tuple(lines)


def _each(ways: tuple[ColourwayFacts, ...]) -> list[tuple[ColourwayFacts, PrintFacts]]:
    return [(way, item) for way in ways for item in way.prints]


def _where(ways: tuple[ColourwayFacts, ...], pairs: list[tuple[ColourwayFacts, PrintFacts]]) -> str:
    """Name the prints and colourways, as shortly as they allow."""
    if len(pairs) == len(_each(ways)):
        return words.PROOF_ALL
    by_print: dict[str, list[str]] = {}
    for way, item in pairs:
        by_print.setdefault(item.name, []).append(way.name)
    by_ways: dict[tuple[str, ...], list[str]] = {}
    for name, names in by_print.items():
        by_ways.setdefault(tuple(names), []).append(name)
    return "; ".join(f"{', '.join(prints)} on {', '.join(names)}" for names, prints in by_ways.items())


def _answer(sheet: Sheet, facts: ProofFacts) -> None:
    """Draw where to say yes or no, with order and revision, so that the slip stands alone."""
    job = facts.job
    heading(sheet, "✓", words.PROOF_ANSWER, 57)
    top = sheet.y
    sheet.frame(sheet.left, top, sheet.span, 57, 0.5)
    x, wide = sheet.left + 4, sheet.span - 8
    sheet.figure(x, top + 2.5, f"{job.order} · revision {job.revision}", BIG, wide)
    until = words.PROOF_UNTIL.format(due=job.due) if job.due else words.PROOF_WAITS
    sheet.say(x, top + 9.4, until, SMALL, wide)
    tick(sheet, x, top + 15, 6)
    sheet.say(x + 9, top + 15, words.PROOF_YES, LARGE, wide - 9)
    tick(sheet, x, top + 24, 6)
    sheet.say(x + 9, top + 24, words.PROOF_NO, LARGE, wide - 9)
    sheet.rule(x + 60, top + 29.5, sheet.right - 4, top + 29.5, 0.2, HAIR)
    sheet.rule(x + 9, top + 36.5, sheet.right - 4, top + 36.5, 0.2, HAIR)
    for k, label in enumerate(("name", "date", "signature")):
        at = x + k * wide / 3
        sheet.rule(at, top + 45, at + wide / 3 - 4, top + 45, 0.2, INK)
        sheet.say(at, top + 45.5, label, SMALL, wide / 3 - 4)
    how = words.PROOF_HOW.format(order=job.order, revision=job.revision)
    sheet.tell(x, top + 49.6, how, TINY, wide, most=2)
    sheet.y = top + 58
