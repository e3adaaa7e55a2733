"""What ``configs/limits.toml`` and ``configs/judgement.toml`` may say. Every number brings its source.

Make them with ``Limits.model_validate(table)`` and ``Judgement.model_validate(table)``; unknown keys are refused.
"""

from __future__ import annotations

from itertools import pairwise
from math import ceil
from typing import Annotated, Literal

from pydantic import Field, model_validator

from vibe.core.health import Severity, State
from vibe.core.stages import FORMS
from vibe.core.strict import StrictModel

Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Share = Annotated[float, Field(ge=0, le=1)]
Source = Annotated[str, Field(min_length=4)]
Text = Annotated[str, Field(min_length=1)]
Span = Annotated[list[NotNegative], Field(min_length=2, max_length=2)]
Zone = Literal["A", "B", "C", "D"]
SOONER: tuple[State, ...] = ("act", "plan", "watch", "sound")
"""States from the worst on. What is unknown is in no order with those that are known."""


class Boundaries(StrictModel):
    """Upper ends of zones A, B and C."""

    ab: Positive
    bc: Positive
    cd: Positive

    @model_validator(mode="after")
    def _rise(self) -> Boundaries:
        if not self.ab < self.bc < self.cd:
            raise ValueError(f"zone boundaries must rise, not {self.ab:g}, {self.bc:g}, {self.cd:g}")
        return self

    def zone(self, value: float) -> Zone:
        """The zone of ``value``; a value on a boundary belongs to the better zone."""
        return "A" if value <= self.ab else "B" if value <= self.bc else "C" if value <= self.cd else "D"


class VelocityBand(StrictModel):
    """The band in which r.m.s. velocity is judged, lower for slow machines."""

    low_hz: Positive
    high_hz: Positive
    slow_below_rpm: Positive
    slow_low_hz: Positive
    source: Source

    def for_speed(self, speed_rpm: float) -> tuple[float, float]:
        return (self.slow_low_hz if speed_rpm < self.slow_below_rpm else self.low_hz), self.high_hz


class SupportLimits(StrictModel):
    """Zone boundaries of a group on one kind of support."""

    velocity_mm_s: Boundaries
    displacement_um: Boundaries


class Group(StrictModel):
    """Machines of one size in ISO 10816-3."""

    name: Text
    power_above_kw: Positive
    shaft_height_from_mm: Positive
    rigid: SupportLimits
    flexible: SupportLimits
    source: Source


class CoupledMachines(StrictModel):
    """ISO 10816-3: groups in falling order of power."""

    name: Text
    power_kw: Span
    speed_rpm: Span
    scope_source: Source
    group: Annotated[list[Group], Field(min_length=1)]


class SmallClass(StrictModel):
    """A class of ISO 10816-1; without a power it holds whatever the classes before it do not."""

    name: Text
    power_up_to_kw: Positive | None = None
    velocity_mm_s: Boundaries
    source: Source


class SmallMachines(StrictModel):
    """ISO 10816-1: classes in rising order of power."""

    name: Text
    scope_source: Source
    classes: Annotated[list[SmallClass], Field(min_length=1, alias="class")]


class GearClass(StrictModel):
    """A class of ISO 20816-9 with its ratings (B/C boundaries)."""

    name: Text
    what: Text
    displacement_um: Positive
    velocity_mm_s: Positive
    acceleration_m_s2: Positive
    source: Source


class GearUnits(StrictModel):
    """ISO 20816-9."""

    name: Text
    power_kw: Span
    speed_rpm: Span
    scope_source: Source
    ladder: Annotated[list[Positive], Field(min_length=3)]
    ladder_source: Source
    class_of: dict[Text, Text]
    class_by_analogy: list[Text]
    class_source: Source
    acceptance_factor: Positive
    acceptance_source: Source
    classes: Annotated[list[GearClass], Field(min_length=1, alias="class")]

    @model_validator(mode="after")
    def _known(self) -> GearUnits:
        names = [c.name for c in self.classes]
        for kind, name in self.class_of.items():
            if kind not in FORMS:
                raise ValueError(f"class_of names {kind!r}, which is no kind of stage; there are {list(FORMS)}")
            if name not in names:
                raise ValueError(f"class_of says {name!r} for {kind!r}, which is none of the classes {names}")
        for c in self.classes:
            for rating in (c.displacement_um, c.velocity_mm_s, c.acceleration_m_s2):
                self.boundaries(rating)
        return self

    def boundaries(self, rating: float) -> Boundaries:
        """Zone boundaries of a rating: itself between B and C, its neighbours on the ladder next to it.

        Raises:
            ValueError: the rating is no inner rung of the ladder.
        """
        inner = self.ladder[1:-1]
        if rating not in inner:
            raise ValueError(f"rating {rating:g} is no inner rung of the ladder {self.ladder}")
        i = self.ladder.index(rating)
        return Boundaries(ab=self.ladder[i - 1], bc=rating, cd=self.ladder[i + 1])

    def class_for(self, kinds: list[str]) -> tuple[GearClass, bool] | None:
        """The strictest class among kinds of stage, and whether it is one by analogy; None when none is a gear."""
        wanted = {name: kind for kind, name in self.class_of.items() if kind in kinds}
        if not wanted:
            return None
        strictest = min((c for c in self.classes if c.name in wanted), key=lambda c: c.velocity_mm_s)
        return strictest, any(kind in self.class_by_analogy for kind in kinds)


class ChangeRule(StrictModel):
    """What change against baseline counts."""

    fraction_of_bc: Positive
    source: Source


class LevelUncertainty(StrictModel):
    """How far, relative, a measured level may be off: expanded uncertainty, k = 2."""

    relative: Annotated[float, Field(ge=0, lt=1)] = 0.1
    source: Source = "ISO 2954, error limits of instruments for vibration severity, from memory"


class Limits(StrictModel):
    """``configs/limits.toml``."""

    level_uncertainty: LevelUncertainty = LevelUncertainty()

    velocity_band: VelocityBand
    coupled_machines: CoupledMachines
    small_machines: SmallMachines
    gear_units: GearUnits
    change: ChangeRule


class FalseAlarm(StrictModel):
    """How often a sound drive may be given a finding."""

    rate_per_drive: Annotated[float, Field(gt=0, lt=1)]
    source: Source


class PartWeight(StrictModel):
    """By how much more [dB] than the bearing that governs a drive's life a kind of part bears, and why."""

    parts: Annotated[list[Text], Field(min_length=1)]
    bears_db: Annotated[float, Field(ge=-20, le=40)]
    why: Text
    source: Source


class SeverityBounds(StrictModel):
    """What makes a damage moderate and severe: its impacts against what the part bears, their contrast, the level at
    the point, and growth. Where the size of impacts is not known their contrast alone must do."""

    reference_impact_m_s2: Positive = 1.0
    reference_speed_hz: Positive = 29.2
    reference_pitch_mm: Positive = 39.0
    slowest_share: Annotated[float, Field(gt=0, le=1)] = 0.25
    fastest_share: Annotated[float, Field(ge=1)] = 2.0
    contrast_most_db: NotNegative = 6.0
    zone_c_adds_db: NotNegative = 3.0
    zone_d_adds_db: NotNegative = 6.0
    moderate_from_db: float = 0.0
    severe_from_db: float = 12.0
    hit_over_floor_moderate_db: float
    hit_over_floor_severe_db: float
    growth_moderate_db: Positive
    growth_severe_db: Positive
    source: Source
    weight: list[PartWeight] = Field(default_factory=list)

    @model_validator(mode="after")
    def _rise(self) -> SeverityBounds:
        if not self.moderate_from_db < self.severe_from_db:
            raise ValueError("severe_from_db must lie above moderate_from_db")
        if not self.hit_over_floor_moderate_db < self.hit_over_floor_severe_db:
            raise ValueError("hit_over_floor_severe_db must lie above hit_over_floor_moderate_db")
        if not self.growth_moderate_db < self.growth_severe_db:
            raise ValueError("growth_severe_db must lie above growth_moderate_db")
        if not self.zone_c_adds_db <= self.zone_d_adds_db:
            raise ValueError("zone_d_adds_db must not lie below zone_c_adds_db")
        named = [part for weight in self.weight for part in weight.parts]
        if len(set(named)) != len(named):
            raise ValueError(f"two weights are for one part: {named}")
        return self

    def severity(self, hit_over_floor_db: float | None, growth_db: float | None = None) -> Severity:
        """The graver of what contrast and growth say, of an impact whose size is not known; slight when none is."""
        impact_db = -float("inf") if hit_over_floor_db is None else hit_over_floor_db
        growth = -float("inf") if growth_db is None else growth_db
        if impact_db >= self.hit_over_floor_severe_db or growth >= self.growth_severe_db:
            return "severe"
        if impact_db >= self.hit_over_floor_moderate_db or growth >= self.growth_moderate_db:
            return "moderate"
        return "slight"


class Prior(StrictModel):
    """How common a fault is before anything is measured."""

    what: Text
    probability: Annotated[float, Field(gt=0, lt=1)]
    source: Source


class FindingRule(StrictModel):
    """The state that a finding of a severity asks for, from a probability up; ``sound``: it is a weak sign, which is
    listed and asks for none."""

    severity: Severity
    probability_from: Share
    state: Literal["sound", "watch", "plan", "act"]
    source: Source


class ZoneRule(StrictModel):
    """The state that a measure in a zone asks for, when one of ``standards`` set the zone."""

    measure: Text
    standards: Annotated[list[Text], Field(min_length=1)]
    zone: Zone
    state: Literal["watch", "plan", "act"]
    state_by_analogy: Literal["watch", "plan", "act"]
    source: Source


def scaled_days(days: int, factor: float) -> int:
    """Whole days, one at least; of two numbers the larger never becomes the smaller."""
    return max(1, ceil(days * factor))


class Deadline(StrictModel):
    """What a state asks for, and within how many days of the measurement.

    In ``what`` {part} stands for what to inspect, {when} for the date and {every} for how often the drive is measured
    until then; the instruction ends at the first semicolon where something else must be done first and nothing is
    measured meanwhile.
    """

    state: State
    days: Annotated[int, Field(ge=0, le=3650)]
    every_days: Annotated[int, Field(ge=1, le=3650)] | None = None
    """Between measurements until then; None where none is asked for."""
    what: Text
    source: Source

    @model_validator(mode="after")
    def _said(self) -> Deadline:
        if (self.every_days is None) == ("{every}" in self.what):
            raise ValueError("a deadline says {every} where it has every_days, and nowhere else")
        return self

    @property
    def first_days(self) -> int:
        """Days until the first thing that it asks for."""
        return self.days if self.every_days is None else min(self.days, self.every_days)


class ConsequenceRule(StrictModel):
    """By what all days of every deadline are multiplied for a class of consequence of a failure."""

    what: Literal["low", "medium", "high", "safety"]
    days_factor: Annotated[float, Field(gt=0, le=10)]
    source: Source


class SteadyRule(StrictModel):
    """For how long a level must not have changed significantly to be steady: then it sets no date of days."""

    from_days: Annotated[int, Field(ge=1, le=3650)]
    source: Source


class Judgement(StrictModel):
    """``configs/judgement.toml``."""

    false_alarm: FalseAlarm
    severity: SeverityBounds
    prior: list[Prior]
    finding_rule: list[FindingRule]
    zone_rule: list[ZoneRule]
    deadline: list[Deadline]
    consequence: list[ConsequenceRule] = Field(default_factory=list)
    steady: SteadyRule = Field(default_factory=lambda: SteadyRule(from_days=14, source="common practice"))

    @model_validator(mode="after")
    def _complete(self) -> Judgement:
        for severity in ("slight", "moderate", "severe"):
            floors = [r.probability_from for r in self.finding_rule if r.severity == severity]
            if not floors or min(floors) > 0.0:
                raise ValueError(f"the finding rules for {severity!r} must reach down to probability_from = 0")
        states = [d.state for d in self.deadline]
        if sorted(states) != ["act", "plan", "sound", "unknown", "watch"]:
            raise ValueError(f"each state needs one deadline, not {states}")
        first = {d.state: d.first_days for d in self.deadline}
        for worse, better in pairwise(SOONER):
            if first[worse] > first[better]:
                raise ValueError(
                    f"{worse} asks for something within {first[worse]} days at first, and the better state {better} "
                    f"within {first[better]}: a worse state must not come later (days, every_days)"
                )
        names = [p.what for p in self.prior]
        if len(set(names)) != len(names):
            raise ValueError(f"two priors are for one thing: {names}")
        return self

    def rule_for(self, severity: Severity, probability: float) -> FindingRule:
        """The rule of that severity with the highest threshold that the probability reaches."""
        reached = [r for r in self.finding_rule if r.severity == severity and probability >= r.probability_from]
        return max(reached, key=lambda r: r.probability_from)

    def deadline_for(self, state: State) -> Deadline:
        return next(d for d in self.deadline if d.state == state)

    def days_until(self, state: State, consequence: str | None) -> int:
        """From a measurement to the day by which all that a state asks for is done."""
        return scaled_days(self.deadline_for(state).days, self.consequence_factor(consequence))

    def consequence_factor(self, what: str | None) -> float:
        """What deadlines are multiplied by; a drive file that says nothing of consequences is of the medium class."""
        return next((rule.days_factor for rule in self.consequence if rule.what == (what or "medium")), 1.0)
