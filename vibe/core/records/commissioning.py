"""What a certificate states besides its answers: who issued it, the drive's plate, each capture, values noted."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Annotated, Literal

from pydantic import Field

from vibe.core.strict import Positive, StrictModel

Line = Annotated[str, Field(max_length=300)]
Measurand = Literal[
    "vibration", "speed", "temperature", "torque", "noise", "lost motion", "transmission error", "backlash", "other"
]
"""What an instrument measures. A recorder of vibration measures vibration."""
NotedQuantity = Literal[
    "torque", "lost motion", "transmission error", "noise", "oil temperature", "backlash", "efficiency", "other"
]
"""What is measured by other means than vibration, and noted by hand."""


class Issue(StrictModel):
    """The certificate as a document: its number, and who issues it to whom."""

    number: Line = ""
    issued: date | None = None
    issuer: Line = ""
    customer: Line = ""
    order: Line = ""
    place: Line = ""
    """Where it was measured."""
    measured_by: Line = ""
    witness: Annotated[list[Line], Field(max_length=4)] = Field(default_factory=list)
    """Who watched: each gets a line to sign on."""


class NamePlate(StrictModel):
    """What the drive's own plate says."""

    type: Line = ""
    year: Annotated[int, Field(ge=1900, le=2200)] | None = None
    ratio: Positive | None = None
    input_speed_rpm: Positive | None = None
    power_kw: Positive | None = None
    output_torque_nm: Positive | None = None
    oil: Line = ""
    """Kind, grade and quantity, as filled."""


class RetestRule(StrictModel):
    """What a drive that did not pass must go through to be accepted after all."""

    text: Annotated[str, Field(min_length=1, max_length=300)]
    """As the contract says it."""
    most_attempts: Annotated[int, Field(ge=1, le=20)] = 2
    """Acceptances in all, the first counted in: whoever may try without end passes by chance."""


class NotedValue(StrictModel):
    """A value that was measured by other means, and noted by hand."""

    requirement: Annotated[str, Field(min_length=1, max_length=60)]
    """Id of the requirement that it answers."""
    value: Annotated[float, Field(allow_inf_nan=False)]
    uncertainty: Annotated[float, Field(ge=0, allow_inf_nan=False)] | None = None
    """Expanded, k = 2, in the unit of the requirement."""
    source: Line = ""
    """What states it: a test report and its number, a protocol."""
    by: Line = ""
    """The instrument, as it is named in the set."""
    at: date | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureFacts:
    """A capture that an acceptance rests on, as it was taken.

    ``top_hz``: where the band that was used ends, with this fixing; None where the capture was not used.
    """

    file: str
    sha256: str
    kind: str
    points: tuple[str, ...]
    measured_at: datetime | None
    duration_s: float | None
    sample_rate_hz: float | None
    top_hz: float | None
    load_percent: float | None
    speed_hz: float | None
    recording: tuple[str, ...] = ()
    """Of its channels, what the same samples in another file share with it."""
    noise_print: str = ""
    """Polarity of its noise: how many samples, and their bits in base 64; empty where there is none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SignedBy:
    """The keys that sign a result: one signs the record, and the record names the certificate of the other."""

    name: str
    key: str
    """Name of the public key that signs the record, as OpenSSH gives it: ``SHA256:`` and its hash in base 64."""
    public_key: str
    """The same key itself, as OpenSSH writes it: ``ssh-ed25519`` and base 64."""
    pdf_certificate_sha256: str
    """Of the certificate that signs the PDF, in DER; hexadecimal."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EarlierAttempt:
    """The acceptance before this one, of the same drive."""

    attempt: int
    """Which one this is: 2 for the first retest."""
    number: str
    seal: str
    answer: str
    not_met: tuple[str, ...]
    """Ids of requirements that did not pass then."""
    done_since: str
    """What was done to the drive in between."""
    most_attempts: int | None = None
    """That the first test's requirements allow."""


SpeedFrom = Literal["pulses", "own lines"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SpeedCurve:
    """Levels against speed in a run-up or coast-down at one point: velocity r.m.s. in short segments of time."""

    file: str
    kind: str
    point: str
    speed_rpm: tuple[float, ...]
    velocity_mm_s: tuple[float, ...]
    once_per_turn_mm_s: tuple[float, ...]
    """The line at the input's own speed."""
    resonances_rpm: tuple[float, ...] = ()
    """Speeds at which that line stands out as a resonance would."""
    read_rpm: tuple[float, float] | None = None
    """Between which speeds a resonance would have been named; None where the run was too fast, and in older records."""
    speed_from: SpeedFrom = "pulses"
    """Where the speed comes from."""
    speed_uncertainty_percent: float | None = None
    """Expanded (k = 2), of a speed from own lines: the middle one of the run; None of pulses."""
    known_s: tuple[tuple[float, float], ...] = ()
    """From when to when own lines give the speed; empty where pulses do."""
    unknown_s: tuple[tuple[float, float], ...] = ()
    """From when to when they do not stand out: no level is stated there."""
    gaps_rpm: tuple[tuple[float, float], ...] = ()
    """Speeds between stated ones at which therefore none is."""
