"""Two measuring places, exchanged or not; everything else that changes from visit to visit must not look so."""

from __future__ import annotations

import itertools
import json
import time
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import lfilter

from vibe.spectra.identity.point_likeness import Signature, distance, exchanged, signature

RATE, SECONDS = 25_600.0, 3.0
PLACES = {"input": (1100.0, 2900.0, 5200.0), "output": (1700.0, 3900.0, 6800.0), "motor": (900.0, 2300.0, 7900.0)}


def ringing(x: np.ndarray, hz: float, damping: float = 0.02) -> np.ndarray:
    """A resonator as a recursion of second order, unit gain at rest."""
    radius, angle = np.exp(-2 * np.pi * hz * damping / RATE), 2 * np.pi * hz / RATE
    a = np.array([1.0, -2 * radius * np.cos(angle), radius**2])
    return lfilter([a.sum()], a, x)


def place(
    name: str, seed: int, *, load: float = 1.0, speed_hz: float = 24.2, gain: float = 1.0, impacts: float = 0.0
) -> np.ndarray:
    """What a sensor hears: friction through the place's resonances, lines, and impacts that ring the second of them."""
    rng = np.random.default_rng([seed, *name.encode()])
    n = round(SECONDS * RATE)
    time_s = np.arange(n) / RATE
    noise = rng.standard_normal(n)
    floor = noise + sum(0.3 * ringing(noise, hz) for hz in PLACES[name])
    lines = sum(5 * np.sin(2 * np.pi * k * 30 * speed_hz * time_s + k) for k in range(1, 9))
    blows = np.zeros(n)
    blows[np.arange(500, n, round(RATE / speed_hz))] = 200 * impacts
    return (gain * (load * (floor + lines) + ringing(blows, PLACES[name][1]))).astype(np.float32)


@cache
def sign(name: str, seed: int, **more: float) -> Signature:
    return signature(place(name, seed, **more), RATE)


EARLIER = {name: [sign(name, seed, load=load) for seed, load in ((1, 1.0), (2, 0.6))] for name in PLACES}

CHANGES: list[dict[str, dict[str, float]]] = [
    {},
    {"input": {"load": 1.1}, "output": {"load": 1.1}, "motor": {"load": 1.1}},
    {name: {"speed_hz": 0.97 * 24.2} for name in PLACES},
    {"input": {"gain": 1.05}, "output": {"gain": 0.5}},
    {"input": {"impacts": 1.0}},
    {"output": {"impacts": 3.0}, "input": {"impacts": 1.0}},
]


@pytest.mark.parametrize("change", CHANGES)
def test_what_changes_from_visit_to_visit_is_no_exchange_and_hides_none(change: dict[str, dict[str, float]]) -> None:
    now = {name: sign(name, 9, **change.get(name, {})) for name in PLACES}
    kept = exchanged(now, EARLIER)
    assert kept.exchanged == ()
    assert kept.alike == ()
    for first, second in itertools.combinations(sorted(PLACES), 2):
        swapped = {**now, first: now[second], second: now[first]}
        (found,) = exchanged(swapped, EARLIER).exchanged
        assert (found.first, found.second) == (first, second)
        assert found.probability > 0.99


def test_one_earlier_visit_is_enough_and_none_says_nothing() -> None:
    now = {"input": sign("output", 9), "output": sign("input", 9)}
    once = {name: EARLIER[name][:1] for name in ("input", "output")}
    assert len(exchanged(now, once).exchanged) == 1
    for earlier in ({}, {"input": EARLIER["input"], "output": []}):
        nothing = exchanged(now, earlier)
        assert nothing.exchanged == nothing.alike == ()


def test_places_that_sound_alike_cannot_be_distinguished() -> None:
    earlier = {"left": [sign("input", 1)], "right": [sign("input", 2)]}
    result = exchanged({"left": sign("input", 3), "right": sign("input", 4)}, earlier)
    assert result.exchanged == ()
    assert result.alike == (("left", "right"),)


def test_another_machine_is_no_exchange() -> None:
    """Sensors were moved elsewhere: neither as it was nor the other way round."""
    result = exchanged({"input": sign("motor", 9), "output": sign("input", 9)}, EARLIER)
    assert result.exchanged == ()
    noise = [signature(np.random.default_rng(k).standard_normal(80_000).astype(np.float32), RATE) for k in (0, 1)]
    assert exchanged({"input": noise[0], "output": noise[1]}, EARLIER).exchanged == ()


def test_distance_takes_levels_out() -> None:
    same, other = sign("input", 5, gain=0.3), sign("output", 5)
    usual, far = distance(sign("input", 6), same), distance(sign("input", 6), other)
    assert usual is not None
    assert far is not None
    assert usual < 1.0 < 4.0 < far
    assert distance(same, same) == 0.0


def test_lines_and_gaps_leave_the_signature_alone() -> None:
    quiet = place("input", 7)
    loud = quiet + (50 * np.sin(2 * np.pi * 3100 * np.arange(quiet.size) / RATE)).astype(np.float32)
    away = np.abs(signature(loud, RATE).level_db - signature(quiet, RATE).level_db)
    assert np.nanmax(away) < 1.0
    gaps = quiet.copy()
    gaps[1000:1200] = np.nan
    assert (distance(signature(gaps, RATE), signature(quiet, RATE)) or 9.0) < 0.5


def test_other_sample_rates_share_what_both_reach() -> None:
    slow = signature(place("input", 8)[::5].copy(), RATE / 5)  # aliases and all, but the bands are there
    assert np.isfinite(slow.level_db).sum() < np.isfinite(sign("input", 8).level_db).sum()
    assert distance(slow, sign("input", 8)) is not None
    slowest = signature(np.random.default_rng(1).standard_normal(5000).astype(np.float32), 1000.0)
    assert distance(slowest, sign("input", 8)) is None
    with pytest.raises(ValueError, match="needs"):
        signature(np.zeros(100, dtype=np.float32), RATE)


def test_it_goes_through_json() -> None:
    one = signature(place("input", 8)[:40_000], RATE)
    back = Signature.of_plain(json.loads(json.dumps(one.plain())))
    assert back.level_db.dtype == np.float32
    np.testing.assert_allclose(back.level_db, one.level_db, atol=0.006)
    dead = signature(np.zeros(40_000, dtype=np.float32), RATE)
    assert "NaN" not in json.dumps(dead.plain())


def test_it_is_quick() -> None:
    samples = np.random.default_rng(0).standard_normal(256_000).astype(np.float32)
    begin = time.process_time()
    signature(samples, RATE)
    assert time.process_time() - begin < 0.3  # measured: 0.007 s


def test_measured_places(open_data: Path) -> None:
    """Both ends of a motor (CWRU), one damage at two loads: exchanged ends are found, kept ones are not called so."""
    from vibe.ingest import read_capture

    folder = open_data / "cwru" / "de12k"
    pairs = [("105_0", "107_2"), ("130_0", "132_2"), ("118_0", "120_2"), ("209_0", "211_2")]
    for then, now in pairs:
        a, b = (
            {c.name: signature(c.samples, c.sample_rate_hz) for c in read_capture(folder / f"{name}.h5").channels}
            for name in (then, now)
        )
        ends = ("drive_end", "fan_end")
        earlier = {end: [a[end]] for end in ends}
        assert exchanged({end: b[end] for end in ends}, earlier).exchanged == ()
        assert len(exchanged({"drive_end": b["fan_end"], "fan_end": b["drive_end"]}, earlier).exchanged) == 1
