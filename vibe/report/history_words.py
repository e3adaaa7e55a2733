"""Names and values of a history's pages in plain words."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from datetime import datetime

from vibe.core.records.alarms import Alarm, LimitLine, SeriesState, UrgencyPart
from vibe.core.records.history import Decision, Event, SeriesKey
from vibe.core.text import day_in_words
from vibe.report.words import component, number, printable, sentence_case, unit

MEASURES = {
    "velocity_rms": "velocity r.m.s.",
    "acceleration_rms": "acceleration r.m.s.",
    "acceleration_rms_high": "acceleration r.m.s., high band",
    "acceleration_peak": "acceleration peak",
    "acceleration_rms_short": "acceleration r.m.s. of short captures",
    "acceleration_rms_high_short": "acceleration r.m.s. of short captures, high band",
    "acceleration_peak_short": "acceleration peak of short captures",
    "displacement_rms": "displacement r.m.s.",
    "crest_factor": "crest factor",
    "kurtosis": "kurtosis",
    "kurtosis_typical": "kurtosis, typical of short pieces",
    "kurtosis_lasting": "kurtosis, median of twelve pieces",
    "line": "line",
    "hit": "impacts",
    "hit_over_floor": "impact level above band mean",
    "share": "share",
    "velocity_share": "share of velocity",
    "speed": "speed",
    "load": "load",
}
AMPLITUDES = (
    "velocity_rms", "acceleration_rms", "acceleration_rms_high", "acceleration_peak", "hit", "acceleration_rms_short",
    "acceleration_rms_high_short", "acceleration_peak_short",
)  # fmt: skip
"""Measures that grow as damage does; kurtosis and what lies over a floor follow other laws."""
_ORDER = {name: place for place, name in enumerate(MEASURES)}

VERDICTS = {
    "confirmed": "confirmed",
    "not-a-fault": "no fault",
    "sensor": "the sensor",
    "operating-condition": "the operating condition",
    "recheck": "re-inspect",
    "out-of-service": "out of service",
    "withdrawn": "withdrawn",
}


def measure_name(measure: str) -> str:
    """A measure in plain words."""
    return MEASURES.get(measure, printable(measure.replace("_", " ")))


def subject_name(subject: str) -> str:
    """A tone, line or owner in plain words; names of lines such as "2x" stay."""
    return " or ".join(printable(component(one)) for one in subject.split(" or ")) if subject else ""


def series_name(key: SeriesKey) -> str:
    """A series in plain words: "Impacts (ring pin, stage 1)"."""
    name = measure_name(key.measure)
    return sentence_case(f"{name} ({subject_name(key.subject)})" if key.subject else name)


def belongs(key: SeriesKey, alarm: Alarm) -> bool:
    """Whether a series is an amplitude of the drive as a whole or of an alarm's cause: what only came along is no sign
    of how far it went."""
    tone = None if alarm.finding is None else alarm.finding.tone
    if tone and any(state.key.subject == tone for state in alarm.series):
        return key.measure in AMPLITUDES and key.subject in ("", tone)
    names = {alarm.cause, *alarm.names, *((tone,) if tone else ())}
    own = not key.subject or any(key.subject == name or key.subject.startswith(f"{name}.") for name in names)
    return key.measure in AMPLITUDES and own


def course(state: str) -> str:
    """What a trend does, as a reader takes it in; the values of the records stay."""
    return "not known yet" if state == "cannot be told yet" else state


def follows(state: SeriesState | None, alarms: Sequence[Alarm]) -> str:
    """The damage of another part that a growing tone follows, in words: strong impacts are seen at other tones too, and
    nothing was found there. Empty where the series is of a part that was found, or does not grow."""
    faults = [alarm for alarm in alarms if alarm.kind == "fault" and alarm.finding is not None]
    if state is None or not state.key.subject or state.state not in ("growing", "stepped up"):
        return ""
    named = {name for alarm in faults for name in (alarm.cause, *alarm.names)}
    if any(state.key.subject == name or state.key.subject.startswith(f"{name}.") for name in named):
        return ""
    own = [alarm for alarm in faults if state.key.drive in alarm.drives]
    return f"{own[0].finding.defect} of {component(own[0].finding.component)}" if own and own[0].finding else ""


FAR_DB = 6.0
"""A change of a factor of two needs more words than "steady" (common practice)."""


def course_of(state: SeriesState) -> str:
    """What a series does, besides how far it has come: what scatters, or rose earlier, is not called steady."""
    far = state.state == "steady" and state.change_db is not None and abs(state.change_db) >= FAR_DB
    return "no trend that is sure" if far else course(state.state)


def interval(low: float | None, high: float | None) -> str:
    """An interval of a change in brackets; nothing where there is none, or it says no more than the number."""
    if low is None or high is None or signed_db(low) == signed_db(high):
        return ""
    return f" ({signed_db(low).removesuffix(' dB')} to {signed_db(high)})"


def place_name(point: str) -> str:
    """Where a series was measured."""
    return printable(point) if point else "the drive as a whole"


def by_measure(key: SeriesKey) -> tuple[int, str, str, str]:
    """Sorting key: levels before tones, as an analyst asks for them."""
    return _ORDER.get(key.measure, len(_ORDER)), key.measure, key.point, key.subject


def with_unit(value: float | None, unit_text: str, digits: int = 3) -> str:
    """A value with its unit."""
    return f"{number(value, digits)} {unit(unit_text)}".strip()


def signed_db(value: float | None, digits: int = 1) -> str:
    """A change, always with its sign."""
    return "not known" if value is None else f"{value:+.{digits}f} dB".replace("-", "−")


def day(moment: datetime) -> str:
    """A day as people write it."""
    return day_in_words(moment)


def span_of(days: float | None) -> str:
    """A time that passed or is left, no finer than anybody needs."""
    if days is None:
        return "not known"
    if days < 1.5:
        return "a day" if days >= 0.5 else "today"
    if days < 60:
        return f"{days:.0f} days"
    return f"{days / 30.44:.0f} months" if days < 730 else f"{days / 365.25:.1f} years"


def limit_name(limit: LimitLine) -> str:
    """A limit with its source, which is always named."""
    return f"{limit.kind} · {limit.source}{' (by analogy)' if limit.by_analogy else ''}"


def event_name(event: Event) -> str:
    """What was done, and by whom."""
    by = f" ({printable(event.by)})" if event.by else ""
    note = f": {printable(event.note)}" if event.note else ""
    return f"{event.kind}{note}{by}"


def joined(words: Iterable[str]) -> str:
    """Sentences' parts in one: semicolons between, one full stop."""
    text = "; ".join(part.strip().rstrip(".;") for part in words if part.strip())
    return sentence_case(text) + "." if text else ""


def verdict(decision: Decision) -> str:
    """What was decided."""
    until = "" if decision.ask_again is None else f" by {day(decision.ask_again)}"
    return f"{VERDICTS.get(decision.verdict, decision.verdict)}{until}"


def weight(part: UrgencyPart) -> str:
    """What a part adds, or what it multiplies by."""
    return f"+ {number(round(part.amount, 1), 3)}" if part.how == "adds" else f"× {part.amount:.2g}"


def urgency_text(total: float) -> str:
    """Urgency without more digits than it is worth."""
    return f"{total:.0f}" if total >= 9.95 or total < 0.05 else f"{total:.1f}"


def rule_name(rule: str) -> str:
    """A rule with its measure in words."""
    head, comma, measure = rule.rpartition(", ")
    return f"{head}, {measure_name(measure)}" if comma and measure in MEASURES else printable(rule)


_IDENTIFIER = re.compile(
    r"\b(?:(?P<measure>" + "|".join(sorted(filter(lambda name: "_" in name, MEASURES), key=len, reverse=True)) + r")"
    r"|(?P<tone>stage\d+\.\w+|bearing\.[^,;:()]+?\.(?:outer_race|inner_race|rolling_element|cage(?:_past_\w+)?)|(?:input|motor)\.\w+))\b"
)


def plain(text: str) -> str:
    """A sentence with identifiers of measures and tones in it, those said in words."""

    def words(found: re.Match[str]) -> str:
        return measure_name(found["measure"]) if found["measure"] else component(found["tone"])

    return _IDENTIFIER.sub(words, printable(text))


FILTERS = {
    "day": day, "event_name": event_name, "verdict": verdict, "weight": weight, "urgency": urgency_text,
    "rule_name": rule_name, "plain": plain,
}  # fmt: skip
