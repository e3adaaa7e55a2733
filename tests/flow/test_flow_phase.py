"""Rules are given the phase of the shaft's lines between the points of a capture."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from vibe.core.capture import Capture, Channel
from vibe.core.drive import Drive
from vibe.core.evidence import CrossLine
from vibe.core.health import Finding
from vibe.diagnosis.case import Case
from vibe.diagnosis.rules import RULES
from vibe.flow.diagnose.capture_diagnosis import diagnose_samples
from vibe.flow.settings import load_settings
from vibe.kinematics.tone_table import tone_table

RATE_HZ, SPEED_HZ, SECONDS = 8192.0, 24.3, 8.0
DRIVE = {
    "tag": "D-1",
    "input": {"speed_rpm": 1460.0},
    "stage": [{"kind": "cycloidal", "lobes": 17, "ring_pins": 18, "output_pins": 8, "discs": 2}],
}


def point(name: str, lead_deg: float, seed: int) -> Channel:
    turn = 2 * np.pi * SPEED_HZ * np.arange(round(RATE_HZ * SECONDS)) / RATE_HZ
    shaft = sum(0.5 / k * np.cos(k * (turn + np.radians(lead_deg))) for k in (1, 2, 3))
    samples = shaft + 0.3 * np.random.default_rng(seed).normal(size=turn.size)
    return Channel(
        name=name, samples=samples.astype(np.float32), sample_rate_hz=RATE_HZ, quantity="acceleration",
        recorded_unit="m/s^2",
    )  # fmt: skip


def asked_of(channels: tuple[Channel, ...], monkeypatch: pytest.MonkeyPatch) -> CrossLine | None:
    """What a rule that needs the phase from the input side to the output side is given."""
    stated: list[CrossLine | None] = []

    def find(case: Case) -> list[Finding]:
        stated.append(case.cross_line("1x", "input side", "output side"))
        return []

    monkeypatch.setattr("vibe.diagnosis.diagnose.RULES", (*RULES, find))
    drive = Drive.model_validate(DRIVE)
    capture = Capture(channels=channels, source=Path("phase.csv"), sha256="0" * 64)
    diagnose_samples(capture, drive, tone_table(drive), load_settings())
    return stated[0]


@pytest.mark.parametrize("lead_deg", [-90.0, 0.0, 120.0])
def test_a_rule_is_given_by_how_much_one_point_leads_another(lead_deg: float, monkeypatch: pytest.MonkeyPatch) -> None:
    seen = asked_of((point("input side", 0.0, 1), point("output side", lead_deg, 2)), monkeypatch)
    assert seen is not None
    assert seen.phase_deg == pytest.approx(lead_deg, abs=3.0)
    assert seen.coherence > 0.95


def test_of_one_point_nothing_is_stated(monkeypatch: pytest.MonkeyPatch) -> None:
    assert asked_of((point("input side", 0.0, 1),), monkeypatch) is None
