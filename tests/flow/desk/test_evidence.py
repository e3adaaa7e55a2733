"""Pictures on demand say what the samples hold, to closed forms."""

from __future__ import annotations

import io
import json
import wave
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.flow.desk.evidence_store import (
    POINT,
    RATE_HZ,
    SECONDS,
    SPEED_HZ,
    TOML,
    channel,
    clock,
    keep,
    noise,
    opened,
    pulses,
)
from vibe.core.errors import CallError
from vibe.core.records.history import ArchivedSpectrum
from vibe.flow.desk.byte_cache import ByteCache
from vibe.flow.desk.stored_signal import CACHE
from vibe.flow.evidence import asked, cascades, points, series, sounds, spectra, tone_marks, waveforms
from vibe.flow.evidence.turns import turn
from vibe.history.store.maintenance import thin
from vibe.history.store.store import Store


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    CACHE.clear()
    with opened(tmp_path / "store") as made:
        yield made


def at(rows: Any, place: float) -> float:
    """Greatest value within two cells of a place."""
    middle = round((place - rows.x0) / rows.dx)
    return float(rows.values[max(0, middle - 2) : middle + 3].max())


@pytest.mark.parametrize("window", asked.WINDOWS)
def test_a_sine_reads_its_rms_in_every_window_and_however_thinned(store: Store, window: Any) -> None:
    one = keep(store, 1, [channel(2.0 * np.sin(2 * np.pi * 1000 * clock()))])
    rows = spectra.spectrum(store, one, POINT, window=window)
    assert rows.values.dtype == np.float32
    assert rows.values.size <= 4000
    assert at(rows, 1000.0) == pytest.approx(2**0.5, rel=0.005)
    coarse = spectra.spectrum(store, one, POINT, window=window, most=100)
    assert coarse.values.size <= 100
    assert coarse.values.max() == pytest.approx(rows.values.max(), rel=1e-6)
    assert abs(coarse.x0 + coarse.dx * int(coarse.values.argmax()) - 1000.0) <= coarse.dx
    near = spectra.spectrum(store, one, POINT, window=window, start=990, stop=1010)
    assert near.x0 >= 990
    assert near.x0 + near.dx * (near.values.size - 1) <= 1010
    assert near.dx < 2 / SECONDS
    assert at(near, 1000.0) == pytest.approx(2**0.5, rel=0.005)


def test_velocity_is_acceleration_over_two_pi_f_whatever_was_recorded(store: Store) -> None:
    sine = np.sin(2 * np.pi * 100 * clock())
    one = keep(store, 1, [channel(sine), channel(0.01 * sine, name="other", quantity="velocity")])
    assert at(spectra.spectrum(store, one, POINT, kind="velocity"), 100.0) == pytest.approx(
        1e3 / 2**0.5 / (2 * np.pi * 100), rel=0.005
    )
    assert at(spectra.spectrum(store, one, "other", kind="velocity"), 100.0) == pytest.approx(10 / 2**0.5, rel=0.005)
    assert at(spectra.spectrum(store, one, "other"), 100.0) == pytest.approx(0.01 * 2 * np.pi * 100 / 2**0.5, rel=0.005)


def test_an_envelope_shows_what_modulates_its_band_and_no_other(store: Store) -> None:
    carrier = noise(1, 1.0)
    modulated = np.sqrt(1 + 0.8 * np.cos(2 * np.pi * 30 * clock())) * carrier
    lines = np.fft.rfft(modulated)
    lines[(np.fft.rfftfreq(carrier.size, 1 / RATE_HZ) < 2000) | (np.fft.rfftfreq(carrier.size, 1 / RATE_HZ) > 3000)] = 0
    one = keep(store, 1, [channel(np.fft.irfft(lines) + noise(2, 0.1))])
    inside = spectra.spectrum(store, one, POINT, kind="envelope", low_hz=2000, high_hz=3000, stop=100)
    outside = spectra.spectrum(store, one, POINT, kind="envelope", low_hz=4000, high_hz=5000, stop=100)
    assert at(inside, 30.0) == pytest.approx(80.0, rel=0.15)
    assert at(outside, 30.0) < 15.0
    orders = spectra.spectrum(store, one, POINT, kind="envelope", axis="order", low_hz=2000, high_hz=3000, stop=4)
    assert at(orders, 30.0 / SPEED_HZ) == pytest.approx(at(inside, 30.0), rel=0.05)


def test_a_line_stays_sharp_in_orders_while_the_speed_moves(store: Store) -> None:
    time = clock()
    turns = 24.0 * time + 0.5 * 0.1 * time**2  # 24 to 24.8 Hz
    samples = np.sin(2 * np.pi * 18 * turns)
    one = keep(store, 1, [channel(samples), pulses(turns)], speed_hz=float(turns[-1] / time[-1]))
    orders = spectra.spectrum(store, one, POINT, axis="order", start=17, stop=19)
    assert at(orders, 18.0) == pytest.approx(2**-0.5, rel=0.045)
    assert "pulses" in orders.remarks[0]
    assert spectra.spectrum(store, one, POINT, start=400, stop=500).values.max() < 0.3
    # Another file of the drive asks anew; what is in Hz stays what it was.
    before = [spectra.spectrum(store, one, POINT, axis=axis).etag for axis in asked.AXES]
    store.put_drive("SP-02", TOML.replace("output_pins = 8", "output_pins = 10"), "other")
    after = [spectra.spectrum(store, one, POINT, axis=axis).etag for axis in asked.AXES]
    assert [a == b for a, b in zip(before, after, strict=True)] == [True, False]


def test_the_part_that_strikes_is_the_one_that_is_marked(store: Store) -> None:
    turns = SPEED_HZ * clock()
    ring = np.exp(-np.arange(200) / 25.0) * np.sin(2 * np.pi * 3000 * np.arange(200) / RATE_HZ)
    struck = noise(3)
    first = np.flatnonzero(np.diff(np.floor(turns - 7 / 18)) > 0)  # the eccentric comes by the eighth pin
    for place in first[:-1]:
        struck[place : place + 200] += 2.0 * ring
    damaged = keep(store, 1, [channel(struck), pulses(turns)])
    sound = keep(store, 2, [channel(noise(4)), pulses(turns)])
    rows = turn(store, damaged, POINT, "stage1.ring_pin", low_hz=2000, high_hz=4000)
    assert rows.count == 18
    assert rows.marked == (8,)
    # The level crests after the hit: the mark must reach it, and not half the turn.
    highest = int(rows.values.argmax()) * rows.dx / 360.0 * rows.count + 1
    assert abs(highest - 8) <= rows.within + 0.5
    assert rows.within <= 1
    assert "the pulse" in rows.remarks[-1]
    assert turn(store, sound, POINT, "stage1.ring_pin", low_hz=2000, high_hz=4000).marked == ()
    # Of neighbours the report's number is marked; where it names another place, what is seen is.
    between = noise(3)
    for place in np.flatnonzero(np.diff(np.floor(turns - 7.48 / 18)) > 0)[:-1]:
        between[place : place + 200] += 2.0 * ring
    unnamed = keep(store, 3, [channel(between), pulses(turns)])
    (seen,) = turn(store, unnamed, POINT, "stage1.ring_pin", low_hz=2000, high_hz=4000).marked
    assert seen in (8, 9)
    for number, (named, marked) in enumerate(((17 - seen, 17 - seen), (12, seen)), start=4):
        band = {"kind": "comb", "text": "32 of 32 harmonics in 2000 to 4000 Hz", "value": 32.0, "channel": POINT}
        part = {"kind": "part", "text": "which ring pin of 18", "value": float(named), "channel": POINT}
        finding = {"component": "stage1.ring_pin", "defect": "local damage", "tone": "stage1.ring_pin"}
        report = json.dumps({"findings": [finding | {"probability": 0.9, "evidence": [band, part]}]})
        said = keep(store, number, [channel(between), pulses(turns)], health=report)
        assert turn(store, said, POINT, "stage1.ring_pin").marked == (marked,)
        assert turn(store, said, POINT, "stage1.ring_pin", low_hz=2000, high_hz=4000).marked == (seen,)


def test_a_waveform_keeps_its_extremes_and_a_gap_stays_a_gap(store: Store) -> None:
    samples = noise(5)
    samples[40_000], samples[30_000] = 9.0, -8.0
    samples[10_000:12_000] = np.nan
    one = keep(store, 1, [channel(samples)])
    rows = waveforms.waveform(store, one, POINT, most=500)
    assert rows.values.shape[0] == 2
    assert rows.values.shape[1] <= 500
    assert np.nanmax(rows.values[1]) == np.float32(9.0)
    assert np.nanmin(rows.values[0]) == np.float32(-8.0)
    assert rows.x0 + rows.dx * int(np.nanargmax(rows.values[1])) == pytest.approx(40_000 / RATE_HZ, abs=rows.dx)
    assert np.isnan(rows.values).any()
    part = waveforms.waveform(store, one, POINT, from_s=3.0, to_s=3.25)
    assert part.x0 == pytest.approx(3.0, abs=1e-6)
    assert part.values.shape[1] == 2560


def test_what_was_thinned_away_is_shown_from_what_was_kept(store: Store) -> None:
    line = np.zeros(2000, dtype=np.float32)
    line[320] = 1.0
    archived = ArchivedSpectrum(point=POINT, kind="acceleration", axis="Hz", step=3.125, top=line)
    one = keep(store, 1, [channel(np.sin(2 * np.pi * 1000 * clock()))], spectra=[archived])
    before = spectra.spectrum(store, one, POINT)
    from datetime import UTC, datetime

    thin(store, before=datetime(2030, 1, 1, tzinfo=UTC), dry=False)
    after = spectra.spectrum(store, one, POINT)
    assert after.etag != before.etag
    assert "thinned" in after.remarks[0]
    assert int(after.values.argmax()) == 320
    assert points.points(store, one)[0].sample_rate_hz is None
    for ask in (
        lambda: waveforms.waveform(store, one, POINT),
        lambda: sounds.sound(store, one, POINT),
        lambda: spectra.spectrum(store, one, POINT, kind="envelope", low_hz=2000, high_hz=3000),
        lambda: spectra.spectrum(store, one, POINT, from_s=1.0),
    ):
        with pytest.raises(CallError, match="thinned away"):
            ask()


def test_a_cascade_stands_at_its_dates_on_one_axis(store: Store) -> None:
    contents = []
    for number, step in ((3, 1.0), (1, 2.0), (9, 1.0)):
        line = np.full(int(5000 / step), 0.001, dtype=np.float32)
        line[round(1000 / step)] = float(number)
        archived = ArchivedSpectrum(point=POINT, kind="acceleration", axis="Hz", step=step, top=line)
        contents.append(keep(store, number, [channel(noise(number))], spectra=[archived]))
    contents.append(keep(store, 12, [channel(noise(12), name="elsewhere")]))
    rows = cascades.cascade(store, contents, POINT, start=500, stop=1500)
    assert [row.measured_at.day for row in rows.rows] == [6, 8, 14]
    assert rows.values.shape[0] == 3
    for number, row in zip((1, 3, 9), rows.values, strict=True):
        assert row.max() == pytest.approx(number * 1.5**0.5, rel=1e-5)
        assert abs(rows.x0 + rows.dx * int(row.argmax()) - 1000) <= 2.0
    assert "1 not shown" in rows.remarks[0]
    assert "2026-01-17" in rows.remarks[0]
    seen: list[int] = []
    some = cascades.cascade(store, contents, POINT, progress=lambda done, of: (seen.append(done), done < 2)[1])
    assert seen == [1, 2]
    assert some.values.shape[0] == 2
    assert "stopped after 2 of 4" in some.remarks[0]


def test_a_series_has_its_rejected_captures_as_times_without_values(store: Store) -> None:
    for number in (1, 2, 3):
        keep(store, number, [channel(noise(number))], kept="rejected" if number == 2 else "accepted")
    rows = series.series(store, "SP-02", POINT, "velocity_rms")
    assert rows.values.tolist() == [2.0, 4.0]
    assert rows.rejected_s.size == 1
    assert rows.time_s[0] < rows.rejected_s[0] < rows.time_s[1]
    assert np.isnan(rows.load_percent).all()
    with pytest.raises(CallError, match="velocity_rms"):
        series.series(store, "SP-02", POINT, "velosity")


def test_tones_stand_at_the_speed_of_the_capture(store: Store) -> None:
    known, unknown = keep(store, 1, [channel(noise(1))]), keep(store, 2, [channel(noise(2))], speed_hz=None)
    lobe = next(tone for tone in tone_marks.tones(store, "SP-02", known) if tone.id == "stage1.lobe")
    assert lobe.order_exact == "18/17"
    assert lobe.hz == pytest.approx(24 * 18 / 17)
    assert lobe.count == 17
    assert all(tone.hz is None for tone in tone_marks.tones(store, "SP-02", unknown))
    assert lobe.words == "lobe of the disc, stage 1"
    assert tone_marks.tones(store, "no drive file") == ()
    # What the supply makes stays where the supply is: at 24 Hz the motor slips by 1 Hz of 25.
    store.put_drive("SP-02", f"{TOML}[motor]\npoles = 4\nline_hz = 50\n", "with a motor")
    slow = keep(store, 3, [channel(noise(3))], speed_hz=23.5)
    for content, speed_hz in ((known, 24.0), (slow, 23.5)):
        motor = {tone.words: tone for tone in tone_marks.tones(store, "SP-02", content) if tone.family == "electrical"}
        assert motor["motor: twice line"].hz == pytest.approx(100.0)
        assert motor["motor: twice line"].order == pytest.approx(100.0 / speed_hz)
        assert motor["motor: pole pass"].hz == pytest.approx(4 * (25.0 - speed_hz))
    with pytest.raises(CallError, match="speed of this capture is not known"):
        spectra.spectrum(store, unknown, POINT, axis="order")


def test_a_sound_keeps_the_beat_and_moves_only_the_pitch(store: Store) -> None:
    carrier = np.sin(2 * np.pi * 3000 * clock()) * (clock() % 0.5 < 0.1)
    one = keep(store, 1, [channel(carrier + noise(1, 0.001)), channel(0 * clock(), name="silent")])
    made = sounds.sound(store, one, POINT, low_hz=2500, high_hz=3500)
    with wave.open(io.BytesIO(made.wav)) as file:
        rate, count = file.getframerate(), file.getnframes()
        samples = np.frombuffer(file.readframes(count), dtype="<i2").astype(float)
    assert count / rate == pytest.approx(SECONDS, rel=0.01)
    assert np.abs(samples).max() <= 0.71 * 32767
    loud = np.abs(samples)[: rate // 2 * 8].reshape(8, -1)
    assert (loud[1:, : int(0.08 * rate)].mean(axis=1) > 20 * loud[1:, int(0.2 * rate) :].mean(axis=1)).all()
    lines = np.abs(np.fft.rfft(samples))
    assert np.fft.rfftfreq(count, 1 / rate)[lines.argmax()] == pytest.approx(3000 - made.moved_down_hz, abs=5)
    assert sounds.sound(store, one, "silent", low_hz=2500, high_hz=3500).wav.count(0) > 100_000


def test_what_cannot_be_shown_is_said_in_a_sentence(store: Store) -> None:
    one = keep(store, 1, [channel(noise(1))])
    for match, ask in (
        ("no capture", lambda: spectra.spectrum(store, "ab" * 32, POINT)),
        ("no capture", lambda: spectra.spectrum(store, "../../etc/passwd", POINT)),
        ("it has input side", lambda: spectra.spectrum(store, one, "<b>")),
        ("there are hann", lambda: spectra.spectrum(store, one, POINT, window="kaiser")),  # type: ignore[arg-type]
        ("there is nothing", lambda: spectra.spectrum(store, one, POINT, start=7000, stop=8000)),
        ("20 Hz or more", lambda: spectra.spectrum(store, one, POINT, kind="envelope", low_hz=3000, high_hz=3001)),
        ("lasts 5 s", lambda: waveforms.waveform(store, one, POINT, from_s=9.0)),
        ("these have one", lambda: turn(store, one, POINT, "stage1.mesh")),
        ("needs a capture", lambda: cascades.cascade(store, [], POINT)),
        ("not a number", lambda: spectra.spectrum(store, one, POINT, start=float("nan"))),
        ("not a number", lambda: sounds.sound(store, one, POINT, low_hz=float("inf"))),
    ):
        with pytest.raises(CallError, match=match):
            ask()


def test_the_cache_answers_again_and_stays_within_its_bytes(store: Store) -> None:
    one = keep(store, 1, [channel(noise(1))])
    first = spectra.spectrum(store, one, POINT)
    assert spectra.spectrum(store, one, POINT) is first
    assert not first.values.flags.writeable
    cache = ByteCache(10_000)
    made: list[int] = []

    def value(number: int, size: int) -> bytes:
        return cache.get(number, lambda: (made.append(number), bytes(size))[1], len)

    for number in range(20):
        value(number, 1000)
        assert cache.bytes <= 10_000
    value(19, 1000)
    value(0, 1000)
    assert made == [*range(20), 0]
    value(99, 6000)
    value(99, 6000)
    assert made[-2:] == [99, 99]
    assert cache.bytes <= 10_000
