"""Every capture of a sample history before any is made: when, of what size its damage is, under what conditions.

What is built into a drive comes from its machine seed and stays; what differs from day to day is drawn per capture
from the drive's tag and the week, so that one capture can be made again without the others.
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, time, timedelta

import numpy as np

from vibe.core.drive import Drive
from vibe.synth.conditions import Conditions
from vibe.synth.machine.damage import Damage
from vibe.synth.machine.motion import TURN
from vibe.synth.samples.years_spec import DriveYears, Stretch, Years

SLIP_AT_RATED = 0.04
"""A four-pole induction motor of a few kW slips about 4 % at rated torque, in proportion to it (common practice)."""
WEEKS_A_YEAR = 365.25 / 7
"""Of a mean year (Julian)."""
STOP_MINUTES = 12
"""From one drive to the next on a round (common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedCapture:
    """One capture to be made. ``taken_at`` is when it was really taken; the file may say otherwise."""

    drive: Drive
    week: int
    file: str
    taken_at: datetime
    seed: int
    conditions: Conditions
    damage: tuple[Damage, ...]
    gain: tuple[tuple[str, float], ...]
    what: tuple[str, ...]


def plan_years(years: Years, drives: Mapping[str, Drive]) -> tuple[PlannedCapture, ...]:
    """All captures, drive after drive in the order of the specification, oldest first."""
    return tuple(
        taking
        for number, entry in enumerate(years.drive)
        if entry.file in drives
        for taking in _of_drive(years, number, entry, drives[entry.file])
    )


def at_week(years: Years, week: float) -> datetime:
    """The morning of a week's round, with its offset from UTC; parts of a week are days."""
    day = years.first + timedelta(days=round(7 * week))
    return _local(years, datetime.combine(day, time(years.start_hour)))


def _local(years: Years, wall: datetime) -> datetime:
    # A fixed offset: times of one ZoneInfo are subtracted by their wall clocks, which is wrong across a change.
    placed = wall.replace(tzinfo=years.zone)
    return datetime.fromisoformat(placed.isoformat())


def _of_drive(years: Years, number: int, entry: DriveYears, drive: Drive) -> list[PlannedCapture]:
    takings: list[PlannedCapture] = []
    clock = entry.wrong_clock
    last = years.weeks - 1
    for week in range(years.weeks):
        # Counted back from the last round, in which every drive is measured.
        if (last - week) % entry.every(week) or week in years.missing_weeks:
            continue
        rng = np.random.default_rng([years.seed, zlib.crc32(drive.tag.encode()), week])
        if rng.uniform() < years.missing_share and week != last:
            continue
        wrong = clock is not None and week >= clock.week
        takings.append(_taking(years, number, entry, drive, week, rng, clock.shows if clock and wrong else None))
        if wrong:
            clock = None
    return takings


def _taking(
    years: Years,
    number: int,
    entry: DriveYears,
    drive: Drive,
    week: int,
    rng: np.random.Generator,
    shows: datetime | None,
) -> PlannedCapture:
    scatter = years.scatter
    seconds = float(rng.uniform(0, 0.7 * 60 * STOP_MINUTES))
    start = at_week(years, week).replace(tzinfo=None)
    taken_at = _local(years, start + timedelta(minutes=number * STOP_MINUTES, seconds=round(seconds)))
    holding = [s for s in entry.stretch if s.holds(week) and _falls(years, drive, s, week)]
    usual_load = next((s.load_percent for s in reversed(holding) if s.load_percent is not None), entry.load_percent)
    usual_rpm = next((s.speed_rpm for s in reversed(holding) if s.speed_rpm is not None), entry.speed_rpm)
    season = entry.season_percent * np.cos(TURN * (week - entry.season_week) / WEEKS_A_YEAR)
    load = round(max(usual_load + season + scatter.load_percent * rng.standard_normal(), 5.0))
    slip = SLIP_AT_RATED * (load - usual_load) / 100.0
    low_hz, high_hz = drive.input.speed_range_hz
    margin = 0.02 * (high_hz - low_hz)
    speed_hz = usual_rpm / 60.0 * (1.0 - slip + scatter.speed * rng.standard_normal())
    speed_hz = float(np.clip(speed_hz, low_hz + margin, high_hz - margin))
    noise = float(np.exp(scatter.noise * rng.standard_normal()) * np.prod([s.noise for s in holding]))
    unevenness = float(np.exp(scatter.size * rng.standard_normal()))
    sizes = [(g, unevenness * g.size_at(week)) for g in entry.growth]
    gain = {point: float(np.exp(scatter.sensitivity * rng.standard_normal())) for point in years.points}
    for stretch in holding:
        for point, factor in stretch.gain.items():
            gain[point] *= factor
    return PlannedCapture(
        drive=drive,
        week=week,
        file=f"captures/{drive.tag}/{drive.tag}_{taken_at:%Y-%m-%d}.h5",
        taken_at=taken_at,
        seed=int(rng.integers(2**31)),
        conditions=Conditions(
            duration_s=years.duration_s,
            sample_rate_hz=years.sample_rate_hz,
            speed_rpm=round(60.0 * speed_hz, 4),
            load_percent=load,
            points=years.points,
            tachometer=entry.tachometer,
            noise=noise,
            pitch_errors=entry.pitch_errors,
            residual_unbalance=float(np.prod([s.residual_unbalance for s in holding])),
            stray_shocks=sum(s.stray_shocks for s in holding),
            sensor_faults=tuple(pair for s in holding for pair in s.faults.items()),
            measured_at=shows or taken_at,
            machine_seed=entry.machine_seed,
        ),
        damage=tuple(Damage(g.tone, round(size, 4), g.part) for g, size in sizes if size >= 1e-3),
        gain=tuple(gain.items()),
        what=tuple(s.what for s in holding),
    )


def _falls(years: Years, drive: Drive, stretch: Stretch, week: int) -> bool:
    """Whether a capture of this week shows what a segment does to a share of them."""
    name = zlib.crc32(f"{drive.tag} {stretch.what}".encode())
    return bool(np.random.default_rng([years.seed, name, week]).uniform() < stretch.share)
