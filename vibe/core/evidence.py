"""What the samples say about orders that somebody asked for: values only, no verdict."""

from __future__ import annotations

from dataclasses import dataclass
from math import e, log
from typing import Literal

import numpy as np
from numpy.typing import NDArray

STANDS_DB = 9.0
"""A line stands, a side line too, from here over its floor: noise, exponential, does once in 3,000 bins (exp(-8))."""
TAKEN_DB = -60.0
"""A line so low was taken for another comb's: nobody knows what stands there."""
EVEN_MEAN_DB, EVEN_SPREAD_DB = 10.0, 4.0
"""Mean level over the floor and standard deviation, at most, of lines that short strikes make: alike, but for noise,
which moves lines of ten decibels by two or three (common practice)."""
SAME_PLACE = 0.005
"""Relative distance within which two combs lie at one place."""
LARGEST_SURPRISE = 1000.0
"""-ln of the ideal false-alarm probability of the clearest damage: a dozen lines 20 dB over the floor each."""
LEAST_ALTERNATIVE = 0.02
"""Probability of another speed from which on what is said of single parts depends on it (common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SpeedEstimate:
    """Input speed. ``uncertainty_hz`` is one standard deviation, None where unknown.

    ``drift`` is (fastest - slowest) / mean over the capture; None where it could not be followed.
    """

    input_hz: float
    uncertainty_hz: float | None
    method: Literal["tachometer", "signal", "nominal"]
    drift: float | None = None
    note: str = ""
    alternatives: tuple[tuple[float, float], ...] = ()
    """(speed [Hz], probability) of all speeds that the lines allow, ``input_hz`` first, together 1; empty where no
    other was looked for. The first is as wide as ``uncertainty_hz``, others as narrow as the capture resolves."""
    angle_turns: float = 0.0
    """Standard uncertainty [turns] of the angle about its mean that pulses leave, which are read to a sample."""
    followed_otherwise: tuple[tuple[float, float], ...] = ()
    """(mean speed [Hz], odds over ``input_hz``) to which the same lines come where the speed is followed in another
    way, or taken as steady. None of them is believed; where nothing of the machine stands at the first, one may."""

    @property
    def doubtful(self) -> bool:
        """Whether the speed is not detected but assumed, or another one is not excluded."""
        return self.method == "nominal" or any(chance > LEAST_ALTERNATIVE for _, chance in self.alternatives[1:])


@dataclass(frozen=True, slots=True, kw_only=True)
class CombLine:
    """One line of a comb: where, and its power over the local floor [dB]; ``masked`` when a benign source owns it."""

    order: float
    over_floor_db: float
    masked: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Localisation:
    """Is the repeating pattern one short impact, or spread round the turn as pitch errors spread it?

    ``false_alarm_probability``: chance that a turn of healthy, irregular parts shows a peak as high as this over
    its own remainder. ``peaks_deg`` are the impacts' angles in the frame, strongest first, with ``peak_share`` each.
    """

    false_alarm_probability: float
    peaks_deg: tuple[float, ...]
    peak_share: tuple[float, ...]
    width_deg: float
    scatter: float | None = None
    """Relative scatter of the impacts' energy from one turn to the next, beyond what noise may stand for; None where it
    was not measured."""
    play_deg: float | None = None
    """Standard deviation of the impacts' instants from one turn to the next, likewise, in degrees of that turn."""
    uneven: float | None = None
    """Relative standard deviation of the impacts' energies at the stands of a shaft that turns another machine,
    likewise, what swells once and twice round it taken off; None where no such shaft turns slower by a whole number."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CombEvidence:
    """A comb of lines in the envelope, read against decoy orders of the same capture."""

    tone: str
    order: float
    """Where it was found (the kinematic order, moved by slip)."""
    score: float
    false_alarm_probability: float
    """Chance that nothing-at-all scores as high within the places searched for this tone."""
    places_searched: int
    decoys: int
    lines: tuple[CombLine, ...]
    sideband_lines: tuple[CombLine, ...]
    band_hz: tuple[float, float]
    channels: tuple[str, ...]
    hit_m_s2: float | None
    """Estimated peak acceleration of one impact in its band."""
    hit_over_floor_db: float
    """Power of the repeating envelope over the mean power of the band [dB]."""
    limit_m_s2: float | None
    """Smallest impact of this tone that this capture would have shown."""
    limit_over_floor_db: float | None = None
    impact_m_s2: float | None = None
    """Estimated peak acceleration of one impact in the band where it is largest; None where it was not measured."""
    surest_band_hz: tuple[float, float] | None = None
    surest_channels: tuple[str, ...] = ()
    """Where the comb's score comes from: another band is best for each of presence, size and place."""
    localisation: Localisation | None = None
    after_gating: CombEvidence | None = None
    """The same tone once the impacts of stronger combs are cut out of the envelope; None where none were."""
    gated: bool = False
    """Whether this was read between the impacts of stronger combs."""
    place: float | None = None
    """The order that all lines that stand give together, which is closer than one bin; None where none stands."""
    place_error: float | None = None
    """Standard error of ``place``, relative, from how far the lines lie off it."""
    carried_at: float | None = None
    """Speed, relative to the one found, of the shaft that carries the part through its load, as the comb's own lines
    and their side lines tell it whatever the slip; None where it was not asked or no side lines are clear."""
    carried_error: float | None = None
    """Standard error of ``carried_at``."""
    evenly: float | None = None
    """Log odds of a source that turns evenly against one that follows the input's course of speed, by how sharp the
    comb's lines are along time and along angle; None where it was not asked or the two hardly differ."""
    blades: tuple[int, float] | None = None
    """(count, how many times likelier): lines of a rotor stand whose blades pass so often, that many to a turn, and how
    many times likelier these lines are where such a rotor turns; None where it was not asked or none stand."""
    further: tuple[CombLine, ...] = ()
    """Lines of a part that slips beyond those that showed best that it is there: what they are like says how it
    repeats, and belongs neither to its score nor to its depth."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One line of a vibration spectrum at an order or frequency that was asked for."""

    name: str
    frequency_hz: float
    velocity_mm_s: float
    """r.m.s. [mm/s], the line's own power (floor removed)."""
    floor_mm_s: float
    """r.m.s. of the floor in the same width."""
    acceleration_m_s2: float
    channel: str
    off_bins: float = 0.0
    """How far its peak lies from the place that was asked for, beyond what the speed's uncertainty explains."""

    @property
    def is_another(self) -> bool:
        """Whether another line stands there: a Hann window parts lines that are two bins apart, so a peak more than
        half as far off is that of a neighbour, whose foot covers the place."""
        return self.off_bins > 1.0

    @property
    def over_floor_db(self) -> float:
        return float(20 * np.log10(max(self.velocity_mm_s, 1e-12) / max(self.floor_mm_s, 1e-12)))

    @property
    def most_velocity_mm_s(self) -> float:
        """r.m.s. that the line has at most: below the floor nothing but the floor is known."""
        return max(self.velocity_mm_s, self.floor_mm_s)

    @property
    def most_acceleration_m_s2(self) -> float:
        """The same as acceleration: a sine's is 2 pi f times its velocity."""
        return self.most_velocity_mm_s * (2 * np.pi * self.frequency_hz / 1e3)


@dataclass(frozen=True, slots=True, kw_only=True)
class CrossLine:
    """One line between two channels that were sampled together.

    ``phase_deg``: by how much the second channel leads the first, -180 to 180, both as acceleration. ``coherence``: 0
    to 1, how steadily it does; only where that is near 1 does the phase mean anything. ``amplitude_ratio``: second over
    first.
    """

    name: str
    first: str
    second: str
    phase_deg: float
    coherence: float
    amplitude_ratio: float

    def turned(self) -> CrossLine:
        """The same, seen from the second channel."""
        return CrossLine(
            name=self.name,
            first=self.second,
            second=self.first,
            phase_deg=-self.phase_deg,
            coherence=self.coherence,
            amplitude_ratio=1.0 / max(self.amplitude_ratio, 1e-15),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class ImpactRhythm:
    """How the single impacts that stand out of one point's samples follow one another.

    ``order``: per input turn, at which they come steadily, with its standard error; None where they keep none.
    ``in_step``: length of the mean vector of their phases there, 1 where all agree. ``interval_scatter``: standard
    deviation of their intervals over the mean, 1 where they come at any time; None where there were too few.
    ``would_show``: whether as many impacts in step would have shown their order. ``too_many``: their ringing hides how
    they follow one another.
    """

    count: int
    per_second: float
    interval_scatter: float | None = None
    order: float | None = None
    order_error: float | None = None
    in_step: float | None = None
    would_show: bool = False
    too_many: bool = False

    @property
    def at_random(self) -> bool:
        """Whether they keep no rate, and are enough for one to have shown."""
        return self.order is None and self.would_show


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """A broad-band figure of one point."""

    point: str
    measure: str
    value: float
    unit: str
    band_hz: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlotData:
    """Base of the things that can be shown next to a finding. ``caption`` is one sentence."""

    title: str
    caption: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A labelled place on an axis: a harmonic ("comb"), a predicted sideband ("sideband"), a benign source's line
    ("owner") or a limit ("limit")."""

    at: float
    label: str
    kind: Literal["comb", "sideband", "owner", "limit"] = "comb"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SpectrumPlot(PlotData):
    """Values against frequency or order, with the local floor when known, and marks."""

    x: NDArray[np.float32]
    y: NDArray[np.float32]
    x_label: str
    y_label: str
    floor: NDArray[np.float32] | None = None
    marks: tuple[Mark, ...] = ()
    log_y: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PolarPlot(PlotData):
    """A turn laid on one body: ``angle_deg`` (n,) and ``level`` (n,) relative to the mean of the turn, with
    ``count`` parts (pins, lobes) to draw; ``marked`` are parts (0-based) that stand out.

    ``absolute``: part 0 is where the pulse is; otherwise counted from an arbitrary start.
    """

    part: str
    count: int
    angle_deg: NDArray[np.float32]
    level: NDArray[np.float32]
    marked: tuple[int, ...]
    absolute: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WaveformPlot(PlotData):
    """A segment of signal, thinned to its extremes: ``low`` and ``high`` per instant, with marks in seconds."""

    time_s: NDArray[np.float32]
    low: NDArray[np.float32]
    high: NDArray[np.float32]
    y_label: str
    marks: tuple[Mark, ...] = ()


def against_chance(p: float) -> float:
    """Ratio of the densities of a false-alarm probability ``p`` where there is something and where there is nothing.

    Under chance p is uniform. Else -ln p is as likely in one factor as in the next, between 1 and ``LARGEST_SURPRISE``.
    """
    p = min(max(p, 1e-12), 1 / e)
    return 1.0 / (-p * log(p) * log(LARGEST_SURPRISE))
