"""What the rules for faults outside the reducer share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, log, pi, sqrt

from vibe.core.evidence import Line
from vibe.core.health import EvidenceItem, Finding, Severity
from vibe.core.stages.cycloidal import CycloidalStage
from vibe.diagnosis.case import Case

SERIES = tuple(f"{k}x" for k in range(3, 11))
"""Multiples of the shaft beyond those that unbalance and misalignment make, up to the tenth (common practice)."""
HALVES = ("0.5x", "1.5x", "2.5x")


LEAST_PRIOR = 0.02
"""Where ``configs/judgement.toml`` states none."""
FAULTY_SPAN = 30.0
"""Faults make lines up to so many times those of a sound machine (common practice: beyond, it is stopped at once)."""
LEAST_CLEAR, MOST_CLEAR = 0.85, 0.97
"""Chance that lines which only just look like a cause come of it, and lines that could not look more like it (common
practice; the causes that it cannot be distinguished from count as it)."""


def fault_probability(case: Case, what: str, velocity_mm_s: float, clearness: float) -> float:
    """Probability of a fault outside the reducer: that so much is no sound machine, and that it looks like this one.

    The strongest line of sound machines is log-normal about a share of the boundary from which lines are named; that of
    faulty ones is as likely in one decibel as in the next, from there to ``FAULTY_SPAN`` times it.
    ``clearness`` runs from 0 at the rule's own threshold to 1.
    """
    settings = case.settings.lines
    middle = settings.sound_share_of_zone * case.zone_mm_s[settings.level_from_zone]
    spread = settings.sound_log_spread
    z = log(max(velocity_mm_s / middle, 1.0)) / spread
    sound = exp(-0.5 * z * z) / (spread * sqrt(2 * pi))
    prior = case.priors.get(what, LEAST_PRIOR)
    odds = prior / (1 - prior) / (log(FAULTY_SPAN) * max(sound, 1e-9))
    clear = LEAST_CLEAR + (MOST_CLEAR - LEAST_CLEAR) * min(1.0, max(0.0, clearness))
    return clear * odds / (1 + odds)


def above(value: float, threshold: float) -> float:
    """How far a share is above its threshold: 0 there, 1 where it is all."""
    return min(1.0, max(0.0, (value - threshold) / max(1e-9, 1 - threshold)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Support:
    """What else counts for or against a cause outside the reducer whose line its own discs make too."""

    chance: float
    """That the line comes of the cause rather than of the discs."""
    items: tuple[EvidenceItem, ...] = ()
    said: str = ""


EVEN = 1.0
"""Odds of a cause against the discs where their forces add up at its line."""
CANCELLED = 3.0
"""And where equal discs, equally spaced, cancel: only their inequality is left (own judgement)."""
FACTOR = 3.0
"""By which a direction or a place that fits the cause raises its odds, and one that does not lowers them (common
practice)."""
MUCH_STRONGER = 1.5
"""Ratio of two points' lines from which one is nearer to the source (common practice)."""
AXIAL_OF_UNBALANCE = 0.5
"""Axial line against the radial one up to which it fits an unbalance, and from which it fits a misalignment (common
practice)."""


def own_discs(case: Case, harmonic: int) -> float | None:
    """Odds that a line at 1 or 2 times running speed is not made by the reducer's own eccentric discs.

    None for a drive without discs on its input: those of later stages and of cranks turn at other speeds. The forces
    of M equal discs, equally spaced, are out of phase by k/M turns at the k-th harmonic of their eccentric: they add
    up where k is a multiple of M and cancel elsewhere (derived).
    """
    first = case.drive.stage[0] if case.drive.stage else None
    if not isinstance(first, CycloidalStage):
        return None
    return EVEN if harmonic % first.discs == 0 else CANCELLED


def support(case: Case, name: str, harmonic: int, *, axial_fits: bool) -> Support:
    """How likely the line ``name`` is the cause's own, from the discs, the directions and the points measured.

    ``axial_fits``: whether the cause shakes along the shaft (misalignment) or hardly does (unbalance).
    """
    odds = own_discs(case, harmonic)
    if odds is None:
        return Support(chance=1.0)
    items: list[EvidenceItem] = []
    said: list[str] = []
    lines = case.lines.get(name, ())
    axial = max((line.velocity_mm_s for line in lines if _along(line.channel)), default=None)
    radial = [line for line in lines if not _along(line.channel)]
    if axial is not None and radial:
        ratio = axial / max(max(line.velocity_mm_s for line in radial), 1e-9)
        fits = (ratio >= AXIAL_OF_UNBALANCE) == axial_fits
        odds *= FACTOR if fits else 1 / FACTOR
        said.append(
            f"the axial line is {ratio:.1f} times the radial one, which {'supports' if fits else 'counts against'} it"
        )
        items.append(EvidenceItem(kind="direction", text="axial line against the radial one", value=round(ratio, 2)))
    input_side = max((line.velocity_mm_s for line in radial if "input" in line.channel.lower()), default=None)
    output_side = max((line.velocity_mm_s for line in radial if "output" in line.channel.lower()), default=None)
    if input_side is not None and output_side is not None:
        ratio = input_side / max(output_side, 1e-9)
        items.append(EvidenceItem(kind="place", text="input side against output side", value=round(ratio, 2)))
        if ratio >= MUCH_STRONGER:
            odds *= FACTOR
            said.append(f"it is {ratio:.1f} times as strong at the input side as at the output side")
        elif ratio <= 1 / MUCH_STRONGER:
            odds /= FACTOR
            said.append(f"it is {1 / ratio:.1f} times as strong at the output side as at the input side")
    sentence = f"; {'; '.join(said)}" if said else "; direction, phase and a second point would narrow it down"
    return Support(chance=odds / (1 + odds), items=tuple(items), said=sentence)


def _along(channel: str) -> bool:
    """Whether a point was measured along the shaft, by its name."""
    return "axial" in channel.lower()


def line_share(case: Case, line: Line) -> float:
    """Share of its channel's mean-square velocity that one line carries, at most 1."""
    total = max(case.level(line.channel, "velocity_rms"), line.velocity_mm_s)
    return (line.velocity_mm_s / total) ** 2


def loose_series(case: Case) -> tuple[list[Line], float]:
    """Harmonics from the 3rd and half orders that are present, and the strongest of the first two."""
    settings = case.settings.lines
    first = max((line.velocity_mm_s for n in ("1x", "2x") if (line := case.line(n)) is not None), default=0.0)
    present = [
        line
        for name in (*SERIES, *HALVES)
        if (line := case.line(name)) is not None
        and line.over_floor_db >= settings.over_floor_from_db
        and line.velocity_mm_s >= settings.looseness_harmonic_share * first
    ]
    return present, first


def root_sum(lines: Sequence[Line]) -> float:
    """Root of the sum of squares of lines' velocities [mm/s]."""
    return float(sum(line.velocity_mm_s**2 for line in lines) ** 0.5)


def series_is_loose(case: Case) -> bool:
    """Many harmonics of running speed, together a good part of the first two, and strong enough to matter."""
    settings = case.settings.lines
    present, first = loose_series(case)
    series = root_sum(present)
    enough = len(present) >= settings.looseness_lines_from and series >= settings.looseness_series_share * first
    return enough and (series**2 + first**2) ** 0.5 >= case.zone_mm_s[settings.level_from_zone]


def outside_finding(
    case: Case,
    *,
    component: str,
    defect: str,
    velocity_mm_s: float,
    probability: float,
    cannot: list[str],
    why: str,
    items: list[EvidenceItem],
    advice: str,
) -> Finding:
    """A finding without a tone; its severity follows the zone that its own lines would reach."""
    severity: Severity = (
        "severe"
        if velocity_mm_s > case.zone_mm_s["C/D"]
        else "moderate"
        if velocity_mm_s > case.zone_mm_s["B/C"]
        else "slight"
    )
    return Finding(
        tone=None, component=component, defect=defect, probability=probability, false_alarm_probability=None,
        severity=severity, cannot_be_told_from=cannot, why=why, evidence=items, advice=advice,
    )  # fmt: skip
