"""What electronics do to a recording is named, and its twin with something that moves in the same way is accepted."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest
from scipy import signal as sp

from tests.quality import spoilt_recordings as faults
from tests.quality.good_recordings import (
    MACHINES,
    TETRA_FRAME_S,
    Floats,
    Recording,
    Rig,
    blows,
    carrier,
    recorded,
    tuned,
)
from tests.studies.spoilt import assessed

SECONDS, RATE_HZ = 6.0, 20_000.0


def rig(machine: int = 0, seed: int = 1) -> Rig:
    return Rig(MACHINES[machine], RATE_HZ, SECONDS, np.random.default_rng([71, seed]))


@lru_cache(maxsize=2)
def sound(machine: int = 0) -> Floats:
    return rig(machine).drive()


def kept(x: Floats, own: Rig) -> Recording:
    return recorded(x, own, ("", 0.0, "", ""), {})


def codes(x: Floats, own: Rig) -> set[str]:
    return {reason.code for reason in assessed(kept(x, own)).reasons}


def spoilt_by(spoil: faults.Spoil, strength: float, machine: int = 0) -> set[str]:
    own = rig(machine)
    return codes(spoil(own, sound(machine), strength), own)


@pytest.mark.parametrize("machine", [2])
def test_sound_drives_are_accepted(machine: int) -> None:
    assert codes(sound(machine), rig(machine)) == set()


@pytest.mark.parametrize(
    ("radio", "strength", "name"),
    [
        (faults.tetra, 0.4, "TETRA"),
        (faults.dmr, 0.5, "DMR"),
        (faults.satellite, 1.0, "satellite"),
        (faults.beacons, 1.5, "access point"),
        (faults.dect, 2.0, "DECT"),
    ],
)
def test_radios_are_named(radio: object, strength: float, name: str) -> None:
    own = rig()
    spoil = faults.radio_case(radio)  # type: ignore[arg-type]
    reasons = assessed(kept(spoil(own, sound(), strength), own)).reasons
    assert [name in reason.text for reason in reasons if reason.code == "radio"] == [True]


@pytest.mark.parametrize("period_s", [TETRA_FRAME_S, 0.06, 0.01])
def test_blows_at_the_rates_of_radios_are_blows(period_s: float) -> None:
    own = rig()
    struck = blows(period_s)(own)
    assert "radio" not in codes(sound() + 2 * np.std(sound()) * struck / np.std(struck), own)


@pytest.mark.parametrize(("machine", "strength"), [(0, 3.0), (2, 1.0)])
def test_pulses_of_the_speed_sensor_are_no_damage(machine: int, strength: float) -> None:
    assert "pulses_leak" in spoilt_by(faults.other_channel, strength, machine)


def test_blows_whose_low_lines_are_even_are_blows() -> None:
    """A drive on a soft footing answers a blow with lines as even as a short pulse's, and rings above them."""
    own = rig()
    struck = np.diff(np.floor(0.989 * own.turns), prepend=0.0)
    after = np.arange(round(0.02 * own.rate)) / own.rate
    ring = np.sum([np.exp(-after * hz / 6) * np.sin(2 * np.pi * hz * after) for hz in (1_900.0, 3_100.0)], axis=0)
    blow = np.convolve(struck, ring)[: struck.size]
    assert "pulses_leak" not in codes(sound() + 12 * np.std(sound()) * blow, own)


@pytest.mark.parametrize("part", ["ring pin", "lobe"])
def test_damage_that_strikes_once_a_turn_is_damage(part: str) -> None:
    own = Rig(tuned(part, 24.0)(MACHINES[0]), RATE_HZ, SECONDS, np.random.default_rng(5))
    assert "pulses_leak" not in codes(own.drive(size=4.0), own)


def test_a_steep_filter_is_no_packing() -> None:
    own = rig()
    sharp = sp.ellip(10, 0.1, 80, 5_000.0, fs=own.rate, output="sos")
    assert codes(np.asarray(sp.sosfiltfilt(sharp, sound())), own) == {"ends_early"}


def test_tones_on_a_floor_of_mere_rounding_are_no_packing() -> None:
    """A motor that sings far above all else: the recorder's range is set by it, and its lines stand like walls."""
    own = rig()
    tones = carrier(own)
    assert "packed" not in codes(sound() + 20 * np.std(sound()) * tones / np.std(tones), own)


@pytest.mark.parametrize(
    ("spoil", "strength", "code"),
    [
        (faults.slow_case(100.0), 0.5, "slew_limited"),
        (faults.hot_sensor, 8.0, "bent"),
        (faults.cooling, 1.0, "fading"),
        (faults.stuck_bit, 1.0, "missing_codes"),
        (faults.sliced, 1.0, "thinned"),
        (faults.lossy, 1.0, "packed"),
    ],
)
def test_other_electronics_are_named(spoil: faults.Spoil, strength: float, code: str) -> None:
    assert code in spoilt_by(spoil, strength)
