"""How far figures can be trusted and how small a fault would have shown, in the words of a certificate's page."""

from __future__ import annotations

from math import ceil, floor, log10

from vibe.core.records.acceptance import Acceptance, Outcome
from vibe.report import words
from vibe.report.certificate.numbers import with_unit

TINY = 1e-4
"""A smaller risk rests on tails that nobody knows."""
FEW = 4
"""Rows that a table shows even where all of them say the same."""


def factor_text(outcome: Outcome) -> str:
    """Coverage factor and degrees of freedom of a figure; empty where they are not known."""
    measured = outcome.measured
    if measured is None or measured.coverage_factor is None or not measured.expanded:
        return ""
    freedom = measured.degrees_of_freedom
    # Beyond a hundred Student's t is the normal distribution.
    many = "" if freedom is None or freedom > 100 else f", ν\u00a0=\u00a0{freedom:.0f}"
    return f"k\u00a0=\u00a0{measured.coverage_factor:.3g}{many}"


def risk_text(outcome: Outcome) -> str:
    """The chance that what passed is beyond its limit all the same; empty where it is tiny or not known."""
    risk = outcome.risk_of_false_acceptance
    if outcome.answer != "pass" or risk is None or risk < TINY:
        return ""
    # Never smaller than it is.
    many = floor(1 / risk)
    return f"risk 1 in {many if many < 10 else floor(many / 10 ** (len(str(many)) - 2)) * 10 ** (len(str(many)) - 2)}"


def risks_known(a: Acceptance) -> bool:
    """Whether some figure that passed has a risk."""
    return any(one.answer == "pass" and one.risk_of_false_acceptance is not None for one in a.outcomes)


def searched_table(a: Acceptance) -> list[tuple[str, str, str]]:
    """(part, smallest impact that would have shown, why none) of each part that was searched, once."""
    rows: dict[str, tuple[str, str, str]] = {}
    for outcome in a.outcomes:
        for part in outcome.searched:
            shown = "" if part.shown_m_s2 is None else with_unit(_upwards(part.shown_m_s2), words.unit("m/s^2"))
            why = f"not promised: {part.why}" if outcome.answer == "pass" and not shown else part.why
            found = (words.printable(words.component(part.part)), shown, words.printable(why))
            if shown or part.part not in rows:
                rows[part.part] = found
    return [(name[:1].upper() + name[1:], shown, why) for name, shown, why in rows.values()]


def not_promised(outcome: Outcome) -> str:
    """Parts at which damage was not sure to have shown, though the requirement, which does not name them, is met."""
    parts = [part.part for part in outcome.searched if part.shown_m_s2 is None] if outcome.answer == "pass" else []
    return ", ".join(words.printable(words.component(part)) for part in parts)


def searched_in_vain(a: Acceptance) -> tuple[list[str], str] | None:
    """All parts, and why nothing was tried at any of them, where that is one reason for all: a sentence says it."""
    rows = searched_table(a)
    reasons = {why for _, _, why in rows}
    if len(rows) < FEW or len(reasons) != 1 or any(shown for _, shown, _ in rows):
        return None
    return [name[:1].lower() + name[1:] for name, _, _ in rows], reasons.pop()


def _upwards(value: float) -> str:
    """Two digits, never smaller than the value: what is found is not promised to be less."""
    step = 10.0 ** (floor(log10(value)) - 1)
    return f"{ceil(value / step - 1e-6) * step:.2g}"
