"""The stops of a route with their settings: each point by its mounting, each stop by its time."""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil

from vibe.core.drive import Drive
from vibe.core.route.route import Mounting, Route, RoutePoint, Stop
from vibe.core.route.route_plan import PointPlan, RoutePlan, StopPlan, StopTime, TimeBudget
from vibe.core.tones import CapturePlan, CaptureSettings, ToneTable, Visibility
from vibe.core.units import STANDARD_GRAVITY_M_S2
from vibe.kinematics.planning.capture_plan import FIFTH, MOUNTED_RESONANCE_HZ, THIRD, capture_plan, usable_band_hz
from vibe.kinematics.planning.observability import ANTI_ALIAS, visibility

ENOUGH = 0.95
"""A mounting that ends this near to the end of the envelope band carries it: mounted resonances are known no better
(common practice)."""

BY_EFFORT: tuple[Mounting, ...] = ("magnet", "adhesive", "stud")
"""Least work first. A probe held by hand is never asked for: the hand moves."""

MOUNTING_WORDS: dict[Mounting, str] = {
    "stud": "a stud", "adhesive": "thin adhesive or wax", "magnet": "a magnet", "probe": "a hand-held probe",
}  # fmt: skip


def stop_plan(drive: Drive, table: ToneTable, stop: Stop, route: Route) -> StopPlan:
    """Settings for every point of one stop, what the mountings cost, and the time that the stop takes.

    Sample rate, duration and range are those that the drive's tones need and the same at all its points, so that they
    are set once a stop; what differs from point to point is the mounting.
    """
    plan = capture_plan(drive, table, captures=stop.captures or route.captures)
    captures = plan.captures
    with_mounting = {
        point.mounting: _views(table, plan, point.mounting, drive.input.speed_hz)
        for point in stop.point
        if point.quantity == "acceleration"
    }
    points = tuple(_point(point, plan, captures, with_mounting.get(point.mounting, ())) for point in stop.point)
    low_hz, high_hz = drive.input.speed_range_hz
    used = {point.mounting for point in points if point.in_use and point.quantity == "acceleration"}
    best = max(used, key=lambda mounting: MOUNTED_RESONANCE_HZ[mounting], default=None)
    return StopPlan(
        drive=drive.tag,
        name=drive.name,
        where=stop.where,
        formerly=tuple(stop.formerly),
        speed_rpm=drive.input.speed_rpm,
        speed_range_rpm=(60 * low_hz, 60 * high_hz),
        note=tuple(stop.note),
        captures=captures,
        plan=plan,
        visibility=plan.visibility if best is None else with_mounting[best],
        points=points,
        time=_time(points, plan, captures, stop, route),
    )


def route_plan(route: Route, stops: Sequence[StopPlan]) -> RoutePlan:
    """The stops of a route put together, with the time that the whole walk takes."""
    budget = TimeBudget(
        start_s=route.walk.start_s,
        walking_s=sum(stop.time.walking_s for stop in stops),
        mounting_s=sum(stop.time.mounting_s for stop in stops),
        capturing_s=sum(stop.time.capturing_s for stop in stops),
        noting_s=sum(stop.time.noting_s for stop in stops),
        repeats_s=route.walk.repeat_share * sum(stop.time.mounting_s + stop.time.capturing_s for stop in stops),
    )
    return RoutePlan(title=route.title, note=route.note, stops=tuple(stops), budget=budget)


def _views(table: ToneTable, plan: CapturePlan, mounting: Mounting, input_hz: float) -> tuple[Visibility, ...]:
    settings = CaptureSettings(
        duration_s=plan.duration_s,
        sample_rate_hz=plan.sample_rate_hz,
        usable_band_hz=usable_band_hz(plan.sample_rate_hz / ANTI_ALIAS, mounting),
    )
    return visibility(table, settings, input_hz)


def _point(point: RoutePoint, plan: CapturePlan, captures: int, views: Sequence[Visibility]) -> PointPlan:
    vibration = point.quantity == "acceleration"
    good_to_hz = MOUNTED_RESONANCE_HZ[point.mounting] / THIRD if vibration else None
    seen = {view.tone for view in plan.visibility if view.seen}
    loses = tuple(view.tone for view in views if view.tone in seen and not view.seen)
    short = vibration and bool(loses or not _carries(plan, point.mounting))
    better = next((each for each in BY_EFFORT if _carries(plan, each)), None) if short else None
    return PointPlan(
        name=point.name,
        place=point.place,
        axis=point.axis,
        quantity=point.quantity,
        mounting=point.mounting,
        sample_rate_hz=plan.sample_rate_hz,
        duration_s=plan.duration_s,
        captures=0 if point.out_of_use else captures,
        sensor_range_m_s2=plan.sensor_range_m_s2 if vibration else None,
        sensor_range_g=plan.sensor_range_m_s2 / STANDARD_GRAVITY_M_S2 if vibration else None,
        good_to_hz=good_to_hz,
        better_mounting=better,
        loses=loses,
        out_of_use=point.out_of_use,
        reasons=tuple(_reasons(point, plan, better, loses)),
    )


def _carries(plan: CapturePlan, mounting: Mounting) -> bool:
    """Whether the envelope band lies below a third of the mounted resonance."""
    if plan.envelope_band_hz is None:
        return True
    return MOUNTED_RESONANCE_HZ[mounting] / THIRD >= ENOUGH * plan.envelope_band_hz[1]


def _reasons(point: RoutePoint, plan: CapturePlan, better: Mounting | None, loses: Sequence[str]) -> list[str]:
    if point.out_of_use:
        return [f"out of use: {point.out_of_use}"]
    if point.quantity == "tachometer":
        return ["record the pulses together with the vibration: they give positions, not only orders"]
    resonance = MOUNTED_RESONANCE_HZ[point.mounting]
    reasons = [
        f"{point.mounting}: resonates near {resonance / 1000:.0f} kHz, amplitudes good to 12.5 % up to "
        f"{resonance / THIRD / 1000:.2g} kHz and to 4.2 % up to {resonance / FIFTH / 1000:.2g} kHz (ISO 5348)"
    ]
    if plan.envelope_band_hz is not None and not _carries(plan, point.mounting):
        top = plan.envelope_band_hz[1]
        reasons.append(
            f"impacts that ring between {resonance / THIRD / 1000:.2g} and {top / 1000:.2g} kHz are lost"
            + (f": use {MOUNTING_WORDS[better]}" if better else "")
        )
    if loses:
        reasons.append(f"cannot show with this mounting: {', '.join(loses)}")
    return reasons


def _time(points: Sequence[PointPlan], plan: CapturePlan, captures: int, stop: Stop, route: Route) -> StopTime:
    used = [point for point in points if point.in_use]
    rounds = ceil(sum(point.quantity == "acceleration" for point in used) / route.walk.channels_at_once)
    return StopTime(
        walking_s=route.walk.between_s if stop.walk_s is None else stop.walk_s,
        mounting_s=len(used) * route.walk.mounting_s,
        capturing_s=rounds * captures * plan.duration_s,
        noting_s=route.walk.note_s,
    )
