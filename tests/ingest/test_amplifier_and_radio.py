"""An amplifier that cannot follow, and a radio next to the cable; each with a twin that must stay silent."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.ingest.ingest_signals import RATE_HZ, channel, machine
from tests.worlds import walk
from vibe.ingest import assess
from vibe.synth.samples.recorder_faults import keyed, slewed

Array = NDArray[np.float64]
GSM_HZ, TETRA_HZ = 216.6667, 17.6471
"""Frames a second, written out."""


@lru_cache(maxsize=4)
def walked(seed: int) -> Array:
    return walk.visit(walk.machine(seed), 0, 5.0).channels[walk.POINTS[0]]


def said(samples: Array) -> dict[str, str]:
    return {reason.code: reason.text for reason in assess(channel(samples)).reasons}


@pytest.mark.parametrize(("seed", "share"), [(1, 0.07), (2, 0.15)])
def test_a_slope_that_is_held_back_is_noticed(seed: int, share: float) -> None:
    quality = assess(channel(slewed(walked(seed), share)))
    assert [reason.code for reason in quality.reasons if reason.verdict == "rejected"] == ["slew_limited"]
    assert not {"quantity", "slew_limited"} & set(said(walked(seed)))


def test_the_slope_is_named_in_the_unit_of_the_channel() -> None:
    whole = machine()
    most = 0.12 * float(np.abs(np.diff(whole)).max())
    text = said(slewed(whole, 0.12))["slew_limited"]
    per_ms = float(text.split("held at ")[1].split()[0])
    # The slope between samples lies above that between quarters of samples at most.
    assert 0.8 * most < per_ms / (RATE_HZ / 1e3) < 1.6 * most


@pytest.mark.parametrize("kind", ["one tone", "two tones", "noise", "impacts", "clipped", "ramp"])
def test_slopes_of_sound_signals_are_not_called_held(kind: str) -> None:
    rng = np.random.default_rng(3)
    time_s = np.arange(round(4 * RATE_HZ)) / RATE_HZ
    noise = rng.standard_normal(time_s.size)
    tone = np.sin(2 * np.pi * 431.7 * time_s)
    made = {
        "one tone": 5 * tone + 0.05 * noise,
        "two tones": tone + np.sin(2 * np.pi * 860.1 * time_s) * 0.5 + 0.05 * noise,
        "noise": noise,
        "impacts": machine() + 8 * noise * (rng.random(time_s.size) < 0.003),
        "clipped": np.clip(machine(), -1.0, 1.0),
        "ramp": np.sin(2 * np.pi * (300 * time_s + 60 * time_s**2)) + 0.1 * noise,
    }[kind]
    assert "slew_limited" not in said(made)


@pytest.mark.parametrize(("frames_hz", "slots", "name"), [(GSM_HZ, 8, "GSM"), (TETRA_HZ, 4, "TETRA")])
@pytest.mark.parametrize("seed", [1, 2])
def test_a_radio_is_noticed_with_its_place(seed: int, frames_hz: float, slots: int, name: str) -> None:
    whole = walked(seed)
    spoiled = keyed(whole, RATE_HZ, frames_hz, slots, 3 * float(whole.std()), [(2.0, 2.5)])
    text = said(spoiled)["radio"]
    assert name in text
    assert "first at 2 s" in text
    height = float(text.split("pulses of ")[1].split()[0])
    assert height == pytest.approx(3 * float(whole.std()), rel=0.25)
    assert "ski_slope" not in said(spoiled)
    assert "radio" not in said(whole)


@pytest.mark.parametrize("hz", [GSM_HZ, GSM_HZ * 1.01, TETRA_HZ, TETRA_HZ * 3])
def test_a_mesh_at_the_rate_of_a_radio_is_a_mesh(hz: float) -> None:
    time_s = np.arange(round(4 * RATE_HZ)) / RATE_HZ
    mesh = sum(
        a * np.cos(2 * np.pi * k * hz * time_s + k) for k, a in ((1, 1.0), (2, 0.6), (3, 0.4), (4, 0.2), (5, 0.1))
    )
    assert "radio" not in said(machine() + 3 * mesh)


def test_impacts_at_nearly_the_rate_of_a_radio_are_impacts() -> None:
    strikes = np.zeros(round(4 * RATE_HZ))
    strikes[np.round(np.arange(0, 4, 1 / (GSM_HZ * 1.01)) * RATE_HZ).astype(int)[:-1]] = 20.0
    ringing = np.exp(-np.arange(200) / 25) * np.sin(2 * np.pi * 0.12 * np.arange(200))
    assert "radio" not in said(machine() + np.convolve(strikes, ringing)[: strikes.size])


def blows(seconds: float, rate_hz: float, *, silent: int | None, off: float = 0.0, start_s: float = 0.0013) -> Array:
    """Blows that ring at 3.1 kHz, at ``rate_hz`` by the clock of a recorder that is ``off``; one in 26 is left out."""
    samples = np.zeros(round(seconds * RATE_HZ))
    number = np.arange(int((seconds - 0.01) * rate_hz))
    at = (start_s + number / rate_hz) * (1 + off) * RATE_HZ
    at = at[number % 26 != silent] if silent is not None else at
    np.add.at(samples, at.astype(int), 1.0)
    time_s = np.arange(60) / RATE_HZ
    return np.convolve(samples, np.exp(-2000 * time_s) * np.sin(2 * np.pi * 3100 * time_s))[: samples.size]


@pytest.mark.parametrize("off", [-8e-5, 0.0, 8e-5])
@pytest.mark.parametrize("silent", [0, 25])
def test_bursts_that_ring_are_a_telephone_s_by_the_frame_that_is_left_out(silent: int, off: float) -> None:
    row = blows(12.0, 26 / 0.12, silent=silent, off=off)
    text = said(machine(12.0) + 0.6 * row / row.std())["radio"]
    assert "every 26th is left out" in text
    assert "GSM" in text


@pytest.mark.parametrize(
    ("rate_hz", "silent"),
    [
        pytest.param(26 / 0.12, None, id="a race that is struck at just this rate"),
        pytest.param(26 / 0.12 * 1.001, 3, id="a wheel of 26 teeth, one of them missing"),
        pytest.param(26 / 0.1199, 3, id="the same at another speed"),
    ],
)
def test_blows_of_a_machine_are_no_telephone(rate_hz: float, silent: int | None) -> None:
    row = blows(12.0, rate_hz, silent=silent)
    assert "radio" not in said(machine(12.0) + 0.6 * row / row.std())
