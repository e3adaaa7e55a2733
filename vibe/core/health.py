"""The health report of one drive, as its JSON says it. The schema of ``health.json`` is made from these models."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

State = Literal["sound", "watch", "plan", "act", "unknown"]
Severity = Literal["slight", "moderate", "severe"]
GRAVITY: dict[str, int] = {"slight": 0, "moderate": 1, "severe": 2}
"""Severities in their order."""
OWN_PARTS = ("stage", "bearing")
"""How names of the drive's own parts begin, rather than of its sensor or of what it is coupled to."""
Probability = Annotated[float, Field(ge=0, le=1)]

LOCAL_DAMAGE = "local damage"
FLUTING = "electrical erosion (fluting)"
PART_DAMAGE = (LOCAL_DAMAGE, FLUTING)
"""Defects of one part, which repeat at its own order."""

SAID_FROM = 0.005
"""Probability below which words have no figure but "under 1 %": a weak sign of less stands in ``health.json`` alone."""

SCHEMA: Literal["vibe.health/1"] = "vibe.health/1"


class ReportModel(BaseModel):
    """Frozen, finite, and refusing what it does not know."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, defer_build=True)


class EvidenceItem(ReportModel):
    """One measured fact: what was read, where, and how it compares."""

    kind: str
    text: str
    value: float | None = None
    unit: str | None = None
    channel: str | None = None


class Finding(ReportModel):
    """Something is wrong: what, how sure, how bad, what it cannot be distinguished from, what to do."""

    tone: str | None
    component: str
    defect: str
    probability: Probability
    false_alarm_probability: Probability | None
    severity: Severity
    severity_reason: str | None = None
    """How the severity came about, with its numbers; null where it is not read from impacts."""
    growth_db: float | None = None
    component_probability: Probability | None = None
    """That something is damaged where this points: the same bearing, whichever of its elements, or a bearing whose cage
    turns alike and that it cannot be distinguished from; None where no whole was judged."""
    cannot_be_told_from: list[str] = Field(default_factory=list)
    seen_in: list[str] = Field(default_factory=list)
    """Tones whose combs show it, the largest first, where these are not just its own."""
    other_machine: str | None = None
    """The same part of a machine of the same kind, or a machine that this drive turns, that it may be instead; the
    state is then ``watch`` at most. Null where nothing shows such a machine."""
    other_machine_is_driven: bool = False
    """Whether ``other_machine`` is one that this drive turns; else it is one of the same kind."""
    outside_causes: list[str] = Field(default_factory=list)
    """Those of ``cannot_be_told_from`` that are no part of this drive but machines around it, each with one chance in
    twenty or more: they took their share of ``probability``."""
    weak_sign: bool = False
    """Too improbable to set the state: kept to be compared with the next capture, and no reason to do anything."""
    why: str
    """One sentence with its numbers."""
    evidence: list[EvidenceItem] = Field(default_factory=list)
    advice: str

    def weakened(self, share: float) -> Finding:
        """The same with ``share`` (0 to 1) of its probability, of the part and of the whole it belongs to."""
        whole = self.component_probability
        return self.model_copy(
            update={
                "probability": share * self.probability,
                "component_probability": None if whole is None else share * whole,
            }
        )

    @property
    def may_be_a_twins(self) -> bool:
        """Whether the other machine that it may be is one of the same kind, rather than one that this drive turns."""
        return self.other_machine is not None and not self.other_machine_is_driven

    @property
    def too_faint_for_words(self) -> bool:
        """Whether it is a weak sign of which a page for people can say nothing: it stands in the JSON."""
        return self.weak_sign and self.damage_probability < SAID_FROM

    @property
    def where(self) -> str:
        """What it points at: the tone, or the component where no tone is named."""
        return self.tone or self.component

    @property
    def shown_in(self) -> str:
        """Name of the largest comb that shows it; empty where none does."""
        return self.seen_in[0] if self.seen_in else self.tone or ""

    @property
    def damage_probability(self) -> float:
        """That something is damaged where this finding points, whichever part of the component it is, or of another
        bearing that it cannot be distinguished from."""
        return self.probability if self.component_probability is None else self.component_probability


class ChannelReport(ReportModel):
    """Quality of one channel, why, and what would mend it."""

    name: str
    quality: Literal["usable", "limited", "rejected"]
    reasons: list[str] = Field(default_factory=list)
    remedies: list[str] = Field(default_factory=list)
    field_verdict: Literal["accepted", "limited", "retake", "twice", "extra"] | None = None
    """What the check of the round says of it; null without a route."""


class CaptureReport(ReportModel):
    """One capture file; ``error`` when it could not be read."""

    file: str
    sha256: str | None = None
    measured_at: str | None = None
    duration_s: float | None = None
    error: str | None = None
    remarks: list[str] = Field(default_factory=list)
    heard_probability: float | None = None
    """Probability that this drive was detected running; null where nothing could show it."""
    channels: list[ChannelReport] = Field(default_factory=list)


class SpeedAlternative(ReportModel):
    """A speed that the lines allow too, and how likely it is."""

    input_hz: float
    probability: Probability


class SpeedReport(ReportModel):
    """Input speed with one standard deviation, and how it was had; all null when no capture was fit to tell."""

    input_hz: float | None
    uncertainty_hz: float | None
    method: Literal["tachometer", "signal", "nominal"] | None
    note: str = ""
    alternatives: list[SpeedAlternative] = Field(default_factory=list)
    """All speeds that the lines allow, the stated one first; together 1. Empty where no other was looked for."""


class LevelReport(ReportModel):
    """A broad-band level and its zone, null where no limit applies."""

    point: str
    measure: str
    value: float
    unit: str
    band_hz: list[float] | None = None
    zone: Literal["A", "B", "C", "D"] | None = None
    zone_source: str | None = None
    by_analogy: bool | None = None
    near_boundary: Literal["A/B", "B/C", "C/D"] | None = None
    """Boundary within the value's own uncertainty: the value may lie on either side of it."""
    boundary_value: float | None = None
    """That boundary, in ``unit``."""


class NotObservable(ReportModel):
    """A tone that no capture could show, why, and the capture that would."""

    tone: str
    why: str
    needs: str


class OutsideSource(ReportModel):
    """A comb that belongs to something outside the drive: a driven machine, a fan, a neighbour."""

    name: str
    """As declared in the drive file, else ``outside source``."""
    order: float
    """Per input turn."""
    hz: float | None
    per_turn: int | None
    """Whole number per turn of ``of``, where it fits one."""
    of: str | None
    """Body of the drive, or declared neighbour."""
    strength_db: float
    """Power of the repeating envelope over the mean power of its band."""
    points: list[str] = Field(default_factory=list)
    declared: bool
    hides: list[str] = Field(default_factory=list)
    """Tones of the drive that cannot be distinguished from its lines."""
    text: str
    """All of it in a sentence."""


class DetectionLimit(ReportModel):
    """The smallest damage of a tone that this capture would have shown."""

    tone: str
    hit_m_s2: float | None
    over_floor_db: float | None


class Health(ReportModel):
    """Health of one drive: state and its rule, findings gravest first, levels, and what could not be seen."""

    schema_: Literal["vibe.health/1"] = Field(default=SCHEMA, alias="schema")
    drive: str
    name: str = ""
    state: State
    state_rule: str
    sentence: str
    """One sentence that a plant manager understands."""
    do_by: str
    """Recommended action."""
    false_alarm_rate: Probability | None = None
    """Stated rate per drive at which findings are raised where nothing is wrong."""
    captures: list[CaptureReport]
    speed: SpeedReport
    findings: list[Finding]
    """Those that set the state, gravest first; then weak signs, which do not."""
    levels: list[LevelReport]
    not_observable: list[NotObservable]
    detection_limits: list[DetectionLimit] = Field(default_factory=list)
    outside_sources: list[OutsideSource] = Field(default_factory=list)
    """What was detected of machines around the drive, strongest first."""
    cautions: list[str]
    software: str

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, populate_by_name=True, defer_build=True)
