"""Limits by which lines are fitted, parted and read, met from both of their sides."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from numpy.typing import NDArray

from vibe.spectra.attribution.modulation_depth import NEIGHBOURS_ALIKE, Modulations
from vibe.spectra.basic import line_fit
from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.basic.line_fit import AngleRow, FittedLine, _merged, _near, fit_line, turns_that_part

ROW = AngleRow.of(np.zeros(20_000, dtype=np.float32), 1000.0, AngleLaw.steady(10.0, 20.0))
"""Two hundred turns: a bin is 1/200 of an order."""


@pytest.mark.parametrize(("bins", "reached"), [(12.0, True), (20.0, False)])
def test_lines_within_sixteen_bins_are_fitted_too(bins: float, reached: bool) -> None:
    orders, fixed = _near(3.0, [3.0 + bins / 200], [30.0 - bins / 20], ROW)
    assert (bool(orders), bool(fixed)) == (reached, reached)


@pytest.mark.parametrize(("bins", "kept"), [(0.2, 1), (0.4, 2)])
def test_neighbours_that_lie_almost_on_each_other_count_as_one(bins: float, kept: int) -> None:
    assert len(_merged(3.0, [3.02, 3.02 + bins / 200], [], ROW)[0]) == kept
    assert len(_merged(3.0, [], [30.0 + bins / 20], ROW)[1]) == kept - 1


@pytest.mark.parametrize(("bins", "has_a_value"), [(3.0, False), (5.0, True)])
def test_a_line_lies_four_bins_from_zero_order(bins: float, has_a_value: bool) -> None:
    assert (fit_line(ROW, bins / 200, []) is not None) is has_a_value


@pytest.mark.parametrize(("apart_bins", "parted"), [(1.2, False), (1.8, True)])
def test_a_value_is_one_lines_alone_from_1_4_bins_on(apart_bins: float, parted: bool) -> None:
    line = FittedLine(
        value=1.0, uncertainty=0.1, degrees_of_freedom=9.0, smeared=0.0, apart_bins=apart_bins, speed_bins=0.0,
        floor=0.01, strongest_neighbour=0.0,
    )  # fmt: skip
    assert line.parted is parted
    turns = turns_that_part(1.0, [1.0 + apart_bins / 100])
    assert turns is not None
    assert (turns < 100.0) is parted


def modulation(spectrum: NDArray[np.float64], half: int) -> float:
    """Square of the amplitude that is read at order 1 of 100 turns."""
    reader = Modulations(cast(Any, SimpleNamespace(law=SimpleNamespace(mean_hz=10.0))))
    band = cast(Any, SimpleNamespace(turns=100.0, channel="a", width_hz=100.0))
    reader._spectra[("a", 100.0)] = spectrum[None, :]
    return float(reader._line(band, 1.0, half)[0])


@pytest.mark.parametrize(("sigmas", "clear"), [(2.0, False), (4.0, True)])
def test_a_line_of_the_envelope_stands_three_times_over_the_scatter_of_its_floor(sigmas: float, clear: bool) -> None:
    floor, count = 1 / np.log(2.0), 5
    spectrum = np.ones(300)
    spectrum[100] += count * (floor - 1.0) + sigmas * floor * np.sqrt(1.94 * count)
    assert bool(modulation(spectrum, 2) > 0) is clear


@pytest.mark.parametrize(("first", "last", "hidden"), [(1, 5, False), (1, 9, True), (13, 24, False)])
def test_the_floor_of_a_modulation_is_the_median_of_twelve_bins_on_either_side(
    first: int, last: int, hidden: bool
) -> None:
    """Bins that others fill count where they are most of those twelve, and not beyond."""
    spectrum = np.ones(300)
    spectrum[100] = 60.0
    for off in range(first + 2, last + 3):
        spectrum[[100 - off, 100 + off]] = 50.0
    assert bool(modulation(spectrum, 2) == 0) is hidden


def test_neighbours_under_a_hann_window_are_alike_by_two_thirds_and_a_sixth() -> None:
    assert pytest.approx(1 + 2 * ((2 / 3) ** 2 + (1 / 6) ** 2), abs=0.01) == NEIGHBOURS_ALIKE


@pytest.mark.parametrize(("second", "share"), [(0.25, 0.25), (1e-6, 0.25 * np.sqrt(8.0))])
def test_slip_smears_a_line_over_two_bins_and_its_harmonics_over_more(
    second: float, share: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A share of a quarter makes lines of a half; that a second line is hardly there counts by a factor of eight."""
    halves: list[int] = []

    def line(_: object, band: Any, order: float, half: int) -> NDArray[np.float64]:
        halves.append(half)
        return np.array([0.25 if order < 1.5 else second])

    band = SimpleNamespace(width_hz=1e9, centre_hz=np.array([3000.0]))
    monkeypatch.setattr(Modulations, "_band", lambda *_: band)
    monkeypatch.setattr(Modulations, "_line", line)
    reader = Modulations(cast(Any, SimpleNamespace(law=SimpleNamespace(mean_hz=10.0))))
    [(_, _, part)] = reader.of("a", cast(Any, SimpleNamespace(lines=[SimpleNamespace(order=1.0)])))
    assert halves == [3, 4]
    assert part == pytest.approx(share, rel=0.01)


def smeared(*raised: tuple[int, int, float]) -> float:
    """How far the value of a line in noise is open, the noise being raised between two distances from it, in bins, by a
    factor in power; the median of six."""
    n, found = ROW.samples.size, []
    for seed in range(6):
        lines = np.fft.rfft(np.random.default_rng(seed).standard_normal(n))
        off = np.abs(np.arange(lines.size) - 600)
        for first, last, factor in raised:
            lines[(off >= first) & (off <= last)] *= np.sqrt(factor)
        line = np.sqrt(2) * np.cos(2 * np.pi * 30.0 * np.arange(n) / 1000.0)
        samples = (0.5 * np.fft.irfft(lines, n) + line).astype(np.float32)
        fitted = fit_line(AngleRow.of(samples, 1000.0, AngleLaw.steady(10.0, 20.0)), 3.0, [])
        assert fitted is not None
        found.append(fitted.smeared)
    return float(np.median(found))


def test_what_stands_four_times_over_the_quiet_bins_within_48_is_no_noise() -> None:
    assert smeared((0, 13, 3.0)) < 1e-4
    assert smeared((0, 13, 6.0)) > 3e-4
    assert smeared((0, 13, 6.0), (49, 97, 30.0)) > 4e-4  # what lies beyond is not asked
    assert smeared((0, 24, 10.0)) > 6e-4  # and all of it is
    assert smeared((0, 13, 20.0), (20, 41, 100.0)) > 5e-5  # lines that nobody knows stand in most of it


def test_angle_laws_of_the_first_third_and_sixth_degree_are_tried_too() -> None:
    """The smoother ones hold a polynomial of their own degree, and none of the next."""
    held = []
    for degree in range(1, 14):
        turning: Any = SimpleNamespace(is_steady=False, at=lambda time, power=degree: (time / 4.0) ** power)
        row = AngleRow.of(np.zeros(4000, dtype=np.float32), 1000.0, turning)
        held.append([float(np.abs(one - row.turns).max()) < 1e-9 for one in row.smoother])
    assert np.sum(held, axis=0).tolist() == [1, 3, 6]


@pytest.mark.parametrize(("bins", "sought"), [(0.07, True), (0.035, False)])
def test_a_line_is_sought_where_the_speed_leaves_it_more_than_a_twentieth_of_a_bin(
    monkeypatch: pytest.MonkeyPatch, bins: float, sought: bool
) -> None:
    asked: list[float] = []

    def best_shift(base: Any, orders: Any, fixed_hz: Any, most: float) -> float:
        asked.append(most)
        return 0.0

    monkeypatch.setattr(line_fit.LineBase, "best_shift", best_shift)
    row = AngleRow.of(np.ones(4000, dtype=np.float32), 1000.0, AngleLaw.steady(25.0, 4.0))
    fit_line(row, 3.0, [], speed_spread=bins / (3 * 3.0 * 100))
    assert bool(asked) is sought
