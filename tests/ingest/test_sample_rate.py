"""A speed unlike its note: the lines of the mains tell whether the note or the sample rate is wrong."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.ingest.ingest_signals import RATE_HZ, channel
from vibe.core.drive import Drive
from vibe.ingest.quality.recording.sample_rate import slip_of
from vibe.ingest.route.field_rules import FieldRules, SpeedRules, speed


def motor(rate_hz: float, *, speed_hz: float = 24.3, hum: float = 0.2) -> np.ndarray:
    time_s = np.arange(round(10 * rate_hz)) / rate_hz
    lines = sum(np.sin(2 * np.pi * k * speed_hz * time_s) / k for k in (1, 2, 3))
    return np.asarray(
        lines + hum * np.sin(2 * np.pi * 100.02 * time_s) + 0.3 * np.random.default_rng(3).standard_normal(time_s.size)
    )


@pytest.mark.parametrize("off", [-0.05, -0.012, 0.012, 0.02, 0.05])
def test_a_wrong_rate_moves_the_mains_too(off: float) -> None:
    # Sampled at the true rate, written down as another: what was 24.3 Hz reads 24.3 Hz (1 + off).
    stated = channel(motor(RATE_HZ / (1 + off)))
    assert slip_of([stated], 1 + off) == "rate"
    assert slip_of([channel(motor(RATE_HZ))], 1 + off) == "note"
    assert slip_of([channel(motor(RATE_HZ, hum=0.0))], 1 + off) == "open"


@pytest.mark.parametrize(("slip", "code"), [("rate", "sample_rate"), ("note", "noted_speed"), ("open", "noted_speed")])
def test_each_has_its_own_remedy(slip: str, code: str) -> None:
    drive = Drive.model_validate(
        {"tag": "A", "input": {"speed_rpm": 1458.0, "speed_range_rpm": [1440.0, 1480.0]},
         "stage": [{"kind": "cycloidal", "lobes": 11, "ring_pins": 12, "output_pins": 8}]}
    )  # fmt: skip
    rules = FieldRules.model_construct(  # type: ignore[call-arg]
        speed=SpeedRules(noted_share=0.01, plate_share=0.02, idle_slip_share=0.3)
    )
    reasons = speed(drive, 24.3 * 1.03, 1458.0, rules, slip=slip)  # type: ignore[arg-type]
    assert code in [reason.code for reason in reasons]
    remedy = next(reason.remedy for reason in reasons if reason.code == code)
    assert ("sample rate" in remedy) == (slip != "note")


@pytest.mark.parametrize("off", [0.97, 1.03])
def test_a_multiple_of_the_shaft_at_the_mains_proves_nothing(off: float) -> None:
    """Four turns of a shaft whose wrong rate puts them at 100 Hz: only the motor's own hum may tell."""
    shaft_hz = 100.0 / 4 / off
    time_s = np.arange(round(8 * RATE_HZ)) / RATE_HZ
    both = np.sin(2 * np.pi * 4 * shaft_hz * time_s) + 0.05 * np.random.default_rng(1).standard_normal(time_s.size)
    wrong = replace(channel(both), sample_rate_hz=off * RATE_HZ)
    assert slip_of([wrong], off) == "note"  # the shaft passes for the mains
    assert slip_of([wrong], off, found_hz=shaft_hz * off, mains_hz=(50.0,)) == "open"
