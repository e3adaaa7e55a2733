"""Of several angle laws to which phases come: which is taken, and what is left to the others."""

from __future__ import annotations

import numpy as np
import pytest

from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.speed.law_choice import CLEARER, SAME_SIGMAS, _chosen, _exchanged, _weights
from vibe.spectra.speed.phase_refinement import Refined, low_passed
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


def test_lines_that_share_a_peak_count_once() -> None:
    """Between two lines 0.8 bins apart both lie on the foot of a peak that is one's."""
    time = np.arange(int(RATE * SECONDS)) / RATE
    row = np.random.default_rng(3).standard_normal(time.size) + 0.3 * np.sin(2 * np.pi * 14.6 * time)
    lows = [low_passed(row.astype(np.float32), RATE, 100.0)]
    law = AngleLaw.steady(14.6 * (1 - 0.4 / (14.6 * SECONDS)), SECONDS)
    pair = np.array([1.0, 1.0 + 0.8 / law.total_turns])
    alone = [_weights([law], lows, order[None], 15.0) for order in pair]
    assert _weights([law], lows, pair, 15.0) == pytest.approx(max(alone))
    resolved = np.array([1.0, 1.0 + 1.6 / law.total_turns])
    assert _weights([law], lows, resolved, 15.0) != pytest.approx(_weights([law], lows, resolved[:1], 15.0))


def test_laws_are_weighed_alike_whether_alone_or_among_others() -> None:
    time = np.arange(int(RATE * SECONDS)) / RATE
    row = np.random.default_rng(3).standard_normal(time.size) + 0.3 * np.sin(2 * np.pi * 14.6 * time)
    lows = [low_passed(row.astype(np.float32), RATE, 100.0)]
    knots = np.array([0.0, SECONDS / 2, SECONDS])
    bent = AngleLaw(time_s=knots, turns=14.6 * knots + np.array([0.0, 0.3, 0.0]))
    laws = [AngleLaw.steady(14.6, SECONDS), bent, AngleLaw.steady(14.3, SECONDS)]
    orders = np.array([1.0, 2.0, 3.0])
    assert list(_weights(laws, lows, orders, 15.0)) == [_weights([law], lows, orders, 15.0)[0] for law in laws]


def test_an_alias_that_a_short_capture_does_not_resolve_is_carried() -> None:
    """120 pins, 95 turns: the lobes stand 0.8 bins off the shaft's, and between the two any speed explains one peak."""
    past = 120 / 119
    orders = sorted({k * o for k in (1, 2, 3) for o in (1.0, past, 6 * past)})
    rng = np.random.default_rng(4)
    time = np.arange(int(RATE * 6.5)) / RATE
    row = rng.standard_normal(time.size)
    for order in (1.0, 2.0, 3.0):
        row += 0.2 * np.sin(2 * np.pi * (order * 14.6 * time + rng.uniform()))
    read = speed_from_signal([(row.astype(np.float32), RATE)], (14.1, 15.1), orders)
    assert read is not None
    carried = [hz for hz, chance in read[1].alternatives if chance > 1e-3]
    assert min(carried) < 14.6 * 1.002 and max(carried) > 14.6 * 0.998  # noqa: PT018
    assert len(carried) > 1
