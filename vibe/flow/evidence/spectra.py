"""Spectra of one capture, from its samples or from what was kept with them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from vibe.core.errors import CallError
from vibe.flow.desk.stored_signal import CACHE, StoredSignal, law_of_capture, signal_of
from vibe.flow.evidence.answers import etag_of, evidence_rows, kept_rows, part_of_samples
from vibe.flow.evidence.asked import (
    AXES,
    KINDS,
    MOST_CELLS,
    WINDOWS,
    AskedSpectrum,
    Axis,
    Kind,
    Pair,
    refuse_infinite,
    refuse_unknown,
    worked_out,
)

if TYPE_CHECKING:
    from vibe.core.capture import Channel
    from vibe.core.records.evidence_rows import EvidenceRows
    from vibe.core.records.history import ArchivedSpectrum, StoredCapture
    from vibe.history.store.store import Store
    from vibe.spectra.basic.angle_law import AngleLaw
    from vibe.spectra.plots.on_demand import Row, Window

ENVELOPE_TO_ORDER = 40.0
"""Where an envelope spectrum ends unless asked otherwise."""
_UNITS = {"acceleration": "m/s²", "velocity": "mm/s", "envelope": "% of the mean"}
_NAMES = {
    "acceleration": "Acceleration, r.m.s. of a line",
    "velocity": "Velocity, r.m.s. of a line",
    "envelope": "Envelope, amplitude of a line",
}
_OVER_FLOOR = ("Envelope of all bands, power over its floor", "× floor")
"""What of an envelope is kept with the samples."""
_INTEGRATIONS = {"displacement": -1, "velocity": 0, "acceleration": 1}
"""How often a quantity is integrated to become velocity."""
X_NAMES = {"Hz": "Frequency", "order": "Order"}
X_UNITS = {"Hz": "Hz", "order": "per input turn"}


def spectrum(
    store: Store,
    content: str,
    point: str,
    *,
    kind: Kind = "acceleration",
    axis: Axis = "Hz",
    window: Window = "hann",
    low_hz: float | None = None,
    high_hz: float | None = None,
    start: float | None = None,
    stop: float | None = None,
    from_s: float | None = None,
    to_s: float | None = None,
    most: int = MOST_CELLS,
) -> EvidenceRows:
    """A spectrum (n,) of at most ``most`` cells, each as high as its highest line.

    ``low_hz`` to ``high_hz`` is the band of an envelope; ``start`` to ``stop`` what is shown, in the unit of the axis;
    ``from_s`` to ``to_s`` the part of the capture. Lines read the r.m.s. of a sine in any window; an envelope always
    has a Hann window and reads amplitudes in per cent of the mean squared envelope. Orders are events per turn of the
    input, speed that moves taken out. Where samples were thinned away, the spectra that were kept are shown.
    """
    refuse_unknown("kind of spectrum", kind, KINDS)
    refuse_unknown("axis", axis, AXES)
    refuse_unknown("window", window, WINDOWS)
    refuse_infinite(low_hz, high_hz, start, stop, from_s, to_s)
    asked = AskedSpectrum(
        point=point, kind=kind, axis=axis, window=window, band_hz=(low_hz, high_hz), shown=(start, stop),
        part_s=(from_s, to_s), most=max(16, min(most, MOST_CELLS)),
    )  # fmt: skip
    signal = signal_of(store, content)
    key = ("spectrum", content, asked, bool(signal.channels), _drive_text(store, signal, axis))
    return kept_rows(key, lambda: _spectrum(store, signal, asked, etag_of(key)))


def _spectrum(store: Store, signal: StoredSignal, asked: AskedSpectrum, etag: str) -> EvidenceRows:
    from vibe.spectra.plots import on_demand

    kind, axis = asked.kind, asked.axis
    remarks: list[str] = []
    if signal.channels:
        row, step, said = sample_lines(store, signal, asked)
        remarks += said
    else:
        if any(part is not None for part in asked.part_s):
            raise CallError("the samples of this capture were thinned away: only its whole spectra are left")
        row, step = archived_lines(store, signal.capture, asked)
        remarks.append("The samples were thinned away; this is the spectrum that was kept, in cells.")
    begin = asked.shown[0] if asked.shown[0] is not None else 0.0
    end = asked.shown[1] if asked.shown[1] is not None else default_stop(kind, axis, [(signal.capture, row, step)])
    values, x0, dx = worked_out(lambda: on_demand.cells(row, step, begin, end, asked.most))
    used = asked.band_hz if kind == "envelope" else (None, None)
    y_name, unit = y_of(kind, archived=not signal.channels)
    return evidence_rows(
        "spectrum", f"{title_of(kind, used)}, {asked.point}", values, etag, (signal.capture,), x0=x0, dx=dx,
        x_name=X_NAMES[axis], x_unit=X_UNITS[axis], y_name=y_name, unit=unit, remarks=remarks,
    )  # fmt: skip


def sample_lines(store: Store, signal: StoredSignal, asked: AskedSpectrum) -> tuple[Row, float, list[str]]:
    """Every line of a spectrum from samples, and the step of its axis. Made once for all parts that are shown of it."""
    channel = signal.channel(asked.point)
    part = part_of_samples(channel, *asked.part_s)
    band = asked.band_hz if asked.kind == "envelope" else (None, None)
    # What is shown of the lines does not change them.
    whole = replace(asked, band_hz=band, shown=(None, None), part_s=(None, None), most=MOST_CELLS)
    key = ("lines", signal.capture.content, whole, part, _drive_text(store, signal, asked.axis))
    return CACHE.get(key, lambda: _made_lines(store, signal, channel, whole, part), lambda made: made[0].nbytes)


def _drive_text(store: Store, signal: StoredSignal, axis: Axis) -> str | None:
    """What orders depend on besides the capture: the drive's file, by which its speed is followed."""
    return store.drive_toml(signal.capture.drive) if axis == "order" else None


def _made_lines(
    store: Store, signal: StoredSignal, channel: Channel, asked: AskedSpectrum, part: tuple[int, int]
) -> tuple[Row, float, list[str]]:
    from vibe.spectra.basic.angle_law import AngleLaw
    from vibe.spectra.plots import on_demand
    from vibe.spectra.plots.archived_spectra import VELOCITY_FROM_HZ

    rate = channel.sample_rate_hz
    samples = channel.samples[part[0] : part[1]]
    law, remarks = AngleLaw.steady(1.0, samples.size / rate), []
    mean_hz = 1.0
    if asked.axis == "order":
        law, method = _law_of_part(store, signal, part[0] / rate, part[1] / rate)
        mean_hz = law.mean_hz
        remarks.append(f"Orders from {mean_hz:.4g} Hz ({60 * mean_hz:.1f} r/min): {method}.")
    if asked.kind == "envelope":
        low, high = worked_out(lambda: on_demand.band_limits(*asked.band_hz, rate))
        row, step = on_demand.envelope_lines(on_demand.band_of(samples, rate, low, high, law))
        return row, step, remarks
    even, per_turn = on_demand.resampled_to_angle(samples, rate, law)
    row, step = worked_out(lambda: on_demand.line_amplitudes(even, per_turn, asked.window))
    times = _INTEGRATIONS[channel.quantity] - (asked.kind == "acceleration")
    row = on_demand.integrated(row, step * mean_hz, times=times, from_hz=VELOCITY_FROM_HZ)
    if asked.kind == "velocity":
        row = row * row.dtype.type(1e3)
    return row, step, remarks


def y_of(kind: Kind, *, archived: bool) -> tuple[str, str]:
    """Name and unit of what is drawn."""
    return _OVER_FLOOR if kind == "envelope" and archived else (_NAMES[kind], _UNITS[kind])


def archive_of(store: Store, content: str) -> tuple[ArchivedSpectrum, ...]:
    """What was kept with the samples of a capture."""
    return CACHE.get(
        ("archive", content), lambda: store.spectra(content), lambda made: sum(one.top.nbytes for one in made)
    )


def archived_lines(store: Store, capture: StoredCapture, asked: AskedSpectrum) -> tuple[Row, float]:
    """A spectrum that was kept with the samples, and the step of its axis; lines read as those from samples do."""
    from vibe.spectra.plots.on_demand import as_lines

    point, kind, axis = asked.point, asked.kind, asked.axis
    if kind == "envelope" and any(edge is not None for edge in asked.band_hz):
        raise CallError("the samples of this capture were thinned away: the envelope of a band needs them")
    found = next((one for one in archive_of(store, capture.content) if (one.point, one.kind) == (point, kind)), None)
    if found is None:
        raise CallError(f"nothing was kept of {kind} at {point[:80]!r} in this capture")
    step = found.step
    if found.axis != axis:
        if not capture.speed_hz:
            raise CallError("the speed of this capture is not known: there is no axis of orders")
        step = step / capture.speed_hz if axis == "order" else step * capture.speed_hz
    return (found.top if kind == "envelope" else as_lines(found.top)), step


def _law_of_part(store: Store, signal: StoredSignal, from_s: float, to_s: float) -> tuple[AngleLaw, str]:
    from vibe.spectra.plots.on_demand import part_of_law

    found = law_of_capture(store, signal)
    if found is None:
        raise CallError("the speed of this capture is not known: there is no axis of orders")
    return part_of_law(found.law, from_s, to_s), found.words


def title_of(kind: Kind, band: Pair) -> str:
    """What a spectrum shows, in words."""
    words = {
        "acceleration": "Spectrum of acceleration",
        "velocity": "Spectrum of velocity",
        "envelope": "Envelope spectrum",
    }[kind]
    if band[0] is not None and band[1] is not None:
        words += f", {band[0]:.0f} to {band[1]:.0f} Hz"
    return words


def default_stop(kind: Kind, axis: Axis, lines: Sequence[tuple[StoredCapture, Row, float]]) -> float:
    """Where a spectrum ends unless asked otherwise, in the unit of its axis."""
    from vibe.spectra.plots.archived_spectra import VELOCITY_TO_HZ

    end = max(row.size * step for _, row, step in lines)
    speed_hz = next((c.speed_hz for c, _, _ in lines if c.speed_hz), None)
    if kind == "acceleration":
        return end
    if kind == "velocity":
        return min(end, VELOCITY_TO_HZ if axis == "Hz" else VELOCITY_TO_HZ / (speed_hz or 1.0))
    return min(end, ENVELOPE_TO_ORDER if axis == "order" else ENVELOPE_TO_ORDER * (speed_hz or 25.0))
