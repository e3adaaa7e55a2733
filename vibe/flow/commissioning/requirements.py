"""Each requirement of a set to those who can answer it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from vibe.core.errors import CallError, ConfigError
from vibe.flow.commissioning.measured_figures import CaptureFigures, counted_together
from vibe.flow.commissioning.shown_sizes import is_damage
from vibe.flow.settings import Settings

if TYPE_CHECKING:
    from vibe.core.drive import Drive
    from vibe.core.health import Finding
    from vibe.core.records.acceptance import (
        Acceptance,
        CommissionedRun,
        CommissioningSet,
        Outcome,
        Requirement,
        Requirements,
        SearchedPart,
        Sighting,
    )
    from vibe.core.tones import ToneTable, Visibility
    from vibe.health.acceptance.finding_outcomes import Counted, DamageSeen
    from vibe.health.acceptance.outcomes import AcceptanceLimit, Judging
    from vibe.health.acceptance.uncertainty import MeasurementPractice


NOT_SHOWN = "impacts as large as were tried were not always found"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Evidence:
    """All that a set gives; ``rate``: false-alarm rate shared among its captures."""

    looked: tuple[CaptureFigures, ...]
    runs: tuple[CommissionedRun, ...]
    drive: Drive
    table: ToneTable
    settings: Settings
    practice: MeasurementPractice
    given: CommissioningSet
    requirements: Requirements
    base: Path
    rate: float | None
    golden: Acceptance | None = None
    shown: Mapping[str, float | None] = field(default_factory=dict)
    """Smallest impact [m/s²] that would have shown, by component, as trials say; none where nobody tried."""

    @property
    def ordered(self) -> str:
        """Ratio and counts of the drive file, in words."""
        from vibe.core.stages.cycloidal import CycloidalStage
        from vibe.core.stages.rv import RvStage

        ratio = self.table.ratio
        counts = [
            f"{stage.lobes} lobes, {stage.ring_pins} ring pins"
            for stage in self.drive.stage
            if isinstance(stage, CycloidalStage | RvStage)
        ]
        stated = "none" if ratio is None else f"{float(abs(ratio)):g}"
        return f"{stated} ({'; '.join(counts)})" if counts else stated

    @property
    def points(self) -> list[str]:
        """Points of which some capture is fit for use."""
        return sorted({point for one in self.looked for point in one.points})

    @property
    def counted(self) -> list[Counted]:
        """What the captures that were asked say of the counts, each and, where none is sure, all together."""
        joined = counted_together([one.identified for one in self.looked if one.identified is not None])
        own = [one.counted for one in self.looked if one.counted is not None]
        return own if joined is None else [*own, joined]

    def figures(self, name: str, unit: str) -> list[Sighting]:
        """One measure or line of all captures."""
        return [sighting for one in self.looked for sighting in one.figures.get((name, unit), ())]


def readable_lines(drive: Drive, table: ToneTable) -> set[str]:
    """Names of the lines that a capture of the drive is read at."""
    from vibe.flow.commissioning.line_values import line_orders
    from vibe.flow.diagnose.tone_requests import analysis_request_of

    fixed = analysis_request_of(drive, table, set(), noted_hz=None).lines_hz
    return {*line_orders(drive, table), *(name for name, *_ in fixed)}


def check_limits(evidence: Evidence) -> None:
    """Refuse requirements whose limit does not exist, before any capture is looked at.

    Raises:
        ConfigError: a standard that has no zones for the drive, or a harmonic that equal discs do not cancel.
    """
    for wanted in evidence.requirements.requirement:
        if wanted.kind in ("zone", "phasing line"):
            _limit(wanted, evidence)


def answered(evidence: Evidence) -> list[Outcome]:
    """Every requirement with its outcome, in the order of the file.

    Raises:
        ConfigError: as ``check_limits``.
    """
    from vibe.flow.commissioning.set_checks import days
    from vibe.health.acceptance.chain import counted
    from vibe.health.acceptance.finding_outcomes import without_counts
    from vibe.health.acceptance.outcomes import Judging
    from vibe.health.acceptance.uncertainty import calibration

    practice = evidence.practice
    tools = counted(evidence.given.instrument, days(evidence.looked)[1], practice.calibration_valid_days)
    judging = Judging(
        rule=evidence.requirements.decision_rule, coverage=evidence.requirements.coverage, practice=practice,
        calibration=calibration(tools, practice), fixing=evidence.given.mounting,
        at_points={point: calibration(tools, practice, point) for point in evidence.points},
        stated=tuple(evidence.given.contribution),
    )  # fmt: skip
    outcomes = [_answered(one, evidence, judging) for one in evidence.requirements.requirement]
    answers = {one.answer for one in evidence.counted}
    return without_counts(outcomes, "fail" in answers and "pass" not in answers)


def _answered(wanted: Requirement, evidence: Evidence, judging: Judging) -> Outcome:
    from vibe.health.acceptance import finding_outcomes as findings
    from vibe.health.acceptance.noted import noted_value
    from vibe.health.acceptance.outcomes import against_limit, temperature

    if wanted.kind == "identity":
        why = "" if evidence.counted else "no capture was asked"
        return findings.identity(wanted, evidence.counted, evidence.ordered, why)
    if wanted.kind == "no damage":
        return findings.no_damage(wanted, *_damage(wanted, evidence))
    if wanted.kind == "temperature":
        runs = [run for run in evidence.runs if not wanted.during or run.kind in wanted.during]
        missing = [f"a run of kind {kind}" for kind in wanted.during if kind not in {run.kind for run in runs}]
        return temperature(wanted, runs, missing, judging)
    if wanted.kind == "run-in":
        return findings.settled(wanted, *_run_in(wanted, evidence), judging)
    if wanted.kind == "spread":
        return _spread(wanted, evidence, judging)
    if wanted.kind == "noted":
        return noted_value(wanted, [one for one in evidence.given.noted if one.requirement == wanted.id], judging)
    if wanted.kind == "golden":
        return _like_golden(wanted, evidence, judging)
    name, limit = _limit(wanted, evidence)
    return against_limit(wanted, limit, *_chosen(wanted, evidence, evidence.figures(name, limit.unit)), judging)


def _chosen(wanted: Requirement, evidence: Evidence, sightings: Sequence[Sighting]) -> tuple[list[Sighting], list[str]]:
    from vibe.health.acceptance.outcomes import chosen

    return chosen(wanted, sightings, evidence.runs, evidence.points)


def _limit(wanted: Requirement, evidence: Evidence) -> tuple[str, AcceptanceLimit]:
    """The measure or line that a requirement is about, and what it must not exceed."""
    from vibe.flow.commissioning.speed_curves import VELOCITY, name_of
    from vibe.health.acceptance.outcomes import AcceptanceLimit
    from vibe.ingest.commissioning_set import line_name

    if wanted.kind == "zone":
        return wanted.measure or "velocity_rms", _zone_limit(wanted, evidence)
    if wanted.kind == "phasing line":
        _check_forbidden(wanted, evidence)
    assert wanted.limit is not None
    assert wanted.unit is not None
    name = wanted.measure if wanted.kind == "level" else line_name(wanted)
    if wanted.kind == "over speed":
        name = name_of(wanted.measure or VELOCITY)
    assert name is not None
    return name, AcceptanceLimit(value=wanted.limit * wanted.factor, unit=wanted.unit, source=wanted.source)


def _zone_limit(wanted: Requirement, evidence: Evidence) -> AcceptanceLimit:
    from vibe.core.evidence import Level
    from vibe.health.acceptance.outcomes import AcceptanceLimit
    from vibe.health.state.zones import named_zone
    from vibe.ingest.commissioning_set import UNITS

    measure = wanted.measure or "velocity_rms"
    probe = Level(point="", measure=measure, value=0.0, unit=UNITS[measure])
    try:
        verdict = named_zone(wanted.standard or "", probe, evidence.drive, evidence.settings.limits)
    except ValueError as error:
        path = evidence.base / evidence.given.requirements
        raise ConfigError(f"requirement {wanted.id!r}, standard: {error}", path=path) from None
    ab, bc, cd = verdict.boundaries.ab, verdict.boundaries.bc, verdict.boundaries.cd
    boundary = {"A/B": ab, "B/C": bc, "C/D": cd}[wanted.boundary]
    times = "" if wanted.factor == 1.0 else f"{wanted.factor:g} times "
    source = f"{times}{wanted.boundary} of {verdict.source}"
    return AcceptanceLimit(
        value=wanted.factor * boundary, unit=UNITS[measure], source=source, by_analogy=verdict.by_analogy
    )


def _check_forbidden(wanted: Requirement, evidence: Evidence) -> None:
    """Refuse a mesh harmonic that equal discs drive themselves."""
    stage = (wanted.tone or "stage1.mesh").partition(".")[0]
    effects = {one.harmonic: one.effect for one in evidence.table.phasing if one.stage == stage}
    if effects.get(wanted.harmonic or 1, "torque") == "torque":
        forbidden = [str(harmonic) for harmonic, effect in sorted(effects.items()) if effect != "torque"]
        which = f"forbidden are {', '.join(forbidden)}" if forbidden else "none is forbidden"
        raise ConfigError(
            f"requirement {wanted.id!r}, harmonic: equal discs of {stage} do not cancel mesh harmonic "
            f"{wanted.harmonic}; {which}",
            path=evidence.base / evidence.given.requirements,
        )


def _run_in(wanted: Requirement, evidence: Evidence) -> tuple[list[Sighting], list[str]]:
    from vibe.ingest.commissioning_set import UNITS

    measure = wanted.measure or "acceleration_rms"
    only = wanted.model_copy(update={"during": ["run-in"]})
    return _chosen(only, evidence, evidence.figures(measure, UNITS[measure]))


def damage_tones(wanted: Requirement, table: ToneTable) -> list[str]:
    """Tones of damage that a requirement is about."""
    from vibe.ingest.commissioning_set import covers

    return [tone.id for tone in table.tones if tone.damage and covers(wanted.tone, tone.id)]


def searched_captures(wanted: Requirement, looked: Sequence[CaptureFigures]) -> list[CaptureFigures]:
    """Captures whose silence a requirement on damage is judged by: those that hold the drive, running."""
    return [one for one in _asked(wanted, looked) if one.detected]


def _asked(wanted: Requirement, looked: Sequence[CaptureFigures]) -> list[CaptureFigures]:
    return [one for one in looked if one.fit and (not wanted.during or one.kind in wanted.during)]


def damage_found(wanted: Requirement, table: ToneTable, looked: Sequence[CaptureFigures]) -> list[tuple[str, Finding]]:
    """What was found of it, each with its file, whether or not the drive was detected there too."""
    tones = damage_tones(wanted, table)
    names = set(tones) | {tone.rpartition(".")[0] for tone in tones}
    return [
        (one.file, finding)
        for one in _asked(wanted, looked)
        for finding in one.findings
        if is_damage(finding, table) and (wanted.tone is None or finding.where in names)
    ]


def _damage(wanted: Requirement, evidence: Evidence) -> tuple[DamageSeen, list[str]]:
    from vibe.health.acceptance.finding_outcomes import DamageSeen
    from vibe.health.acceptance.named_parts import covers_part, lacking

    _, missing = _chosen(wanted, evidence, [])
    inside = searched_captures(wanted, evidence.looked)
    tones = damage_tones(wanted, evidence.table)
    asked = _asked(wanted, evidence.looked)
    found = damage_found(wanted, evidence.table, evidence.looked)
    unseen = unseen_tones(inside, tones)
    parts = tuple(_parts(tones, unseen, len(inside), evidence, damaged=bool(found)))
    not_shown = [
        one.part
        for one in parts
        if one.shown_m_s2 is None and covers_part(wanted, [evidence.table.tone(tone) for tone in one.tones])
    ]
    return DamageSeen(
        found=found, unseen=unseen, captures=len(asked) if found else len(inside), searched=len(tones),
        undetected=len(asked) - len(inside), rate=evidence.rate or 0.0,
        parts=parts, not_shown=not_shown,
        lacking=lacking(wanted, [evidence.table.tone(tone) for tone in tones], evidence.drive),
    ), missing  # fmt: skip


def _parts(
    tones: Sequence[str], unseen: Sequence[Visibility], captures: int, evidence: Evidence, *, damaged: bool
) -> Iterator[SearchedPart]:
    """What was searched, part by part."""
    from vibe.core.records.acceptance import SearchedPart
    from vibe.kinematics.planning.observability import PROOF_REPEATS

    hidden = {view.tone: view for view in unseen}
    parts: dict[str, list[str]] = {}
    for tone in tones:
        parts.setdefault(evidence.table.tone(tone).component, []).append(tone)
    for part, own in parts.items():
        shown = evidence.shown.get(part)
        why = ""
        if captures == 0:
            why = "no accepted capture"
        elif all(tone in hidden for tone in own):
            why = hidden[own[0]].why
        elif shown is None:
            why = "not tried next to the damage that was found" if damaged or not evidence.shown else NOT_SHOWN
        short = captures > 0 and any(tone in hidden and hidden[tone].needs_duration_s is not None for tone in own)
        needs_s = _long_enough(evidence, own) if why == NOT_SHOWN or short else None
        if needs_s is not None and why:
            why = f"{why}; captures of {needs_s:.0f} s would hold {PROOF_REPEATS} of its repeats"
        yield SearchedPart(
            part=part, tones=tuple(own), shown_m_s2=None if why else shown, why=why, captures=captures, needs_s=needs_s
        )


def _long_enough(evidence: Evidence, tones: Sequence[str]) -> float | None:
    """Length [s] that the plan states for the part; None where the captures that were searched are as long, so that it
    is not for their length that the part was not shown."""
    from vibe.kinematics.planning.observability import proof_length_s

    own = [evidence.table.tone(tone) for tone in tones]
    needs_s = proof_length_s(own, evidence.table, evidence.drive.input.speed_hz)
    have = [one.duration_s for one in evidence.looked if one.fit and one.duration_s is not None]
    return None if max(have, default=0.0) >= needs_s else needs_s


def unseen_tones(inside: Sequence[CaptureFigures], tones: Sequence[str]) -> list[Visibility]:
    """Tones that none of the captures could show, as the one that came nearest shows."""
    best: dict[str, Visibility] = {}
    for one in inside:
        for view in one.visibility:
            if view.seen or view.tone not in best:
                best[view.tone] = view
    return [best[tone] for tone in tones if tone in best and not best[tone].seen]


def _spread(wanted: Requirement, evidence: Evidence, judging: Judging) -> Outcome:
    from vibe.health.acceptance.outcomes import against_limit, no_spread, spread_limit
    from vibe.ingest.commissioning_set import UNITS

    measure = wanted.measure or "velocity_rms"
    practice = evidence.practice
    if evidence.given.population is None:
        return no_spread(wanted, 0, "the set names no population", practice)
    values, why = population_values(evidence.base / evidence.given.population, measure, evidence.given.serial)
    from vibe.history.statistics.tolerance import one_sided_factor

    count = len(values)
    if count < max(2, practice.spread_fewest):
        return no_spread(wanted, count, why or f"{count} earlier drives", practice)
    factor = one_sided_factor(float(count), practice.spread_content, practice.spread_confidence)
    limit = spread_limit(values, factor, UNITS[measure], practice)
    if limit is None:
        return no_spread(wanted, count, why, practice)
    return against_limit(wanted, limit, *_chosen(wanted, evidence, evidence.figures(measure, limit.unit)), judging)


def _like_golden(wanted: Requirement, evidence: Evidence, judging: Judging) -> Outcome:
    """Against what a chosen drive of the type measured, whose own uncertainty counts too."""
    from dataclasses import replace

    from vibe.core.records.acceptance import StatedContribution
    from vibe.flow.commissioning.earlier_records import golden_figure
    from vibe.health.acceptance.outcomes import AcceptanceLimit, against_limit, no_golden
    from vibe.ingest.commissioning_set import UNITS

    measure = wanted.measure or "velocity_rms"
    figure = None if evidence.golden is None else golden_figure(evidence.golden, wanted)
    if evidence.golden is None or figure is None or figure.value <= 0 or figure.unit != UNITS[measure]:
        return no_golden(wanted, measure)
    of = f"the golden drive {evidence.golden.serial}"
    limit = AcceptanceLimit(
        value=_downwards(wanted.factor * figure.value), unit=figure.unit,
        source=f"{wanted.factor:g} times the {figure.value:.4g} {figure.unit} of {of}",
    )  # fmt: skip
    relative = (figure.standard_uncertainty or 0.0) / figure.value
    own = StatedContribution(
        name="figure of the golden drive", percent=min(200 * relative, 50.0), shared=True, source=f"record of {of}"
    )
    sightings, missing = _chosen(wanted, evidence, evidence.figures(measure, figure.unit))
    return against_limit(wanted, limit, sightings, missing, replace(judging, stated=(*judging.stated, own)))


def _downwards(limit: float) -> float:
    """Four digits of a limit that was worked out, never above it."""
    from math import floor, log10

    step = 10.0 ** (floor(log10(limit)) - 3)
    return float(f"{floor(limit / step * (1 + 1e-12)) * step:.4g}")


def population_values(folder: Path, measure: str, serial: str) -> tuple[list[float], str]:
    """Figures of earlier drives of the type from their acceptance records, without the drive itself; or why none.

    Where several requirements gave the measure, the one that most drives have is taken.
    """
    from vibe.history.population.records import read_records

    try:
        records = read_records(folder).acceptance
    except CallError as error:
        return [], str(error)
    skip = records.replaced | {number for number, own in enumerate(records.serial) if own == serial}
    rows: Mapping[str, list[float]] = {
        key.subject: [value for number, value in zip(numbers, values, strict=True) if number not in skip]
        for key, (numbers, values) in sorted(records.rows.items())
        if key.measure == measure
    }
    best = max(rows, key=lambda subject: len(rows[subject]), default=None)
    return ([], f"no record holds {measure}") if best is None else (rows[best], "")
