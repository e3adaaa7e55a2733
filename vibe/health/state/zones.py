"""Zones of broad-band levels, alarms and changes.

Which table decides. In situ the headline is ISO 10816-3:2009 for a drive above 15 kW. No standard's zones cover a
smaller drive; its headline is ISO 10816-1:1995 class I, which fits a small machine on its own feet best, and the row
says "by analogy". A drive of which neither power nor shaft height is known is judged by the strictest class, by analogy
too, and the row says what the laxest would make of it: not to know the size must not make a strong vibration harmless.
A drive with gears gets a second row after ISO 20816-9:2020, which is written for acceptance at the maker's works and is
laxer; it informs and does not decide. Whatever had to be assumed stands in the verdict's ``source``.
"""

from __future__ import annotations

from collections.abc import Sequence, Set
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Literal

from vibe.core.drive import Drive
from vibe.core.evidence import Level
from vibe.core.health import LevelReport
from vibe.core.route.route import folded
from vibe.health.state.settings import Boundaries, CoupledMachines, Group, Limits, SmallClass, Zone

BoundaryName = Literal["A/B", "B/C", "C/D"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneVerdict:
    """A zone with all that it rests on. ``decided_by`` is the measure that set it."""

    zone: Zone
    source: str
    by_analogy: bool
    boundaries: Boundaries
    decided_by: str


def zone(level: Level, drive: Drive, limits: Limits, *, displacement: Level | None = None) -> ZoneVerdict | None:
    """Headline zone of a velocity or displacement level (mm/s, um r.m.s.).

    None for a measure without in-situ limits. A machine whose size is not known is judged by the strictest class, and
    the verdict says what the laxest would make of it; by analogy, unless every table puts it in zone D.

    With a ``displacement`` of the same point besides a velocity, the more restrictive of the two decides
    (ISO 10816-3:2009, 5.2.3). Small machines have no displacement limits.

    Raises:
        ValueError: the level's unit is not the one of its measure.
    """
    if level.measure not in ("velocity_rms", "displacement_rms"):
        return None
    power = drive.input.power_kw
    coupled = limits.coupled_machines
    tall = drive.shaft_height_mm is not None and drive.shaft_height_mm >= coupled.group[-1].shaft_height_from_mm
    if (power is not None and power > coupled.power_kw[0]) or (power is None and tall):
        return _coupled_zone(level, displacement, drive, limits)
    if level.measure == "displacement_rms":
        return None
    return _small_zone(level, drive, limits)


def gear_unit_zone(level: Level, drive: Drive, limits: Limits) -> ZoneVerdict | None:
    """Zone of a housing's velocity or true peak acceleration after ISO 20816-9; None where it has nothing to say."""
    units = limits.gear_units
    found = units.class_for([stage.kind for stage in drive.stage])
    if found is None or level.measure not in ("velocity_rms", "acceleration_peak"):
        return None
    row, by_kin = found
    velocity = level.measure == "velocity_rms"
    _check_unit(level, "mm/s" if velocity else "m/s^2")
    boundaries = units.boundaries(row.velocity_mm_s if velocity else row.acceleration_m_s2)
    doubts = [f"the class is that of {row.what}"] if by_kin else []
    doubts += _out_of_scope(drive, units.power_kw, units.speed_rpm)
    doubts += _band_doubt(level, drive, limits)
    return ZoneVerdict(
        zone=boundaries.zone(level.value),
        source=_source(f"{units.name} class {row.name}", [], doubts),
        by_analogy=bool(doubts),
        boundaries=boundaries,
        decided_by=level.measure,
    )


def named_zone(standard: str, level: Level, drive: Drive, limits: Limits) -> ZoneVerdict:
    """Zone after the table that somebody names, whether it covers the drive or not; what it does not cover is stated.

    ``standard``: ``gear_units``, ``gear_units class II``, ``coupled_machines`` or ``small_machines``.

    Raises:
        ValueError: no such table or class, or it has no zones for that measure or drive.
    """
    table, _, wanted = standard.partition(" class ")
    if table == "coupled_machines" and level.measure in ("velocity_rms", "displacement_rms"):
        return _coupled_zone(level, None, drive, limits)
    if table == "small_machines" and level.measure == "velocity_rms":
        return _small_zone(level, drive, limits)
    if table == "gear_units" and level.measure in ("velocity_rms", "acceleration_peak"):
        units = limits.gear_units
        own = units.class_for([stage.kind for stage in drive.stage])
        row = next((c for c in units.classes if c.name == wanted), None) if wanted else own[0] if own else None
        if row is not None:
            boundaries = units.boundaries(
                row.velocity_mm_s if level.measure == "velocity_rms" else row.acceleration_m_s2
            )
            doubts = [] if own is not None and own[0] is row and not own[1] else [f"the class is that of {row.what}"]
            doubts += _out_of_scope(drive, units.power_kw, units.speed_rpm)
            return ZoneVerdict(
                zone=boundaries.zone(level.value), source=_source(f"{units.name} class {row.name}", [], doubts),
                by_analogy=bool(doubts), boundaries=boundaries, decided_by=level.measure,
            )  # fmt: skip
    raise ValueError(f"{standard} has no zones for {level.measure} of this drive")


def report_levels(
    levels: Sequence[Level], drive: Drive, limits: Limits, *, doubted: Set[str] = frozenset()
) -> list[LevelReport]:
    """Every level as the report shows it, the headline zone first, the row after ISO 20816-9 behind it.

    Those at points of ``doubted`` (folded names) are not the machine's and lie in no zone.
    """
    rows: list[LevelReport] = []
    for level in levels:
        if folded(level.point) in doubted:
            rows.append(_row(level, None, limits))
            continue
        displacement = next((x for x in levels if x.point == level.point and x.measure == "displacement_rms"), None)
        headline = zone(level, drive, limits, displacement=displacement if level.measure == "velocity_rms" else None)
        second = gear_unit_zone(level, drive, limits)
        verdicts = [v for v in (headline, second) if v is not None]
        rows += [_row(level, verdict, limits) for verdict in verdicts] or [_row(level, None, limits)]
    return rows


def line_boundaries(drive: Drive, limits: Limits) -> dict[str, float]:
    """Velocity boundaries [mm/s], "A/B", "B/C" and "C/D", from which faults outside the reducer are named, and severe.

    Of a machine whose size nobody stated, a line is named only beyond what no class of machine bears for long; once
    named it is as severe as in the strictest class, for it may be of that one.
    """
    laxest = limits.small_machines.classes[-1].velocity_mm_s
    own = zone(Level(point="", measure="velocity_rms", value=0.0, unit="mm/s"), drive, limits)
    if own is None:
        return {"A/B": laxest.bc, "B/C": laxest.bc, "C/D": laxest.cd}
    if drive.input.power_kw is not None or drive.shaft_height_mm is not None:
        return {"A/B": own.boundaries.ab, "B/C": own.boundaries.bc, "C/D": own.boundaries.cd}
    return {"A/B": laxest.bc, "B/C": laxest.bc, "C/D": own.boundaries.cd}


def near_boundary(value: float, boundaries: Boundaries, limits: Limits) -> tuple[BoundaryName, float] | None:
    """The boundary, by name and value, that lies within the uncertainty of ``value``; None when none does."""
    near: list[tuple[float, BoundaryName, float]] = []
    named: tuple[tuple[BoundaryName, float], ...] = (
        ("A/B", boundaries.ab), ("B/C", boundaries.bc), ("C/D", boundaries.cd),
    )  # fmt: skip
    for name, limit in named:
        if abs(value - limit) <= limits.level_uncertainty.relative * value:
            near.append((abs(value - limit), name, limit))
    return min(near)[1:] if near else None


def _row(level: Level, verdict: ZoneVerdict | None, limits: Limits) -> LevelReport:
    # Where another measure set the zone its boundaries say nothing of this value.
    own = verdict is not None and verdict.decided_by == level.measure
    near = near_boundary(level.value, verdict.boundaries, limits) if verdict is not None and own else None
    return LevelReport(
        near_boundary=None if near is None else near[0],
        boundary_value=None if near is None else near[1],
        point=level.point,
        measure=level.measure,
        value=level.value,
        unit=level.unit,
        band_hz=None if level.band_hz is None else list(level.band_hz),
        zone=None if verdict is None else verdict.zone,
        zone_source=None if verdict is None else verdict.source + _near_in_words(near, level.unit),
        by_analogy=None if verdict is None else verdict.by_analogy,
    )


def _near_in_words(near: tuple[BoundaryName, float] | None, unit: str) -> str:
    return "" if near is None else f"; within its uncertainty of the boundary {near[0]}, {near[1]:g} {unit}"


def _coupled_zone(level: Level, displacement: Level | None, drive: Drive, limits: Limits) -> ZoneVerdict:
    coupled = limits.coupled_machines
    group = _group(coupled, drive)
    rigid = drive.support != "flexible"
    table = group.rigid if rigid else group.flexible
    assumed = [] if drive.support is not None else ["support not stated, rigid assumed, which is stricter"]
    name = f"{coupled.name} {group.name}, {'rigid' if rigid else 'flexible'} support"
    doubts = [*_out_of_scope(drive, coupled.power_kw, coupled.speed_rpm), *_band_doubt(level, drive, limits)]

    def judged(one: Level) -> ZoneVerdict:
        velocity = one.measure == "velocity_rms"
        _check_unit(one, "mm/s" if velocity else "um")
        boundaries = table.velocity_mm_s if velocity else table.displacement_um
        return ZoneVerdict(
            zone=boundaries.zone(one.value),
            source=_source(name, assumed, doubts),
            by_analogy=bool(doubts),
            boundaries=boundaries,
            decided_by=one.measure,
        )

    first = judged(level)
    if displacement is None:
        return first
    second = judged(displacement)
    if second.zone <= first.zone:
        return first
    return replace(second, source=f"{second.source}; displacement decides, it is the more restrictive")


def _group(coupled: CoupledMachines, drive: Drive) -> Group:
    """The first group whose power or shaft height the drive reaches; the last otherwise."""
    power, height = drive.input.power_kw or 0.0, drive.shaft_height_mm or 0.0
    for group in coupled.group:
        if power > group.power_above_kw or height >= group.shaft_height_from_mm:
            return group
    return coupled.group[-1]


def _small_zone(level: Level, drive: Drive, limits: Limits) -> ZoneVerdict:
    _check_unit(level, "mm/s")
    small, power = limits.small_machines, drive.input.power_kw
    row: SmallClass = small.classes[0]
    if power is not None:
        row = next((c for c in small.classes if c.power_up_to_kw is None or power <= c.power_up_to_kw), row)
    certain = False
    if power is None:
        laxest = _laxest(drive, limits)
        would = laxest.zone(level.value)
        # What is zone D in every table is so in the one that is written for this drive, whichever that is.
        certain = would == "D" == row.velocity_mm_s.zone(level.value)
        doubts = [f"power not known, the strictest class is taken; the largest machines would be in zone {would}"]
    else:
        doubts = [f"no zone table covers a reducer of {limits.coupled_machines.power_kw[0]:g} kW or less"]
    doubts += _band_doubt(level, drive, limits)
    return ZoneVerdict(
        zone=row.velocity_mm_s.zone(level.value),
        source=f"{small.name} {row.name} (power not known; zone D in every table, whatever it is)"
        if certain
        else _source(f"{small.name} {row.name}", [], doubts),
        by_analogy=not certain,
        boundaries=row.velocity_mm_s,
        decided_by=level.measure,
    )


def _laxest(drive: Drive, limits: Limits) -> Boundaries:
    """Velocity boundaries of the largest coupled machines on this drive's support, flexible where not stated."""
    group = max(limits.coupled_machines.group, key=lambda one: one.flexible.velocity_mm_s.cd)
    return (group.rigid if drive.support == "rigid" else group.flexible).velocity_mm_s


def _out_of_scope(drive: Drive, power_kw: list[float], speed_rpm: list[float]) -> list[str]:
    power, speed = drive.input.power_kw, drive.input.speed_rpm
    doubts = []
    if power is None:
        doubts.append("power not known")
    elif power < power_kw[0]:
        doubts.append(f"{power:g} kW is below its lower limit of {power_kw[0]:g} kW")
    elif power > power_kw[1]:
        doubts.append(f"{power:g} kW is above its upper limit of {power_kw[1]:g} kW")
    if speed < speed_rpm[0]:
        doubts.append(f"{speed:g} r/min is below its lower limit of {speed_rpm[0]:g} r/min")
    elif speed > speed_rpm[1]:
        doubts.append(f"{speed:g} r/min is above its upper limit of {speed_rpm[1]:g} r/min")
    return doubts


def _band_doubt(level: Level, drive: Drive, limits: Limits) -> list[str]:
    """A level over less than the standard's band is a lower bound."""
    if level.band_hz is None or level.measure == "acceleration_peak":
        return []
    low, high = limits.velocity_band.for_speed(drive.input.speed_rpm)
    if level.band_hz[0] <= 1.05 * low and level.band_hz[1] >= 0.95 * high:
        return []
    return [f"measured over {level.band_hz[0]:g} to {level.band_hz[1]:g} Hz only, so the level may be higher"]


def _check_unit(level: Level, unit: str) -> None:
    if level.unit != unit:
        raise ValueError(f"{level.measure} at {level.point} is in {level.unit!r}; its limits are in {unit!r}")


def _source(name: str, assumed: Sequence[str], doubts: Sequence[str]) -> str:
    text = name if not assumed else f"{name} ({'; '.join(assumed)})"
    return text if not doubts else f"{text}, by analogy: {', '.join(doubts)}"


def is_significant_change(boundaries: Boundaries, before: float, now: float, limits: Limits) -> bool:
    """Whether a level moved, up or down, by more than a quarter of B/C (ISO 10816-3, 5.3)."""
    return abs(now - before) > limits.change.fraction_of_bc * boundaries.bc


def steady_since(
    history: Sequence[tuple[datetime, Level]], drive: Drive, limits: Limits, *, from_days: int
) -> datetime | None:
    """Since when the last of a point's velocity levels has not changed significantly; None when it has, or when the
    earliest of those that are like it is not ``from_days`` older."""
    ordered = sorted(history, key=lambda pair: pair[0])
    if not ordered:
        return None
    last_at, last = ordered[-1]
    verdict = zone(last, drive, limits)
    if verdict is None:
        return None
    since = last_at
    for at, level in reversed(ordered[:-1]):
        if is_significant_change(verdict.boundaries, level.value, last.value, limits):
            break
        since = at
    return since if last_at - since >= timedelta(days=from_days) else None
