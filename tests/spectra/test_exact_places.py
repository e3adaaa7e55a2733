"""What a drive turns lies at exact multiples of its shaft; another rotor of nearly the speed lies next to them."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest
from numpy.typing import NDArray

from vibe.spectra.presence.axes import Axis, spectrum_axis
from vibe.spectra.presence.exact_places import Peaks, as_exact, peaks_at
from vibe.spectra.presence.families import Family
from vibe.spectra.presence.presence import presence
from vibe.spectra.presence.shaft import AS_CLEAR, no_rotor
from vibe.spectra.presence.strays import strays_of
from vibe.spectra.signal_analysis import ChannelSpectrum

INPUT_HZ, TURNS, PER_TURN = 25.0, 200.0, 160
STEP = 1 / TURNS
SPEEDS = np.ones(1)
PAIR = Family(count=21, unit=1.0, difference=1, passes=6)
LOBES, PINS = 21 / 20 * np.array([1.0, 2.0, 3.0]), 6 * 21 / 20 * np.array([1.0, 2.0, 3.0])
SHAFT = dict.fromkeys((1.0, 2.0, 3.0, 4.0), 1.0)


def recorded(lines: Mapping[float, float], seed: int = 1) -> Axis:
    """The spectrum of sines at the orders of ``lines``, as high as these say, in noise of r.m.s. 1."""
    rng = np.random.default_rng(seed)
    turns = np.arange(round(TURNS * PER_TURN)) / PER_TURN
    samples = rng.standard_normal(turns.size)
    for order, height in lines.items():
        samples += height * np.sin(2 * np.pi * (order * turns + rng.uniform()))
    power = np.abs(np.fft.rfft(samples * np.hanning(turns.size))) ** 2
    return spectrum_axis([ChannelSpectrum(channel="a", power=power, bin_hz=STEP * INPUT_HZ)], INPUT_HZ, ())


def rotor(orders: NDArray[np.float64], bins: float, height: float = 0.2) -> dict[float, float]:
    """Lines of what turns ``bins`` of the first of ``orders`` faster than lobes come by."""
    return dict.fromkeys((orders * (1 + bins * STEP / orders.min(initial=9.0))).tolist(), height)


@pytest.mark.parametrize("bins", [-0.4, 0.1, 0.5])
@pytest.mark.parametrize("height", [0.08, 5.0])
def test_a_peak_is_read_to_its_stated_error(bins: float, height: float) -> None:
    off = []
    for seed in range(12):
        peaks = peaks_at(recorded({10.25 + bins * STEP: height}, seed), np.array([10.25]), AS_CLEAR)
        off += ((peaks.off - bins * STEP / 10.25) / peaks.error).tolist()
    assert len(off) > 10
    assert np.mean(np.abs(off) < 2) > 0.8


def test_what_does_not_stand_has_no_peak() -> None:
    axis = recorded({10.25: 0.3})
    assert peaks_at(axis, np.array([10.25, 30.1, 1e6]), AS_CLEAR).off.size == 1
    assert as_exact(peaks_at(axis, np.array([10.25]), AS_CLEAR), peaks_at(axis, np.array([30.1]), AS_CLEAR)) == np.inf


def test_peaks_of_a_row_of_which_nothing_else_is_known_lie_anywhere_in_three_bins() -> None:
    row = np.zeros(4000)
    row[2050] = 50.0
    peaks = peaks_at(Axis(rows=((row, STEP),), audible=(0.9,)), np.array([10.25]), AS_CLEAR)
    assert peaks.off.tolist() == [0.0]
    assert peaks.error == pytest.approx(1.5 * STEP / 10.25)


def test_the_louder_channel_gives_the_place() -> None:
    loud, faint = recorded({10.25 + 0.3 * STEP: 1.0}), recorded({10.25 - 0.3 * STEP: 0.1})
    both = Axis(
        rows=(*faint.rows, *loud.rows), audible=loud.audible, powers=(*faint.powers, *loud.powers)
    )  # fmt: skip
    assert peaks_at(both, np.array([10.25]), AS_CLEAR).off[0] * 10.25 / STEP == pytest.approx(0.3, abs=0.1)


def test_the_width_is_that_of_the_errors_and_wide_where_lines_lie_off() -> None:
    """A normal density of error s is as high as an even one of width s times the root of two pi; one line in five is
    another's, of the shaft's and of the others."""

    def peaks(off: float, error: float) -> Peaks:
        return Peaks(off=np.array([off]), error=np.array([error]), reach=np.array([1e-3]))

    sure = peaks(0.0, 1e-6)
    assert as_exact(sure, peaks(0.0, 1e-5)) == pytest.approx(np.sqrt(2 * np.pi) * 1e-5 / 0.8**2, rel=0.02)
    # Farther off than its error it is no nearer than any line in the bins read.
    assert as_exact(sure, peaks(5e-4, 1e-5)) > 2e-3


@pytest.mark.parametrize("seed", range(3))
def test_a_rotor_that_turns_a_fraction_of_a_bin_off_is_no_drives_lobes(seed: int) -> None:
    said = []
    for bins in (0.0, 0.5):
        axis = recorded({**SHAFT, **rotor(LOBES, bins), **rotor(PINS, 6 * bins)}, seed)
        strays = strays_of(axis, PAIR.own(), SPEEDS)
        said.append(no_rotor(axis, strays, PAIR, SPEEDS))
    assert said[0] > 7.0
    assert said[1] < said[0] - 4.0


@pytest.mark.parametrize("seed", range(3))
def test_a_drive_of_other_counts_has_its_shaft_next_to_the_places_where_its_lobes_fit(seed: int) -> None:
    """18 pins read under a file of 21: at the speed at which its lobes fall on those of the file, and so its output
    pins' pass, its own shaft's first lines lie half a bin and more off; it is these that are asked."""
    own, off = ({k * (1 + bins * STEP): height for k, height in SHAFT.items()} for bins in (0.0, -0.5))
    both = {**rotor(LOBES, 0.0), **rotor(PINS, 0.0)}
    said = []
    for shaft in (own, off):
        axis = recorded({**shaft, **both}, seed)
        said.append(no_rotor(axis, strays_of(axis, PAIR.own(), SPEEDS), PAIR, SPEEDS))
    assert said[1] < said[0] - 4.0


@pytest.mark.parametrize("multiples", [-np.inf, 5.0])
def test_lobes_alone_show_the_ratio_and_no_counts(multiples: float) -> None:
    """A drive of 42 pins and 40 lobes has lobes at the same places: where its mesh says as much, they show nothing."""
    axis = recorded({**SHAFT, **rotor(LOBES, 0.0)})
    found = no_rotor(axis, strays_of(axis, PAIR.own(), SPEEDS), PAIR, SPEEDS, multiples)
    assert found > 2.0 if multiples < 0 else found < 0.0


def test_a_further_multiple_of_the_lobes_alone_is_the_first_line_of_a_faster_rotor() -> None:
    """As of cranks that turn three times more slowly than the input: their third multiple lies next to its first."""
    slow = Family(count=41, unit=0.33, difference=1)
    lobes = 0.33 * 41 / 40 * np.array([1.0, 2.0, 3.0])
    third, none = (
        no_rotor(axis, strays_of(axis, slow.own(), SPEEDS), slow, SPEEDS)
        for axis in (recorded({**SHAFT, **rotor(orders, 0.0)}) for orders in (lobes[2:], lobes[:0]))
    )
    assert third < none + 0.1


@pytest.mark.parametrize(("bins", "detected"), [(0.0, True), (0.5, False)])
@pytest.mark.parametrize("seed", range(3))
def test_a_drive_without_a_mesh_is_known_by_lobes_and_pins_that_lie_exactly(
    bins: float, detected: bool, seed: int
) -> None:
    axis = recorded({**SHAFT, **rotor(LOBES, bins), **rotor(PINS, 6 * bins)}, seed).passed()
    found = presence([axis], [PAIR], 1e-5)
    assert found is not None
    assert found.detected is detected
