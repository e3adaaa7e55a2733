"""A washboard of ridges on a raceway against a spall and a sound race, from rolling alone: no tone formula.

Elements are placed by the surface speeds of two rings; each hums over the ridges of its race, or strikes a spall. The
fluted arc is about as long as elements are apart, and its ridges are not all alike, as on raceways that current has
passed (described in ISO 15243:2017, 5.3; sizes from memory: a ridge every half millimetre).
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import lfilter

from vibe.core.capture import Capture, Channel
from vibe.core.drive import Drive
from vibe.core.health import Finding
from vibe.flow.diagnose.capture_diagnosis import diagnose_samples
from vibe.flow.settings import Settings
from vibe.kinematics.tone_table import tone_table

RATE_HZ, DURATION_S, SHAFT_HZ = 25_600.0, 8.0, 24.6
BALLS, BALL_MM, PITCH_MM = 9, 7.94, 39.04
Row = NDArray[np.float64]


PLAY_TURNS = 0.0015
"""How far a ball wanders in its pocket of the cage, as a standard deviation: 0.2 mm on the pitch circle."""
PLAY_HZ = 20.0


def places(ring: str, rng: np.random.Generator) -> list[Row]:
    """Angle [turns] of each ball past the race of ``ring``, from -1/2 to 1/2; half a per cent of slip."""
    shaft = SHAFT_HZ * np.arange(int(RATE_HZ * DURATION_S)) / RATE_HZ
    inner_mm, outer_mm = (PITCH_MM - BALL_MM) / 2, (PITCH_MM + BALL_MM) / 2
    # A ball's centre moves at the mean of the two surfaces' speeds: the inner one turns, the outer one stands.
    cage = shaft * inner_mm / (inner_mm + outer_mm) * 0.995
    past = cage if ring == "outer" else cage - shaft
    knots = np.linspace(0, past.size, int(DURATION_S * PLAY_HZ))
    play = [np.interp(np.arange(past.size), knots, PLAY_TURNS * rng.standard_normal(knots.size)) for _ in range(BALLS)]
    return [(past + ball / BALLS + play[ball] + 0.5) % 1.0 - 0.5 for ball in range(BALLS)]


def load(ring: str) -> Row:
    """Load on the middle of the damage: it stands still for the outer race, and is carried round on the inner one."""
    if ring == "outer":
        return np.ones(int(RATE_HZ * DURATION_S))
    turn = 2 * np.pi * SHAFT_HZ * np.arange(int(RATE_HZ * DURATION_S)) / RATE_HZ
    return np.maximum(0.2, np.cos(turn)) ** 1.5


def washboard(ring: str, rng: np.random.Generator) -> Row:
    """Balls hum over an arc of ridges as long as balls are apart."""
    ridges_per_turn, arc = (360.0, 0.1) if ring == "outer" else (230.0, 0.1)
    grid = np.linspace(-0.5, 0.5, 20_001)
    height = np.where(np.abs(grid) < arc / 2, np.cos(np.pi * grid / arc) ** 2, 0.0)
    # Ridges differ: their spacing wanders along the race.
    wander = 0.05 * np.cumsum(rng.standard_normal(grid.size)) * np.sqrt(ridges_per_turn / grid.size)
    race = height * np.sin(2 * np.pi * ridges_per_turn * grid + wander)
    return sum((np.interp(place, grid, race) for place in places(ring, rng)), np.zeros(1)) * load(ring)


def spall(ring: str, rng: np.random.Generator) -> Row:
    """Each ball strikes one place; the casing rings at 3.2 kHz with 3 % of critical damping."""
    impacts = np.zeros(int(RATE_HZ * DURATION_S))
    for place in places(ring, rng):
        passed = np.flatnonzero(np.abs(np.diff(np.sign(place))) * (np.abs(place[1:]) < 0.25) > 0)
        impacts[passed] += 1.0
    radius, angle = np.exp(-2 * np.pi * 3200 * 0.03 / RATE_HZ), 2 * np.pi * 3200 / RATE_HZ
    ringing = lfilter([radius * np.sin(angle)], [1.0, -2 * radius * np.cos(angle), radius**2], impacts * load(ring))
    return np.asarray(ringing)


def found(vibration: Row, rng: np.random.Generator, settings: Settings) -> list[Finding]:
    drive = Drive.model_validate(
        {
            "tag": "F-1", "input": {"speed_rpm": 60 * SHAFT_HZ, "speed_range_rpm": [1440, 1510]},
            "bearing": [
                {"name": "motor bearing", "inner": "input", "outer": "housing", "elements": BALLS,
                 "element_diameter_mm": BALL_MM, "pitch_diameter_mm": PITCH_MM}
            ],
        }
    )  # fmt: skip
    time_s = np.arange(vibration.size) / RATE_HZ
    shaft: Sequence[float] = (0.6, 0.3, 0.15, 0.1)
    lines = sum(size * np.sin(2 * np.pi * SHAFT_HZ * k * time_s + k) for k, size in enumerate(shaft, 1))
    samples = (vibration + lines + 0.3 * rng.standard_normal(vibration.size)).astype(np.float32)
    channel = Channel(
        name="motor", samples=samples, sample_rate_hz=RATE_HZ, quantity="acceleration", recorded_unit="m/s^2"
    )
    capture = Capture(source=Path("made.h5"), sha256="", channels=(channel,))
    return diagnose_samples(capture, drive, tone_table(drive), settings).findings


def of_bearing(findings: Sequence[Finding]) -> list[tuple[str | None, str]]:
    return [(one.tone, one.defect) for one in findings if one.component.startswith("bearing.")]


@pytest.mark.parametrize("size_m_s2", [1.0, 2.0])
def test_a_washboard_is_fluting(size_m_s2: float, settings: Settings) -> None:
    rng = np.random.default_rng(11)
    (finding,) = found(size_m_s2 * washboard("outer", rng), rng, settings)
    assert (finding.tone, finding.defect) == ("bearing.motor bearing.outer_race", "electrical erosion (fluting)")
    assert "ISO 15243" in finding.why


@pytest.mark.parametrize("ring", ["outer", "inner"])
@pytest.mark.parametrize("size_m_s2", [2.0, 8.0])
def test_a_spall_stays_local_damage(size_m_s2: float, ring: str, settings: Settings) -> None:
    rng = np.random.default_rng(11)
    findings = found(size_m_s2 * spall(ring, rng), rng, settings)
    assert of_bearing(findings) == [(f"bearing.motor bearing.{ring}_race", "local damage")]


def test_a_sound_race_is_neither(settings: Settings) -> None:
    rng = np.random.default_rng(12)
    assert of_bearing(found(np.zeros(int(RATE_HZ * DURATION_S)), rng, settings)) == []
