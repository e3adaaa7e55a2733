"""Whose lines a capture holds: what decides between drives and speeds, met from both sides."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from vibe.core.evidence import SpeedEstimate
from vibe.spectra.identity import recognition as lines_of
from vibe.spectra.identity.recognition import Candidate, CandidateSpeed, Recognition

OWN = Candidate(range_hz=(24.0, 25.0), nominal_hz=24.5, orders=(1.0, 2.0, 18.0))
OTHER = Candidate(range_hz=(24.0, 25.0), nominal_hz=24.5, orders=(1.0, 2.0, 30.0))


def best(log_odds: float = 50.0, mesh: float = 20.0, speed_hz: float = 24.5) -> CandidateSpeed:
    return CandidateSpeed(
        speed_hz=speed_hz, uncertainty_hz=1e-3, log_odds=log_odds, alone=True, mesh=mesh, found=3, asked=3
    )


def recognised(
    monkeypatch: pytest.MonkeyPatch, other: CandidateSpeed, samples: int = 25_600 * 40
) -> tuple[Recognition, list[int]]:
    sizes: list[int] = []

    class Lines:
        duration_s = 10.0

    def bridged(samples: NDArray[np.float32]) -> NDArray[np.float32]:
        sizes.append(samples.size)
        return samples

    monkeypatch.setattr(lines_of, "bridged_once", bridged)
    monkeypatch.setattr(lines_of, "low_passed", lambda *_: None)
    monkeypatch.setattr(lines_of, "line_likelihood", lambda *_: Lines())
    monkeypatch.setattr(lines_of, "_best_speed", lambda lines, range_hz, orders: other if 30.0 in orders else best())
    monkeypatch.setattr(lines_of, "_beyond", lambda *_: None)
    speed = SpeedEstimate(input_hz=24.5, uncertainty_hz=1e-3, method="signal")
    monkeypatch.setattr(lines_of, "_speed", lambda *_, **__: speed)
    row = np.zeros(samples, dtype=np.float32)
    return lines_of.recognise([(row, 25_600.0)], {"A": OWN, "B": OTHER}, "A"), sizes


@pytest.mark.parametrize(("over", "better"), [(9.5, False), (10.3, True)])
def test_another_drive_is_called_better_once_in_ten_thousand_captures_filed_rightly(
    monkeypatch: pytest.MonkeyPatch, over: float, better: bool
) -> None:
    """Of two that were tried a ratio of 20,000, ln 9.9: Markov's inequality."""
    found, _ = recognised(monkeypatch, best(50.0 + over))
    assert (found.verdict == "other drive") is better


@pytest.mark.parametrize(("mesh", "better"), [(18.7, False), (19.3, True)])
def test_its_mesh_may_be_read_a_little_less_clearly_at_its_speed(
    monkeypatch: pytest.MonkeyPatch, mesh: float, better: bool
) -> None:
    found, _ = recognised(monkeypatch, best(80.0, mesh))
    assert (found.verdict == "other drive") is better


def test_of_a_long_capture_half_a_minute_is_enough_and_of_a_short_one_sixty_four_samples(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert recognised(monkeypatch, best())[1] == [30 * 25_600]
    assert recognised(monkeypatch, best(), 70)[1] == [70]
    with pytest.raises(ValueError, match="samples"):
        recognised(monkeypatch, best(), 60)


def test_half_the_plates_speed_is_searched_and_a_tenth_above_it() -> None:
    assert lines_of._wide(OWN) == pytest.approx((24.5 / 2, 24.5 * 1.1))


class Ten:
    """Lines of ten seconds."""

    duration_s = 10.0


@pytest.mark.parametrize(("apart", "places"), [(0.012, 1), (0.020, 2)])
def test_a_strong_lines_foot_reaches_four_bins(apart: float, places: int) -> None:
    lines: Any = Ten()
    assert lines_of._orders(lines, [1.0, 1.0 + apart], 25.0).size == places


def of(seconds: float = 10.0) -> CandidateSpeed:
    """The best of three speeds; lines at orders 3.2, 4.2 and 9 with odds 1, 2 and 4."""
    ratios = np.zeros((3, 3))
    ratios[:, 1] = 1.0, 2.0, 4.0
    speeds, orders = np.array([22.0, 24.0, 26.0]), np.array([3.2, 4.2, 9.0])
    return lines_of._best(30 * ratios, speeds, orders, np.ones(3, dtype=bool), seconds)


def test_lines_up_to_order_three_and_a_half_are_any_motors() -> None:
    assert of().mesh == pytest.approx(30 * (2 + 4))


@pytest.mark.parametrize(("turns", "alone"), [(17.0, False), (23.0, True)])
def test_in_twenty_turns_lines_an_order_apart_part(turns: float, alone: bool) -> None:
    assert of(turns / 24.0).alone is alone


@pytest.mark.parametrize(("off", "said"), [(0.008, False), (0.013, True), (-0.013, True)])
def test_a_speed_read_off_a_display_may_be_off_by_a_hundredth(off: float, said: bool) -> None:
    speed = SpeedEstimate(input_hz=24.0, uncertainty_hz=1e-3, method="signal")
    one = Recognition(
        claimed="A", verdict="fits", speed=speed, inside=best(), outside=None, better=(), same=(), close=()
    )
    assert (one.contradicts(24.0 * (1 + off)) is not None) is said


def test_lobes_and_pins_come_round_about_once_a_turn() -> None:
    """What is twice the order of a slower part is made by the double too; of a faster one it is not."""
    found = lines_of._not_of_double(np.array([2 * 18 / 17, 2 * 1.7]), [1.0, 18 / 17, 1.7])
    assert found.tolist() == [False, True]


@pytest.mark.parametrize(("apart", "method"), [(0.0021, "tachometer"), (0.0042, "signal")])
def test_pulses_that_lie_three_per_mille_off_the_lines_are_not_believed(apart: float, method: str) -> None:
    pulsed = SpeedEstimate(input_hz=24.0 * (1 + apart), uncertainty_hz=1e-4, method="tachometer")
    found = lines_of._speed([], OWN, best(speed_hz=24.0), None, pulsed, elsewhere=False)
    assert found is not None
    assert found.method == method


def beyond(only: float, inside: float) -> tuple[bool, list[float]]:
    """Whether half the speed is taken where what only it makes is so sure, and the whole; and where strays are seen."""
    seen: list[float] = []
    grid = np.linspace(12.25, 26.95, 2000)

    class Lines:
        duration_s = 40.0

        def speeds_hz(self, wide: Any, used: Any) -> Any:
            return grid

        def at(self, speeds: Any, used: Any) -> Any:
            ratios = np.zeros((len(used), len(speeds)))
            if len(speeds) == grid.size:
                own = lines_of._not_of_double(used, orders)
                ratios[own, 3] = only / np.count_nonzero(own)
                ratios[~own, 3] = 60.0
            else:
                seen.extend((speeds / grid[3] - 1).tolist())
            return ratios

    orders = (1.0, 2.0, 18 / 17, 8.47)
    own = Candidate(range_hz=(24.0, 25.0), nominal_hz=24.5, orders=orders)
    lines: Any = Lines()
    return lines_of._beyond(lines, own, best(inside, speed_hz=2 * float(grid[3]))) is not None, seen


@pytest.mark.parametrize(
    ("only", "inside", "half"), [(26.0, 40.0, False), (36.0, 40.0, True), (26.0, 26.0, True), (26.0, 36.0, False)]
)
def test_a_speed_that_is_certain_is_not_given_up_for_half_of_it_unless_that_is_as_certain(
    only: float, inside: float, half: bool
) -> None:
    """Odds of exp(30): strays bring up to exp(10) each."""
    assert beyond(only, inside)[0] is half


def test_what_strays_bring_is_seen_close_by_on_either_side_but_for_the_speed_itself() -> None:
    """From three per mille, where the line's own foot ends, to three per cent."""
    off = np.array(sorted(beyond(26.0, 40.0)[1]))
    np.testing.assert_allclose(off, -off[::-1], atol=1e-12)
    right = off[off > 0]
    np.testing.assert_allclose(right, [0.003, 0.005, 0.008, 0.012, 0.017, 0.022, 0.027], rtol=1e-6)


def test_what_planets_come_round_at_is_no_sign_of_half_the_speed() -> None:
    """A sun of 15 teeth and planets of 30, seen from a carrier that turns once in 81: their pitch errors make lines at
    multiples of 40/81, of which the 15th lies at half of the mesh."""
    planet = 40 / 81
    mesh = 30 * planet * np.array([1.0, 2.0, 3.0])
    assert lines_of._not_of_double(mesh, (1.0, 80 / 81)).tolist() == [True, False, True]
    assert not lines_of._not_of_double(mesh, (1.0, 80 / 81, planet)).any()


@pytest.mark.parametrize(
    ("speed_hz", "log_odds", "shaft", "verdict"),
    [
        (24.5 * 17 / 18, 50.0, -1.0, "fits"),
        (24.5 * 17 / 18, 50.0, 1.0, "other speed"),
        (24.5 * 16.9 / 18, 50.0, -1.0, "other speed"),
        (24.5 * 17 / 18, 2.0, -1.0, "other speed"),
    ],
)
def test_a_speed_wrong_by_one_lobe_contradicts_no_file(
    monkeypatch: pytest.MonkeyPatch, speed_hz: float, log_odds: float, shaft: float, verdict: str
) -> None:
    """Strong impacts of a ring pin bring out all multiples of the shaft, where the lobes of that speed lie; its own
    shaft's lines are not there."""
    own = Candidate(range_hz=(24.0, 25.0), nominal_hz=24.5, orders=(1.0, 18 / 17, 18.0))
    found = SimpleNamespace(duration_s=10.0, at=lambda speeds, orders: np.full((orders.size, 1), shaft))
    here, there = best(log_odds), best(log_odds + 30.0, speed_hz=speed_hz)
    monkeypatch.setattr(lines_of, "bridged_once", lambda samples: samples)
    monkeypatch.setattr(lines_of, "low_passed", lambda *_: None)
    monkeypatch.setattr(lines_of, "line_likelihood", lambda *_: found)
    monkeypatch.setattr(lines_of, "_best_speed", lambda *_: here)
    monkeypatch.setattr(lines_of, "_beyond", lambda *_: there)
    speed = SpeedEstimate(input_hz=24.5, uncertainty_hz=1e-3, method="signal")
    monkeypatch.setattr(lines_of, "_speed", lambda *_, **__: speed)
    row = np.zeros(25_600, dtype=np.float32)
    assert lines_of.recognise([(row, 25_600.0)], {"A": own}, "A").verdict == verdict
