"""A resampled, moved or barely overlapping copy of a recording is known by its noise; repeats are no copies."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from numpy.typing import NDArray

from vibe.core.capture import Channel
from vibe.ingest.quality.recording.noise_print import ComparedPrints, NoisePrint, noise_print
from vibe.ingest.quality.recording.same_recording import SameRecording

RATE_HZ, SECONDS = 6_400.0, 10.0
Row = NDArray[np.float64]


def measured(seed: int, speed_hz: float = 24.31, pulses: float = 3.0, unsteady: float = 3e-4) -> Row:
    """(n,) strong lines in one phase, pulses of one phase that ring in the band, and noise of its own; the speed goes
    its own way by as much as ``unsteady``."""
    draw = np.random.default_rng(seed)
    t = np.arange(int(SECONDS * RATE_HZ)) / RATE_HZ
    turns = speed_hz * (t + unsteady * (np.sin(t + draw.uniform(0, 6)) + 2 * np.sin(t / 2 + draw.uniform(0, 6))))
    lines = sum(3.0 * np.cos(2 * np.pi * order * turns) for order in (1, 2, 13, 13 + 1 / 12, 14, 26, 39))
    ring = np.exp(-60 * t[:600]) * np.sin(2 * np.pi * 430 * t[:600])
    struck = np.zeros(t.size)
    struck[np.searchsorted(turns, np.arange(1.0, turns[-1]))[:-1]] = pulses
    return np.asarray(lines + np.convolve(struck, ring)[: t.size] + draw.normal(size=t.size))


def resampled(row: Row, pace: float) -> Row:
    """As if it had been taken at another pace."""
    fine = np.fft.irfft(np.fft.rfft(row), 8 * row.size) * 8
    return np.interp(8 * np.arange(0, row.size - 1, 1 / pace), np.arange(fine.size), fine)


def kept(row: Row) -> NoisePrint | None:
    return noise_print([
        Channel(name="p", samples=row.astype(np.float32), sample_rate_hz=RATE_HZ, recorded_unit="m/s^2",
                quantity="acceleration")
    ])  # fmt: skip


def found(one: Row, other: Row) -> SameRecording | None:
    return ComparedPrints([kept(one), kept(other)]).same(0, 1)


@pytest.mark.parametrize(("pace", "moved_s", "noise"), [
    (1.0005, 0.0, 0.0), (0.9995, 4.0, 0.1), (1.0032, 0.0, 0.3), (0.985, 3.0, 0.1), (1.028, 0.0, 0.0), (1.0, 9.0, 0.1),
    (1.002, 9.0, 0.0),
])  # fmt: skip
def test_a_copy_is_known_though_it_was_resampled_and_barely_overlaps(pace: float, moved_s: float, noise: float) -> None:
    draw = np.random.default_rng(3)
    row = measured(1)
    first = int(moved_s * RATE_HZ)
    copy = -0.7 * np.concatenate([resampled(row[first:], pace), measured(2)[:first]])
    same = found(row, copy + noise * copy.std() * draw.normal(size=copy.size))
    assert same is not None
    # In one second, to half a sample of the print.
    assert same.pace == pytest.approx(pace, abs=3e-4 if moved_s > 5 else 3e-5)
    assert same.lag_s == pytest.approx(moved_s * pace, abs=2e-3)
    if abs(pace - 1) > 3e-4:
        assert "resampled by" in same.in_words
    back = found(copy, row)
    assert back is not None
    assert back.pace == pytest.approx(1 / pace, abs=3e-4)


@pytest.mark.parametrize("pace", [1.0, 1.012])
def test_a_copy_that_runs_backwards_is_known_at_any_pace_and_in_noise(pace: float) -> None:
    row, draw = measured(1), np.random.default_rng(4)
    copy = resampled(row, pace)[::-1]
    same = found(row, copy + 0.3 * copy.std() * draw.normal(size=copy.size))
    assert same is not None
    assert same.turned
    assert same.pace == pytest.approx(pace, abs=3e-5)
    assert "backwards" in same.in_words
    assert ("resampled by" in same.in_words) is (pace != 1.0)


def test_repeats_at_one_phase_with_strong_lines_and_pulses_are_as_many_recordings() -> None:
    rows = [
        measured(1), measured(2), measured(3, pulses=50.0), measured(4, pulses=50.0), measured(5, speed_hz=24.34),
        measured(6, pulses=50.0, unsteady=0.0), measured(7, pulses=50.0, unsteady=0.0), measured(8)[:9_000],
    ]  # fmt: skip
    compared = ComparedPrints([kept(row) for row in rows])
    assert [pair for pair in combinations(range(len(rows)), 2) if compared.same(*pair)] == []


def test_a_bearing_that_rings_alike_a_turn_later_is_no_copy(monkeypatch: pytest.MonkeyPatch) -> None:
    """Noise far below the pulses: they agree from capture to capture, and as much a few pulses later."""
    monkeypatch.setattr("vibe.ingest.quality.recording.noise_print.WORTH_FOLLOWING", 0.0)
    ring = np.exp(-np.arange(200) / 60) * np.sin(2 * np.pi * 430 / RATE_HZ * np.arange(200))

    def struck(seed: int) -> Row:
        draw = np.random.default_rng(seed)
        row = np.zeros(int(SECONDS * RATE_HZ))
        row[(np.cumsum(1 + 0.003 * draw.normal(size=1_150)) / 118.0 * RATE_HZ).astype(int)] = 1.0
        return np.convolve(row, ring)[: row.size] + 0.02 * draw.normal(size=row.size)

    assert found(struck(1), struck(2)) is None
    assert found(struck(1), resampled(struck(1), 1.001)) is not None


def test_a_record_keeps_it_as_text() -> None:
    one = kept(measured(1))
    assert one is not None
    assert len(one.text) < 8_000
    again = NoisePrint.of_text(one.text)
    assert again is not None
    assert again.count == one.count
    assert np.array_equal(again.bits, one.bits)
    assert np.array_equal(again.quiet, one.quiet)
    count, bits, quiet = one.text.split(":")
    # The last one: as an earlier version kept it, of another band.
    other = (f"{one.count + 8}:{bits}:{quiet}", f"{count}:{bits}:{quiet[:8]}", f"{count}:{bits}")
    for wrong in ("", "7", "9:!!:!!", *other):
        assert NoisePrint.of_text(wrong) is None
    assert kept(np.zeros(64_000)) is None
    assert kept(np.random.default_rng(1).normal(size=2_000)) is None
    assert ComparedPrints([None, one]).same(0, 1) is None


def test_a_minute_is_kept_of_a_longer_capture() -> None:
    long = noise_print([
        Channel(name="p", samples=np.random.default_rng(1).normal(size=65 * 4_000).astype(np.float32),
                sample_rate_hz=4_000.0, recorded_unit="m/s^2", quantity="acceleration")
    ])  # fmt: skip
    assert long is not None
    assert long.count == 60 * 4_000
