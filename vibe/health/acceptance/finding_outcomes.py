"""Requirements that no single figure answers: damage, counts of the plate, levels that have settled."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import ceil, expm1, floor, log, log10, sqrt
from statistics import fmean

from vibe.core.health import Finding
from vibe.core.records.acceptance import Answer, Contribution, Outcome, Quantity, Requirement, SearchedPart, Sighting
from vibe.core.tones import Visibility
from vibe.health.acceptance.outcomes import Judging
from vibe.health.acceptance.uncertainty import coverage_factor, decided, risk_of_false_acceptance
from vibe.health.state.finding_names import part_in_words

NEEDS_THE_COUNTS = ("tone", "no damage", "phasing line")
"""Kinds that are read where the ordered counts put their tones."""


NEARER = "a sensor nearer to the part, or a look at it opened."
"""What would show a part whose damage no trial says that it would have shown."""

OTHER_STANDS = (
    "The same captures while the other machine stands; else with a pulse sensor on this drive, or at a second point "
    "nearer to one of the two, where the size of the impacts is compared."
)
"""What would show whose damage it is."""

SIGN_AGAIN = (
    "The same captures again, longer if they can be: damage is found more surely then, and what was chance is not."
)
"""What would show whether a weak sign is more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DamageSeen:
    """What all captures of the chosen runs say of local damage.

    ``found``: findings with the file that shows each. ``unseen``: tones that none of the captures could show, and what
    would. ``captures`` shared the false-alarm rate, ``searched`` tones were looked for. ``parts``: what was searched,
    and how small an impact would have shown. ``lacking``: parts that are named and that the drive file does not have.
    ``not_shown``: names of parts that the requirement is about and at which no trial says that damage would have shown.
    """

    found: Sequence[tuple[str, Finding]]
    unseen: Sequence[Visibility]
    captures: int
    searched: int
    rate: float
    parts: tuple[SearchedPart, ...] = ()
    lacking: Sequence[str] = ()
    not_shown: Sequence[str] = ()
    undetected: int = 0
    """Captures in which the drive was not detected running, and whose silence says nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Counted:
    """What one capture says of the counts: ``answer`` pass where the plate fits, fail where others fit better."""

    file: str
    answer: Answer
    ratio: str
    why: str
    knowable: bool = True
    """Whether some capture can show it, of a drive of this kind."""


def no_damage(requirement: Requirement, damage: DamageSeen, missing: Sequence[str]) -> Outcome:
    """Fails on a finding, passes when none was made and every tone could have been seen; what may be that of a machine
    of the same kind, or is a weak sign and no more, is undetermined. What a drive turns at its acceptance is known, and
    is no excuse."""

    def outcome(answer: Answer, why: str, settles: str | None = None, where: str = "") -> Outcome:
        return Outcome(
            requirement=requirement, answer=answer, measured=None, limit=None, acceptance_limit=None, where=where,
            why=why, settles=settles, searched=damage.parts,
        )  # fmt: skip

    rate = f"a false-alarm rate of {damage.rate:g} over {damage.captures} captures"
    strong = [one for one in damage.found if not one[1].weak_sign]
    own = [one for one in strong if not one[1].may_be_a_twins]
    if damage.found and not strong:
        file, likeliest = max(damage.found, key=lambda one: one[1].damage_probability)
        why = (
            f"{_part(likeliest.component)}: {likeliest.defect}, but with a probability of "
            f"{100 * likeliest.damage_probability:.2g} % a weak sign, no more."
        )
        return outcome("undetermined", why[:1].upper() + why[1:], SIGN_AGAIN, where=file)
    if strong and not own:
        file, gravest = min(strong, key=lambda one: _chance(one[1]))
        files = len({file for file, _ in damage.found})
        why = (
            f"{_part(gravest.component)}: {gravest.defect}, in {files} of {damage.captures} captures, at {rate}; but "
            f"it may be {gravest.other_machine}."
        )
        return outcome("undetermined", why[:1].upper() + why[1:], OTHER_STANDS, where=file)
    if own:
        file, gravest = min(own, key=lambda one: _chance(one[1]))
        files = len({file for file, _ in own})
        others = sorted({f.component for _, f in damage.found} - {gravest.component})
        also = f" Also found: {', '.join(map(_part, others))}." if others else ""
        why = (
            f"{_part(gravest.component)}: {gravest.defect}, in {files} of {damage.captures} captures, at {rate}. "
            f"{gravest.why}"
        )
        return outcome("fail", why[:1].upper() + why[1:] + also, where=file)
    if damage.captures == 0 and damage.undetected:
        count = "the capture" if damage.undetected == 1 else f"any of {damage.undetected} captures"
        why = f"Nothing was found, but the drive was not detected running in {count}, so that it says nothing."
        return outcome(
            "undetermined", why, "Captures at rated load and steady speed, on the ring, where the mesh shows."
        )
    if damage.captures == 0:
        return outcome("undetermined", "No accepted capture.", "A capture that is accepted.")
    if missing:
        why = f"Nothing was found, but not measured: {', '.join(missing)}."
        return outcome("undetermined", why, f"Captures of {', '.join(missing)}.")
    if damage.lacking:
        names = ", ".join(damage.lacking)
        why = (
            f"Nothing was found at {rate}, but not searched for, because the drive file does not describe it: {names}."
        )
        return outcome("undetermined", why, f"A drive file with {names}; the captures need not be taken again.")
    if damage.unseen:
        tones = ", ".join(_part(view.tone) for view in damage.unseen)
        first = max(damage.unseen, key=lambda view: view.needs_duration_s or float("inf"))
        why = f"Nothing was found at {rate}, but no capture could show {tones}: {first.why}."
        return outcome("undetermined", why, _needs(damage.unseen, damage.parts))
    if damage.not_shown:
        parts = ", ".join(map(_part, damage.not_shown))
        why = f"Nothing was found at {rate}, but damage is not sure to have shown at {parts}: {_largest(damage)}."
        lengths = [part.needs_s for part in damage.parts if part.part in damage.not_shown and part.needs_s is not None]
        settles = f"Captures of {max(lengths):.0f} s at steady speed; else {NEARER}" if lengths else NEARER.capitalize()
        return outcome("undetermined", why, settles)
    return outcome("pass", f"Nothing was found at {rate}; {damage.searched} tones could be seen.{_shown(damage.parts)}")


def _largest(damage: DamageSeen) -> str:
    """Why trials do not say it, in the words of the first of these parts."""
    return next((part.why for part in damage.parts if part.part == damage.not_shown[0]), "") or "none was made"


def _shown(parts: Sequence[SearchedPart]) -> str:
    """Of which size impacts would have shown, from the best part to the worst."""
    sizes = [part.shown_m_s2 for part in parts if part.shown_m_s2 is not None]
    if not sizes:
        return ""
    low, high = (_upwards(size) for size in (min(sizes), max(sizes)))
    span = high if low == high else f"{low} to {high}"
    rest = [part_in_words(part.part) for part in parts if part.shown_m_s2 is None]
    also = f" Not even the largest that were tried were sure to show at {', '.join(rest)}." if rest else ""
    return f" Trials say that impacts with a peak of {span} m/s² would have shown, part by part.{also}"


def _upwards(size: float) -> str:
    """Two digits, never smaller than the size: what is found is not promised to be less."""
    step = 10.0 ** (floor(log10(size)) - 1)
    return f"{ceil(size / step - 1e-6) * step:.2g}"


def _part(name: str) -> str:
    """In words, and as everything else names it: whoever searches for one finds the other."""
    return f"{part_in_words(name)} ({name})"


def _needs(unseen: Sequence[Visibility], searched: Sequence[SearchedPart]) -> str:
    """The capture that shows all of them, in words: long enough to say that their parts are sound, where that is
    known, for one that is only just seen would leave the answer open another time."""
    lengths = [view.needs_duration_s for view in unseen if view.needs_duration_s is not None]
    timed = {view.tone for view in unseen if view.needs_duration_s is not None}
    lengths += [part.needs_s for part in searched if part.needs_s is not None and timed & set(part.tones)]
    parts = []
    if lengths:
        parts.append(f"one capture of at least {ceil(max(lengths))} s shows {_tones(unseen, timed=True)}")
    parts += [f"{view.tone}: {view.needs}" for view in unseen if view.needs_duration_s is None]
    text = "; ".join(parts)
    return f"{text[:1].upper()}{text[1:]}."


def _tones(unseen: Sequence[Visibility], *, timed: bool) -> str:
    return ", ".join(view.tone for view in unseen if (view.needs_duration_s is not None) == timed)


def _chance(finding: Finding) -> float:
    return 1.0 if finding.false_alarm_probability is None else finding.false_alarm_probability


def identity(requirement: Requirement, counted: Sequence[Counted], ordered: str, why_not: str) -> Outcome:
    """The counts of the plate against what the signal says: all captures that show must agree."""
    fits = [one for one in counted if one.answer == "pass"]
    other = [one for one in counted if one.answer == "fail"]
    answer: Answer = "undetermined"
    if other and not fits:
        answer, why, where = "fail", f"{other[0].why}; ordered: {ordered}.", other[0].file
    elif fits and not other:
        answer, why, where = "pass", f"{fits[0].why}; ordered: {ordered}.", fits[0].file
    elif fits and other:
        why, where = f"captures contradict one another: {fits[0].why}, and {other[0].why}.", other[0].file
    else:
        reason = counted[0].why if counted else why_not or "no suitable capture"
        why, where = f"{reason}; ordered: {ordered}.", ""
    settles = None
    if answer == "undetermined":
        settles = "A longer capture at steady speed under load, whose rate takes in the mesh; else open it and count."
        if counted and not any(one.knowable for one in counted):
            settles = "Open it and count."
    return Outcome(
        requirement=requirement, answer=answer, measured=None, limit=None, acceptance_limit=None, where=where,
        why=why[:1].upper() + why[1:], settles=settles,
    )  # fmt: skip


def without_counts(outcomes: Sequence[Outcome], counts_differ: bool) -> list[Outcome]:
    """Outcomes where the drive has other counts than ordered: what was read at its tones says nothing, good or bad."""
    if not counts_differ:
        return list(outcomes)
    return [
        replace(
            one, answer="undetermined", measured=None, acceptance_limit=None, where="", searched=(),
            risk_of_false_acceptance=None,
            why="The counts found are not those ordered, so that its tones were searched for in the wrong places.",
            settles="A drive file with the counts that are really fitted.",
        )
        if one.requirement.kind in NEEDS_THE_COUNTS
        else one
        for one in outcomes
    ]  # fmt: skip


def settled(
    requirement: Requirement, sightings: Sequence[Sighting], missing: Sequence[str], judging: Judging
) -> Outcome:
    """Whether the levels of a run-in have come to rest: the change over its last half, as per cent, within the limit.

    A straight line through the logarithms of each point's last captures; sensor and fixing stay and cancel, so that
    only the scatter about the lines is left. It passes when the change and its interval lie within ± the limit.
    """
    assert requirement.limit is not None
    fewest = judging.practice.run_in_fewest
    series: dict[str, list[Sighting]] = {}
    for one in sightings:
        series.setdefault(one.point, []).append(one)
    counts = {point: len(found) for point, found in series.items()}

    def open_(why: str, more: int) -> Outcome:
        return Outcome(
            requirement=requirement, answer="undetermined", measured=None, limit=requirement.limit,
            acceptance_limit=None, where="", why=why,
            settles=f"At least {more} more captures of the run-in, evenly spread over its end.",
        )  # fmt: skip

    if missing or not series or min(counts.values()) < fewest:
        have = min(counts.values(), default=0)
        return open_(f"{have} captures of the run-in, and {fewest} are needed.", max(1, fewest - have))
    lines = {point: _last_line(found, fewest) for point, found in series.items()}
    freedom = sum(n - 2 for _, _, n, _ in lines.values())
    variance = sum(rest for _, rest, _, _ in lines.values()) / freedom
    changes = {}
    for point, (slope, _, n, leverage) in lines.items():
        changes[point] = (slope, sqrt(variance / leverage), n)
    worst = max(changes, key=lambda point: abs(changes[point][0]))
    slope, sigma, n = changes[worst]
    percent, u = 100 * abs(expm1(slope)), 100 * sigma * (1 + abs(expm1(slope)))
    factor = coverage_factor(judging.coverage, float(freedom))
    found = Quantity(
        value=percent, unit="%", standard_uncertainty=u, expanded=factor * u, coverage=judging.coverage,
        coverage_factor=factor, degrees_of_freedom=float(freedom),
        budget=(
            Contribution(
                name="scatter about the line", relative=u / percent if percent else 0.0, type="A",
                degrees_of_freedom=float(freedom), because=f"last {n} captures of each of {len(lines)} points",
            ),
        ),
    )  # fmt: skip
    answer, acceptance_limit = decided(found, requirement.limit, judging.rule)
    way = "falls" if slope < 0 else "rises"
    why = (
        f"Over its last {n} captures the level {way} by {percent:.2g} ± {factor * u:.2g} %, "
        f"against {requirement.limit:g} %."
    )
    settles = f"{n} more captures of the run-in, at the same spacing." if answer != "pass" else None
    return Outcome(
        requirement=requirement, answer=answer, measured=found, limit=requirement.limit,
        acceptance_limit=acceptance_limit, where=f"{worst}, run-in", why=why, settles=settles,
        risk_of_false_acceptance=risk_of_false_acceptance(found, requirement.limit),
    )  # fmt: skip


def _last_line(found: Sequence[Sighting], fewest: int) -> tuple[float, float, int, float]:
    """Change of the logarithm over the last half, squares about the line, captures, and the sum of squares of place."""
    timed = all(one.time_s is not None for one in found)
    ordered = sorted(found, key=lambda one: one.time_s or 0.0) if timed else list(found)
    last = ordered[-max(fewest, -(-len(ordered) // 2)) :]
    times = [one.time_s or 0.0 for one in last] if timed else [float(k) for k in range(len(last))]
    span = (times[-1] - times[0]) or 1.0
    place = [(time - times[0]) / span for time in times]
    level = [log(max(one.value, 1e-12)) for one in last]
    middle, mean = fmean(place), fmean(level)
    leverage = sum((x - middle) ** 2 for x in place) or 1.0
    slope = sum((x - middle) * (y - mean) for x, y in zip(place, level, strict=True)) / leverage
    rest = sum((y - mean - slope * (x - middle)) ** 2 for x, y in zip(place, level, strict=True))
    return slope, rest, len(last), leverage
