"""Of several speeds that the lines allow, the one at which the drive's own families stand is read."""

from __future__ import annotations

from dataclasses import dataclass, replace
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from vibe.core.evidence import SpeedEstimate
from vibe.core.tones import CaptureSettings
from vibe.flow.diagnose import presence as gate_module
from vibe.flow.diagnose import settled_speed
from vibe.flow.diagnose.capture_diagnosis import request_of
from vibe.flow.diagnose.presence import OPEN_SPEED, Gate, gate
from vibe.flow.diagnose.settled_speed import at_own_speed
from vibe.flow.settings import share_dir, tones_of
from vibe.kinematics.planning.observability import visibility
from vibe.spectra.analysis import analysis_of, with_outside_combs
from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.presence import presence
from vibe.spectra.presence.axes import AUDIBLE, Axis
from vibe.spectra.presence.families import Family
from vibe.spectra.presence.presence import Presence
from vibe.spectra.rivals import rival_drives, speed_multiples
from vibe.spectra.segment import analyse_segment
from vibe.synth.conditions import Conditions
from vibe.synth.machine.damage import Damage
from vibe.synth.simulate import simulate

NOT_DETECTED = cast(Any, SimpleNamespace(text="nothing stands out", code="not_heard"))


@dataclass(frozen=True)
class Read:
    """A capture read at one speed."""

    speed: SpeedEstimate

    @property
    def law(self) -> AngleLaw:
        return AngleLaw.steady(self.speed.input_hz, 10.0)


def read(*alternatives: tuple[float, float]) -> Read:
    return Read(
        speed=SpeedEstimate(
            input_hz=alternatives[0][0], uncertainty_hz=1e-3, method="signal", alternatives=alternatives
        )
    )


def asked(monkeypatch: pytest.MonkeyPatch, first: Read, gates: dict[float, Gate]) -> tuple[Read, list[float]]:
    again: list[float] = []

    def at(hz: float) -> Any:
        again.append(hz)
        return read((hz, 0.3), first.speed.alternatives[0])

    monkeypatch.setattr(settled_speed, "_gate", lambda reading, *_: gates[reading.speed.input_hz])
    monkeypatch.setattr(gate_module, "families_of", lambda *_: [Family(count=30, unit=1.0, difference=1)])
    taken = at_own_speed(cast(Any, first), at, cast(Any, None), cast(Any, None))
    return cast(Read, taken), again


def test_the_speed_at_which_the_drive_is_detected_is_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    first = read((20.0, 0.7), (20.1, 0.29), (20.4, 0.01))
    gates = {20.0: Gate(probability=0.1, reason=NOT_DETECTED), 20.1: Gate(probability=0.999, reason=None)}
    taken, again = asked(monkeypatch, first, gates)
    assert again == [20.1]  # one in a hundred is not worth another look
    assert taken.speed.input_hz == 20.1
    (at, chance), (other, rest) = taken.speed.alternatives
    assert (at, other) == (20.1, 20.0)
    assert chance == pytest.approx(0.29 * 0.999 / (0.29 * 0.999 + 0.7 * 0.1))
    assert chance + rest == pytest.approx(1.0)


@pytest.mark.parametrize(
    "there",
    [
        Gate(probability=0.999, reason=None, rivalled=True),  # a drive of other counts explains more
        Gate(probability=0.999, reason=NOT_DETECTED),  # a stop
        Gate(probability=0.94, reason=None),  # one in twenty, as often as speeds were asked
    ],
)
def test_where_it_is_not_surely_that_drive_the_first_stays(monkeypatch: pytest.MonkeyPatch, there: Gate) -> None:
    first = read((20.0, 0.7), (20.1, 0.3))
    taken, again = asked(monkeypatch, first, {20.0: Gate(probability=0.1, reason=NOT_DETECTED), 20.1: there})
    assert again == [20.1]
    assert taken is first


def test_parts_are_asked_for_at_the_speed_that_is_taken_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    first = read((20.0, 0.5), (20.1, 0.3), (20.4, 0.2))
    gates = {hz: Gate(probability=0.1, reason=NOT_DETECTED) for hz in (20.0, 20.1)}
    gates[20.4] = Gate(probability=0.999, reason=None)
    monkeypatch.setattr(settled_speed, "_gate", lambda reading, *_: gates[reading.speed.input_hz])
    asked: list[float] = []

    def whole(reading: Any) -> Any:
        asked.append(reading.speed.input_hz)
        return reading

    nobody = cast(Any, None)
    taken = at_own_speed(cast(Any, first), lambda hz: cast(Any, read((hz, 0.3))), nobody, nobody, whole)
    assert (asked, taken.speed.input_hz) == ([20.4], 20.4)


def test_what_is_asked_later_is_what_would_have_been_found_at_once() -> None:
    """Damage next to a fan whose blades are found first."""
    drive, table = tones_of(share_dir() / "configs" / "acceptance" / "sample_drive.toml")
    capture = simulate(drive, [Damage("stage1.lobe")], seed=5, conditions=Conditions(duration_s=3.0))
    blows = np.sin(np.pi * 7.31 * np.arange(capture.channels[0].samples.size) / 25600.0) ** 200
    loud = [replace(one, samples=(one.samples * (1 + 8 * blows)).astype(np.float32)) for one in capture.vibration]
    recorded = CaptureSettings(duration_s=3.0, sample_rate_hz=25600.0, usable_band_hz=(2.0, 10_000.0))
    seen = visibility(table, recorded, drive.input.speed_hz)
    request = request_of(replace(capture, channels=tuple(loud)), drive, table, seen, 3.0)
    segment = analyse_segment(loud, None, request)
    at_once, first = analysis_of(segment, request), with_outside_combs(segment, request)
    assert first.outside_combs
    assert first.outside_combs == at_once.outside_combs
    assert first.combs == ()
    later = analysis_of(first, request)
    assert (later.combs, later.outside_combs) == (at_once.combs, at_once.outside_combs)


def test_where_it_is_detected_at_once_nothing_is_read_again(monkeypatch: pytest.MonkeyPatch) -> None:
    first = read((20.0, 0.7), (20.1, 0.3))
    assert asked(monkeypatch, first, {20.0: Gate(probability=0.99, reason=None)}) == (first, [])
    sure = read((20.0, 1.0))
    assert asked(monkeypatch, sure, {}) == (sure, [])


@pytest.mark.parametrize(("second", "taken_hz"), [(0.3, 20.1), (0.7, 20.0)])
def test_lines_near_an_assumed_speed_lead_to_the_only_machine_that_makes_them(
    monkeypatch: pytest.MonkeyPatch, second: float, taken_hz: float
) -> None:
    """Two machines alike make them too: which of the two is this drive nobody knows."""
    first = read((20.0, 0.1), (20.1, 0.7), (20.4, 0.2))
    gates = {
        20.0: Gate(probability=0.999, reason=cast(Any, SimpleNamespace(code=OPEN_SPEED))),
        20.1: Gate(probability=0.999, reason=None),
        20.4: Gate(probability=second, reason=NOT_DETECTED),
    }
    taken, again = asked(monkeypatch, first, gates)
    assert again == [20.1, 20.4]
    assert taken.speed.input_hz == taken_hz


@pytest.mark.parametrize(("times", "taken_hz"), [(30 / 29, 20.1), (29 / 30, 20.1), (1.0005, 20.1), (1.01, 20.0)])
def test_the_drives_own_lobes_are_no_second_machine(
    monkeypatch: pytest.MonkeyPatch, times: float, taken_hz: float
) -> None:
    """One lobe of 29 off most of its lines stand as well."""
    other = 20.1 * times
    first = read((20.0, 0.1), (20.1, 0.7), (other, 0.2))
    gates = {
        20.0: Gate(probability=0.999, reason=cast(Any, SimpleNamespace(code=OPEN_SPEED))),
        20.1: Gate(probability=0.999, reason=None),
        other: Gate(probability=0.93, reason=NOT_DETECTED),
    }
    taken, again = asked(monkeypatch, first, gates)
    assert again == [20.1, other]
    assert taken.speed.input_hz == taken_hz


@pytest.mark.parametrize(("in_range", "taken_hz"), [(0.9999, 20.1), (0.97, 20.0)])
def test_doubt_about_a_speed_outside_the_range_does_not_grow_with_the_speeds_tried(
    monkeypatch: pytest.MonkeyPatch, in_range: float, taken_hz: float
) -> None:
    first = read((20.0, 0.7), (20.1, 0.3))
    there = Gate(probability=0.96, reason=None, in_range=in_range)
    taken, _ = asked(monkeypatch, first, {20.0: Gate(probability=0.1, reason=NOT_DETECTED), 20.1: there})
    assert taken.speed.input_hz == taken_hz


@pytest.mark.parametrize(
    ("otherwise", "asked_hz"),
    [(((20.1, 0.5),), [20.4, 20.1]), (((20.41, 0.5),), [20.4]), ((), [20.4])],
    ids=["another", "one of those known", "none"],
)
def test_a_speed_that_is_followed_otherwise_is_tried_too(
    monkeypatch: pytest.MonkeyPatch, otherwise: tuple[tuple[float, float], ...], asked_hz: list[float]
) -> None:
    first = read((20.0, 0.9), (20.4, 0.1))
    first = replace(first, speed=replace(first.speed, followed_otherwise=otherwise))
    gates = {hz: Gate(probability=0.1, reason=NOT_DETECTED) for hz in (20.0, 20.4)}
    gates[20.1] = Gate(probability=0.999, reason=None)
    taken, again = asked(monkeypatch, first, gates)
    assert again == asked_hz
    assert taken.speed.input_hz == (20.1 if 20.1 in asked_hz else 20.0)
    if 20.1 in asked_hz:
        chances = {20.0: 0.9 * 0.1, 20.4: 0.1 * 0.1, 20.1: 0.9 * 0.5 * 0.999}
        assert dict(taken.speed.alternatives)[20.1] == pytest.approx(chances[20.1] / sum(chances.values()))


@pytest.mark.parametrize(("method", "said"), [("signal", None), ("nominal", OPEN_SPEED)])
def test_a_drive_that_is_detected_near_an_assumed_speed_is_not_assessed(
    monkeypatch: pytest.MonkeyPatch, method: Any, said: str | None
) -> None:
    """Parts were asked for at that speed, and may speak at the true one."""
    monkeypatch.setattr(gate_module, "families_of", lambda *_: [Family(count=30, unit=1.0, difference=1)])
    monkeypatch.setattr(presence, "presence", lambda *_, **__: Presence(log_odds=9.0, own=9.0, better=None))
    monkeypatch.setattr(rival_drives, "rivals", lambda *_: [])
    monkeypatch.setattr(speed_multiples, "odds_of_multiples", lambda *_: 0.0)
    reading = SimpleNamespace(
        speed=SpeedEstimate(input_hz=24.0, uncertainty_hz=0.4, method=method), law=AngleLaw.steady(24.0, 10.0),
        looks=(), outside_combs=(), combs=(), lines=(), samples={},
    )  # fmt: skip
    drive = SimpleNamespace(input=SimpleNamespace(speed_range_hz=(23.3, 24.7)), motor=None)
    axis = Axis(rows=((np.zeros(4000), 0.01),), audible=AUDIBLE)
    table = cast(Any, SimpleNamespace(bodies=(), tones=(), output=None))
    found = gate(cast(Any, reading), axis, cast(Any, drive), table, [])
    assert (None if found.reason is None else found.reason.code) == said
