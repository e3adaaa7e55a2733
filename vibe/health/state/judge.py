"""One state for one drive, the rule that set it, one plain sentence, and what to do by when."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import partial

from vibe.core.health import GRAVITY, Finding, LevelReport, State
from vibe.health.state.finding_names import finding_in_words, named, part_in_words, to_inspect
from vibe.health.state.instruction import Instruction, instruction
from vibe.health.state.settings import Judgement, ZoneRule

_GRAVITY: dict[State, int] = {"sound": 0, "watch": 1, "plan": 2, "act": 3}


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """``state_rule`` quotes the rule that set ``state``; ``sentence`` is for a plant manager."""

    state: State
    state_rule: str
    sentence: str
    do_by: str


WHOSE_IT_IS = (
    "Stop the machine of the same kind next to this one, or fit a pulse sensor to this one, or take a second point "
    "nearer to one of the two, and repeat the measurement"
)
"""What tells which of two drives is damaged."""
WHETHER_DRIVEN = "Uncouple what this drive turns, or run it empty, and repeat the measurement"
"""What tells damage from the strikes of a machine that the drive turns."""
WHETHER_OUTSIDE = (
    "Stop the machines around this drive, uncouple what it turns or run it empty, and repeat the measurement"
)
"""What tells damage from the strikes of a machine outside, whichever it is."""
BOUNDARY_OF: dict[str, str] = {"B": "A/B", "C": "B/C", "D": "C/D"}
"""The boundary that a level has passed when it has just come into a zone."""
MOST_REMEDIES = 2
"""What is done before a measurement is repeated, in one instruction (our choice)."""


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
    remedies: Sequence[str] = (),
    blind: str = "",
    not_detected: tuple[str, str] | None = None,
    consequence: str | None = None,
    steady_since: Mapping[str, str] | None = None,
) -> Verdict:
    """The state of one drive: of all rules that apply the gravest wins.

    ``findings`` come with weak signs marked (``weak_signs.weak_last``), which set no state: what could not show damage
    is unknown with one as without. ``usable_channels`` counts vibration channels that were not rejected; ``rejected``
    are the reasons why others were (or why a capture could not be read), and ``remedies`` what mends them. A drive is
    ``unknown``, never sound, when there is no channel to judge by: none usable, or each usable one
    (``rejected_channels`` left out) named by a sensor finding of even odds or more. Nor is it sound when damage of its
    parts could not have shown: then ``blind`` says why. A drive that was not detected in any capture is unknown
    whatever its levels: ``not_detected`` says why, and what to do. A sensor finding next to good channels asks for
    another measurement. ``measured_at`` puts a date to the deadline, which the ``consequence`` of a failure shortens or
    lengthens. ``steady_since`` says of points since when their velocity has not changed significantly: such a level
    alone asks for no work within days.

    Raises:
        ValueError: ``usable_channels`` is negative.
    """
    if usable_channels < 0:
        raise ValueError(f"{usable_channels} usable channels cannot be")
    called = f"{name} ({tag})" if name and name != tag else tag
    order = partial(instruction, judgement=judgement, consequence=consequence, measured_at=measured_at)
    sensor = [f for f in findings if f.component == "sensor"]
    doubted = {e.channel for f in sensor if f.probability >= 0.5 for e in f.evidence if e.channel}
    trusted = usable_channels - len(doubted.difference(rejected_channels))
    if not_detected is not None and not blind:
        why, remedy = not_detected
        return Verdict(
            state="unknown",
            state_rule=f"Without lines of the running drive its state is unknown: {why}.",
            sentence=f"{called}: condition not assessed: the drive was not detected in the measurement.",
            do_by=order("unknown", first=remedy).what,
        )
    if trusted <= 0:
        return _unknown(usable_channels, sensor, rejected, remedies, called, order)

    weak = [f for f in findings if f.weak_sign and not f.too_faint_for_words]
    counted = [f for f in findings if not f.weak_sign]
    candidates = [_from_finding(f, judgement) for f in counted] + [
        c for level in levels if (c := _from_level(level, levels, judgement, steady_since or {})) is not None
    ]
    if blind and (not candidates or not_detected is not None):
        return Verdict(
            state="unknown",
            state_rule=f"A measurement that cannot show damage of the parts gives unknown, never sound: {blind}.",
            sentence=f"{called}: condition not assessed: damage of its parts could not show in the measurement.",
            do_by=order("unknown", first="Use the settings of this drive's capture plan").what,
        )
    if not candidates:
        return _sound(levels, rejected, weak, judgement, called, order)
    # max keeps the first of equals: findings before levels, and findings come gravest first.
    worst = max(candidates, key=lambda c: (_GRAVITY[c.state], c.strength))
    others = len([f for f in counted if f is not worst.finding])
    more = "" if not others else f" ({others} more finding{'s' if others > 1 else ''} below)"
    # A finding does not silence what the vibration as a whole says.
    shaking = [c for c in candidates if c.finding is None and _GRAVITY[c.state] >= _GRAVITY["plan"]]
    if worst.finding is not None and shaking:
        besides = max(shaking, key=lambda c: _GRAVITY[c.state])
        more += f" In addition, {besides.words}."
    # A bad sensor's remedy is what the next visit needs; what to do about a part stands with its finding.
    action = order(worst.state, part=worst.part, first=worst.advice)
    return Verdict(
        state=worst.state,
        state_rule=worst.rule,
        sentence=f"{called}: {worst.words}; {action.short}.{more}",
        do_by=action.what,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Candidate:
    state: State
    rule: str
    words: str
    strength: tuple[float, float]
    part: str
    """What to inspect."""
    finding: Finding | None = None
    advice: str = ""
    """What must be done before anything is inspected."""


def _from_finding(finding: Finding, judgement: Judgement) -> _Candidate:
    doubted = finding.damage_probability > finding.probability
    # What sets the state is that the bearing is damaged; which of its elements it is stands with the finding.
    where = finding.component.rpartition(".")[0] if doubted else finding.where
    if finding.component == "sensor":
        return _Candidate(
            state="watch",
            rule=f"A sensor that is not trustworthy, with others that are, gives watch ({finding.defect}).",
            words=finding_in_words(finding),
            strength=(-1.0, finding.probability),
            part="the sensor and its mounting",
            finding=finding,
            advice=finding.advice,
        )
    rule = judgement.rule_for(finding.severity, finding.damage_probability)
    floor = rule.probability_from
    how_sure = f"with a probability of {100 * floor:g} % or more" if floor else "of any probability"
    state, but = rule.state, ""
    if finding.other_machine is not None and _GRAVITY[state] > _GRAVITY["watch"]:
        # Nobody opens a drive for what may be the other one's.
        state = "watch"
        but = f"; it may be {finding.other_machine} as well, so the state is watch until that is measured"
    return _Candidate(
        state=state,
        rule=(
            f"A {finding.severity} finding {how_sure} gives {rule.state}: {named(where, finding.defect)}, "
            f"{_percent(finding.damage_probability)} ({rule.source}){but}."
        ),
        words=finding_in_words(finding),
        strength=(GRAVITY[finding.severity], finding.damage_probability),
        part=to_inspect(finding),
        finding=finding,
        advice=_first_of(finding),
    )


def _first_of(finding: Finding) -> str:
    """What must be done before anything is inspected."""
    if finding.other_machine is None:
        return WHETHER_OUTSIDE if finding.outside_causes else ""
    return WHOSE_IT_IS if finding.may_be_a_twins else WHETHER_DRIVEN


def _percent(probability: float) -> str:
    """A probability as a reader takes it in; more digits stand in the JSON."""
    return "over 99 %" if probability > 0.99 else f"{100 * probability:.1f} %"


def _rules(level: LevelReport, rule: ZoneRule) -> bool:
    """Whether the rule is about this measure and a zone of this standard; other rows only inform."""
    return rule.measure == level.measure and (level.zone_source or "").startswith(tuple(rule.standards))


def _from_level(
    level: LevelReport, levels: Sequence[LevelReport], judgement: Judgement, steady_since: Mapping[str, str]
) -> _Candidate | None:
    rule = next((r for r in judgement.zone_rule if r.zone == level.zone and _rules(level, r)), None)
    if rule is None:
        return None
    analogy = " by analogy" if level.by_analogy else ""
    state = rule.state_by_analogy if level.by_analogy else rule.state
    measure = level.measure.replace("_rms", " r.m.s.").replace("_", " ")
    but = ""
    if state == "act" and just_passed(level):
        state, but = "plan", f"; {near_in_words(level)}, so the state is plan"
    elif state == "act" and level.measure == "velocity_rms" and level.point in steady_since:
        state, but = (
            "plan",
            f"; it has not changed significantly since {steady_since[level.point]}, so the state is plan",
        )
    elif level.near_boundary is not None:
        but = f"; {near_in_words(level)}"
    return _Candidate(
        state=state,
        rule=(
            f"A {measure} in zone {level.zone}{analogy} gives {state if not but else rule_state(rule, level)}: "
            f"{level.value:.3g} {level.unit} at {level.point}, {level.zone_source} ({rule.source}){but}."
        ),
        words=_zones_in_words(level, levels),
        strength=(0.0, 0.0),
        part="fastening, base, alignment, balance and machines nearby",
    )


def rule_state(rule: ZoneRule, level: LevelReport) -> State:
    """The state that a rule asks for before anything supports a lower one."""
    return rule.state_by_analogy if level.by_analogy else rule.state


def just_passed(level: LevelReport) -> bool:
    """Whether a level is in its zone by no more than its own uncertainty."""
    return level.near_boundary is not None and BOUNDARY_OF.get(level.zone or "") == level.near_boundary


def near_in_words(level: LevelReport) -> str:
    """That a value may lie on either side of a boundary."""
    return (
        f"{level.value:.3g} {level.unit} lies within its uncertainty of the boundary {level.near_boundary}, "
        f"{level.boundary_value:g} {level.unit}, and may be on either side of it"
    )


def _zones_in_words(level: LevelReport, levels: Sequence[LevelReport]) -> str:
    """What a zone says of the drive, and what another standard says of the same value where it says something else."""
    what = "peak acceleration" if level.measure == "acceleration_peak" else "vibration"
    # A value that may lie on the other side of the boundary to zone D is above the limit, and no more is known.
    above = "well above" if level.zone == "D" and not just_passed(level) else "above"
    others = [
        one for one in levels
        if one is not level and (one.point, one.measure) == (level.point, level.measure)
        and one.zone is not None and one.zone != level.zone
    ]  # fmt: skip
    if not others:
        return f"its {what} at {level.point} is {above} the limit for machines of its class (zone {level.zone})"
    other = others[0]
    both = "; neither was written for such a drive" if level.by_analogy and other.by_analogy else ""
    return (
        f"its {what} at {level.point} is {above} the limit of one standard (zone {level.zone} of "
        f"{_standard(level.zone_source)}), but in zone {other.zone} of another ({_standard(other.zone_source)}){both}"
    )


def _standard(source: str | None) -> str:
    """A zone's standard without its class and doubts."""
    return (source or "").partition(",")[0].partition(" class ")[0].partition(" group ")[0]


def _sound(
    levels: Sequence[LevelReport],
    rejected: Sequence[str],
    weak: Sequence[Finding],
    judgement: Judgement,
    called: str,
    order: Callable[..., Instruction],
) -> Verdict:
    rate = judgement.false_alarm.rate_per_drive
    judged = [level for level in levels if any(_rules(level, rule) for rule in judgement.zone_rule)]
    zones = sorted({level.zone for level in judged if level.measure == "velocity_rms" and level.zone is not None})
    near = [near_in_words(level) for level in judged if level.near_boundary == "B/C"]
    vibration = f"and velocity in zone {' and '.join(zones)}" if zones else "and no vibration level to assess"
    left_out = "" if not rejected else " Some measurements were unusable; the reasons are below."
    signs = "a weak sign" if len(weak) == 1 else f"{len(weak)} weak signs"
    besides = f"; {signs}, listed below, to be compared with the next measurement" if weak else ""
    return Verdict(
        state="sound",
        state_rule=(
            f"No finding at a false-alarm rate of {rate:g} per drive {vibration} gives sound "
            f"({judgement.false_alarm.source}){''.join(f'; {text}' for text in near)}{_too_weak(weak, judgement)}."
        ),
        sentence=f"{called}: no fault detected in the measured range{besides}.{left_out}",
        do_by=order("sound").what,
    )


def _too_weak(weak: Sequence[Finding], judgement: Judgement) -> str:
    """That the likeliest weak sign sets no state, and by which rule."""
    if not weak:
        return ""
    first = max(weak, key=lambda f: f.damage_probability)
    rule = judgement.rule_for(first.severity, first.damage_probability)
    below = min(
        one.probability_from
        for one in judgement.finding_rule
        if one.severity == first.severity and one.probability_from > first.damage_probability
    )
    where = "the sensor" if first.component == "sensor" else part_in_words(first.where)
    more = "" if len(weak) == 1 else f", and {len(weak) - 1} more,"
    return (
        f"; a {first.severity} finding of less than {100 * below:g} % is a weak sign and sets no state: {where}, "
        f"{first.defect}, {_percent(first.damage_probability)}{more} ({rule.source})"
    )


def _unknown(
    usable_channels: int,
    sensor: Sequence[Finding],
    rejected: Sequence[str],
    remedies: Sequence[str],
    called: str,
    order: Callable[..., Instruction],
) -> Verdict:
    if usable_channels and sensor:
        why = sensor[0].why
        rule = "Without a trustworthy channel the state is unknown"
        advice = sensor[0].advice
    else:
        why = "; ".join(dict.fromkeys(rejected)) or "there is no vibration channel"
        rule = "Without a usable vibration channel the state is unknown"
        mends = [*dict.fromkeys(one for one in remedies if one)]
        # Of many causes each channel's own stands with its quality.
        advice = " ".join(mends) if len(mends) <= MOST_REMEDIES else ""
    return Verdict(
        state="unknown",
        state_rule=f"{rule}, never sound: {why.rstrip('.')}.",
        sentence=f"{called}: condition not assessed: the measurement was unusable.",
        do_by=order("unknown", first=advice).what,
    )
