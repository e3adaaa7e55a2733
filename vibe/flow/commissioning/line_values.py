"""Lines that requirements name: which order each is, and its value in a capture, apart from the lines near it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from vibe.core.drive import Drive
    from vibe.core.records.acceptance import Requirement
    from vibe.core.tones import ToneTable
    from vibe.spectra.basic.common_angle import Angle, AngleDoubt, LineGroup
    from vibe.spectra.basic.line_fit import AngleRow, FittedLine
    from vibe.spectra.signal_analysis import SignalAnalysis

OTHER_SPEED = "Another speed explains the lines about as well, and with it this line would be another one"

SWINGS = "A swing of the speed would look like the lines next to {}, and nothing but a pulse once per turn tells which"
COARSE_PULSE = "The instants of the pulses are read to a sample, which leaves the angle open"
FINER_PULSE = (
    "A pulse that is read more finely: its channel sampled faster, or more pulses per turn; else a longer capture at "
    "steady speed."
)
MOST_PHASE_RAD = 0.5
"""Uncertainty of a line's phase over the capture from which on it is not read: it would cost an eighth of the line."""

SHAFTS_OWN = tuple(float(k) for k in range(1, 11))
"""Orders of the input's own lines, which are stronger than their side lines wherever the speed is right."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LineAsked:
    """A line by its name in figures, its order, and the stage whose slower bodies carry it past a sensor."""

    name: str
    order: float
    stage: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LineValue:
    """A line in one channel; ``not_apart`` says why its value is no one's, ``needs_s`` how long a capture parts it."""

    name: str
    channel: str
    frequency_hz: float
    velocity_mm_s: float
    acceleration_m_s2: float
    scatter: float
    scatter_why: str
    degrees_of_freedom: float
    smeared: float
    angle: float
    """Relative standard uncertainty that the angle leaves, where no pulse gave it."""
    not_apart: str
    needs_s: float | None
    needs: str = ""
    """What would part it where the capture has a pulse and no length is known that does."""
    jitter: float = 0.0
    """What the jitter of pulses takes off the line, relative; the values are corrected by it."""


def lines_asked(requirements: Iterable[Requirement], drive: Drive, table: ToneTable) -> tuple[LineAsked, ...]:
    """Lines of the requirements that follow the shaft; those of the supply are read elsewhere."""
    from vibe.ingest.commissioning_set import line_name

    wanted = {line_name(one) for one in requirements if one.kind in ("tone", "phasing line")}
    orders = line_orders(drive, table)
    return tuple(
        LineAsked(name=name, order=orders[name], stage=_stage(name)) for name in sorted(wanted) if name in orders
    )


def line_orders(drive: Drive, table: ToneTable) -> dict[str, float]:
    """All lines that have one exact order, by name: those of the input, and harmonics of tones that cannot slip."""
    from vibe.flow.diagnose.tone_requests import analysis_request_of
    from vibe.ingest.commissioning_set import MOST_HARMONIC

    orders = dict(analysis_request_of(drive, table, set(), noted_hz=None).lines)
    for tone in table.tones:
        if tone.order_exact is not None and not any(tone.slip) and tone.family != "electrical":
            orders |= {f"{tone.id} {k}": k * tone.order for k in range(1, MOST_HARMONIC + 1)}
    return orders


def _stage(name: str) -> str:
    first = name.partition(".")[0]
    return first if first.startswith("stage") else "stage1"


def line_values(
    asked: Iterable[LineAsked], drive: Drive, table: ToneTable, reading: SignalAnalysis
) -> Iterator[LineValue]:
    """Each line in each channel where it lies within what was recorded."""
    from vibe.core.evidence import LEAST_ALTERNATIVE
    from vibe.kinematics.line_neighbours import neighbours
    from vibe.spectra.basic.common_angle import WIDE_BINS, LineGroup, common_angles
    from vibe.spectra.basic.line_fit import AngleRow, turns_that_part

    lines = list(asked)
    if not lines:
        return
    law, speed = reading.law, reading.speed
    spread = (speed.uncertainty_hz or 0.0) / speed.input_hz
    rivals = max((chance for _, chance in speed.alternatives[1:]), default=0.0) > LEAST_ALTERNATIVE
    pulses = speed.method == "tachometer"
    rows = {channel: AngleRow.of(samples, rate, law) for channel, (samples, rate) in reading.samples.items()}
    groups = []
    for line in lines:
        about = neighbours(
            table, line.order, stage=line.stage, within=WIDE_BINS / law.total_turns, input_hz=drive.input.speed_hz
        )
        groups.append(LineGroup(order=line.order, orders=about.orders, fixed_hz=about.fixed_hz))
    common = None if pulses else common_angles(list(rows.values()), groups, spread)
    for number, (channel, row) in enumerate(rows.items()):
        for place, (line, near) in enumerate(zip(lines, groups, strict=True)):
            fitted = _fitted(row, near, () if common is None else common.angles, spread)
            doubt = None if common is None else common.doubts.get((number, place))
            if fitted is None:
                continue
            needs = turns_that_part(line.order, near.orders)
            # Without pulses a speed that is off by a turn of a slow body would take its side line for the shaft's own.
            swapped = not pulses and line.order in SHAFTS_OWN and fitted.strongest_neighbour > 1.0
            doubtful = rivals or swapped
            why = OTHER_SPEED if doubtful else _not_apart(line, fitted, law.duration_s, law.total_turns)
            swings = doubt is not None and doubt.phase_rad > MOST_PHASE_RAD
            if swings and not why:
                why = SWINGS.format(line.name)
            hz = line.order * law.mean_hz
            phase_rad, jitter = _jitter(line.order, speed.angle_turns)
            if phase_rad > MOST_PHASE_RAD and not why:
                why = f"{COARSE_PULSE}, too coarse for {line.name}: {100 * jitter:.2g} % of it may be lost"
            lengthens = bool(why) and not (doubtful or swings or phase_rad > MOST_PHASE_RAD or _speed_open(fitted))
            most = max(fitted.value / (1 - jitter), fitted.floor)
            yield LineValue(
                name=line.name, channel=channel, frequency_hz=hz, acceleration_m_s2=most,
                velocity_mm_s=most / (2e-3 * 3.141592653589793 * hz),
                scatter=fitted.uncertainty / most if most > 0 else 0.0,
                scatter_why=f"line {_decibels(fitted):.0f} dB over the noise in its own width",
                degrees_of_freedom=fitted.degrees_of_freedom, smeared=fitted.smeared,
                angle=0.0 if doubt is None else _of_angle(doubt), not_apart=why,
                needs_s=None if needs is None or not lengthens else needs / law.mean_hz,
                needs=FINER_PULSE if pulses else "", jitter=jitter,
            )  # fmt: skip


def _jitter(order: float, angle_turns: float) -> tuple[float, float]:
    """Phase [rad] of a line as an uncertain angle leaves it, and what that takes off the line, relative: the mean of
    exp(i s) over normal phases s of standard deviation σ is exp(-σ² / 2)."""
    from math import exp, pi

    phase_rad = 2 * pi * order * angle_turns
    return phase_rad, 1 - exp(-(phase_rad**2) / 2)


def _of_angle(doubt: AngleDoubt) -> float:
    """Of first order what it and side lines can stand for in one another, of second what a swing takes off a line."""
    from math import hypot

    return hypot(doubt.relative, 0.5 * doubt.phase_rad**2)


def _fitted(row: AngleRow, near: LineGroup, angles: Sequence[Angle], spread: float) -> FittedLine | None:
    """The line on the row's own angle or, where lines gave it, on theirs; what angles that they do not rule out make of
    it is within the interval."""
    from dataclasses import replace

    from vibe.spectra.basic.line_fit import fit_line

    if not angles:
        return fit_line(row, near.order, near.orders, neighbours_hz=near.fixed_hz, speed_spread=spread)
    every = [fit_line(one.on(row), near.order, near.orders, neighbours_hz=near.fixed_hz) for one in angles]
    found = [one for one in every if one is not None]
    if not found:
        return None
    low = min(one.value * (1 - one.smeared) for one in found)
    high = max(one.value * (1 + one.smeared) for one in found)
    middle = (low + high) / 2
    smeared = (high - low) / (high + low) if high > 0 else 0.0
    # How closely the speed was known before the lines gave it says whether they can be right.
    return replace(found[0], value=middle, smeared=smeared, speed_bins=3 * spread * near.order * row.total_turns)


def _speed_open(fitted: FittedLine) -> bool:
    return fitted.speed_bins > fitted.apart_bins / 2


def _not_apart(line: LineAsked, fitted: FittedLine, duration_s: float, turns: float) -> str:
    if fitted.parted:
        return ""
    if _speed_open(fitted):
        within = 100 * fitted.speed_bins / (turns * line.order)
        return (
            f"The speed is known within {within:.2g} %, too little to distinguish {line.name} from the line next to it"
        )
    away = fitted.apart_bins / duration_s
    return f"{line.name} cannot be parted from the line {away:.2g} Hz away within {duration_s:.3g} s"


def _decibels(fitted: FittedLine) -> float:
    from math import log10

    return 20 * log10(max(fitted.value, 1e-12) / max(fitted.floor, 1e-12))
