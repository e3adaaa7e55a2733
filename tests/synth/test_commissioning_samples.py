from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest

from vibe.core.drive import Drive
from vibe.core.errors import CallError, ConfigError, OutputError
from vibe.spectra.speed.levels_over_speed import levels_over_speed, turns_of_pulse
from vibe.synth.conditions import Conditions
from vibe.synth.samples.commissioning import load_commissioning, takings
from vibe.synth.samples.demo import shared_folder
from vibe.synth.simulate import simulate

DRIVE = Drive.model_validate(
    tomllib.loads((shared_folder("configs") / "acceptance" / "sample_drive.toml").read_text(encoding="utf-8"))
)


def line_at(order: float, unequal: float, pins: int = 13) -> float:
    """Amplitude [m/s²] at an order of the input, of a drive that turns quite steadily."""
    stage = DRIVE.stage[0].model_copy(update={"lobes": pins - 1, "ring_pins": pins})
    drive = DRIVE.model_copy(update={"stage": [stage], "ratio": None})
    rate, seconds, hz = 6400.0, 4.0, 25.0
    conditions = Conditions(
        duration_s=seconds, sample_rate_hz=rate, speed_rpm=60 * hz, speed_wander=0.0, noise=0.02, machine_seed=3,
        points=("input side radial",), unequal_discs=unequal,
    )  # fmt: skip
    samples = simulate(drive, seed=1, conditions=conditions).vibration[0].samples
    time = np.arange(samples.size) / rate
    return float(2 * abs(np.mean(samples * np.hanning(samples.size) * 2 * np.exp(-2j * np.pi * order * hz * time))))


def test_unequal_discs_put_a_line_where_equal_ones_cancel() -> None:
    """Two discs half a turn apart on 13 pins: half a turn is 6.5 pitches, so that their forces cancel at the mesh."""
    equal, unequal = line_at(13, 0.0), line_at(13, 0.5)
    assert unequal > 5 * equal
    # The second harmonic comes twice as often: both discs drive it, alike or not.
    assert line_at(26, 0.5) == pytest.approx(line_at(26, 0.0), rel=0.2)


def test_with_an_even_number_of_pins_nothing_is_forbidden_and_nothing_appears() -> None:
    assert line_at(12, 0.5, pins=12) == pytest.approx(line_at(12, 0.0, pins=12), rel=0.2)


def test_a_share_of_more_than_all_is_refused() -> None:
    with pytest.raises(CallError, match="unequal_discs"):
        Conditions(unequal_discs=1.5)


def test_the_shipped_sets(tmp_path: Path) -> None:
    given, jobs = takings(tmp_path)
    expected = {
        folder: [one.expected for one in given.set if one.folder == folder] for folder in ("", "later", "impossible")
    }
    assert expected == {
        "": ["pass", "fail", "fail", "fail", "undetermined"], "later": ["pass", "pass", "fail"],
        "impossible": ["refused"] * 5,
    }  # fmt: skip
    assert {job.file.parents[2] for job in jobs} == {tmp_path, tmp_path / "later", tmp_path / "impossible"}
    again = [job for job in jobs if job.set.name == "retest"]
    first = [job for job in jobs if job.set.name == "unequal_discs"]
    assert (again[0].set.serial, again[0].set.seed) == (first[0].set.serial, first[0].set.seed)
    assert min(job.at for job in again) > max(job.at for job in first)
    assert len({job.file for job in jobs}) == len({job.seed for job in jobs}) == len(jobs)
    wrong = next(job for job in jobs if job.set.name == "wrong_ratio")
    assert wrong.drive.stage[0].model_dump()["lobes"] == 14
    steady = [job for job in jobs if job.run.kind != "run-up"]
    longest = {name: max(job.seconds for job in steady if job.set.name == name) for name in ("good", "short")}
    assert longest == {"good": 14.0, "short": 8.0}
    assert {job.run.kind for job in jobs} >= {"run-in", "no load", "load step", "rated load", "reversed", "run-up"}


def test_a_run_up_goes_through_its_speeds_with_a_pulse_and_a_growing_line(tmp_path: Path) -> None:
    _, jobs = takings(tmp_path, only=["good"])
    job = next(job for job in jobs if job.run.kind == "run-up")
    assert job.run.from_rpm is not None
    assert job.run.to_rpm is not None
    conditions = Conditions(
        duration_s=6.0, sample_rate_hz=3200.0, points=("input side radial",), tachometer=True, speed_wander=0.0,
        speed_rpm=(job.run.from_rpm + job.run.to_rpm) / 2, noise=0.02, machine_seed=3,
        speed_drift=2 * (job.run.to_rpm - job.run.from_rpm) / (job.run.to_rpm + job.run.from_rpm),
    )  # fmt: skip
    made = simulate(DRIVE, seed=1, conditions=conditions)
    assert made.tachometer is not None
    found = levels_over_speed(made.vibration[0].samples, 3200.0, turns_of_pulse(made.tachometer))
    assert found is not None
    assert 60 * found.speed_hz[0] < 3 * job.run.from_rpm
    assert 60 * found.speed_hz[-1] == pytest.approx(job.run.to_rpm, rel=0.08)
    # A force that grows with the square of speed moves a stiff machine by a velocity that grows with speed.
    growth = found.once_per_turn_m_s / found.speed_hz
    assert growth / np.median(growth) == pytest.approx(1.0, rel=0.25)


def test_what_is_in_the_way_or_wrong_is_reported(tmp_path: Path) -> None:
    with pytest.raises(CallError, match="no sample set is called 'bad'"):
        takings(tmp_path, only=["bad"])
    (tmp_path / "good").mkdir()
    with pytest.raises(OutputError, match="exists already"):
        takings(tmp_path)
    spec = tmp_path / "spec.toml"
    spec.write_text("begin = 1\n", encoding="utf-8")
    with pytest.raises(ConfigError, match="Field required"):
        load_commissioning(spec)
