"""One state for one drive, the rule that set it, one plain sentence, and what to do by when."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from vibe.core.health import Finding, LevelReport, State
from vibe.health.rules import Judgement, ZoneRule
from vibe.health.wording import finding_in_words

_GRAVITY: dict[State, int] = {"sound": 0, "watch": 1, "plan": 2, "act": 3}
_SEVERITY = {"slight": 0, "moderate": 1, "severe": 2}


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """``state_rule`` quotes the rule that set ``state``; ``sentence`` is for a plant manager."""

    state: State
    state_rule: str
    sentence: str
    do_by: str


def judge(
    findings: Sequence[Finding],
    levels: Sequence[LevelReport],
    usable_channels: int,
    rejected: Sequence[str],
    judgement: Judgement,
    *,
    tag: str,
    name: str = "",
    measured_at: datetime | None = None,
    rejected_channels: Sequence[str] = (),
    blind: str = "",
) -> Verdict:
    """The state of one drive: of all rules that apply the gravest wins.

    ``usable_channels`` counts vibration channels that were not rejected; ``rejected`` are the reasons why others were
    (or why a capture could not be read). A drive is ``unknown``, never sound, when there is no channel to judge by:
    none usable, or each usable one (``rejected_channels`` left out) named by a sensor finding of even odds or more.
    Nor is it sound when damage of its parts could not have shown: then ``blind`` says why.
    A sensor finding beside good channels asks for another measurement. ``measured_at`` puts a date to the deadline.

    Raises:
        ValueError: ``usable_channels`` is negative.
    """
    if usable_channels < 0:
        raise ValueError(f"{usable_channels} usable channels cannot be")
    called = f"{name} ({tag})" if name and name != tag else tag
    sensor = [f for f in findings if f.component == "sensor"]
    doubted = {e.channel for f in sensor if f.probability >= 0.5 for e in f.evidence if e.channel}
    trusted = usable_channels - len(doubted.difference(rejected_channels))
    if trusted <= 0:
        return _unknown(usable_channels, sensor, rejected, judgement, called, measured_at)

    candidates = [_from_finding(f, judgement) for f in findings] + [
        c for level in levels if (c := _from_level(level, judgement)) is not None
    ]
    if not candidates and blind:
        return Verdict(
            state="unknown",
            state_rule=f"A measurement that cannot show damage of the parts is unknown, never sound: {blind}.",
            sentence=f"{called}: its health is not known: damage of its parts could not show in what was measured.",
            do_by=_do_by("unknown", judgement, measured_at, "Use the settings of this drive's capture plan"),
        )
    if not candidates:
        return _sound(levels, rejected, judgement, called, measured_at)
    # max keeps the first of equals: findings before levels, and findings come gravest first.
    worst = max(candidates, key=lambda c: (_GRAVITY[c.state], c.strength))
    others = len([f for f in findings if f is not worst.finding])
    more = "" if not others else f" ({others} more finding{'s' if others > 1 else ''} below)"
    return Verdict(
        state=worst.state,
        state_rule=worst.rule,
        sentence=f"{called}: {worst.words}; {_PURPOSE[worst.state]}.{more}",
        # What to do about the part stands with its finding; a bad sensor's remedy is what the next visit needs.
        do_by=_do_by(worst.state, judgement, measured_at, worst.advice if worst.strength[0] < 0 else ""),
    )


_PURPOSE: dict[State, str] = {
    "act": "it should be looked at before it runs on",
    "plan": "it can run until a planned repair",
    "watch": "it can run and is to be measured again",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Candidate:
    state: State
    rule: str
    words: str
    strength: tuple[float, float]
    finding: Finding | None = None
    advice: str = ""


def _from_finding(finding: Finding, judgement: Judgement) -> _Candidate:
    doubted = finding.damage_probability > finding.probability
    # What sets the state is that the bearing is damaged; which of its elements it is stands with the finding.
    where = finding.component.rpartition(".")[0] if doubted else finding.tone or finding.component
    if finding.component == "sensor":
        return _Candidate(
            state="watch",
            rule=f"A sensor that cannot be trusted, beside others that can, is watch ({finding.defect}).",
            words=finding_in_words(finding),
            strength=(-1.0, finding.probability),
            finding=finding,
            advice=finding.advice,
        )
    rule = judgement.rule_for(finding.severity, finding.damage_probability)
    return _Candidate(
        state=rule.state,
        rule=(
            f"A {finding.severity} finding of probability {rule.probability_from:g} or more is {rule.state}: "
            f"{where}, {finding.defect}, probability {finding.damage_probability:.3g} ({rule.source})."
        ),
        words=finding_in_words(finding),
        strength=(_SEVERITY[finding.severity], finding.damage_probability),
        finding=finding,
        advice=finding.advice,
    )


def _rules(level: LevelReport, rule: ZoneRule) -> bool:
    """Whether the rule is about this measure and a zone of this standard; other rows only inform."""
    return rule.measure == level.measure and (level.zone_source or "").startswith(tuple(rule.standards))


def _from_level(level: LevelReport, judgement: Judgement) -> _Candidate | None:
    rule = next((r for r in judgement.zone_rule if r.zone == level.zone and _rules(level, r)), None)
    if rule is None:
        return None
    analogy = " by analogy" if level.by_analogy else ""
    state = rule.state_by_analogy if level.by_analogy else rule.state
    measure = level.measure.replace("_rms", " r.m.s.").replace("_", " ")
    verb = "knocks" if level.measure == "acceleration_peak" else "shakes"
    verdict = "far more" if level.zone == "D" else "more"
    return _Candidate(
        state=state,
        rule=(
            f"A {measure} in zone {level.zone}{analogy} is {state}: {level.value:.3g} {level.unit} at {level.point}, "
            f"{level.zone_source} ({rule.source})."
        ),
        words=f"it {verb} {verdict} than a machine of its kind should, measured at {level.point}",
        strength=(0.0, 0.0),
        advice="Find out what shakes it: fastening, base, alignment, balance, and machines nearby",
    )


def _sound(
    levels: Sequence[LevelReport],
    rejected: Sequence[str],
    judgement: Judgement,
    called: str,
    measured_at: datetime | None,
) -> Verdict:
    rate = judgement.false_alarm.rate_per_drive
    judged = [level for level in levels if any(_rules(level, rule) for rule in judgement.zone_rule)]
    zones = sorted({level.zone for level in judged if level.measure == "velocity_rms" and level.zone is not None})
    vibration = f"and velocity in zone {' and '.join(zones)}" if zones else "and no vibration level to judge"
    left_out = "" if not rejected else " Some of what was measured could not be used; the reasons are below."
    return Verdict(
        state="sound",
        state_rule=(
            f"No finding at a false-alarm rate of {rate:g} per drive {vibration} is sound "
            f"({judgement.false_alarm.source})."
        ),
        sentence=f"{called}: nothing wrong was found in what was measured.{left_out}",
        do_by=_do_by("sound", judgement, measured_at, ""),
    )


def _unknown(
    usable_channels: int,
    sensor: Sequence[Finding],
    rejected: Sequence[str],
    judgement: Judgement,
    called: str,
    measured_at: datetime | None,
) -> Verdict:
    if usable_channels and sensor:
        why = f"{sensor[0].component} {sensor[0].defect}: {sensor[0].why}"
        rule = "No channel whose sensor can be trusted is unknown"
        advice = sensor[0].advice
    else:
        why = "; ".join(dict.fromkeys(rejected)) or "there is no vibration channel"
        rule = "No usable vibration channel is unknown"
        advice = ""
    return Verdict(
        state="unknown",
        state_rule=f"{rule}, never sound: {why.rstrip('.')}.",
        sentence=f"{called}: its health is not known, because the measurement could not be used.",
        do_by=_do_by("unknown", judgement, measured_at, advice),
    )


def _do_by(state: State, judgement: Judgement, measured_at: datetime | None, advice: str) -> str:
    """What to do first, then what the state asks for, with its days and (when the time is known) its date."""
    deadline = judgement.deadline_for(state)
    days = f"within {deadline.days} day{'' if deadline.days == 1 else 's'} of the measurement"
    if measured_at is not None:
        days = f"by {(measured_at + timedelta(days=deadline.days)).date().isoformat()}"
    first = f"{advice.strip().rstrip('.')}. " if advice.strip() else ""
    return f"{first}{deadline.what}, {days}."
