"""Bands that moved alike: a unit or a scale, never a machine."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter
from scipy.stats import norm

from vibe.spectra.identity.level_shift import LevelShift, band_centres_hz, fallen_db, shift, unchanged
from vibe.spectra.identity.point_likeness import Signature, signature

RATE_HZ = 25_600.0


def floor(seed: int, *, ringing_hz: float = 3200.0, level: float = 1.0) -> np.ndarray:
    noise = np.random.default_rng(seed).standard_normal(round(6 * RATE_HZ))
    radius, angle = 0.95, 2 * np.pi * ringing_hz / RATE_HZ
    ringing = lfilter([1.0], [1.0, -2 * radius * np.cos(angle), radius**2], noise)
    return np.asarray(level * (ringing / ringing.std() + 0.1 * noise), dtype=np.float32)


def visit(samples: np.ndarray) -> Signature:
    return signature(samples.astype(np.float32), RATE_HZ)


BANDS = band_centres_hz().size


def moved_by(moved_db: np.ndarray) -> LevelShift | None:
    """What is said where the bands of a flat floor moved so."""
    now, then = (Signature(level_db=level.astype(np.float32)) for level in (moved_db, np.zeros(BANDS)))
    return shift(now, [then])


def scattered(sigma_db: float) -> np.ndarray:
    """Bands that scatter normally, as evenly as so many can."""
    quantiles = norm.ppf((np.arange(BANDS) + 0.5) / BANDS)
    return np.asarray(sigma_db * np.random.default_rng(3).permutation(quantiles))


def leaning(db_per_decade: float, bands: int = 0) -> np.ndarray:
    """Bands that lean; those beyond the first ``bands`` are not known, if that is given."""
    levels = db_per_decade * np.log10(band_centres_hz())
    return np.where(np.arange(BANDS) < (bands or BANDS), levels, np.nan)


def soft(rings_hz: float) -> np.ndarray:
    r = band_centres_hz() / rings_hz
    return np.asarray(-10 * np.log10((1 - r**2) ** 2 + (0.1 * r) ** 2))


@pytest.mark.parametrize(("moved_db", "stated"), [(7.0, False), (9.0, True), (-7.0, False), (-9.0, True)])
def test_a_scale_is_more_than_load_and_speed_move_a_floor(moved_db: float, stated: bool) -> None:
    """By 6 dB at most, from visit to visit."""
    assert (moved_by(np.full(BANDS, moved_db)) is not None) is stated


@pytest.mark.parametrize(("scatter_db", "alike"), [(1.1, True), (2.2, False)])
def test_bands_that_scatter_more_than_one_place_does_are_no_scale(scatter_db: float, alike: bool) -> None:
    assert (moved_by(20.0 + scattered(scatter_db)) is not None) is alike


@pytest.mark.parametrize(("off_db", "stated"), [(0.0, True), (1.5, True), (-1.5, True), (3.0, False), (-3.0, False)])
@pytest.mark.parametrize("kind", ["integrated", "differentiated"])
def test_a_lean_of_twenty_decibels_a_decade_is_an_integration(kind: str, off_db: float, stated: bool) -> None:
    sign = -1.0 if kind == "integrated" else 1.0
    found = moved_by(sign * leaning(20.0 + off_db))
    assert (found is not None and found.kind == kind) is stated


@pytest.mark.parametrize(("bands", "stated"), [(24, True), (16, False)])
def test_a_lean_over_an_octave_is_none_yet(bands: int, stated: bool) -> None:
    assert (moved_by(leaning(-20.0, bands)) is not None) is stated


@pytest.mark.parametrize(("scatter_db", "stated"), [(1.5, True), (3.0, False)])
def test_bands_that_scatter_about_the_law_of_a_mount_more_than_places_do_are_none(
    scatter_db: float, stated: bool
) -> None:
    found = moved_by(soft(2200.0) + scattered(scatter_db))
    assert (found is not None and found.kind == "mount") is stated


@pytest.mark.parametrize(("top_hz", "stated"), [(9000.0, True), (5000.0, False)])
def test_a_mount_is_named_only_where_its_fall_is_seen(top_hz: float, stated: bool) -> None:
    """A resonance whose far side the capture does not reach may be the machine's own."""
    found = moved_by(np.where(band_centres_hz() < top_hz, soft(3000.0), np.nan))
    assert (found is not None and found.kind == "mount") is stated


@pytest.mark.parametrize(("rings_hz", "stated"), [(700.0, False), (1350.0, True), (4500.0, True), (7500.0, False)])
def test_mounts_that_ring_lower_than_a_probe_or_as_high_as_a_firm_magnet_are_not_named(
    rings_hz: float, stated: bool
) -> None:
    """A probe held by hand rings near 2 kHz, a firm magnet above 7 kHz (ISO 5348)."""
    found = moved_by(soft(rings_hz))
    assert (found is not None and found.kind == "mount") is stated


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


@pytest.mark.parametrize(("scatter_db", "same"), [(1.3, True), (1.7, False)])
def test_a_place_that_rings_as_before_is_known_at_any_level(scatter_db: float, same: bool) -> None:
    then = Signature(level_db=soft(1700.0).astype(np.float32))
    now = Signature(level_db=(soft(1700.0) + 5.0 + scattered(scatter_db)).astype(np.float32))
    assert unchanged(now, [then]) is same
    assert not unchanged(now, [])
    assert not unchanged(Signature(level_db=soft(2000.0).astype(np.float32)), [then])


@pytest.mark.parametrize(("moved_db", "stands"), [(-13.0, True), (-11.0, False), (-20.0, True)])
def test_a_machine_that_stands_falls_to_a_quarter(moved_db: float, stands: bool) -> None:
    now, then = (Signature(level_db=np.full(BANDS, level, dtype=np.float32)) for level in (moved_db, 0.0))
    assert fallen_db(now, [then]) == (-moved_db if stands else None)
