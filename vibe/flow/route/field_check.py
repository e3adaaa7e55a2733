"""One file of a round, looked at in the field: its quality, whose lines it holds, and what the plan wanted of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from vibe.core.errors import CaptureError, VibeError, defect
from vibe.core.route.round_check import FileSeen, PointSeen
from vibe.core.route.route import folded
from vibe.flow.diagnose.motion import motion_in, moves_in, standstill, stops
from vibe.flow.diagnose.recognition import FEWEST_SAMPLES, likely, recognised
from vibe.flow.diagnose.segments import assessed
from vibe.flow.route.copies import prints_of
from vibe.flow.route.running import not_running
from vibe.flow.settings import Settings, load_settings, share_dir, tones_of
from vibe.storage.files import writable

if TYPE_CHECKING:
    from vibe.core.capture import Capture, Channel, Reason
    from vibe.core.drive import Drive
    from vibe.core.evidence import SpeedEstimate
    from vibe.core.route.readings import RoundReadings
    from vibe.core.route.route import Route, Stop
    from vibe.core.route.route_plan import PointPlan, StopPlan
    from vibe.core.tones import Tone, ToneTable
    from vibe.ingest.quality.recording.noise_print import NoisePrint
    from vibe.ingest.quality.recording.sample_rate import Slip
    from vibe.ingest.route.field_rules import FieldRules
    from vibe.spectra.identity.point_likeness import Signature
    from vibe.spectra.identity.recognition import Candidate, Recognition
    from vibe.spectra.speed.motion_intervals import Motion


AT_REST = ("at_rest", "speed_not_followed")
"""Codes of reasons by which a drive does not run, or not steadily."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Asked:
    """All that a route asks, made ready."""

    route: Route
    stops: Mapping[str, Stop]
    drives: Mapping[str, tuple[Drive, ToneTable]]
    plans: Mapping[str, StopPlan]
    candidates: Mapping[str, Candidate]
    rules: FieldRules
    settings: Settings


@lru_cache(maxsize=2)
def asked_of(route_path: Path, changed_ns: int) -> Asked:  # noqa: ARG001
    """All that a route asks; ``changed_ns``, when its file was changed, sees to it that it is read anew then.

    Raises:
        ConfigError: the route, or a drive file, is wrong.
    """
    from vibe.flow.diagnose.tone_requests import candidate_of
    from vibe.ingest import load_model
    from vibe.ingest.route.field_rules import FieldRules
    from vibe.ingest.route.route_file import load_route, route_drives
    from vibe.kinematics.planning.route_settings import stop_plan

    route = load_route(route_path)
    drives = {tag: tones_of(path) for tag, path in route_drives(route, route_path).items()}
    stops = {stop.drive: stop for stop in route.stop}
    return Asked(
        route=route,
        stops=stops,
        drives=drives,
        plans={tag: stop_plan(*drives[tag], stop, route) for tag, stop in stops.items()},
        candidates={tag: candidate_of(*pair) for tag, pair in drives.items()},
        settings=load_settings(),
        rules=load_model(share_dir() / "configs" / "on_the_spot.toml", FieldRules),
    )


@lru_cache(maxsize=2)
def noted_of(path: Path, changed_ns: int, route_path: Path, route_changed_ns: int) -> RoundReadings:  # noqa: ARG001
    """What was read at the stops, as ``asked_of`` reads a route.

    Raises:
        ConfigError: the file is wrong.
    """
    from vibe.flow.route.readings import readings_of

    asked = asked_of(route_path, route_changed_ns)
    return readings_of(path, {tag: drive for tag, (drive, _) in asked.drives.items()}, asked.route)


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldJob:
    """One file to be looked at, small enough to be sent to another process."""

    path: Path
    folder: Path
    route_path: Path
    changed_ns: int
    readings_path: Path | None = None
    readings_ns: int = 0
    prints: bool = False
    """Noise prints are wanted too: there is an earlier round to compare with."""
    like_only: bool = False
    """Nothing but signatures and hashes is wanted: a file of an earlier round."""

    def readings(self) -> RoundReadings | None:
        """Raises: ConfigError where their file is wrong."""
        if self.readings_path is None:
            return None
        return noted_of(self.readings_path, self.readings_ns, self.route_path, self.changed_ns)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FieldResult:
    """What came of one file. ``like``: signatures by point."""

    seen: FileSeen
    like: Mapping[str, Signature]
    prints: Mapping[str, NoisePrint] = field(default_factory=dict)
    """By point, where they are wanted."""


def look_at(job: FieldJob) -> FieldResult:
    """One file, whatever is wrong with it."""
    try:
        return _checked(job, asked_of(job.route_path, job.changed_ns))
    except MemoryError:
        error, remedy = "needs more memory than there is", "Check it on a machine with more memory."
    except CaptureError as trouble:
        error, remedy = trouble.plain, trouble.remedy
    except VibeError as trouble:
        error, remedy = str(trouble), ""
    except Exception as trouble:
        error, remedy = defect(trouble), "Report it; the capture itself may be good."
    return FieldResult(seen=_unreadable(job, writable(error), remedy), like={})


def _unreadable(job: FieldJob, error: str, remedy: str) -> FileSeen:
    from vibe.ingest.route.file_rules import drive_in_path, name_says

    asked = asked_of(job.route_path, job.changed_ns)
    named = name_says(job.path, job.folder, asked.route)
    # Of a folder that may not be read its own name is all there is.
    inside = job.path / "-" if job.path.is_dir() else job.path
    drive = drive_in_path(inside, job.folder, asked.route) if named is None else named.drive
    return FileSeen(
        path=job.path,
        drive=drive,
        named_point=None if named is None else named.point,
        error=error,
        remedy=remedy,
    )


def _checked(job: FieldJob, asked: Asked) -> FieldResult:
    from vibe.ingest.route.duplicates import samples_hash
    from vibe.ingest.route.field_rules import verdict
    from vibe.ingest.route.route_capture import read_on_route

    capture = read_on_route(job.path, job.folder, asked.route, job.readings())
    stop = asked.stops.get(capture.drive or "")
    if stop is None:
        points = tuple(PointSeen(point=channel.name, verdict="extra") for channel in capture.channels)
        why = (
            "does not say which drive it was measured on" if capture.drive is None else "its drive is not on the route"
        )
        remarks = capture.remarks if any("not on the route" in r for r in capture.remarks) else (*capture.remarks, why)
        return FieldResult(seen=_seen(job, capture, points, remarks), like={})
    like = signatures(capture)
    prints = prints_of(capture) if job.prints else {}
    if job.like_only:
        kept = tuple(
            PointSeen(point=channel.name, verdict="extra", content=samples_hash(channel) or None)
            for channel in capture.channels
        )
        return FieldResult(seen=_seen(job, capture, kept, ()), like=like, prints=prints)
    reasons = _reasons(capture, asked, stop)
    on_stop = {folded(point.name) for point in stop.point}
    points = tuple(
        PointSeen(
            point=channel.name,
            verdict=verdict(reasons[channel.name], asked.rules) if folded(channel.name) in on_stop else "extra",
            reasons=tuple(reasons[channel.name]),
            content=samples_hash(channel) or None,
        )
        for channel in capture.channels
    )
    return FieldResult(seen=_seen(job, capture, points, capture.remarks), like=like, prints=prints)


def _seen(job: FieldJob, capture: Capture, points: tuple[PointSeen, ...], remarks: Sequence[str]) -> FileSeen:
    from vibe.ingest.route.file_rules import name_says

    named = name_says(job.path, job.folder, asked_of(job.route_path, job.changed_ns).route)
    return FileSeen(
        logger=None if named is None else named.rule.like,
        path=job.path,
        drive=capture.drive,
        points=points,
        measured_at=capture.measured_at,
        speed_noted=capture.speed_rpm is not None or capture.tachometer is not None,
        load_noted=capture.load_percent is not None,
        content=capture.sha256,
        remarks=tuple(remarks),
    )


def _reasons(capture: Capture, asked: Asked, stop: Stop) -> dict[str, list[Reason]]:
    """All that is to be said of each channel."""
    from vibe.ingest import with_drift
    from vibe.ingest.route import field_rules

    drive, table = asked.drives[stop.drive]
    plans = {folded(point.name): point for point in asked.plans[stop.drive].points}
    ranges = {
        channel.name: plan.sensor_range_m_s2
        for channel in capture.channels
        if (plan := plans.get(folded(channel.name))) is not None
    }
    planned = asked.plans[stop.drive].plan.settings
    quality = {one.channel: one for one in assessed(capture, drive.input.speed_hz, ranges, planned=planned).quality}
    fit = [channel for channel in capture.vibration if quality[channel.name].verdict != "rejected"]
    motion = motion_in(capture, tuple(quality.values()))
    stands = standstill(motion, drive) or stops(fit, motion)
    recognised_drive = None
    if stands is None and not moves_in(motion):
        recognised_drive = recognised(capture, fit, asked.candidates, stop.drive)
    if recognised_drive is not None and recognised_drive.speed is not None:
        for channel in fit:
            quality[channel.name] = with_drift(quality[channel.name], recognised_drive.speed.drift)
    speed_hz = (
        drive.input.speed_hz
        if recognised_drive is None or recognised_drive.speed is None
        else recognised_drive.speed.input_hz
    )
    others = {tag: one for tag, one in asked.candidates.items() if tag != stop.drive}
    silent = stands
    if silent is None and fit and not moves_in(motion):
        silent = not_running(capture, fit, drive, table, recognised_drive, asked.settings, others)
    # Of a drive that stands range, mounting and spectrum say nothing, and its speed is none.
    stopped = silent is not None and silent.code in AT_REST
    about_drive = [] if silent is None else [silent]
    if silent is None or silent.verdict != "rejected":
        about_drive += _about_drive(capture, recognised_drive, drive, asked)
    part = ran_for(motion)
    if part is not None and motion is not None:
        about_drive = [field_rules.ran_for_a_part(part * motion.duration_s, motion.duration_s), *about_drive]
    longer = capture.segment_count * (part or 1.0)
    out: dict[str, list[Reason]] = {}
    for channel in capture.channels:
        reasons = list(quality[channel.name].reasons)
        if channel in fit and stopped:
            reasons = about_drive
        elif channel in fit:
            reasons += about_drive
            plan = plans.get(folded(channel.name))
            if plan is not None:
                promised = {v.tone for v in asked.plans[stop.drive].plan.visibility if v.seen} - set(plan.loses)
                reasons += against_plan(channel, longer, plan, promised, table, speed_hz, asked.rules)
        out[channel.name] = reasons
    return out


def ran_for(motion: Motion | None) -> float | None:
    """Share of the capture in which the drive ran, where it started or stopped meanwhile; None where it ran throughout,
    or makes moves of its own."""
    from vibe.ingest.route.field_rules import SHORTER

    if motion is None or motion.whole or len(motion.moves) != 1:
        return None
    share = motion.moves[0].law.duration_s / motion.duration_s
    return share if share < SHORTER else None


def _about_drive(capture: Capture, recognised_drive: Recognition | None, drive: Drive, asked: Asked) -> list[Reason]:
    from vibe.ingest.quality.recording.sample_rate import LEAST, slip_of
    from vibe.ingest.quality.thresholds import THRESHOLDS as LIMIT
    from vibe.ingest.route import field_rules

    if recognised_drive is None:
        return []
    if recognised_drive.verdict == "other drive":
        return [field_rules.wrong_drive(drive.tag, likely(recognised_drive))]
    # Lines of many teeth fit a second speed about as well; where pulses and note agree, it is that one.
    found = _pulses_as_noted(capture, drive, asked) or recognised_drive.speed
    method = "the pulse sensor" if found is not None and found.method == "tachometer" else "the signal"
    slip: Slip = "open"
    if found is not None and capture.speed_rpm is not None:
        ratio = 60 * found.input_hz / capture.speed_rpm
        if abs(ratio - 1) > LEAST:
            mains_hz = LIMIT.mains_hz if drive.motor is None else (drive.motor.line_hz,)
            slip = slip_of(capture.vibration, ratio, found_hz=found.input_hz, mains_hz=mains_hz)
    return field_rules.speed(
        drive, None if found is None else found.input_hz, capture.speed_rpm, asked.rules, method=method, slip=slip
    )


def _pulses_as_noted(capture: Capture, drive: Drive, asked: Asked) -> SpeedEstimate | None:
    """The speed of the pulses where it is the one that was noted; None where there is no such."""
    from vibe.ingest import assess
    from vibe.spectra.speed.tachometer import speed_from_tachometer

    sensor = capture.tachometer
    if sensor is None or capture.speed_rpm is None or assess(sensor).verdict == "rejected":
        return None
    low, high = drive.input.speed_range_hz
    pulsed = speed_from_tachometer(sensor, (0.9 * low, 1.1 * high), sensor.duration_s)
    if pulsed is None:
        return None
    off = 60 * pulsed[1].input_hz / capture.speed_rpm - 1
    return pulsed[1] if abs(off) <= asked.rules.speed.noted_share else None


def against_plan(
    channel: Channel,
    longer: float,
    plan: PointPlan,
    promised: set[str],
    table: ToneTable,
    speed_hz: float,
    rules: FieldRules,
) -> list[Reason]:
    """Length and rate against what was planned for the point, by what they cost in tones; the recording is ``longer``
    times as long as the channel."""
    from vibe.core.capture import TURNING
    from vibe.core.tones import CaptureSettings
    from vibe.ingest.route import field_rules
    from vibe.kinematics.planning.capture_plan import usable_band_hz
    from vibe.kinematics.planning.observability import ANTI_ALIAS, needed_duration_s, visibility

    length_s, rate_hz = longer * channel.duration_s, channel.sample_rate_hz
    if channel.quantity in TURNING:
        return []

    def setting(taken: float, planned: float, s: float, hz: float) -> field_rules.Setting:
        """With everything but this one as planned, so that each loss is attributed to its cause."""
        lost: list[str] = []
        if taken < planned:
            shown = CaptureSettings(
                duration_s=s, sample_rate_hz=hz, usable_band_hz=usable_band_hz(hz / ANTI_ALIAS, plan.mounting)
            )
            lost = [v.tone for v in visibility(table, shown, speed_hz) if not v.seen and v.tone in promised]
        crowded = [
            tone.id
            for tone in table.tones
            if tone.id in promised
            and s < planned_s(tone) * (1 - 1e-9)
            and planned_s(tone) <= plan.duration_s * (1 + 1e-9)
        ]
        return field_rules.Setting(taken=taken, planned=planned, lost=lost, promised=len(promised), crowded=crowded)

    def planned_s(tone: Tone) -> float:
        return needed_duration_s(tone, table, speed_hz, near_strong=True)[0]

    return field_rules.settings(
        setting(length_s, plan.duration_s, length_s, plan.sample_rate_hz),
        setting(rate_hz, plan.sample_rate_hz, plan.duration_s, rate_hz),
        rules,
    )


def signatures(capture: Capture) -> dict[str, Signature]:
    """By folded name of the point; without those too short for one."""
    from vibe.spectra.identity.point_likeness import SEGMENT_S, signature

    return {
        folded(channel.name): signature(channel.samples, channel.sample_rate_hz)
        for channel in capture.vibration
        if channel.duration_s >= 2 * SEGMENT_S and channel.samples.size >= FEWEST_SAMPLES
    }
