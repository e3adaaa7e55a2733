"""Faults of recorders: overflow, repeated buffers, filters. Each with a twin that must stay silent."""

from __future__ import annotations

import numpy as np
import pytest

from tests.ingest.ingest_signals import RATE_HZ, channel, machine
from vibe.core.capture import ChannelQuality
from vibe.ingest import assess
from vibe.synth.samples.recorder_faults import high_passed


def codes(quality: ChannelQuality) -> set[str]:
    return {reason.code for reason in quality.reasons}


def wrapped(samples: np.ndarray, at: float) -> np.ndarray:
    return (samples + at) % (2 * at) - at


@pytest.mark.parametrize("share", [0.25, 0.4, 0.6, 0.8])
@pytest.mark.parametrize("seed", [1, 2])
def test_values_that_wrap_are_reported_at_any_level(share: float, seed: int) -> None:
    whole = machine(seed=seed)
    at = share * float(np.abs(whole).max())
    quality = assess(channel(wrapped(whole, at)))
    assert "overflow" in codes(quality)
    assert quality.verdict == "rejected"
    assert "overflow" not in codes(assess(channel(whole)))


@pytest.mark.parametrize("hz", [1000.0, 5200.0, 8100.0, 9900.0])
def test_a_strong_tone_and_a_clipped_signal_do_not_wrap(hz: float) -> None:
    time_s = np.arange(round(4 * RATE_HZ)) / RATE_HZ
    tone = 3 * np.sin(2 * np.pi * hz * time_s) + 0.1 * machine()
    assert "overflow" not in codes(assess(channel(tone)))
    # From end to end in one sample, but cut off and not wrapped.
    assert "overflow" not in codes(assess(channel(np.clip(4 * tone, -5, 5))))


def test_impacts_that_ring_high_do_not_wrap() -> None:
    rng = np.random.default_rng(5)
    ringing = np.exp(-np.arange(60) / 12) * np.cos(2 * np.pi * 0.38 * np.arange(60))
    impacts = np.zeros(round(4 * RATE_HZ))
    impacts[rng.integers(0, impacts.size - 60, 400)] = rng.choice([-6.0, 6.0], 400)
    assert "overflow" not in codes(assess(channel(machine() + np.convolve(impacts, ringing)[: impacts.size])))


@pytest.mark.parametrize(("block_s", "copies"), [(0.16, 4), (2.0, 1), (0.02, 1)])
def test_a_buffer_written_again_is_reported_with_its_place(block_s: float, copies: int) -> None:
    whole = machine(6.0)
    size, at = round(block_s * RATE_HZ), round(3.0 * RATE_HZ)
    again = whole.copy()
    for copy in range(copies):
        again[at + copy * size : at + (copy + 1) * size] = whole[at - size : at]
    quality = assess(channel(again))
    assert "repeated" in codes(quality)
    reason = next(reason for reason in quality.reasons if reason.code == "repeated")
    assert "from 3.0" in reason.text
    assert "repeated" not in codes(assess(channel(whole)))


@pytest.mark.parametrize("steps", [20, 200, 30_000])
def test_a_coarse_recorder_does_not_repeat_itself(steps: int) -> None:
    whole = machine(8.0)
    grain = 2 * np.abs(whole).max() / steps
    assert "repeated" not in codes(assess(channel(np.rint(whole / grain) * grain)))


def test_a_tone_in_step_with_the_sampling_does_not_repeat_itself() -> None:
    cycle = np.sin(2 * np.pi * np.arange(32) / 32)
    assert "repeated" not in codes(assess(channel(np.tile(cycle, 4000))))


@pytest.mark.parametrize("mains_hz", [50.0, 59.97])
@pytest.mark.parametrize(("strength", "verdict"), [(1.2, "limited"), (30.0, "rejected")])
def test_mains_hum_far_above_the_machine_is_reported(mains_hz: float, strength: float, verdict: str) -> None:
    whole = machine(8.0)
    time_s = np.arange(whole.size) / RATE_HZ
    wave = sum(a * np.sin(2 * np.pi * k * mains_hz * time_s + k) for k, a in ((1, 1.0), (3, 0.3), (5, 0.2), (7, 0.1)))
    quality = assess(channel(whole + strength * wave), speed_hz=24.3)
    reason = next(reason for reason in quality.reasons if reason.code == "hum")
    assert reason.verdict == verdict
    assert "hum" not in codes(assess(channel(whole), speed_hz=24.3))


@pytest.mark.parametrize(("line_hz", "speed_hz"), [(48.7, 48.7), (50.0, 50.0), (50.0, 25.0), (49.2, 24.6)])
def test_a_strong_line_of_the_shaft_is_no_hum(line_hz: float, speed_hz: float) -> None:
    whole = machine(8.0)
    time_s = np.arange(whole.size) / RATE_HZ
    wave = sum(a * np.sin(2 * np.pi * k * line_hz * time_s + k) for k, a in ((1, 1.0), (2, 0.2), (3, 0.3)))
    assert "hum" not in codes(assess(channel(whole + 20 * wave), speed_hz=speed_hz))


def rectified(samples: np.ndarray, line_hz: float, mm_s: float) -> np.ndarray:
    """With lines at ``line_hz`` and its multiples, the first of ``mm_s`` r.m.s."""
    time_s = np.arange(samples.size) / RATE_HZ
    first = 1e-3 * mm_s * 2**0.5 * 2 * np.pi * line_hz
    return np.asarray(samples + sum(first / k * np.sin(2 * np.pi * k * line_hz * time_s + k) for k in range(1, 7)))


@pytest.mark.parametrize("mains_hz", [50.0, 59.97])
def test_a_rectifier_on_the_cable_is_reported(mains_hz: float) -> None:
    whole = machine(8.0)
    speeds = integrated_mm_s(whole)
    quality = assess(channel(rectified(whole, 6 * mains_hz, 2.0 * float(speeds.std()))), speed_hz=24.3)
    reason = next(reason for reason in quality.reasons if reason.code == "rectifier_lines")
    assert (reason.verdict, f"at {6 * round(mains_hz)} Hz" in reason.text) == ("limited", True)


@pytest.mark.parametrize(
    ("line_hz", "times", "speed_hz"),
    [
        (300.0, 0.7, 24.3),  # weaker than the machine
        (302.0, 2.0, 24.3),  # not the mains: a mesh
        (300.0, 2.0, 25.0),  # a mesh of twelve teeth on a shaft in step with the mains
    ],
)
def test_lines_that_change_no_level_or_are_of_a_shaft_are_no_rectifier(
    line_hz: float, times: float, speed_hz: float
) -> None:
    whole = machine(8.0)
    speeds = integrated_mm_s(whole)
    quality = assess(channel(rectified(whole, line_hz, times * float(speeds.std()))), speed_hz=speed_hz)
    assert "rectifier_lines" not in codes(quality)


def integrated_mm_s(samples: np.ndarray) -> np.ndarray:
    lines, hz = np.fft.rfft(samples), np.fft.rfftfreq(samples.size, 1 / RATE_HZ)
    over = np.divide(1.0, 2 * np.pi * hz, out=np.zeros(hz.size), where=hz > 3)
    return np.asarray(1e3 * np.fft.irfft(lines * over * -1j, samples.size))


@pytest.mark.parametrize("corner_hz", [25.0, 60.0, 110.0])
def test_a_high_pass_that_takes_slow_lines_away_is_reported(corner_hz: float) -> None:
    quality = assess(channel(high_passed(machine(8.0, level=0.1), RATE_HZ, corner_hz)))
    reason = next(reason for reason in quality.reasons if reason.code == "low_cut")
    assert 0.3 < float(reason.text.split("about ")[1].split(" Hz")[0]) / corner_hz < 2.0
    assert quality.usable_band_hz is not None
    assert quality.usable_band_hz[0] > 0.3 * corner_hz


@pytest.mark.parametrize("kind", ["as it is", "coupled at 2 Hz", "drifts", "on soft mounts"])
def test_recorders_that_let_the_shaft_pass_are_not_accused(kind: str) -> None:
    whole = machine(8.0, level=0.1)
    if kind == "coupled at 2 Hz":
        whole = high_passed(whole, RATE_HZ, 2.0)
    elif kind == "drifts":
        whole = whole + 0.02 * np.cumsum(np.random.default_rng(2).standard_normal(whole.size))
    elif kind == "on soft mounts":  # falls below their resonance as behind a filter, down to the sensor's noise
        whole = high_passed(whole, RATE_HZ, 40.0) + 0.02 * np.random.default_rng(2).standard_normal(whole.size)
    assert "low_cut" not in codes(assess(channel(whole)))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_velocity_under_the_name_of_acceleration_is_reported(seed: int) -> None:
    whole = machine(seed=seed)
    assert "quantity" in codes(assess(channel(integrated_mm_s(whole))))
    assert "quantity" not in codes(assess(channel(whole)))


@pytest.mark.parametrize("lost_s", [0.11, 0.243, 0.385])
@pytest.mark.parametrize("at_s", [3.0, 5.2])
def test_lost_samples_are_reported_with_their_place(lost_s: float, at_s: float) -> None:
    # Whole turns that are lost leave no trace in lines of the shaft; these are not whole.
    whole = drifting(10.0)
    first, then = round(at_s * RATE_HZ), round((at_s + lost_s) * RATE_HZ)
    quality = assess(channel(np.concatenate((whole[:first], whole[then:]))))
    reason = next(reason for reason in quality.reasons if reason.code == "spliced")
    assert abs(float(reason.text.split("about ")[1].split(" s")[0]) - at_s) < 0.5
    assert "spliced" not in codes(assess(channel(whole)))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_packets_lost_every_other_second_are_found(seed: int) -> None:
    # Four long windows in a row nearly always hold another loss.
    rng = np.random.default_rng(seed)
    whole = drifting(10.0)
    keep = np.ones(whole.size, dtype=bool)
    for at_s in np.arange(0.8, 9.5, 2.0):
        first = round((at_s + rng.uniform(0, 0.2)) * RATE_HZ)
        keep[first : first + round(rng.uniform(0.01, 0.035) * RATE_HZ)] = False
    assert "spliced" in codes(assess(channel(whole[keep])))


@pytest.mark.parametrize("kind", ["ramp", "beat", "load step", "shock"])
def test_machines_that_change_have_lost_nothing(kind: str) -> None:
    time_s = np.arange(round(10 * RATE_HZ)) / RATE_HZ
    whole = drifting(10.0, ramp=0.02 if kind == "ramp" else 0.0)
    if kind == "beat":
        whole = whole + sum(a * np.sin(2 * np.pi * 24.7 * k * time_s) for k, a in ((1, 0.5), (2, 0.4), (18, 0.3)))
    elif kind == "load step":
        whole = whole * np.where(time_s > 5, 1.6, 1.0)
    elif kind == "shock":
        whole = whole + 20 * np.exp(-np.maximum(time_s - 5, 0) * 300) * (time_s >= 5) * np.sin(6000 * time_s)
    assert "spliced" not in codes(assess(channel(whole)))


def drifting(seconds: float, *, ramp: float = 0.0) -> np.ndarray:
    """Shaft and mesh lines whose speed wanders as a loaded motor's does, in the noise of ``machine``."""
    rng = np.random.default_rng(4)
    size = round(seconds * RATE_HZ)
    slow = np.interp(np.arange(size), np.linspace(0, size, 41), rng.standard_normal(41))
    turns = np.cumsum(24.3 * (1 + 3e-4 * slow + ramp * np.arange(size) / size)) / RATE_HZ
    lines = sum(a * np.sin(2 * np.pi * k * turns + k) for k, a in ((1, 0.5), (2, 0.4), (17, 0.2), (18, 0.3), (36, 0.2)))
    return np.asarray(lines + 0.5 * rng.standard_normal(size))
