"""A speed sensor's pulses on a vibration channel are known from blows that come at every turn."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from tests.quality.good_recordings import MACHINES, Floats, Rig, boxes, unit
from tests.quality.spoilt_recordings import demodulated
from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.evidence.pulse_edges import folding, is_pulse

SECONDS, RATE_HZ = 6.0, 20_000.0


def rig() -> Rig:
    return Rig(replace(MACHINES[6], damage=""), RATE_HZ, SECONDS, np.random.default_rng(4))


@lru_cache(maxsize=1)
def sound() -> Floats:
    return rig().drive()


def law(own: Rig) -> AngleLaw:
    return AngleLaw(time_s=own.t[::400].astype(np.float64), turns=own.turns[::400].astype(np.float64))


def found(added: Floats, own: Rig, times: int = 1) -> bool:
    return is_pulse((sound() + added).astype(np.float32), RATE_HZ, law(own), times)


def pulses(own: Rig, width_s: float, times: int = 1) -> Floats:
    """Of the height of the vibration's effective value."""
    at = own.crossings(times * own.turns)
    return np.asarray(np.std(sound()) * demodulated(own, boxes(own, at, width_s), 20, 9000))


@pytest.mark.parametrize("height", [0.4, 3.0])
@pytest.mark.parametrize("width_s", [0.0007, 0.004, 0.018])
def test_a_leaking_pulse_has_two_edges(height: float, width_s: float) -> None:
    own = rig()
    assert found(height * pulses(own, width_s), own)


def test_two_marks_give_two_pulses_a_turn() -> None:
    own = rig()
    assert found(pulses(own, 0.004, 2), own, 2)


@pytest.mark.parametrize("height", [0.5, 3.0, 30.0])
@pytest.mark.parametrize("path", [1, 2, 3])
def test_a_blow_at_every_turn_rings(height: float, path: int) -> None:
    own = rig()
    own.rng = np.random.default_rng(path)
    struck = own.strike(own.crossings(own.turns, 0.3), 1.0, own.new_path())
    assert not found(height * np.std(sound()) * struck / np.abs(struck).max(), own)


def test_two_blows_of_two_parts_are_no_pulse() -> None:
    """Each has its own way to the sensor."""
    own = rig()
    both = sum(unit(own.strike(own.crossings(own.turns, at), 1.0, own.new_path())) for at in (0.3, 0.4))
    assert not found(np.std(sound()) * np.asarray(both), own)


def test_a_sound_drive_has_no_pulse() -> None:
    assert not found(np.zeros(1), rig())


def test_too_few_lines_say_nothing() -> None:
    """Of ten pulses a turn there are 34 lines; as two a turn, they were five times as many."""
    own = rig()
    leaks = 3 * pulses(own, 0.004, 10)
    assert not found(leaks, own, 10)


@pytest.mark.parametrize("times", [1, 3])
def test_every_sample_lies_in_the_cell_where_the_law_puts_it(times: int) -> None:
    """But for those within a hundredth of a cell of the next, since the law is asked at every sixteenth."""
    own = law(rig())
    folded = folding(100_001, RATE_HZ, own, times)
    place = (times * own.at(np.arange(100_001) / RATE_HZ) % 1.0) * folded.cells
    assert folded.cell.size == folded.weight.size == 100_001
    clear = np.abs(place - np.rint(place)) > 0.01
    assert clear.mean() > 0.95
    np.testing.assert_array_equal(folded.cell[clear], np.floor(place[clear]))
    assert folded.cell.min() >= 0
    assert folded.cell.max() < folded.cells
