"""How wide the lines of a carried race are cut out, how many of them, and where they are compared."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from vibe.spectra.envelope.bands import BandEnvelopes
from vibe.spectra.evidence import modulating_turn as module

TURNS, PER_TURN = 200, 64
Row = NDArray[np.float64]
Cuts = tuple[list[tuple[float, float]], Row]


def cuts(order: float, monkeypatch: pytest.MonkeyPatch, *, stands: float = 0.0) -> Cuts:
    """Lower middle and half width of every pair that is compared, and the orders at which; each product ``stands`` as
    high in the middle of these."""
    made: list[tuple[float, float]] = []
    places: list[Row] = []

    def product(_lines: object, _turns: float, low: float, _turn: float, half: float, at: Row) -> Row:
        made.append((low, half))
        places.append(at)
        return np.where(np.arange(at.size) == at.size // 2, stands, 0.0)

    monkeypatch.setattr(module, "_product", product)
    power = np.random.default_rng(1).exponential(1.0, (1, TURNS * PER_TURN)).astype(np.float32)
    band = BandEnvelopes(
        channel="p1", power=power, per_turn=float(PER_TURN), centre_hz=np.array([4000.0]), width_hz=2000.0,
        band_rms=np.ones(1),
    )  # fmt: skip
    found = module.modulating_turn([band], (3000.0, 5000.0), [], order, 1.0, [1.0])
    assert (found is not None) is (stands > (10.0 if len(made) >= 4 else 20.0))
    return made, places[0]


def test_four_lines_are_as_wide_as_slip_smears_them_and_four_bins_more(monkeypatch: pytest.MonkeyPatch) -> None:
    """1.2 % of their order to either side; each with the side line below it and above it."""
    made, at = cuts(5.41, monkeypatch)
    assert [low for low, _ in made] == pytest.approx([k * 5.41 + side for k in (1, 2, 3, 4) for side in (-1, 0)])
    assert [half for _, half in made[::2]] == pytest.approx([0.012 * k * 5.41 + 4 / TURNS for k in (1, 2, 3, 4)])
    assert np.diff(at) == pytest.approx(1 / (8 * TURNS))


@pytest.mark.parametrize(("order", "lines"), [(8.2, 4), (8.6, 3), (16.4, 2)])
def test_lines_that_reach_half_way_to_their_side_lines_are_left_out(
    order: float, lines: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """From 0.42 of the way on: 0.012 x 4 x 8.33 + 0.02."""
    assert len(cuts(order, monkeypatch)[0]) == 2 * lines


@pytest.mark.parametrize(("order", "stands"), [(5.41, 9.0), (5.41, 11.0), (25.0, 19.0), (25.0, 21.0)])
def test_a_line_stands_ten_times_over_the_floors_of_several_products_or_twenty_of_few(
    order: float, stands: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert len(cuts(order, monkeypatch, stands=stands)[0]) == (8 if order < 10 else 2)


def test_two_bins_either_side_of_the_machines_own_lines_are_taken_out() -> None:
    lines = module._without(np.random.default_rng(2).exponential(1.0, 2_000), 100.0, [1.0])
    assert list(np.flatnonzero(lines[50:150] == 0) + 50) == [98, 99, 100, 101, 102]


@pytest.mark.parametrize("order", [0.3991, 0.4097, 0.402])
def test_a_cage_that_strikes_harder_every_second_time_tells_no_turn(order: float) -> None:
    """Five halves of its order lie within what slip and a machine of the kind differ by from the shaft's turn."""
    assert abs(2.5 * order - 1) < 0.03 + 0.012 < min(abs(2 * order - 1), abs(3 * order - 1))
    assert module.modulating_turn([], (3000.0, 5000.0), [], order, 1.0, [1.0]) is None


def test_half_the_order_of_a_race_is_as_far_from_the_turn_as_before(monkeypatch: pytest.MonkeyPatch) -> None:
    assert cuts(5.41, monkeypatch)[0]
