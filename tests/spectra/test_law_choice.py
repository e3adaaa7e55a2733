"""Of several angle laws to which phases come: which is taken, what is left to the others, and that no sample decides."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.speed.law_choice import CLEARER, SAME_SIGMAS, _chosen, _exchanged
from vibe.spectra.speed.phase_refinement import Refined
from vibe.spectra.speed.speed_search import _alternatives, _Choice, speed_from_signal

RATE = 2560.0
SECONDS = 7.0


def end(hz: float, explained: float, relative: float = 1e-5) -> Refined:
    return Refined(law=AngleLaw.steady(hz, SECONDS), relative=relative, explained=explained)


def test_of_laws_of_one_speed_lines_decide_where_they_are_clear_and_else_phases() -> None:
    two = [end(24.0, explained=300.0), end(24.0 * (1 + 2e-5), explained=100.0)]
    assert _chosen(two, np.array([50.0, 50.0 + 0.9 * CLEARER]), None).fine is two[0]
    assert _chosen(two, np.array([50.0, 50.0 + 1.1 * CLEARER]), None).fine is two[1]
    assert _chosen(two, np.array([50.0, 50.0]), None).others == ()


def test_a_law_of_another_speed_is_carried_with_its_weight_whatever_phases_say() -> None:
    apart = 1 + 1.1 * SAME_SIGMAS * np.hypot(1e-5, 1e-5)
    ends = [end(24.0, explained=300.0), end(24.0 * apart, explained=100.0), end(24.0 * apart, explained=50.0)]
    found = _chosen(ends, np.array([47.0, 50.0, 49.0]), None)
    assert found.fine is ends[1]
    assert found.others == ((24.0, pytest.approx(-3.0)),)
    settled = _chosen(ends, np.array([47.0, 50.0, 49.0]), settled_hz=24.0)
    assert settled.fine is ends[0]
    assert settled.others == ((pytest.approx(24.0 * apart), pytest.approx(3.0)),)


def test_the_place_that_was_taken_is_shared_out_among_its_laws() -> None:
    """Half of the log odds are believed, as between the places of the range."""
    choice = _Choice(
        law=AngleLaw.steady(24.0, SECONDS), log_odds=50.0, elsewhere=0.0, range_hz=(23.0, 25.0),
        rivals=((24.0, 50.0), (24.5, 44.0)),
    )  # fmt: skip
    place = 1 / (1 + np.exp(-3.0))
    found = dict(_alternatives(choice, 24.01, [(23.95, -2.0)]))
    assert list(found) == [24.01, 23.95, 24.5]
    assert found[24.01] == pytest.approx(place / (1 + np.exp(-1.0)))
    assert found[23.95] == pytest.approx(place / (1 + np.exp(1.0)))
    assert sum(found.values()) == pytest.approx(1.0)


def test_lines_next_to_the_shafts_first_change_places_with_it_where_they_are_not_resolved() -> None:
    law = AngleLaw.steady(24.0, SECONDS)
    orders = np.array([1.0, 120 / 119, 2.0, 18 / 17])
    found = sorted(other.mean_hz for other in _exchanged(law, orders, 0.01, (23.0, 25.0)))
    assert found == pytest.approx([24.0 * 119 / 120, 24.0 * 120 / 119])
    assert _exchanged(law, orders, 0.008, (23.0, 25.0)) == []  # resolved: the search of the range sees it
    assert len(_exchanged(law, orders, 0.01, (23.9, 25.0))) == 1


def two_combs(lobes: int, speed_hz: float, cut: int = 0, jitter: float = 0.0) -> NDArray[np.float32]:
    """Multiples of shaft and lobes, as pitch errors of a drive make them."""
    rng = np.random.default_rng([12, lobes])
    time = np.arange(int(RATE * SECONDS)) / RATE
    row = 0.3 * rng.standard_normal(time.size)
    for order in (k * comb for comb in (1.0, (lobes + 1) / lobes) for k in range(1, 21)):
        row += rng.uniform(0.1, 0.4) * np.sin(2 * np.pi * (order * speed_hz * time + rng.uniform()))
    row += jitter * np.random.default_rng(1).standard_normal(time.size)
    return row[: row.size - cut].astype(np.float32)


def test_no_sample_decides_between_the_two_combs_of_a_drive_of_another_ratio() -> None:
    """18 lobes under the file of 17: at one speed the shaft's lines are where the file puts them, at another one the
    lobes'. Phases of few segments explain the one or the other by chance."""
    orders = sorted({k * o for k in (1, 2, 3) for o in (1.0, 18 / 17, 8 * 18 / 17, 18.0)})

    def found(cut: int, jitter: float = 0.0) -> dict[float, float]:
        read = speed_from_signal([(two_combs(18, 20.08, cut, jitter), RATE)], (19.5, 20.9), orders)
        assert read is not None
        return {round(hz, 3): chance for hz, chance in read[1].alternatives}

    first = found(0)
    for other in (found(1), found(3), found(7), found(20), found(0, 1e-7)):
        assert list(other)[0] == pytest.approx(list(first)[0], abs=0.002)
        assert other[list(other)[0]] == pytest.approx(first[list(first)[0]], abs=0.05)


def test_an_alias_that_a_short_capture_does_not_resolve_is_carried() -> None:
    """120 pins, 95 turns: the lobes stand 0.8 bins off the shaft's. A minute of the same leaves no other speed."""
    past = 120 / 119
    orders = sorted({k * o for k in (1, 2, 3) for o in (1.0, past, 6 * past)})

    def rivals(seconds: float) -> list[float]:
        rng = np.random.default_rng(3)
        time = np.arange(int(RATE * seconds)) / RATE
        row = rng.standard_normal(time.size)
        for order in (1.0, 2.0, 3.0):
            row += 0.2 * np.sin(2 * np.pi * (order * 14.6 * time + rng.uniform()))
        read = speed_from_signal([(row.astype(np.float32), RATE)], (14.1, 15.1), orders)
        assert read is not None
        assert any(abs(hz / 14.6 - 1) < 2e-4 for hz, chance in read[1].alternatives if chance > 0.02)
        return [hz for hz, _ in read[1].alternatives if min(abs(hz / 14.6 - past), abs(hz / 14.6 - 1 / past)) < 2e-3]

    assert rivals(6.5)
    assert not rivals(60.0)
