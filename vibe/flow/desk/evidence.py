"""Evidence on demand: spectra, waveforms, turns, cascades, series, tones and sound of what a store keeps.

Every function takes an open store and returns a frozen value; nothing is judged and nothing is written. What was
worked out is kept in ``stored_signal.CACHE``, by the capture's hash and all that was asked.

Raises, all of them: CallError where the store holds no such capture or point, or what was asked cannot be shown, in a
sentence for whoever asked; CaptureError where a capture's file is lost or damaged.
"""

from __future__ import annotations

import hashlib
import io
import json
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from math import isfinite
from typing import TYPE_CHECKING, Any, Literal, TypeVar

from vibe.core.errors import CallError, CaptureError
from vibe.flow.desk.stored_signal import CACHE, StoredSignal, kinematics_of, law_of_capture, signal_of

if TYPE_CHECKING:
    from vibe.core.capture import Channel
    from vibe.core.records.evidence_rows import EvidenceRows, PointOf, RowOf, SeriesRows, SoundFile, ToneMark
    from vibe.core.records.history import ArchivedSpectrum, StoredCapture
    from vibe.core.tones import Tone
    from vibe.history.store.store import Store
    from vibe.spectra.basic.angle_law import AngleLaw
    from vibe.spectra.plots.on_demand import Row, Window

T = TypeVar("T")
Kind = Literal["acceleration", "velocity", "envelope"]
Axis = Literal["Hz", "order"]
KINDS: tuple[Kind, ...] = ("acceleration", "velocity", "envelope")
AXES: tuple[Axis, ...] = ("Hz", "order")
WINDOWS: tuple[Window, ...] = ("hann", "rectangular", "flat top")
MOST_CELLS = 4000
"""Of a spectrum or waveform: as many as a screen can show twice over."""
CASCADE_CELLS, MOST_CAPTURES = 800, 60
"""Of a cascade: what a picture of a thousand pixels can hold."""
VELOCITY_FROM_HZ, VELOCITY_TO_HZ = 2.0, 1000.0
"""Below, integration shows the sensor's drift; above, acceleration shows it better."""
ENVELOPE_TO_ORDER = 40.0
"""Where an envelope spectrum ends unless asked otherwise."""
LONGEST_SOUND_S = 10.0
"""So long a sound is sent as a whole, 1 MB (our choice)."""
STANDS_OUT = 0.01
"""Chance that a sound, irregular turn shows such a peak, below which the parts under it are marked: as reports do."""
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
Pair = tuple[float | None, float | None]
"""From and to; None where it is not said."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedSpectrum:
    """What somebody wants to see of a point of a capture: ``band_hz`` of an envelope, ``shown`` in the unit of the
    axis, ``part_s`` of the capture, at most ``most`` cells."""

    point: str
    kind: Kind
    axis: Axis
    window: Window = "hann"
    band_hz: Pair = (None, None)
    shown: Pair = (None, None)
    part_s: Pair = (None, None)
    most: int = MOST_CELLS

    @property
    def needs_samples(self) -> bool:
        """Whether what was kept with the samples will not do."""
        return self.kind == "envelope" and (self.axis == "Hz" or any(edge is not None for edge in self.band_hz))


def warm() -> None:
    """Load what the first picture would wait for: some libraries, a second or less."""
    from vibe.history.store import capture_file  # noqa: F401
    from vibe.spectra.envelope import synchronous_average  # noqa: F401
    from vibe.spectra.plots import on_demand
    from vibe.spectra.speed import speed_search, tachometer  # noqa: F401

    on_demand.warm()


def points(store: Store, content: str) -> tuple[PointOf, ...]:
    """What may be asked of a capture: its points. Those of one whose samples were thinned away have no rate."""
    from vibe.core.records.evidence_rows import PointOf

    signal = signal_of(store, content)
    if signal.channels:
        return tuple(
            PointOf(name=c.name, quantity=c.quantity, sample_rate_hz=c.sample_rate_hz, duration_s=c.duration_s)
            for c in signal.vibration
        )
    names = dict.fromkeys(one.point for one in _archive(store, content))
    length = signal.capture.duration_s
    return tuple(PointOf(name=name, quantity="acceleration", sample_rate_hz=None, duration_s=length) for name in names)


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
    _known("kind of spectrum", kind, KINDS)
    _known("axis", axis, AXES)
    _known("window", window, WINDOWS)
    _finite(low_hz, high_hz, start, stop, from_s, to_s)
    asked = AskedSpectrum(
        point=point, kind=kind, axis=axis, window=window, band_hz=(low_hz, high_hz), shown=(start, stop),
        part_s=(from_s, to_s), most=max(16, min(most, MOST_CELLS)),
    )  # fmt: skip
    signal = signal_of(store, content)
    key = ("spectrum", content, asked, bool(signal.channels), _drive_text(store, signal, axis))
    return _kept(key, lambda: _spectrum(store, signal, asked, _etag(key)))


def waveform(
    store: Store,
    content: str,
    point: str,
    *,
    from_s: float | None = None,
    to_s: float | None = None,
    low_hz: float | None = None,
    high_hz: float | None = None,
    most: int = MOST_CELLS,
) -> EvidenceRows:
    """Least and greatest value (2, n) of each of at most ``most`` cells; with a band only what lies in it."""
    _finite(low_hz, high_hz, from_s, to_s)
    most = max(16, min(most, MOST_CELLS))
    signal = _with_samples(store, content)
    channel = signal.channel(point)
    key = ("waveform", content, point, from_s, to_s, low_hz, high_hz, most)

    def make() -> EvidenceRows:
        from vibe.spectra.plots import on_demand

        samples = channel.samples
        words = ""
        if low_hz is not None or high_hz is not None:
            band = _asked(lambda: on_demand.band_limits(low_hz or 2.0, high_hz, channel.sample_rate_hz))
            samples = on_demand.filtered(samples, channel.sample_rate_hz, *band)
            words = f", {band[0]:.0f} to {band[1]:.0f} Hz"
        first, last = _part(channel, from_s, to_s)
        both, size = on_demand.extremes(samples[first:last], most)
        names = {"acceleration": "m/s²", "velocity": "mm/s", "displacement": "µm"}
        factor = {"acceleration": 1.0, "velocity": 1e3, "displacement": 1e6}[channel.quantity]
        return _rows(
            "waveform", f"Waveform, {point}{words}", both * both.dtype.type(factor), _etag(key), (signal.capture,),
            x0=(first + (size - 1) / 2) / channel.sample_rate_hz, dx=size / channel.sample_rate_hz, x_name="Time",
            x_unit="s", y_name=channel.quantity.capitalize(), unit=names[channel.quantity],
        )  # fmt: skip

    return _kept(key, make)


def turn(
    store: Store,
    content: str,
    point: str,
    tone: str,
    *,
    low_hz: float | None = None,
    high_hz: float | None = None,
) -> EvidenceRows:
    """The envelope of a band laid on one turn of the body that a tone is folded on, (n,): 0 is its median, 1 its
    highest place. Part 1 is at angle 0, where the pulse is if there is one per turn; else counted from anywhere.

    Without a band that in which the capture's own report found the tone, else all of it; a part that this report names
    is the one that is marked, where both are the same within what is said of it."""
    _finite(low_hz, high_hz)
    signal = _with_samples(store, content)
    channel = signal.channel(point)
    known = kinematics_of(store, signal.capture.drive)
    if known is None:
        raise CallError(f"the store has no drive file of {signal.capture.drive}: without one no turn is known")
    found = next((one for one in known[1].tones if one.id == tone), None)
    if found is None or found.fold is None:
        there = ", ".join(one.id for one in known[1].tones if one.fold is not None) or "none"
        raise CallError(f"{tone[:80]!r} has no turn to be laid on; these have one: {there}")
    named = None
    if low_hz is None and high_hz is None:
        low_hz, high_hz = _reported_band(store, content, tone)
        named = _reported_part(store, content, tone, point)
    key = ("turn", content, point, tone, store.drive_toml(signal.capture.drive), low_hz, high_hz, named)
    return _kept(key, lambda: _turn(store, signal, channel, found, (low_hz, high_hz), named, _etag(key)))


_BAND = re.compile(r" in ([0-9.]+) to ([0-9.]+) Hz")


def _reported_band(store: Store, content: str, tone: str) -> Pair:
    """The band in which the report of a capture found the comb of a tone."""
    said = [found for one in _reported(store, content, tone, "comb") if (found := _BAND.search(str(one["text"])))]
    return (float(said[0][1]), float(said[0][2])) if said else (None, None)


def _reported_part(store: Store, content: str, tone: str, point: str) -> int | None:
    """The number of the part that the report of a capture names, as seen at a point."""
    said = [one["value"] for one in _reported(store, content, tone, "part") if one.get("channel") == point]
    return int(said[0]) if said and isinstance(said[0], int | float) else None


def _reported(store: Store, content: str, tone: str, kind: str) -> list[dict[str, Any]]:
    """Evidence of one kind that the report of a capture has for a tone."""
    try:
        findings = json.loads(store.health(content))["findings"]
        return [
            one for finding in findings if finding["tone"] == tone for one in finding["evidence"]
            if one["kind"] == kind
        ]  # fmt: skip
    except (ValueError, TypeError, KeyError):
        return []


def cascade(
    store: Store,
    contents: Sequence[str],
    point: str,
    *,
    kind: Kind = "acceleration",
    axis: Axis = "Hz",
    low_hz: float | None = None,
    high_hz: float | None = None,
    start: float | None = None,
    stop: float | None = None,
    most: int = CASCADE_CELLS,
    progress: Callable[[int, int], bool] | None = None,
) -> EvidenceRows:
    """Spectra of several captures on one axis, (captures, n), each with its date; those that lack the point are left
    out and named. Without a band the spectra that were kept with the samples are used, which costs some milliseconds
    each. ``progress(done, of)`` is asked after each whether to go on; where it says no, what is there is returned.
    """
    from vibe.spectra.plots import on_demand

    _known("kind of spectrum", kind, KINDS)
    _known("axis", axis, AXES)
    _finite(low_hz, high_hz, start, stop)
    most = max(16, min(most, MOST_CELLS))
    captures = sorted({one: store.capture(one) for one in contents}.values(), key=lambda one: (one.time_s, one.content))
    if not captures:
        raise CallError("a cascade needs a capture")
    remarks: list[str] = []
    if len(captures) > MOST_CAPTURES:
        remarks.append(f"{len(captures)} captures were asked for; {MOST_CAPTURES} are shown, spread over the time")
        step = (len(captures) - 1) / (MOST_CAPTURES - 1)
        captures = [captures[round(k * step)] for k in range(MOST_CAPTURES)]
    band = (low_hz, high_hz)
    asked = AskedSpectrum(point=point, kind=kind, axis=axis, band_hz=band, shown=(start, stop), most=most)
    lines: list[tuple[StoredCapture, Row, float]] = []
    missing: list[str] = []
    for number, capture in enumerate(captures):
        try:
            row, step = _whole(store, capture, asked)
            lines.append((capture, row, step))
        except (CallError, CaptureError) as error:
            missing.append(f"{capture.measured_at:%Y-%m-%d}: {getattr(error, 'plain', str(error))}")
        if progress is not None and not progress(number + 1, len(captures)):
            remarks.append(f"stopped after {number + 1} of {len(captures)} captures")
            break
    if not lines:
        raise CallError(f"none of these captures shows it: {missing[0]}")
    if missing:
        remarks.append(f"{len(missing)} not shown ({'; '.join(missing[:3])}{'; …' if len(missing) > 3 else ''})")
    first = start if start is not None else 0.0
    last = min(stop if stop is not None else _default_stop(kind, axis, lines), max(r.size * s for _, r, s in lines))
    if not last > first:
        raise CallError(f"between {first:g} and {last:g} {axis} there is nothing")
    dx = max((last - first) / most, min(step for _, _, step in lines))
    count = max(2, round((last - first) / dx))
    x0 = first + dx / 2
    values = on_demand.stacked([on_demand.on_axis(row, step, x0, dx, count) for _, row, step in lines])
    y_name, unit = _y(kind, archived=not asked.needs_samples)
    key = ("cascade", tuple(c.content for c, _, _ in lines), asked)
    return _rows(
        "cascade", f"{_title(kind, band)}, {point}, {len(lines)} captures", values, _etag(key),
        tuple(c for c, _, _ in lines), x0=x0, dx=dx, x_name=_X_NAMES[axis], x_unit=_X_UNITS[axis], y_name=y_name,
        unit=unit, remarks=remarks,
    )  # fmt: skip


def series(store: Store, drive: str, point: str, measure: str, subject: str = "") -> SeriesRows:
    """How one measure of a drive went over the years, as it was measured."""
    from vibe.core.records.evidence_rows import SeriesRows
    from vibe.core.records.history import SeriesKey
    from vibe.spectra.plots.on_demand import as_rows, as_times

    found = store.series(SeriesKey(drive=drive, point=point, measure=measure, subject=subject))
    if not found.content:
        there = sorted({key.measure for key in store.keys(drive) if key.point == point})
        raise CallError(f"nothing is kept of {measure[:60]!r} at {point[:60]!r} of {drive}; there is "
                        f"{', '.join(there) or 'nothing'}")  # fmt: skip
    have = set(found.content)
    rejected = [c.time_s for c in store.captures(drive) if c.content not in have and c.kept == "rejected"]
    where = f", {point}" if point else ""
    return SeriesRows(
        title=f"{measure.replace('_', ' ').capitalize()}{f' of {subject}' if subject else ''}{where}",
        drive=drive, point=point, measure=measure, subject=subject, unit=found.unit, time_s=found.time_s,
        values=as_rows(found.value), speed_hz=as_rows(found.speed_hz), load_percent=as_rows(found.load_percent),
        accepted=found.accepted, content=found.content, rejected_s=as_times(rejected), events=store.events(drive),
    )  # fmt: skip


def tones(store: Store, drive: str, content: str | None = None) -> tuple[ToneMark, ...]:
    """The tones of a drive for cursors, lowest order first; with a capture where they lie at its speed. Those of the
    motor keep to the supply's frequency, whatever the speed."""
    from vibe.core.records.evidence_rows import SidebandMark, ToneMark

    known = kinematics_of(store, drive)
    if known is None:
        return ()
    speed_hz = None if content is None else store.capture(content).speed_hz

    def hz(order: float) -> float | None:
        return None if speed_hz is None else order * speed_hz

    def mark(tone: Tone) -> ToneMark:
        return ToneMark(
            id=tone.id, words=_tone_words(tone.id), made_by=tone.made_by, family=tone.family,
            order=tone.order_at(speed_hz), order_exact=None if tone.order_exact is None else str(tone.order_exact),
            hz=None if speed_hz is None else tone.hz_at(speed_hz), slip=tone.slip,
            sidebands=tuple(SidebandMark(order=s.order, hz=hz(s.order), why=s.why) for s in tone.sidebands),
            part="" if tone.fold is None else tone.fold.part, count=0 if tone.fold is None else tone.fold.count,
        )  # fmt: skip

    return tuple(sorted(map(mark, known[1].tones), key=lambda one: (one.order, one.id)))


def _tone_words(name: str) -> str:
    """A tone as a short label: "lobe of the disc, stage 1", "outer race, eccentric bearing", "motor: twice line"."""
    from vibe.core.labels import BEARING_PARTS, in_stage, part_name

    if place := in_stage(name):
        return f"{part_name(place[1])}, stage {place[0]}"
    if name.startswith("bearing."):
        bearing, _, race = name.removeprefix("bearing.").rpartition(".")
        past = race.partition("_past_")[2].replace("inner", "inner ring")
        return f"{BEARING_PARTS.get(race, race.replace('_', ' '))}{f' past the {past}' if past else ''}, {bearing}"
    first, _, rest = name.partition(".")
    return f"{first} {rest}" if first == "input" else f"{first}: {rest.replace('_', ' ')}" if rest else first


def sound(
    store: Store,
    content: str,
    point: str,
    *,
    low_hz: float | None = None,
    high_hz: float | None = None,
    from_s: float = 0.0,
) -> SoundFile:
    """A band of a capture as a sound of at most ten seconds, moved down to where ears are good."""
    from vibe.core.records.evidence_rows import SoundFile

    _finite(low_hz, high_hz, from_s)
    signal = _with_samples(store, content)
    channel = signal.channel(point)
    key = ("sound", content, point, low_hz, high_hz, from_s)

    def make() -> SoundFile:
        from vibe.spectra.plots import on_demand

        band = _asked(lambda: on_demand.band_limits(low_hz, high_hz, channel.sample_rate_hz))
        first, last = _part(channel, from_s, min(from_s + LONGEST_SOUND_S, channel.duration_s))
        samples, rate = on_demand.sound(channel.samples[first:last], channel.sample_rate_hz, *band)
        down = max(0.0, band[0] - on_demand.AUDIBLE_FROM_HZ)
        return SoundFile(
            title=f"{point}, {band[0]:.0f} to {band[1]:.0f} Hz, moved down by {down:.0f} Hz",
            wav=_wav(samples.astype("<i2").tobytes(), rate), duration_s=samples.size / rate, moved_down_hz=down,
            etag=_etag(key),
        )  # fmt: skip

    return CACHE.get(key, make, lambda made: len(made.wav))


# ── how each is made ──────────────────────────────────────────────────────────────────────────────────────────────

_X_NAMES = {"Hz": "Frequency", "order": "Order"}
_X_UNITS = {"Hz": "Hz", "order": "per input turn"}


def _spectrum(store: Store, signal: StoredSignal, asked: AskedSpectrum, etag: str) -> EvidenceRows:
    from vibe.spectra.plots import on_demand

    kind, axis = asked.kind, asked.axis
    remarks: list[str] = []
    if signal.channels:
        row, step, said = _lines(store, signal, asked)
        remarks += said
    else:
        if any(part is not None for part in asked.part_s):
            raise CallError("the samples of this capture were thinned away: only its whole spectra are left")
        row, step = _archived(store, signal.capture, asked)
        remarks.append("The samples were thinned away; this is the spectrum that was kept, in cells.")
    begin = asked.shown[0] if asked.shown[0] is not None else 0.0
    end = asked.shown[1] if asked.shown[1] is not None else _default_stop(kind, axis, [(signal.capture, row, step)])
    values, x0, dx = _asked(lambda: on_demand.cells(row, step, begin, end, asked.most))
    used = asked.band_hz if kind == "envelope" else (None, None)
    y_name, unit = _y(kind, archived=not signal.channels)
    return _rows(
        "spectrum", f"{_title(kind, used)}, {asked.point}", values, etag, (signal.capture,), x0=x0, dx=dx,
        x_name=_X_NAMES[axis], x_unit=_X_UNITS[axis], y_name=y_name, unit=unit, remarks=remarks,
    )  # fmt: skip


def _lines(store: Store, signal: StoredSignal, asked: AskedSpectrum) -> tuple[Row, float, list[str]]:
    """Every line of a spectrum from samples, and the step of its axis. Made once for all parts that are shown of it."""
    channel = signal.channel(asked.point)
    part = _part(channel, *asked.part_s)
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

    rate = channel.sample_rate_hz
    samples = channel.samples[part[0] : part[1]]
    law, remarks = AngleLaw.steady(1.0, samples.size / rate), []
    mean_hz = 1.0
    if asked.axis == "order":
        law, method = _law_of_part(store, signal, part[0] / rate, part[1] / rate)
        mean_hz = law.mean_hz
        remarks.append(f"Orders from {mean_hz:.4g} Hz ({60 * mean_hz:.1f} r/min): {method}.")
    if asked.kind == "envelope":
        low, high = _asked(lambda: on_demand.band_limits(*asked.band_hz, rate))
        row, step = on_demand.envelope_lines(on_demand.band_of(samples, rate, low, high, law))
        return row, step, remarks
    even, per_turn = on_demand.resampled_to_angle(samples, rate, law)
    row, step = _asked(lambda: on_demand.line_amplitudes(even, per_turn, asked.window))
    times = _INTEGRATIONS[channel.quantity] - (asked.kind == "acceleration")
    row = on_demand.integrated(row, step * mean_hz, times=times, from_hz=VELOCITY_FROM_HZ)
    if asked.kind == "velocity":
        row = row * row.dtype.type(1e3)
    return row, step, remarks


def _whole(store: Store, capture: StoredCapture, asked: AskedSpectrum) -> tuple[Row, float]:
    """All lines of one capture of a cascade, from what was kept where that will do."""
    if asked.needs_samples:
        row, step, _ = _lines(store, _with_samples(store, capture.content), asked)
        return row, step
    return _archived(store, capture, asked)


def _y(kind: Kind, *, archived: bool) -> tuple[str, str]:
    """Name and unit of what is drawn."""
    return _OVER_FLOOR if kind == "envelope" and archived else (_NAMES[kind], _UNITS[kind])


def _archive(store: Store, content: str) -> tuple[ArchivedSpectrum, ...]:
    return CACHE.get(
        ("archive", content), lambda: store.spectra(content), lambda made: sum(one.top.nbytes for one in made)
    )


def _archived(store: Store, capture: StoredCapture, asked: AskedSpectrum) -> tuple[Row, float]:
    """A spectrum that was kept with the samples, and the step of its axis; lines read as those from samples do."""
    from vibe.spectra.plots.on_demand import as_lines

    point, kind, axis = asked.point, asked.kind, asked.axis
    if kind == "envelope" and any(edge is not None for edge in asked.band_hz):
        raise CallError("the samples of this capture were thinned away: the envelope of a band needs them")
    found = next((one for one in _archive(store, capture.content) if (one.point, one.kind) == (point, kind)), None)
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


def _turn(
    store: Store,
    signal: StoredSignal,
    channel: Channel,
    tone: Tone,
    band: Pair,
    named: int | None,
    etag: str,
) -> EvidenceRows:
    from vibe.diagnosis.rules.local_damage import PLACE_SHARE
    from vibe.spectra.envelope.synchronous_average import fold, localise
    from vibe.spectra.plots import on_demand

    assert tone.fold is not None
    low, high = _asked(lambda: on_demand.band_limits(band[0], band[1], channel.sample_rate_hz))
    found = law_of_capture(store, signal)
    if found is None:
        raise CallError("the speed of this capture is not known: no turn is known")
    envelope = on_demand.band_of(channel.samples, channel.sample_rate_hz, low, high, found.law)
    origin, parts = -float(found.law.turns[0]), tone.fold.count
    laid = fold([envelope], [(0, 0)], float(tone.fold.order), origin_turns=origin, parts=parts)
    angle_deg, level = laid.at_parts(tone.fold.count)
    shape = on_demand.relative(level)
    place = localise(laid, meetings=tone.meetings)
    stands = place.false_alarm_probability <= STANDS_OUT
    sure = PLACE_SHARE * place.width_deg / 360.0 * parts
    within = round(sure)
    # Between two parts either number is right: then the one is marked that the report names.
    marked = tuple(
        dict.fromkeys(
            named if named is not None and _apart(at, named - 1, parts) <= 0.5 + sure else round(at) % parts + 1
            for at in (angle / 360.0 * parts for angle in place.peaks_deg) if stands
        )
    )  # fmt: skip
    chance = 100 * place.false_alarm_probability
    percent = "below 0.001 %" if chance < 0.001 else f"of {chance:.2g} %"
    remarks = [
        f"Averaged over {laid.turns:.0f} turns; speed {found.words}.",
        ("One place stands out" if stands else "No place stands out")
        + f": a sound, uneven {tone.fold.part} turn shows such a peak with a chance {percent}.",
        "Marked is where the impact begins; the level is highest a little later, while it rings." if marked else "",
        f"Counted from {'the pulse' if found.absolute else 'an arbitrary start'}.",
    ]
    return replace(
        _rows(
            "turn", f"One turn by {tone.fold.part}, {channel.name}, {low:.0f} to {high:.0f} Hz", shape, etag,
            (signal.capture,), x0=0.0, dx=float(angle_deg[1]), x_name="Angle", x_unit="deg",
            y_name="Envelope over its median, relative to the highest place", unit="",
            remarks=[remark for remark in remarks if remark],
        ),
        count=tone.fold.count, part=tone.fold.part, marked=marked,
        within=within if marked else 0,
    )  # fmt: skip


def _apart(one: float, other: float, count: int) -> float:
    """How many parts two places of a ring of parts are apart."""
    return min((one - other) % count, (other - one) % count)


def _rows(
    kind: Literal["spectrum", "waveform", "turn", "cascade"],
    title: str,
    values: Row,
    etag: str,
    captures: Sequence[StoredCapture],
    *,
    x0: float,
    dx: float,
    x_name: str,
    x_unit: str,
    y_name: str,
    unit: str,
    remarks: Sequence[str] = (),
) -> EvidenceRows:
    from vibe.core.records.evidence_rows import EvidenceRows

    return EvidenceRows(
        kind=kind, title=title, values=values, x0=x0, dx=dx, x_name=x_name, x_unit=x_unit, y_name=y_name, unit=unit,
        etag=etag, rows=tuple(map(_row_of, captures)), remarks=tuple(remarks),
    )  # fmt: skip


def _row_of(capture: StoredCapture) -> RowOf:
    from vibe.core.records.evidence_rows import RowOf

    return RowOf(content=capture.content, drive=capture.drive, measured_at=capture.measured_at, kept=capture.kept)


def _title(kind: Kind, band: Pair) -> str:
    words = {
        "acceleration": "Spectrum of acceleration",
        "velocity": "Spectrum of velocity",
        "envelope": "Envelope spectrum",
    }[kind]
    if band[0] is not None and band[1] is not None:
        words += f", {band[0]:.0f} to {band[1]:.0f} Hz"
    return words


def _default_stop(kind: Kind, axis: Axis, lines: Sequence[tuple[StoredCapture, Row, float]]) -> float:
    end = max(row.size * step for _, row, step in lines)
    speed_hz = next((c.speed_hz for c, _, _ in lines if c.speed_hz), None)
    if kind == "acceleration":
        return end
    if kind == "velocity":
        return min(end, VELOCITY_TO_HZ if axis == "Hz" else VELOCITY_TO_HZ / (speed_hz or 1.0))
    return min(end, ENVELOPE_TO_ORDER if axis == "order" else ENVELOPE_TO_ORDER * (speed_hz or 25.0))


def _with_samples(store: Store, content: str) -> StoredSignal:
    signal = signal_of(store, content)
    if not signal.channels:
        why = "was lost" if signal.capture.waveform == "lost" else "has no samples any more: they were thinned away"
        raise CallError(f"the capture of {signal.capture.measured_at:%Y-%m-%d %H:%M} {why}")
    return signal


def _part(channel: Channel, from_s: float | None, to_s: float | None) -> tuple[int, int]:
    """Samples of a part of a capture."""
    count, rate = channel.samples.size, channel.sample_rate_hz
    first = 0 if from_s is None else max(0, int(from_s * rate))
    last = count if to_s is None else min(count, int(to_s * rate + 0.5))
    if last - first < 16:
        end = count / rate if to_s is None else to_s
        raise CallError(
            f"between {from_s or 0:g} and {end:g} s there are no samples; the capture lasts {count / rate:g} s"
        )
    return first, last


def _known(what: str, said: str, there: Sequence[str]) -> None:
    if said not in there:
        raise CallError(f"{said[:40]!r} is no {what}; there are {', '.join(there)}")


def _finite(*numbers: float | None) -> None:
    for number in numbers:
        if number is not None and not isfinite(number):
            raise CallError(f"{number} is not a number that can be asked for")


def _asked(make: Callable[[], T]) -> T:
    """What cannot be worked out because of what was asked, as a sentence for whoever asked."""
    try:
        return make()
    except ValueError as error:
        raise CallError(str(error)) from None


def _kept(key: tuple[object, ...], make: Callable[[], EvidenceRows]) -> EvidenceRows:
    return CACHE.get(key, make, lambda made: made.values.nbytes)


def _etag(key: tuple[object, ...]) -> str:
    from vibe import __version__

    return hashlib.sha256(repr((__version__, key)).encode()).hexdigest()[:32]


def _wav(samples: bytes, rate_hz: int) -> bytes:
    import wave

    buffer = io.BytesIO()
    with wave.open(buffer, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(rate_hz)
        file.writeframes(samples)
    return buffer.getvalue()
