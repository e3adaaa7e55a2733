"""Proof of a new drive: what was required, what was measured with which uncertainty, and what follows."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Annotated, Literal

from pydantic import Field

from vibe.core.records.commissioning import (
    CaptureFacts,
    EarlierAttempt,
    Issue,
    Measurand,
    NamePlate,
    NotedQuantity,
    NotedValue,
    RetestRule,
    SignedBy,
    SpeedCurve,
)
from vibe.core.strict import Positive, StrictModel

Answer = Literal["pass", "fail", "undetermined"]
DecisionRule = Literal["simple acceptance", "guarded acceptance"]
"""JCGM 106:2012: the measured value itself against the limit, or a guard band of the expanded uncertainty inside it."""
RequirementKind = Literal[
    "level",
    "zone",
    "tone",
    "no damage",
    "phasing line",
    "spread",
    "temperature",
    "run-in",
    "identity",
    "noted",
    "golden",
    "over speed",
]
"""A broad-band level; a zone of a standard; the line of a tone; no damage at a stated false-alarm rate; a mesh harmonic
that equal discs forbid; the type's population; a temperature noted by hand; levels that have settled; the counts of the
plate; a value measured by other means; a chosen drive of the type; levels against speed."""
RunKind = Literal["run-in", "no load", "load step", "rated load", "reversed", "run-up", "coast-down"]
Distribution = Literal["normal", "rectangular", "triangular", "U-shaped"]
Text = Annotated[str, Field(min_length=1, max_length=300)]


class Requirement(StrictModel):
    """One line of a contract, with its source."""

    id: Annotated[str, Field(min_length=1, max_length=60, pattern=r"^[a-z0-9][a-z0-9 _.-]*$")]
    kind: RequirementKind
    text: Text
    """As the contract says it."""
    source: Text
    by_analogy: bool = False
    """The source does not cover a drive like this one; it is applied all the same."""
    during: list[RunKind] = Field(default_factory=list)
    """Runs that it holds for; all unless given."""
    points: list[str] = Field(default_factory=list)
    """Points that it holds for; all unless given."""
    measure: str | None = None
    tone: str | None = None
    limit: Positive | None = None
    unit: str | None = None
    standard: str | None = None
    """Name of a class or table in ``configs/limits.toml``, where the limit is taken from there."""
    factor: Positive = 1.0
    """The limit of the standard is multiplied by it."""
    boundary: Literal["A/B", "B/C", "C/D"] = "A/B"
    """Of the standard's zones; acceptance of new drives is commonly asked for at A/B."""
    harmonic: Annotated[int, Field(ge=1, le=100)] | None = None
    false_alarm_rate: Annotated[float, Field(gt=0, le=0.5)] | None = None
    quantity: NotedQuantity | None = None
    """What a ``noted`` requirement is about."""
    sense: Literal["at most", "at least"] = "at most"
    """Of the limit of a ``noted`` requirement."""
    parts: list[Text] = Field(default_factory=list)
    """Parts that must have been searched for damage: kinds such as ``bearing`` or ``ring pin``, or names of single
    ones; unless given, the kinds that ``text`` names."""


class Requirements(StrictModel):
    """The form of a requirements file."""

    title: Text
    contract: str = ""
    decision_rule: DecisionRule = "guarded acceptance"
    coverage: Annotated[float, Field(ge=0.5, le=0.9999)] = 0.95
    """Of the expanded uncertainty."""
    retest: RetestRule | None = None
    requirement: Annotated[list[Requirement], Field(min_length=1, max_length=200)]


class Instrument(StrictModel):
    """A sensor or recorder used, for the certificate and the uncertainty."""

    what: Text
    serial: str = ""
    calibrated: date | None = None
    calibration_uncertainty_percent: Positive | None = None
    """Expanded, k = 2, as calibration certificates state it."""
    certificate: str = ""
    """Number of the calibration certificate."""
    point: str = ""
    """The point that a sensor sat on; empty for what serves all, such as a recorder."""
    measures: Measurand | None = None
    """What it measures; taken from ``what`` unless given."""


class CommissionedRun(StrictModel):
    """One run of the drive, and the captures taken in it (files or patterns, seen from the set's file)."""

    kind: RunKind
    captures: Annotated[list[str], Field(min_length=1, max_length=200)]
    load_percent: Annotated[float, Field(ge=0, le=1000)] | None = None
    temperature_c: Annotated[float, Field(ge=-60, le=300)] | None = None
    oil_c: Annotated[float, Field(ge=-60, le=300)] | None = None
    ambient_c: Annotated[float, Field(ge=-60, le=100)] | None = None
    load_by: str = ""
    """How the load was determined, for example a torque transducer or the motor's current."""
    note: str = ""


class StatedContribution(StrictModel):
    """One contribution to the uncertainty of a vibration figure, as somebody states it.

    ``percent`` of the value is what the distribution says: the expanded uncertainty of a normal one (with
    ``coverage_factor``), half the width of the others.
    """

    name: Annotated[str, Field(min_length=1, max_length=80)]
    percent: Annotated[float, Field(ge=0, le=50)]
    """0 where it does not apply."""
    distribution: Distribution = "normal"
    coverage_factor: Annotated[float, Field(ge=1, le=5)] = 2.0
    degrees_of_freedom: Annotated[float, Field(ge=1, le=10_000)] | None = None
    """None: as good as known."""
    shared: bool = False
    """One and the same error at all points and captures of a run; else each point has its own."""
    points: list[str] = Field(default_factory=list)
    """Points that it holds for; all unless given."""
    source: Text


class CommissioningSet(StrictModel):
    """The form of a commissioning set: one new drive, its runs and who measured with what."""

    drive: Text
    """Drive file, seen from this file."""
    requirements: Text
    """Requirements file, seen from this file."""
    serial: Annotated[str, Field(min_length=1, max_length=80)]
    mounting: Literal["stud", "adhesive", "magnet", "probe"] = "stud"
    instrument: list[Instrument] = Field(default_factory=list)
    contribution: Annotated[list[StatedContribution], Field(max_length=50)] = Field(default_factory=list)
    """To the uncertainty; one that is named like one of common practice stands in its place."""
    run: Annotated[list[CommissionedRun], Field(min_length=1, max_length=50)]
    population: str | None = None
    """Folder with the records of the type's earlier drives, for requirements of kind ``spread``."""
    golden: str | None = None
    """Record of a chosen drive of the type, for requirements of kind ``golden``."""
    issue: Issue = Field(default_factory=Issue)
    plate: NamePlate = Field(default_factory=NamePlate)
    noted: Annotated[list[NotedValue], Field(max_length=200)] = Field(default_factory=list)
    captured_as: list[str] = Field(default_factory=list)
    """Other names that captures may carry as their drive, for example the recorder's own."""
    retest_of: str | None = None
    """Record of the acceptance that the drive did not pass before."""
    done_since: str = ""
    """What was done to the drive since then."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Contribution:
    """One line of an uncertainty budget: relative standard uncertainty, and how it is known (GUM type A or B).

    ``shared``: one error of all points of a run, so that their values are correlated through it.
    """

    name: str
    relative: float
    type: Literal["A", "B"]
    because: str
    degrees_of_freedom: float | None = None
    distribution: Distribution = "normal"
    shared: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """A measured value. ``expanded`` is half the width of the interval of ``coverage``; None where it is not known."""

    value: float
    unit: str
    standard_uncertainty: float | None
    expanded: float | None
    coverage: float
    budget: tuple[Contribution, ...] = ()
    coverage_factor: float | None = None
    """Expanded over standard uncertainty."""
    degrees_of_freedom: float | None = None
    """Effective ones; None where as good as infinite."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sighting:
    """One figure read off one capture, before it is judged.

    ``scatter``: relative standard uncertainty that its finite length leaves, and in ``scatter_why`` how that was had.
    ``mounting``: how far, relative, the fixing may have lifted it, at ``top_hz``. ``short_of``: what of the band that
    was asked for is missing; empty when nothing is.
    """

    value: float
    unit: str
    point: str
    run: int
    kind: RunKind
    file: str
    time_s: float | None = None
    scatter: float = 0.0
    scatter_why: str = ""
    mounting: float = 0.0
    top_hz: float = 0.0
    step: float | None = None
    short_of: str = ""
    degrees_of_freedom: float | None = None
    """Of ``scatter``."""
    smeared: float = 0.0
    angle: float = 0.0
    """Of a line that varies about its order: half the range, relative, in which its value lies."""
    jitter: float = 0.0
    """Of a line: what the jitter of pulses takes off it, relative, by which its value is corrected."""
    not_apart: str = ""
    """Why the figure says nothing of what it is named after, else empty; ``needs_s``: capture that would part it."""
    needs_s: float | None = None
    needs: str = ""
    """What would part it where no length does."""
    doubt: str = ""
    """Why the capture's figures at this point cannot be as they stand, else empty."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SearchedPart:
    """A part that was searched for local damage, and how small an impact would have been found there.

    ``shown_m_s2``: peak acceleration of one impact at the sensor, of which captures like these show nine in ten; None
    where no capture could show the part, and ``why`` then says why not.
    """

    part: str
    tones: tuple[str, ...]
    shown_m_s2: float | None
    why: str = ""
    captures: int = 0
    needs_s: float | None = None
    """Length of a capture that would have enough of its repeats, where these were too short to show the part, or any
    size that was tried."""


@dataclass(frozen=True, slots=True, kw_only=True)
class InputFile:
    """A file that the answer rests on, by its content."""

    what: str
    file: str
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """One requirement, answered."""

    requirement: Requirement
    answer: Answer
    measured: Quantity | None
    limit: float | None
    acceptance_limit: float | None
    """The limit less the guard band."""
    where: str
    """Point and run that decided."""
    why: str
    settles: str | None
    """The capture that would settle an undetermined answer."""
    risk_of_false_acceptance: float | None = None
    """Probability that the true value lies above its limit all the same, given what was measured (JCGM 106:2012)."""
    searched: tuple[SearchedPart, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Acceptance:
    """A new drive against its requirements. The whole passes when every requirement does, fails when one fails."""

    drive: str
    name: str
    serial: str
    title: str
    contract: str
    decision_rule: DecisionRule
    answer: Answer
    outcomes: tuple[Outcome, ...]
    captures: tuple[tuple[str, str], ...]
    """(file name, sha256)."""
    runs: tuple[CommissionedRun, ...]
    instruments: tuple[Instrument, ...]
    measured_from: datetime | None
    measured_to: datetime | None
    speed_hz: float | None
    ratio_ordered: str
    ratio_found: str
    remarks: tuple[str, ...]
    cautions: tuple[str, ...]
    software: str
    issue: Issue = field(default_factory=Issue)
    plate: NamePlate = field(default_factory=NamePlate)
    mounting: str = ""
    """How the sensors were fixed."""
    measured: tuple[CaptureFacts, ...] = ()
    """Of each capture, in the order of ``captures``."""
    noted: tuple[NotedValue, ...] = ()
    earlier: EarlierAttempt | None = None
    retest_rule: str = ""
    most_attempts: int | None = None
    """Acceptances in all that the first test's requirements allow; None where they state no rule."""
    contributions: tuple[StatedContribution, ...] = ()
    """To the uncertainty, as the set states them, zeros too."""
    speed_curves: tuple[SpeedCurve, ...] = ()
    baseline: tuple[tuple[str, str], ...] = ()
    """(file name, sha256) of what is handed over as the drive's first baseline."""
    signed_by: SignedBy | None = None
    """Whose signature belongs to this record; None where it is not signed."""
    inputs: tuple[InputFile, ...] = ()
    """Drive file, requirements, set and settings."""
