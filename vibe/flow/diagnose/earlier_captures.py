"""A capture compared with earlier ones of the same drive: which of them are alike, what grew, what fell."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from vibe.core.capture import Capture, Reason
    from vibe.core.comb_history import Growth, PastCapture, Trace, TraceBand
    from vibe.diagnosis.settings import PastSettings
    from vibe.flow.diagnose.capture_diagnosis import CaptureDiagnosis
    from vibe.spectra.signal_analysis import SignalAnalysis

SAME_EDGE = 0.01
"""Relative distance within which edges of bands are the same: rates and widths are the recorder's, not the drive's."""


def past_of(reading: SignalAnalysis | None, capture: Capture) -> PastCapture | None:
    """What an analysed capture leaves for later ones; None where it was not analysed or its speed is only assumed."""
    from vibe.core.comb_history import PastCapture

    if reading is None or reading.speed.method == "nominal":
        return None
    return PastCapture(
        sha256=capture.sha256,
        measured_at=capture.measured_at,
        speed_hz=reading.speed.input_hz,
        load_percent=capture.load_percent,
        trace=reading.trace,
        levels=reading.levels,
        lines=reading.lines,
    )


def accepted(judged: Sequence[CaptureDiagnosis]) -> list[PastCapture]:
    """What the captures leave in which the drive was detected."""
    return [one.past for one in judged if one.past is not None and one.not_detected is None]


def alike(now: PastCapture, earlier: Sequence[PastCapture], settings: PastSettings) -> list[PastCapture]:
    """Earlier captures at the speed of this one, and at its load where both are known."""
    return [
        one
        for one in _at_speed(now, earlier, settings)
        if one.load_percent is None
        or now.load_percent is None
        or abs(one.load_percent - now.load_percent) <= settings.load_within_percent
    ]


def _at_speed(now: PastCapture, earlier: Sequence[PastCapture], settings: PastSettings) -> list[PastCapture]:
    return [one for one in earlier if abs(one.speed_hz / now.speed_hz - 1) <= settings.speed_within]


def _traces(now: Trace, earlier: Sequence[PastCapture], settings: PastSettings) -> list[Trace]:
    """The last of those that are as long."""
    traces = [one.trace for one in earlier if one.trace is not None]
    return [one for one in traces if abs(one.turns / now.turns - 1) <= settings.turns_within][-settings.most :]


def growths(now: PastCapture, earlier: Sequence[PastCapture], settings: PastSettings) -> dict[str, Growth]:
    """By the name of each comb: its change against the drive's own earlier captures; empty with too few of them.

    Scores are compared with those at any load as well, and the larger chance counts: pitch errors show more at some
    loads than at others, and how much more is not known from captures at one load.
    """
    from vibe.core.comb_history import Growth

    own = now.trace
    if own is None:
        return {}
    traces = _traces(own, alike(now, earlier, settings), settings)
    if len(traces) < settings.fewest:
        return {}
    from vibe.history.trace_growth import compared, surprises_of

    bands = _common_bands([own, *traces])
    tones = [name for name in own.tones if all(name in trace.tones for trace in traces)]
    if not bands or not tones:
        return {}
    found = compared([own, *traces], tones, list(bands.values()))
    any_load = [
        one for one in _traces(own, _at_speed(now, earlier, settings), settings) if set(tones) <= set(one.tones)
    ]
    surprises, quiet = surprises_of([own, *traces], [own, *any_load], tones, settings.fewest)
    named = list(bands)
    return {
        tone: Growth(
            tone=tone,
            growth_db=float(found.growth[row]),
            scatter_db=float(found.scatter[row]),
            common_db=float(found.common[row]),
            captures=len(traces),
            chance=float(found.chance[row]),
            there=float(found.there[row]),
            surprise=float(surprises[row]),
            band=named[int(found.band[row])],
            quiet=float(quiet[row]),
        )
        for row, tone in enumerate(tones)
        if found.growth[row] == found.growth[row]  # not where no band shows anything
    }


def _common_bands(traces: Sequence[Trace]) -> dict[TraceBand, tuple[int, ...]]:
    """Groups of bands that all captures have, with their place in each."""
    common = {}
    for place, band in enumerate(traces[0].bands):
        places = [_place(band, place, trace) for trace in traces]
        whole = tuple(found for found in places if found is not None)
        if len(whole) == len(traces):
            common[band] = whole
    return common


def _place(band: TraceBand, likely: int, trace: Trace) -> int | None:
    """Where a group of bands stands in a trace: mostly at the same place as in another."""
    if likely < len(trace.bands) and _same(band, trace.bands[likely]):
        return likely
    return next((k for k, other in enumerate(trace.bands) if _same(band, other)), None)


def _same(a: TraceBand, b: TraceBand) -> bool:
    within = SAME_EDGE * a.high_hz
    return a.channels == b.channels and abs(a.low_hz - b.low_hz) <= within and abs(a.high_hz - b.high_hz) <= within


def before(capture: Capture, earlier: Sequence[PastCapture]) -> list[PastCapture]:
    """Those that are not this very capture and, where both times are known, were measured before it."""
    return [
        one
        for one in earlier
        if not (one.sha256 and one.sha256 == capture.sha256)
        and (one.measured_at is None or capture.measured_at is None or time_of(one) < _utc(capture.measured_at))
    ]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fall:
    """Points whose vibration fell far below that of earlier captures, in words; ``silent``: those of them whose own
    lines fell too, with why nothing can be concluded from them."""

    remarks: tuple[str, ...] = ()
    silent: tuple[str, ...] = ()
    reason: Reason | None = None


def fall(now: PastCapture, earlier: Sequence[PastCapture], settings: PastSettings) -> Fall:
    """Whether points are much quieter than in earlier captures at the same speed, whatever the load."""
    from vibe.core.capture import Reason
    from vibe.history.level_drop import fall_db

    alike = [one for one in earlier if abs(one.speed_hz / now.speed_hz - 1) <= settings.speed_within]
    remarks, silent, deepest = [], [], 0.0
    for point, own in _rms(now).items():
        fell = fall_db(own, [_rms(one).get(point, {}) for one in alike])
        if fell is None or fell < settings.fallen_db:
            continue
        lines = fall_db(_own_lines(now, point), [_own_lines(one, point) for one in alike])
        count = sum(point in _rms(one) for one in alike)
        than = "the earlier capture" if count == 1 else f"{count} earlier captures"
        said = f"{point}: the vibration is {fell:.0f} dB below that of {than} at this speed"
        if lines is not None and lines >= settings.fallen_db:
            silent.append(point)
            deepest = max(deepest, fell)
            said += f", and the drive's own lines {lines:.0f} dB"
        remarks.append(f"{said}: is it loaded, does the sensor sit fast, is it this drive?")
    reason = None
    if silent:
        reason = Reason(
            code="fallen",
            verdict="rejected",
            text=f"the vibration and the drive's own lines are {deepest:.0f} dB or so below those of earlier captures "
            "at this speed",
            remedy="Check that the drive is loaded, that the sensor sits fast on its usual place with its cable and "
            "range as before, and that it is this drive; then repeat the measurement.",
        )
    return Fall(remarks=tuple(remarks), silent=tuple(silent), reason=reason)


def _rms(one: PastCapture) -> dict[str, dict[str, float]]:
    """Acceleration r.m.s. by point, each under its name."""
    return {v.point: {v.measure: v.value} for v in one.levels if v.measure == "acceleration_rms"}


def _own_lines(one: PastCapture, point: str) -> dict[str, float]:
    """Mesh lines of one point [m/s²] by name; those of the shaft where there is no mesh."""
    own = {line.name: line.acceleration_m_s2 for line in one.lines if line.channel == point}
    meshes = {name: value for name, value in own.items() if ".mesh " in name}
    return meshes or {name: value for name, value in own.items() if name in ("1x", "2x", "3x")}


def time_of(one: PastCapture) -> float:
    """Seconds since 1970; before all else where it is unknown."""
    return float("-inf") if one.measured_at is None else _utc(one.measured_at)


def _utc(when: datetime) -> float:
    """Seconds since 1970; a time without offset counts as universal time."""
    return (when if when.tzinfo is not None else when.replace(tzinfo=UTC)).timestamp()
