"""Limits by which a segment is cut into bands, its speed believed and its lines read, met from both of their sides."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from vibe.core.evidence import SpeedEstimate
from vibe.spectra import segment
from vibe.spectra.analysis_request import AnalysisRequest
from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.basic.fft import fast_length, rfft
from vibe.spectra.basic.lines import read_lines
from vibe.spectra.envelope.envelope_spectrum import MeanSquares, over_floor
from vibe.spectra.envelope.impulse_gating import _inside
from vibe.spectra.segment_average import Joined


def request(*orders: float, slips: bool = False) -> AnalysisRequest:
    combs = tuple(SimpleNamespace(order=order, carriers=(1,), slips=slips) for order in orders)
    return cast(AnalysisRequest, SimpleNamespace(combs=combs, fixed_speed_hz=24.0, nominal_hz=24.3, settled_hz=None))


def estimate(hz: float, sigma: float = 1e-4) -> SpeedEstimate:
    return SpeedEstimate(input_hz=hz, uncertainty_hz=sigma, method="signal")


@pytest.mark.parametrize(
    ("off", "sigma", "contradict"), [(0.002, 1e-4, False), (0.0045, 1e-4, True), (0.0045, 0.012, False)]
)
def test_lines_that_are_surely_followed_contradict_pulses_from_three_in_a_thousand(
    off: float, sigma: float, contradict: bool
) -> None:
    assert segment._contradict(estimate(25.0 * (1 + off), sigma), estimate(25.0)) is contradict


@pytest.mark.parametrize(
    ("own", "off", "there"), [(0.03, 0.004, True), (0.0, 0.004, False), (0.03, 0.0002, False), (0.03, 0.02, True)]
)
def test_pulses_are_believed_next_to_the_louder_lines_of_an_alike_machine_where_their_own_lines_stand(
    own: float, off: float, there: bool
) -> None:
    """A twin turns a little faster and is ten times as loud; without lines at the pulses' speed, or where the capture
    resolves no line of the two, the pulses are doubted."""
    rate, pulses = 2000.0, 24.0
    time = np.arange(int(10 * rate)) / rate
    row = 0.1 * np.random.default_rng(3).standard_normal(time.size)
    orders = [1.0, 2.0, 3.0, 4.0, 7.0, 11.0, 17.0, 18.0, 19.0, 36.0]
    for number, order in enumerate(orders):
        row += own * np.sin(2 * np.pi * order * pulses * time + number)
        row += 0.3 * np.sin(2 * np.pi * order * pulses * (1 + off) * time + 2 * number)
    asked = cast(AnalysisRequest, SimpleNamespace(range_hz=(23.0, 25.0), speed_orders=tuple(orders), moved_orders=()))
    rows = [(row.astype(np.float32), rate)]
    assert segment._stands_at(pulses, pulses * (1 + off), rows, asked, 10.0, [None]) is there


@pytest.mark.parametrize(
    ("hz", "order", "highest_hz", "width_hz"),
    [(5.0, 1.0, 10_000.0, 700.0), (25.0, 18.0, 10_000.0, 1800.0), (50.0, 1.0, 10_000.0, 1200.0),
     (5.0, 1.0, 48_500.0, 3000.0)],
)  # fmt: skip
def test_bands_pass_four_harmonics_and_24_places_of_a_turn_and_are_sixteen_at_most(
    hz: float, order: float, highest_hz: float, width_hz: float
) -> None:
    wide, narrow = segment._widths_hz(hz, request(order), highest_hz)
    assert (wide, narrow) == (pytest.approx(width_hz), pytest.approx(width_hz / 4))
    assert segment._widths_hz(hz, request(order, slips=True), highest_hz) == (pytest.approx(width_hz),)


def looks(rate: float, turns: float) -> Any:
    rows = {"a": (np.random.default_rng(1).standard_normal(int(rate)).astype(np.float32), rate)}
    transforms = {"a": rfft(rows["a"][0], fast_length(rows["a"][0].size))}
    return segment._looks(rows, transforms, AngleLaw.steady(turns, 1.0), request(1.0, slips=True), None)


@pytest.mark.parametrize(
    ("rate", "turns", "cut"), [(12_800.0, 7.0, False), (12_800.0, 9.0, True), (1800.0, 9.0, False), (2500.0, 9.0, True)]
)
def test_bands_need_eight_turns_and_room_above_half_a_kilohertz(rate: float, turns: float, cut: bool) -> None:
    assert bool(looks(rate, turns)) is cut


def test_bands_begin_at_500_hz_and_end_below_half_the_sample_rate() -> None:
    [look] = looks(12_800.0, 9.0)
    band = look.bands[0]
    assert band.centre_hz[0] - band.width_hz / 2 == pytest.approx(500.0, abs=1.0)
    assert band.centre_hz[-1] + band.width_hz / 2 == pytest.approx(0.48 * 12_800.0, abs=1.0)


def test_a_speed_read_off_a_display_is_known_to_one_per_cent() -> None:
    noise = np.random.default_rng(2).standard_normal(4000).astype(np.float32)
    asked = SimpleNamespace(
        range_hz=(23.0, 25.0),
        speed_orders=(1.0, 2.0),
        moved_orders=(),
        fixed_speed_hz=24.0,
        nominal_hz=24.3,
        settled_hz=None,
    )
    _, speed = segment._speed([(noise, 1600.0)], None, cast(AnalysisRequest, asked), 2.5)
    assert speed.method == "nominal"
    assert speed.uncertainty_hz == pytest.approx(0.24 / np.sqrt(3))


@pytest.mark.parametrize(("off", "joins"), [(0.15, True), (0.25, False)])
def test_a_segment_at_another_fifth_of_the_speed_is_another_condition(off: float, joins: bool) -> None:
    def of(hz: float) -> Any:
        return SimpleNamespace(speed=estimate(hz), law=SimpleNamespace(mean_hz=hz), looks=())

    why = Joined(2)._contradicts(of(24.0), of(24.0 * (1 + off)))
    assert (why is None) is joins


@pytest.mark.parametrize(("bins", "counted"), [(3, True), (5, False)])
def test_a_line_is_gathered_over_three_bins_on_either_side(bins: int, counted: bool) -> None:
    power = np.full(400, 1e-12)
    power[200], power[200 + bins] = 1.0, 0.9
    [line] = read_lines(power, 1.0, [("own", 200.0)], noise_bandwidth_bins=1.0, channel="a")
    assert line.acceleration_m_s2**2 == pytest.approx(1.9 if counted else 1.0, rel=1e-3)


@pytest.mark.parametrize(("last", "raised"), [(18, False), (39, True)])
def test_the_floor_of_a_line_is_the_median_of_forty_bins_on_either_side(last: int, raised: bool) -> None:
    power = np.full(400, 1e-6)
    for off in range(4, 4 + last):
        power[[200 - off, 200 + off]] = 1e-2
    power[200] = 1.0
    [line] = read_lines(power, 1.0, [("own", 200.0)], noise_bandwidth_bins=1.0, channel="a")
    assert bool(line.floor_mm_s > 0.05) is raised


def rising(levels: Sequence[float]) -> list[int]:
    """Cells of a period, 40 with ten samples each, that are part of an impact; each reaches into its neighbours."""
    power = np.tile(np.asarray(levels, dtype=np.float32), 10)[None, :]
    inside = _inside(power, np.arange(power.size) / 40.0 + 0.0125, 40.0)
    return np.flatnonzero(inside[0, :40]).tolist()


@pytest.mark.parametrize(("height", "rises"), [(1.3, False), (1.6, True)])
def test_a_cell_four_times_over_the_scatter_of_the_quieter_half_is_an_impact(height: float, rises: bool) -> None:
    levels = [0.9, 1.1] * 10 + [1.1] * 20
    levels[30] = height
    assert rising(levels) == ([29, 30, 31] if rises else [])


def test_half_of_a_period_may_be_cut_the_loudest_cells_first() -> None:
    assert rising([1.0] * 15 + [2.0] * 5 + [10.0 + place for place in range(20)]) == [0, *range(19, 40)]


@pytest.mark.parametrize(("turns", "per_turn"), [(100.0, 4 * 60 * 24 / 100.0), (4.0, 1000.0)])
def test_of_sixty_repeats_in_a_segment_two_dozen_harmonics_are_kept_four_samples_each(
    turns: float, per_turn: float
) -> None:
    """Over a long recording; never more than there were."""
    joined = Joined(2)
    look = SimpleNamespace(bands=[SimpleNamespace(turns=turns, per_turn=1000.0)], means=None)
    joined._begin(cast(Any, SimpleNamespace(looks=[look])))
    assert joined._per_turn == pytest.approx(per_turn)


def test_two_spectra_that_are_joined_are_an_average_of_two() -> None:
    half = MeanSquares(
        squared=np.ones((1, 4), dtype=np.float32), step=0.1, low_hz=np.zeros(1), high_hz=np.ones(1),
        members=(((0, 0),),), top_order=9.0,
    )  # fmt: skip
    both = half.joined(half).joined(replace(half, squared=4 * half.squared))
    assert both.averages == 3
    assert both.squared[0] == pytest.approx(2.0)


@pytest.mark.parametrize(("width", "stands"), [(160, False), (60, True)])
def test_what_fills_most_of_two_hundred_bins_of_an_envelope_is_its_floor(width: int, stands: bool) -> None:
    squared = np.random.default_rng(2).exponential(1.0, (1, 6000)).astype(np.float32)
    middle = 10 * 201 + 100
    squared[0, middle - width // 2 : middle + width // 2] *= 10.0
    found = over_floor(
        MeanSquares(
            squared=squared, step=0.01, low_hz=np.zeros(1), high_hz=np.ones(1), members=(((0, 0),),), top_order=60.0
        )
    )
    assert bool(found.power[0, middle - 20 : middle + 20].mean() > 4.0) is stands
