"""Lines of known drives under right and wrong names; every wrong name has its right twin."""

from __future__ import annotations

import time
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from vibe.core.capture import Channel
from vibe.spectra.identity import recognition
from vibe.spectra.identity.recognition import Candidate, Recognition, recognise

RATE, DURATION = 5120.0, 10.0
TIME = np.arange(round(RATE * DURATION)) / RATE


def cycloidal(lobes: int, output_pins: int) -> tuple[float, ...]:
    """Shaft, disc against eccentric, output pins, mesh, three harmonics of each: by their definition."""
    disc = (lobes + 1) / lobes
    return tuple(sorted({float(k * o) for k in (1, 2, 3) for o in (1.0, disc, output_pins * disc, lobes + 1.0)}))


RANGE = (23.8, 24.9)
DRIVES = {
    "A": Candidate(range_hz=RANGE, nominal_hz=24.2, orders=cycloidal(17, 8)),
    "B": Candidate(range_hz=RANGE, nominal_hz=24.2, orders=cycloidal(29, 10)),
    "C": Candidate(range_hz=RANGE, nominal_hz=24.2, orders=cycloidal(43, 12)),
    "A's sister": Candidate(range_hz=(23.9, 24.8), nominal_hz=24.3, orders=cycloidal(17, 8)),
    "six poles": Candidate(range_hz=(15.9, 16.6), nominal_hz=16.2, orders=cycloidal(11, 8)),
    "belt": Candidate(range_hz=RANGE, nominal_hz=24.2, orders=(1.0, 2.0, 3.0, 4.0, 5.0, 6.0)),
}


@cache
def shaken(tag: str, seed: int, speed_hz: float, *, drift: float = 0.0, height: float = 0.2) -> np.ndarray:
    """Two channels: lines of random phase and height, log-normal, and noise of r.m.s. 1."""
    rng = np.random.default_rng([seed, *tag.encode()])
    turns = speed_hz * (TIME + drift * (TIME**2 / DURATION - TIME) / 2)
    rows = []
    for _ in range(2):
        heights = height * np.exp(0.8 * rng.standard_normal(len(DRIVES[tag].orders)))
        lines = sum(
            a * np.sin(2 * np.pi * (o * turns + rng.uniform()))
            for a, o in zip(heights, DRIVES[tag].orders, strict=True)
        )
        rows.append(lines + rng.standard_normal(TIME.size))
    return np.array(rows, dtype=np.float32)


def seen(rows: np.ndarray, claimed: str, **more: object) -> Recognition:
    return recognise([(row, RATE) for row in rows], DRIVES, claimed, **more)  # type: ignore[arg-type]


@pytest.mark.parametrize("tag", ["A", "B", "C", "six poles", "belt"])
def test_the_right_name_fits_and_no_other_is_named(tag: str) -> None:
    for seed in range(4):
        speed_hz = float(np.random.default_rng(seed).uniform(*DRIVES[tag].range_hz))
        result = seen(shaken(tag, seed, speed_hz), tag)
        assert result.verdict == "fits"
        assert result.better == ()
        assert result.outside is None
        assert result.speed is not None
        assert result.speed.uncertainty_hz is not None
        assert abs(result.speed.input_hz - speed_hz) < 4 * result.speed.uncertainty_hz
        assert result.speed.uncertainty_hz < 5e-4 * speed_hz
        assert result.same == (("A's sister",) if tag == "A" else ())


@pytest.mark.parametrize("true", ["A", "B", "C", "six poles"])
@pytest.mark.parametrize("claimed", ["A", "B", "C", "six poles", "belt"])
def test_a_wrong_name_is_found_out(true: str, claimed: str) -> None:
    if true == claimed:
        return
    speed_hz = DRIVES[true].nominal_hz * 1.004
    result = seen(shaken(true, 5, speed_hz), claimed)
    assert result.verdict == "other drive"
    assert result.better[0][0] in ((true, "A's sister") if true == "A" else (true,))
    assert result.outside is None


def test_a_sister_under_the_other_name_cannot_be_distinguished() -> None:
    result = seen(shaken("A", 1, 24.3), "A's sister")
    assert result.verdict == "fits"
    assert result.same == ("A",)


@pytest.mark.parametrize("share", [0.5, 0.503, 0.52, 0.75, 0.97, 1.06])
def test_a_speed_off_the_plate(share: float) -> None:
    """Half speed too: all lines of the double are harmonics of it, but not the other way round."""
    speed_hz = share * 24.2
    result = seen(shaken("C", 2, speed_hz), "C")
    assert result.verdict == "other speed"
    assert result.speed is not None
    assert result.outside is not None
    assert result.speed.input_hz == pytest.approx(speed_hz, rel=1e-3)


def test_half_orders_of_a_loose_machine_are_not_half_speed() -> None:
    turns = 24.2 * TIME
    rows = shaken("A", 3, 24.2) + sum(0.4 * np.sin(2 * np.pi * k * turns + k) for k in (0.5, 1.5, 2.5, 3.5))
    result = seen(rows.astype(np.float32), "A")
    assert result.verdict == "fits"
    assert result.speed is not None
    assert result.speed.input_hz == pytest.approx(24.2, rel=1e-3)


def test_noise_names_nothing() -> None:
    for seed in range(6):
        rows = np.random.default_rng(seed).standard_normal((2, TIME.size)).astype(np.float32)
        result = seen(rows, "B")
        assert (result.verdict, result.speed, result.better, result.outside) == ("not known", None, (), None)
        assert result.contradicts(20.0) is None


def test_a_neighbours_lines_change_nothing() -> None:
    rows = shaken("B", 4, 24.1) + sum(
        np.sin(2 * np.pi * f * TIME + f) * a for f, a in ((24.7, 2.0), (49.4, 1.0), (16.1, 2.0), (100.0, 1.0))
    )
    result = seen(rows.astype(np.float32), "B")
    assert result.verdict == "fits"
    assert result.speed is not None
    assert result.speed.input_hz == pytest.approx(24.1, rel=1e-3)


@pytest.mark.parametrize(("inside", "verdict"), [("C", "fits"), ("belt", "other speed"), (None, "other speed")])
@pytest.mark.parametrize("share", [1.045, 0.93])
def test_a_louder_machine_of_its_kind_outside_the_range_is_another_where_the_drive_stands_too(
    inside: str | None, verdict: str, share: float
) -> None:
    """A motor within the range is not the drive, nor is nothing."""
    rows = shaken("C", 7, share * 24.2, height=0.6)
    if inside is not None:
        rows = rows + shaken(inside, 8, 24.15, height=0.3)
    result = seen(rows.astype(np.float32), "C")
    assert result.verdict == verdict
    assert result.speed is not None
    assert result.speed.input_hz == pytest.approx(24.15 if verdict == "fits" else share * 24.2, rel=1e-3)


def test_a_neighbours_motor_at_nearly_the_same_speed_is_no_other_drive() -> None:
    """Its harmonics may lie where another drive's disc would turn; only that drive's mesh could tell."""
    disc = 30 / 29 * 23.9
    rows = shaken("C", 9, 23.9) + sum(3.0 / k * np.sin(2 * np.pi * k * disc * TIME + k) for k in (1, 2, 3))
    result = seen(rows.astype(np.float32), "C")
    assert result.better == ()
    assert result.verdict in ("fits", "not known")


@pytest.mark.parametrize("drift", [0.004, 0.03])
def test_a_moving_speed_is_no_other_drive(drift: float) -> None:
    result = seen(shaken("B", 6, 24.3, drift=drift), "B")
    assert result.verdict == "fits"
    assert result.speed is not None
    assert result.speed.input_hz == pytest.approx(24.3, rel=drift)


def test_where_only_a_contradiction_is_asked_a_moving_speed_is_not_followed() -> None:
    rows = shaken("B", 6, 24.3, drift=0.06)
    assert seen(rows, "B", followed=False).verdict == "not known"
    assert seen(rows, "B").verdict == "fits"
    # What needs no following is the same.
    steady = shaken("B", 5, 24.3)
    assert seen(steady, "B", followed=False) == seen(steady, "B")
    assert seen(steady, "C", followed=False).verdict == "other drive"


def test_a_speed_noted_by_hand() -> None:
    result = seen(shaken("A", 7, 24.0), "A")
    assert result.contradicts(24.1) is None
    assert result.contradicts(24.0 * 1480 / 1440) == pytest.approx(1 / 36, rel=0.02)


@pytest.mark.parametrize(("pulsed_hz", "method"), [(24.2, "tachometer"), (12.1, "signal")])
def test_pulses_are_believed_unless_the_lines_contradict(pulsed_hz: float, method: str) -> None:
    level = (TIME * pulsed_hz % 1 < 0.1).astype(np.float32)
    pulses = Channel(
        name="t", samples=level, sample_rate_hz=RATE, quantity="tachometer", recorded_unit="V", pulses_per_rev=1.0
    )
    result = seen(shaken("A", 8, 24.2), "A", tachometer=pulses)
    assert result.speed is not None
    assert result.speed.method == method
    assert result.speed.input_hz == pytest.approx(24.2, rel=1e-3)


@pytest.mark.parametrize(
    ("pulsed_hz", "verdict"), [(None, "other speed"), (24.2, "fits"), (12.1, "other speed"), (24.4, "other speed")]
)
def test_half_the_speed_does_not_outweigh_pulses_with_which_own_lines_agree(
    pulsed_hz: float | None, verdict: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As of something loose that makes all half orders, and more clearly than the drive makes its own lines."""
    monkeypatch.setattr(
        recognition,
        "_beyond",
        lambda lines, own, inside: replace(inside, speed_hz=inside.speed_hz / 2, log_odds=inside.log_odds + 50),
    )
    pulses = None
    if pulsed_hz is not None:
        level = (TIME * pulsed_hz % 1 < 0.1).astype(np.float32)
        pulses = Channel(
            name="t", samples=level, sample_rate_hz=RATE, quantity="tachometer", recorded_unit="V", pulses_per_rev=1.0
        )
    assert seen(shaken("A", 8, 24.2), "A", tachometer=pulses).verdict == verdict


def test_pulses_tell_of_a_speed_without_lines() -> None:
    level = (TIME * 16.0 % 1 < 0.1).astype(np.float32)
    pulses = Channel(
        name="t", samples=level, sample_rate_hz=RATE, quantity="tachometer", recorded_unit="V", pulses_per_rev=1.0
    )
    noise = np.random.default_rng(0).standard_normal((1, TIME.size)).astype(np.float32)
    result = seen(noise, "A", tachometer=pulses)
    assert result.verdict == "other speed"
    assert result.speed is not None
    assert result.speed.input_hz == pytest.approx(16.0, rel=1e-3)


def test_what_cannot_be_asked() -> None:
    with pytest.raises(ValueError, match="candidates"):
        seen(shaken("A", 1, 24.3), "nobody")
    with pytest.raises(ValueError, match="channel"):
        seen(np.empty((0, 100), dtype=np.float32), "A")
    with pytest.raises(ValueError, match="samples"):
        seen(shaken("A", 1, 24.3)[:, :20], "A")
    short = seen(shaken("A", 1, 24.3)[:, :200], "A")
    assert short.verdict == "not known"
    gaps = shaken("A", 1, 24.3).copy()
    gaps[:, 1000:1100] = np.nan
    assert seen(gaps, "A").verdict == "fits"


def test_it_is_quick() -> None:
    rows = [(np.random.default_rng(k).standard_normal(256_000).astype(np.float32), 25_600.0) for k in range(2)]
    begin = time.process_time()
    recognise(rows, {"A": DRIVES["A"], "B": DRIVES["B"]}, "A")
    assert time.process_time() - begin < 1.0  # measured: 0.08 s where nothing fits, 0.02 s where the claim does


def test_simulated_captures_of_every_drive(repository: Path) -> None:
    """Under its own name each fits; under the next one's name it does not, unless that one is its sister."""
    from vibe.flow.diagnose.tone_requests import analysis_request_of
    from vibe.ingest import load_drives
    from vibe.kinematics.tone_table import tone_table
    from vibe.synth.simulate import Conditions, simulate

    drives = load_drives(repository / "configs" / "drives")
    candidates = {}
    for drive in drives:
        analysis_request = analysis_request_of(drive, tone_table(drive), set(), noted_hz=None)
        candidates[drive.tag] = Candidate(
            range_hz=analysis_request.range_hz,
            nominal_hz=analysis_request.nominal_hz,
            orders=analysis_request.speed_orders,
        )
    wrong = Conditions(duration_s=8.0, sample_rate_hz=5120.0)
    found = 0
    for place, drive in enumerate(drives):
        capture = simulate(drive, [], seed=place, conditions=wrong)
        rows = [(channel.samples, channel.sample_rate_hz) for channel in capture.vibration]
        assert recognise(rows, candidates, drive.tag).verdict == "fits", drive.tag
        other = recognise(rows, candidates, drives[place - 5].tag)
        found += other.verdict == "other drive" and candidates[other.better[0][0]].like(candidates[drive.tag])
    assert found >= len(drives) - 2
