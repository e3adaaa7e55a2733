"""An acceptance in the words of its certificate."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from markupsafe import Markup

from vibe.core.records.acceptance import Acceptance, Answer, CommissionedRun, Outcome
from vibe.report import words
from vibe.report.certificate import accuracy, document, speed_chart
from vibe.report.certificate.numbers import distinguishing_digits, measured_text, plain, with_unit
from vibe.storage.digest import groups

MOST_BUDGETS = 2
"""Budgets that are drawn; all are in the record."""
LEAST_SHOWN = 1e-4
"""Share below which a figure is not written out."""
MOST_PARTS = 5
"""Contributions of a budget that get a bar; the rest are joined by their root sum of squares."""

RULES = {
    "guarded acceptance": "a value passes when it lies below its limit by its expanded uncertainty or more, fails when "
    "it lies above the limit by more than that, and is undetermined between",
    "simple acceptance": "a value passes when it is not above its limit; its uncertainty is stated, not counted",
}
_SHAPES: dict[Answer, str] = {
    "pass": '<circle cx="12" cy="12" r="11" fill="#00664b"/>'
    '<path d="m6.3 12.6 3.9 3.9 7.5-8.4" stroke="#fff" stroke-width="3" fill="none"/>',
    "fail": '<path d="M1 1h22v22H1z" fill="#a63d00"/>'
    '<path d="m6.5 6.5 11 11m0-11-11 11" stroke="#fff" stroke-width="3.2" fill="none"/>',
    "undetermined": '<path d="M12 1 23 12 12 23 1 12Z" fill="#fff" stroke="#222" stroke-width="2"'
    ' stroke-dasharray="3.4 2"/>'
    '<path d="M9.3 9.6a2.8 2.8 0 1 1 3.9 2.6c-.9.5-1.2 1-1.2 1.9M12 15.8v1.9" stroke="#222" stroke-width="1.9"'
    ' fill="none"/>',
}
"""A dark circle with a tick, a dark square with a cross, a broken rhombus: they read without colour."""
COLOUR: dict[Answer, str] = {"pass": "#00664b", "fail": "#a63d00", "undetermined": "#555"}


def answer_sign(answer: Answer) -> Markup:
    """The answer's shape; its word always stands next to it."""
    return Markup(f'<svg class="sign" viewBox="0 0 24 24" aria-hidden="true" focusable="false">{_SHAPES[answer]}</svg>')


def seal_digits(seal: str) -> Markup:
    """The seal as a page shows it. Whoever takes the page's hash puts zeros in this very place."""
    return Markup(" ").join(Markup("<span>{}</span>").format(group) for group in groups(seal))


@dataclass(frozen=True, slots=True, kw_only=True)
class CertificateRow:
    """A requirement and its answer as the table shows them."""

    number: int
    outcome: Outcome
    found: str
    limit: str
    accepted: str
    """The limit less its guard band, or the false-alarm rate; empty where there is neither."""
    coverage: str
    factor: str
    """Coverage factor and degrees of freedom."""
    risk: str
    """Of accepting wrongly."""
    not_promised: str = ""
    """Parts that were searched though no impact that was tried was sure to show there, of a requirement that is met."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """One contribution: its relative standard uncertainty in percent, and the length of its bar in percent."""

    name: str
    because: str
    kind: str
    percent: str
    length: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """How the uncertainty of one figure comes about."""

    row: CertificateRow
    bars: tuple[Bar, ...]
    joined: str
    expanded: str


def view_of(acceptance: Acceptance, seal: str) -> dict[str, Any]:
    """All that the template shows."""
    rows = rows_of(acceptance)
    unsettled = [row for row in rows if row.outcome.answer != "pass"]
    coverages = {row.coverage for row in rows if row.coverage}
    return {
        "a": acceptance,
        "answer_sign": answer_sign,
        "sentence": sentence(acceptance),
        "facts": _facts(acceptance),
        "rule": RULES[acceptance.decision_rule],
        "coverage": coverages.pop() if len(coverages) == 1 else "",
        "rows": rows,
        "failed": [row for row in unsettled if row.outcome.answer == "fail"],
        "open": [row for row in unsettled if row.outcome.answer == "undetermined"],
        "budgets": [_budget(row) for row in deciding(rows)[:MOST_BUDGETS]],
        "stated": document.stated_contributions(acceptance),
        "runs": document.runs_table(acceptance),
        "taken": document.captures_table(acceptance),
        "risks_known": accuracy.risks_known(acceptance),
        "tiny_risk": words.odds(accuracy.TINY),
        "searched": accuracy.searched_table(acceptance),
        "in_vain": accuracy.searched_in_vain(acceptance),
        "speed_charts": speed_chart.drawn(acceptance.speed_curves),
        "input_files": ", ".join(words.printable(one.file) for one in acceptance.inputs),
        "taken_points": document.points_of_all(acceptance),
        "plate": document.plate_facts(acceptance.plate),
        "signing": document.signing_lines(acceptance.issue),
        "wide_facts": ("Runs", "Issued by", "Customer"),
        "captures": [(document.shortened(name), digest[: document.SHORT_HASH]) for name, digest in acceptance.captures],
        "seal": seal_digits(seal),
    }


def rows_of(acceptance: Acceptance) -> list[CertificateRow]:
    """The requirements in their order, numbered from 1."""
    return [_row(number, outcome) for number, outcome in enumerate(acceptance.outcomes, start=1)]


def sentence(acceptance: Acceptance) -> str:
    """What the answer rests on, in one or two sentences."""
    answers = [outcome.answer for outcome in acceptance.outcomes]
    count, failed, left = len(answers), answers.count("fail"), answers.count("undetermined")
    if failed:
        undecided = f" {_counted(left)} could not be decided." if left else ""
        return f"{_counted(failed)} of {count} requirements {'is' if failed == 1 else 'are'} not met.{undecided}"
    if left:
        return f"No requirement failed, but {left} of {count} could not be decided from what was measured."
    return "The one requirement is met." if count == 1 else f"All {count} requirements are met."


def _counted(count: int) -> str:
    return "One" if count == 1 else str(count)


def deciding(rows: Sequence[CertificateRow]) -> list[CertificateRow]:
    """Rows with a budget, those first that the answer hangs on: failed, then open, then nearest to the limit."""
    rank = {"fail": 0, "undetermined": 1, "pass": 2}
    # A budget of one line says no more than the figure does.
    drawn = [row for row in rows if row.outcome.measured is not None and len(row.outcome.measured.budget) > 1]
    return sorted(drawn, key=lambda row: (rank[row.outcome.answer], -_used(row.outcome), row.number))


def _used(outcome: Outcome) -> float:
    if outcome.measured is None or not outcome.limit:
        return 0.0
    return outcome.measured.value / outcome.limit


def _row(number: int, outcome: Outcome) -> CertificateRow:
    measured, requirement = outcome.measured, outcome.requirement
    unit = words.unit(measured.unit if measured is not None else requirement.unit)
    limit = accepted = ""
    if outcome.limit is not None:
        limit = with_unit(plain(outcome.limit), unit)
        least = requirement.sense == "at least"
        limit = f"at least {limit}" if least else limit
        if outcome.acceptance_limit is not None and outcome.acceptance_limit != outcome.limit:
            bound = distinguishing_digits(outcome.acceptance_limit, measured, lower=least)
            accepted = f"accepted {'from' if least else 'up to'} {bound}"
    elif requirement.false_alarm_rate is not None:
        limit, accepted = "none", f"false alarms: {words.odds(requirement.false_alarm_rate)}"
    known = measured is not None and measured.expanded is not None
    return CertificateRow(
        number=number,
        outcome=outcome,
        found="" if measured is None else measured_text(measured),
        limit=limit,
        accepted=accepted,
        coverage=f"{100 * measured.coverage:.4g} %" if measured is not None and known else "",
        factor=accuracy.factor_text(outcome),
        risk=accuracy.risk_text(outcome),
        not_promised=accuracy.not_promised(outcome),
    )


def _budget(row: CertificateRow) -> Budget:
    measured = row.outcome.measured
    assert measured is not None
    parts = sorted(measured.budget, key=lambda part: -part.relative)
    shown, rest = parts[:MOST_PARTS], parts[MOST_PARTS:]
    longest = max((part.relative for part in parts), default=0.0) or 1.0
    bars = [
        Bar(
            name=part.name, because=part.because, kind=part.type, percent=_percent(part.relative),
            length=100 * part.relative / longest,
        )
        for part in shown
    ]  # fmt: skip
    if rest:
        joined = sum(part.relative**2 for part in rest) ** 0.5
        length = min(100 * joined / longest, 100.0)
        bars.append(Bar(name=f"{len(rest)} smaller ones", because="", kind="", percent=_percent(joined), length=length))
    total = sum(part.relative**2 for part in parts) ** 0.5
    expanded = ""
    if measured.expanded is not None and measured.value:
        expanded = f"{_percent(abs(measured.expanded / measured.value))} at {row.coverage} coverage"
    return Budget(row=row, bars=tuple(bars), joined=_percent(total), expanded=expanded)


def _percent(share: float) -> str:
    if 0 < share < LEAST_SHOWN:
        return "<\u00a00.01\u00a0%"
    return f"{100 * share:.2g}\u00a0%" if share < 0.995 else f"{100 * share:.0f}\u00a0%"


def _facts(a: Acceptance) -> list[tuple[str, str, str]]:
    """What a reader checks first: (name, value, note), fit to print."""
    speed = "" if a.speed_hz is None else f"{words.number(60 * a.speed_hz, 5)} r/min"
    note = "" if a.speed_hz is None else f"{words.number(a.speed_hz, 4)} Hz, of the input"
    day, clock = _period(a.measured_from, a.measured_to)
    return [
        *document.issue_facts(a.issue),
        ("Drive", words.printable(a.drive), words.printable(a.name)),
        ("Serial number", words.printable(a.serial), ""),
        ("Contract", words.printable(a.contract) or "not named", ""),
        ("Ratio ordered", words.printable(a.ratio_ordered) or words.NOT_KNOWN, ""),
        ("Ratio found", words.printable(a.ratio_found) or words.NOT_KNOWN, ""),
        ("Speed", speed or words.NOT_KNOWN, note),
        ("Measured", day, clock),
        *([] if a.measured else [("Runs", runs_text(a.runs) or "none", "")]),
    ]


def runs_text(runs: Sequence[CommissionedRun]) -> str:
    """Runs of one kind together, with the range of their loads and temperatures."""
    kinds: dict[str, list[CommissionedRun]] = {}
    for run in runs:
        kinds.setdefault(run.kind, []).append(run)
    parts = []
    for kind, same in kinds.items():
        loads = _range([run.load_percent for run in same], "% load")
        warmth = _range([run.temperature_c for run in same], "°C")
        about = ", ".join(text for text in (loads, warmth) if text)
        name = f"{len(same)} × {kind}" if len(same) > 1 else kind
        parts.append(f"{name} ({about})" if about else name)
    return "; ".join(parts)


def _range(values: Sequence[float | None], unit: str) -> str:
    known = sorted({value for value in values if value is not None})
    if not known:
        return ""
    low, high = plain(known[0]), plain(known[-1])
    return with_unit(low if low == high else f"{low} to {high}", unit)


def _period(start: datetime | None, end: datetime | None) -> tuple[str, str]:
    """Day and clock of a span of time."""
    if start is None and end is None:
        return "time not known", ""
    first, last = start or end, end or start
    assert first is not None
    assert last is not None
    day, clock = words.when(first.isoformat(timespec="minutes")).split(", ", 1)
    last_day, last_clock = words.when(last.isoformat(timespec="minutes")).split(", ", 1)
    if first == last:
        return day, clock
    bare, zone = clock.split(" ", 1)
    last_bare, last_zone = last_clock.split(" ", 1)
    if day == last_day and zone == last_zone:
        return day, f"{bare} to {last_bare} {zone}"
    return f"{day} to {last_day}", f"{clock} to {last_clock}"
