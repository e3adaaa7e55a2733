"""Exceedances as another alarm system would export them: levels over limits that it learned once, and no more sense."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from vibe.core.capture import Capture, Channel
from vibe.synth.machine.motion import TURN
from vibe.synth.samples.years_spec import AlarmMeasure, Alarms

COLUMNS = ("tag", "point", "time", "measure", "value", "limit")
VELOCITY_BAND_HZ = (10.0, 1000.0)
"""ISO 20816-1:2016, the usual band of r.m.s. velocity; from memory."""

Levels = dict[AlarmMeasure, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class ObservedCapture:
    """What the other system saw of one capture: levels by point."""

    tag: str
    week: int
    taken_at: datetime
    levels: dict[str, Levels]


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedExceedance:
    """One row. Units are mm/s and m/s²."""

    tag: str
    point: str
    time: datetime
    measure: AlarmMeasure
    value: float
    limit: float


def levels(channel: Channel) -> Levels:
    """R.m.s. velocity [mm/s] by integration in the spectrum, r.m.s. and peak of acceleration [m/s²]."""
    x = np.nan_to_num(channel.samples.astype(np.float64))
    x -= x.mean()
    hz = np.fft.rfftfreq(x.size, 1.0 / channel.sample_rate_hz)
    use = (hz >= VELOCITY_BAND_HZ[0]) & (hz <= VELOCITY_BAND_HZ[1])
    velocity = np.abs(np.fft.rfft(x))[use] / (x.size * TURN * hz[use])
    return {
        "velocity_rms": float(1e3 * np.sqrt(2.0 * np.sum(velocity**2))),
        "acceleration_rms": float(np.sqrt(np.mean(x * x))),
        "acceleration_peak": float(np.abs(x).max()),
    }


def levels_of(capture: Capture) -> dict[str, Levels]:
    """Levels of each vibration channel of ``capture``."""
    return {channel.name: levels(channel) for channel in capture.vibration}


def exceedances(
    observed: Iterable[ObservedCapture], alarms: Alarms, learned_anew: Mapping[str, Sequence[int]]
) -> tuple[SimulatedExceedance, ...]:
    """All rows, oldest first. ``learned_anew``: by tag, the weeks from which limits were learned once more.

    While a limit is being learned nothing is reported.
    """
    lessons: dict[tuple[str, str, AlarmMeasure], list[float]] = {}
    epoch: dict[str, int] = {}
    rows: list[SimulatedExceedance] = []
    for one in sorted(observed, key=lambda h: (h.taken_at, h.tag)):
        now = sum(week <= one.week for week in learned_anew.get(one.tag, ()))
        if epoch.setdefault(one.tag, now) != now:
            epoch[one.tag] = now
            lessons = {key: lesson for key, lesson in lessons.items() if key[0] != one.tag}
        for point, values in one.levels.items():
            for measure, factor in alarms.factor.items():
                lesson = lessons.setdefault((one.tag, point, measure), [])
                if len(lesson) < alarms.learned_from:
                    lesson.append(values[measure])
                    continue
                value, limit = _rounded(values[measure]), _rounded(factor * float(np.mean(lesson)))
                if value > limit:
                    rows.append(
                        SimulatedExceedance(
                            tag=one.tag, point=point, time=one.taken_at, measure=measure, value=value, limit=limit
                        )
                    )  # fmt: skip
    return tuple(rows)


def exceedances_csv(rows: Sequence[SimulatedExceedance]) -> str:
    """The rows as the other system exports them."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(COLUMNS)
    for row in rows:
        writer.writerow([row.tag, row.point, row.time.isoformat(), row.measure, f"{row.value:g}", f"{row.limit:g}"])
    return stream.getvalue()


def _rounded(value: float) -> float:
    return float(f"{value:.3g}")
