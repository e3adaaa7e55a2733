"""What a rule may look at: tones and what the samples said of them, as values; never a sample array."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from vibe.core.capture import ChannelQuality
from vibe.core.comb_history import Growth
from vibe.core.drive import Drive
from vibe.core.evidence import (
    STANDS_DB,
    CombEvidence,
    CrossLine,
    ImpactRhythm,
    Level,
    Line,
    Localisation,
    SpeedEstimate,
    against_chance,
)
from vibe.core.health import EvidenceItem, Finding, Severity
from vibe.core.outside_combs import DeclaredNeighbour, OutsideComb, SimilarMachine
from vibe.core.tones import ToneTable
from vibe.diagnosis.settings import CombSettings, DiagnosisSettings
from vibe.diagnosis.severity_scale import SeverityScale


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One capture of one drive, ready to be judged."""

    drive: Drive
    tones: ToneTable
    combs: Mapping[str, CombEvidence]
    """By tone id; tones of one order share one comb. A tone that the capture cannot show is absent."""
    lines: Mapping[str, tuple[Line, ...]]
    """By name ("1x", "0.5x", "stage1.mesh 1", "twice line"), one per channel."""
    levels: Sequence[Level]
    speed: SpeedEstimate | None
    quality: Sequence[ChannelQuality]
    settings: DiagnosisSettings
    false_alarm_rate: float
    """Per drive; shared out equally over the tones searched."""
    priors: Mapping[str, float]
    severity_db: tuple[float, float]
    """Impact over floor [dB] from which damage is moderate, and severe, where the size of an impact is not known."""
    zone_mm_s: Mapping[str, float]
    """Velocity zone boundaries of this drive by name ("A/B", "B/C", "C/D")."""
    scale: SeverityScale = field(default_factory=SeverityScale)
    outside_combs: Sequence[OutsideComb] = ()
    """Combs of other machines."""
    resolution: float = 0.005
    """Orders that one bin of the envelope spectra spans."""
    alike: Sequence[SimilarMachine] = ()
    """Machines of the same kind that the capture shows too."""
    noted_speed_hz: float | None = None
    """Speed that was noted with the capture, within the drive's range."""
    declared_alike: Sequence[str] = ()
    """Names of machines of the same kind that are declared next to this one, whether or not the capture shows them."""
    neighbours: Sequence[DeclaredNeighbour] = ()
    """Declared machines nearby whose shafts have speeds of their own."""
    slow_turns: Sequence[float] = ()
    """Orders of slow shafts that turn other machines."""
    growths: Mapping[str, Growth] = field(default_factory=dict)
    """By the name of a comb: its change against the drive's own earlier captures, where there are enough."""
    quiet_combs: Mapping[str, CombEvidence] = field(default_factory=dict)
    """By the name of a comb that may have grown: the same as the quiet places of the noise show it."""
    rhythms: Mapping[str, ImpactRhythm] = field(default_factory=dict)
    """By point: how its impacts follow one another, where they are so strong that it matters."""
    cross_lines: Sequence[CrossLine] = ()
    """Phase of every line in ``lines`` that follows the shaft, between channels that were sampled together."""

    @property
    def unmatched(self) -> tuple[CombEvidence, ...]:
        """Combs that nothing explains, neither a part in the drive file nor a shaft that turns another machine."""
        nobodys = (one.evidence for one in self.outside_combs if not one.ambiguous and one.per_turn is None)
        return tuple(comb for comb in nobodys if not comb.tone.startswith("outside"))

    def comb_shown(self, finding: Finding) -> CombEvidence | None:
        """The largest comb that shows a finding, be it nobody's; None for findings without one."""
        nobodys = {comb.tone: comb for comb in self.unmatched}
        return self.combs.get(finding.shown_in, nobodys.get(finding.shown_in))

    @property
    def tone_alarm(self) -> float:
        """False-alarm probability allowed to each tone."""
        return self.false_alarm_rate / max(1, len({comb.tone for comb in self.combs.values()}))

    def severity(self, hit_over_floor_db: float) -> Severity:
        moderate, severe = self.severity_db
        return "severe" if hit_over_floor_db >= severe else "moderate" if hit_over_floor_db >= moderate else "slight"

    def line(self, name: str) -> Line | None:
        """The strongest channel's line of that name (by velocity); None where others cover its place everywhere."""
        own = (line for line in self.lines.get(name, ()) if not line.is_another)
        return max(own, key=lambda line: line.velocity_mm_s, default=None)

    def cross_line(self, name: str, first: str, second: str) -> CrossLine | None:
        """The line of that name from channel ``first`` to ``second``; None where they were not sampled together."""
        for line in self.cross_lines:
            if line.name == name and {line.first, line.second} == {first, second}:
                return line if line.first == first else line.turned()
        return None

    def level(self, channel: str, measure: str) -> float:
        """A broad-band level of one channel; 0.0 where it was not measured."""
        return max((v.value for v in self.levels if v.point == channel and v.measure == measure), default=0.0)


Rule = Callable[[Case], list[Finding]]


MOST_SURE = 0.999
"""No single capture supports more: the drive file or the sensor may be wrong too (common practice)."""


def probability(false_alarm: float, prior: float) -> float:
    """Probability that a finding is real, from its false-alarm probability p and how common it is beforehand.

    Under chance p is uniform. Under damage -ln p grows as a power of the damage's size, and sizes are as likely in one
    decibel as in the next; so -ln p is as likely in one factor as in the next, between 1 and ``LARGEST_SURPRISE``. The
    ratio of the two densities, 1 / (p · -ln p · ln LARGEST_SURPRISE), is 2.5 times below the largest that a p-value can
    stand for, 1 / (-e p ln p) (Sellke, Bayarri & Berger, The American Statistician 55 (2001) 62-71, from memory).
    """
    odds = prior / (1 - prior) * against_chance(false_alarm)
    return min(MOST_SURE, odds / (1 + odds))


def comb_items(comb: CombEvidence) -> list[EvidenceItem]:
    """The comb's figures as evidence."""
    channel = " + ".join(comb.channels)
    seen = [line for line in comb.lines if line.over_floor_db >= 10.0]
    items = [
        EvidenceItem(
            kind="comb",
            text=f"{len(seen)} of {len(comb.lines)} harmonics stand 10 dB or more over the floor of the envelope "
            f"in {comb.band_hz[0]:.0f} to {comb.band_hz[1]:.0f} Hz",
            value=float(len(seen)),
            channel=channel,
        ),
        EvidenceItem(
            kind="order", text="where the comb lies, per input turn", value=round(comb.order, 5), channel=channel
        ),
        EvidenceItem(
            kind="decoys",
            text=f"read against {comb.decoys} decoy orders of this capture, {comb.places_searched} places searched",
            value=comb.false_alarm_probability,
            unit="probability of a false alarm",
            channel=channel,
        ),
        EvidenceItem(
            kind="hit", text="power of the impacts over the mean of their band", value=round(comb.hit_over_floor_db, 1),
            unit="dB", channel=channel,
        ),
    ]  # fmt: skip
    peak = comb.impact_m_s2 if comb.impact_m_s2 is not None else comb.hit_m_s2
    if peak is not None:
        items.append(
            EvidenceItem(
                kind="hit", text="estimated peak of one impact, at most", value=round(peak, 4), unit="m/s^2",
                channel=channel,
            )
        )  # fmt: skip
    sides = [line for line in comb.sideband_lines if line.over_floor_db >= 10.0]
    if comb.sideband_lines:
        items.append(
            EvidenceItem(
                kind="sidebands",
                text=f"{len(sides)} of {len(comb.sideband_lines)} predicted sidebands present",
                value=float(len(sides)),
                channel=channel,
            )
        )
    if comb.localisation is not None:
        places = ", ".join(f"{angle:.0f}°" for angle in comb.localisation.peaks_deg) or "none"
        items.append(
            EvidenceItem(
                kind="place",
                text=f"places that stand out of one turn: {places}",
                value=comb.localisation.false_alarm_probability,
                unit="probability that irregular sound parts look so",
                channel=channel,
            )
        )
        items += _differences(comb.localisation, channel)
    return items


def _differences(place: Localisation, channel: str | None) -> list[EvidenceItem]:
    """How the impacts at a place differ from turn to turn, as far as that was measured."""
    measured = (
        ("scatter", place.scatter, 2, "share of their mean",
         "by how much the energy of the impacts changes from one turn to the next, beyond noise"),
        ("play", place.play_deg, 1, "deg",
         "by how much the impacts come early or late from one turn to the next, beyond noise"),
        ("uneven", place.uneven, 2, "share of their mean",
         "by how much the energy of the impacts differs between the places of one turn of the slow shaft, swells taken "
         "off, beyond noise"),
    )  # fmt: skip
    return [
        EvidenceItem(kind=kind, text=text, value=round(value, digits), unit=unit, channel=channel)
        for kind, value, digits, unit, text in measured
        if value is not None
    ]


FEWEST_STANDING = 3
"""How many lines must stand to show which are missing, or that a race surely shows."""


def standing(comb: CombEvidence) -> list[int]:
    """Numbers of the harmonics that stand. One alone may be anybody's."""
    return [k for k, line in enumerate(comb.lines, 1) if line.over_floor_db >= STANDS_DB]


def tones_at(
    case: Case, order: float, *, leave_out: str, ratios: Sequence[float] = (0.5, 1.0, 2.0), error: float = 0.0
) -> list[str]:
    """Other damage tones whose comb would lie at ``order`` too: at ``ratios`` of their own order, slip allowed for.

    The uncertainty of the speed widens their places, and so does ``error``, how far ``order`` may be off, relative.
    """
    spread = max(0.002, error)
    if case.speed is not None and case.speed.uncertainty_hz is not None:
        spread = max(spread, 3 * case.speed.uncertainty_hz / case.speed.input_hz)
    found: list[str] = []
    for tone in case.tones.tones:
        # A cage is one part, whatever it strikes.
        if not tone.damage or leave_out in (tone.id, tone.component) or tone.component in found:
            continue
        low, high = 1 + tone.slip[0] - spread, 1 + tone.slip[1] + spread
        if any(low <= order / (tone.order * ratio) <= high for ratio in ratios):
            found.append(tone.component)
    return found


def is_long(comb: CombEvidence, settings: CombSettings) -> bool:
    """Whether so many lines of a comb stand that it is believed though its impacts are faint."""
    return sum(line.over_floor_db >= settings.hit_line_over_floor_db for line in comb.lines) >= settings.long_comb_from


def order_text(order: float) -> str:
    """An order to four places, without idle zeros."""
    return f"{order:.4f}".rstrip("0").rstrip(".")


def chance_text(p: float) -> str:
    """A small probability as odds."""
    return "below 1 in 10 million" if p < 1e-7 else f"1 in {1 / max(p, 1e-7):,.0f}"
