"""Of several speeds that the lines allow, the one at which the drive's own families stand is read."""

from __future__ import annotations

from dataclasses import dataclass
from types import SimpleNamespace
from typing import Any, cast

import pytest

from vibe.core.evidence import SpeedEstimate
from vibe.flow.diagnose import settled_speed
from vibe.flow.diagnose.presence import Gate
from vibe.flow.diagnose.settled_speed import at_own_speed

NOT_DETECTED = cast(Any, SimpleNamespace(text="nothing stands out"))


@dataclass(frozen=True)
class Read:
    """A capture read at one speed."""

    speed: SpeedEstimate


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


def test_where_it_is_detected_at_once_nothing_is_read_again(monkeypatch: pytest.MonkeyPatch) -> None:
    first = read((20.0, 0.7), (20.1, 0.3))
    assert asked(monkeypatch, first, {20.0: Gate(probability=0.99, reason=None)}) == (first, [])
    sure = read((20.0, 1.0))
    assert asked(monkeypatch, sure, {}) == (sure, [])
