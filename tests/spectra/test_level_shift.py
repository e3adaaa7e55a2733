"""Bands that moved alike: a unit or a scale, never a machine."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from vibe.spectra.identity.level_shift import shift
from vibe.spectra.identity.point_likeness import Signature, signature

RATE_HZ = 25_600.0


def floor(seed: int, *, ringing_hz: float = 3200.0, level: float = 1.0) -> np.ndarray:
    noise = np.random.default_rng(seed).standard_normal(round(6 * RATE_HZ))
    radius, angle = 0.95, 2 * np.pi * ringing_hz / RATE_HZ
    ringing = lfilter([1.0], [1.0, -2 * radius * np.cos(angle), radius**2], noise)
    return np.asarray(level * (ringing / ringing.std() + 0.1 * noise), dtype=np.float32)


def visit(samples: np.ndarray) -> Signature:
    return signature(samples.astype(np.float32), RATE_HZ)


PAST = [visit(floor(seed, level=level)) for seed, level in ((1, 1.0), (2, 1.2), (3, 0.9))]


@pytest.mark.parametrize("factor", [10, 0.1, 1 / 30, 9.80665, 1 / 9.80665, 1000])
def test_a_common_factor_is_found(factor: float) -> None:
    moved = shift(visit(factor * floor(7)), PAST)
    assert moved is not None
    assert moved.kind == "scale"
    assert moved.factor == pytest.approx(factor, rel=0.15)


def test_velocity_leans_against_acceleration() -> None:
    lines, hz = np.fft.rfft(floor(7)), np.fft.rfftfreq(floor(7).size, 1 / RATE_HZ)
    over = np.divide(1.0, 2 * np.pi * hz, out=np.zeros(hz.size), where=hz > 3)
    moved = shift(visit(np.fft.irfft(lines * over, floor(7).size)), PAST)
    assert moved is not None
    assert moved.kind == "integrated"


@pytest.mark.parametrize("level", [0.5, 1.0, 2.0])
def test_load_and_speed_are_no_scale(level: float) -> None:
    assert shift(visit(floor(8, level=level)), PAST) is None


def test_damage_that_raises_one_resonance_and_another_mount_are_no_scale() -> None:
    assert shift(visit(floor(8) + 10 * floor(9, ringing_hz=5200.0)), PAST) is None
    assert shift(visit(floor(8, ringing_hz=1800.0, level=5.0)), PAST) is None
    assert shift(visit(floor(8)), []) is None


@pytest.mark.parametrize(("rings_hz", "damping"), [(1500.0, 0.03), (2200.0, 0.1), (3800.0, 0.06)])
def test_a_softer_mount_is_known_by_what_it_shuts_off(rings_hz: float, damping: float) -> None:
    whole = floor(7)
    r = np.fft.rfftfreq(whole.size, 1 / RATE_HZ) / rings_hz
    passed = (1 + 2j * damping * r) / (1 - r**2 + 2j * damping * r)
    moved = shift(visit(np.fft.irfft(np.fft.rfft(whole) * passed, whole.size)), PAST)
    assert moved is not None
    assert moved.kind == "mount"
    assert moved.rings_hz == pytest.approx(rings_hz, rel=0.1)
