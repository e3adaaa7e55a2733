"""Another rotor in one capture: its lines do not lead the drive's speed away."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.speed import law_choice
from vibe.spectra.speed.phase_refinement import Refined
from vibe.spectra.speed.speed_search import speed_from_signal

RATE = 2560.0
SECONDS = 8.0
PAST = 18 / 17
ORDERS = sorted({k * order for k in (1, 2, 3) for order in (1.0, PAST, 18.0)})


def turning(hz: float, heights: dict[float, float], seed: int, seconds: float = SECONDS) -> np.ndarray:
    rng = np.random.default_rng([8, seed])
    time = np.arange(int(RATE * seconds)) / RATE
    return sum(
        (height * np.sin(2 * np.pi * (order * hz * time + rng.uniform())) for order, height in heights.items()),
        start=np.zeros(time.size),
    )


def noise(seed: int, seconds: float = SECONDS) -> np.ndarray:
    return np.random.default_rng([9, seed]).normal(size=int(RATE * seconds))


def channel(row: np.ndarray) -> tuple[np.ndarray, float]:
    return row.astype(np.float32), RATE


def ends(monkeypatch: pytest.MonkeyPatch, begun: AngleLaw) -> float:
    """Mean speed of the taken of two laws, a steady one and one that changes by a tenth and fits two units better."""
    knots = np.linspace(0.0, SECONDS, 9)
    bent = AngleLaw(time_s=knots, turns=25.0 * (knots + 0.05 * (knots**2 / SECONDS - knots)))
    found = [
        Refined(law=AngleLaw.steady(24.0, SECONDS), relative=1e-5, explained=300.0),
        Refined(law=bent, relative=9e-4, explained=100.0),
    ]
    monkeypatch.setattr(law_choice, "refinements", lambda *_: list(found))
    monkeypatch.setattr(law_choice, "_weights", lambda *_: np.array([50.0, 52.0]))
    taken = law_choice.law_choice(
        begun, cast(Any, SimpleNamespace()), np.array([1.0, 18.0]), 24.0, unresolved=0.004, range_hz=(23.0, 26.0)
    )
    assert taken is not None
    return taken.fine.law.mean_hz


def test_a_jump_that_nobody_followed_is_paid_for(monkeypatch: pytest.MonkeyPatch) -> None:
    assert ends(monkeypatch, AngleLaw.steady(24.0, SECONDS)) == pytest.approx(24.0)
    knots = np.linspace(0.0, SECONDS, 9)
    followed = AngleLaw(time_s=knots, turns=24.0 * (knots + 0.06 * (knots**2 / SECONDS - knots)))
    assert ends(monkeypatch, followed) == pytest.approx(25.0)


@pytest.mark.parametrize("gap", [1.0125, 1.01323, 1.015])
def test_another_rotor_next_to_the_lobes_does_not_take_the_drive_along(gap: float) -> None:
    """A motor whose lines the capture does not resolve from those of the lobes, and louder than all of the drive's:
    at the speed at which it is the lobes, a thousandth off, the mesh is missing."""
    lobes, hz, seconds = 71 / 70, 21.67, 9.6
    orders = sorted({k * order for k in (1, 2, 3) for order in (1.0, lobes, 6 * lobes)})
    own = {1.0: 6.0, 2.0: 5.0, 3.0: 1.6, 6 * lobes: 1.6, 12 * lobes: 1.1, 18 * lobes: 0.5}
    motor = {1.0: 60.0, 2.0: 18.0, 3.0: 24.0}
    row = turning(hz, own, 1, seconds) + turning(gap * hz, motor, 11, seconds) + noise(1, seconds)
    found = speed_from_signal([channel(row)], (20.95, 22.32), orders)
    assert found is not None
    assert found[1].uncertainty_hz is not None
    assert abs(found[1].input_hz - hz) < 4 * found[1].uncertainty_hz < 1e-4 * hz


@pytest.mark.parametrize(("better", "taken_hz"), [(0.9, 24.0), (1.1, 24.02)])
def test_what_fewer_lines_come_to_must_be_clearly_better_by_all(
    monkeypatch: pytest.MonkeyPatch, better: float, taken_hz: float
) -> None:
    def refinements(_: AngleLaw, __: object, orders: np.ndarray, ___: float) -> list[Refined]:
        hz = 24.0 if 1.0 in orders else 24.02
        return [Refined(law=AngleLaw.steady(hz, SECONDS), relative=2e-4 if 1.0 in orders else 1e-5, explained=100.0)]

    monkeypatch.setattr(law_choice, "refinements", refinements)
    monkeypatch.setattr(law_choice, "_weights", lambda *_: np.array([50.0, 50.0 + better * law_choice.CLEARER]))
    taken = law_choice.law_choice(
        AngleLaw.steady(24.0, SECONDS), cast(Any, SimpleNamespace()), np.array([1.0, 2.0, 18.0]), 24.0,
        unresolved=0.004, range_hz=(23.0, 26.0),
    )  # fmt: skip
    assert taken is not None
    assert taken.fine.law.mean_hz == pytest.approx(taken_hz)
