"""What the samples look like: levels, lines, scaling with size, repeatability, nothing folded."""

from __future__ import annotations

from dataclasses import replace
from time import process_time
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.synth.synth_drives import cycloid, drive, eccentric_bearing, input_bearing
from vibe.core.capture import Capture
from vibe.core.drive import Drive
from vibe.core.errors import CallError
from vibe.synth.conditions import SENSOR_FAULTS, Conditions
from vibe.synth.impacts import smooth_forces
from vibe.synth.machine.damage import Damage, parse_damage
from vibe.synth.scene import set_scene
from vibe.synth.simulate import possible_damages, simulate, truth

MOTOR = {"poles": 4, "line_hz": 50.0}


def machine(lobes: int = 17, **more: object) -> Drive:
    return drive(cycloid(lobes), bearings=(eccentric_bearing(), input_bearing()), rpm=1470.0, motor=MOTOR, **more)


def samples(capture: Capture, row: int = 0) -> NDArray[np.float64]:
    return capture.channels[row].samples.astype(np.float64)


def amplitudes(x: NDArray[np.float64], rate: float = 25_600.0) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    window = np.hanning(x.size)
    axis: Any = np.fft.rfftfreq(x.size, 1 / rate)
    return axis, 2 * np.abs(np.fft.rfft(x * window)) / window.sum()


def line_over_floor(x: NDArray[np.float64], at_hz: float, rate: float = 25_600.0) -> float:
    frequency, values = amplitudes(x, rate)
    step = frequency[1]
    near = np.abs(frequency - at_hz)
    floor = np.median(values[(near > 4 * step) & (near < 60 * step)])
    return float(values[near < 1.5 * step].max() / floor)


def velocity_mm_s(x: NDArray[np.float64], rate: float = 25_600.0) -> float:
    spectrum = np.fft.rfft(x) / x.size
    frequency = np.fft.rfftfreq(x.size, 1 / rate)
    band = (frequency >= 10) & (frequency <= 1000)
    return float(1e3 * np.sqrt(2 * np.sum(np.abs(spectrum[band] / (2 * np.pi * frequency[band])) ** 2)))


@pytest.mark.parametrize("lobes", [6, 17, 43, 119])
def test_a_sound_small_reducer_has_ordinary_levels(lobes: int) -> None:
    capture = simulate(machine(lobes), seed=lobes)
    for row in (0, 1):
        x = samples(capture, row)
        assert 0.2 < velocity_mm_s(x) < 1.5
        assert 0.5 < x.std() < 5.0
        assert np.mean((x / x.std()) ** 4) < 3.3, "a sound drive has no impacts"


@pytest.mark.parametrize(
    ("order", "what"),
    [
        (1.0, "eccentric"),
        (18.0, "mesh of 18 pins"),
        (2.0, "pin errors"),
        (2 * 18 / 17, "lobe and output pin errors"),
        (8 * 18 / 17, "eight output pins"),
        (18 / 17 + 1, "a lobe's turn seen from a fixed sensor"),
    ],
)
def test_a_sound_drive_has_lines_at_the_orders_of_its_parts(order: float, what: str) -> None:
    still = Conditions(duration_s=20, speed_rpm=1470, speed_wander=0.0, pitch_errors=2.0)
    x = samples(simulate(machine(), seed=5, conditions=still))
    assert line_over_floor(x, order * 24.5) > 6, what
    assert line_over_floor(x, 24.5 * 11.37) < 6, "an order that no part has"


def test_mesh_of_two_discs_drives_torque_only_with_an_even_number_of_pins() -> None:
    # Planet-phasing law carried over to discs: torque needs k z_p = 0 (mod M).
    still = Conditions(duration_s=4, speed_rpm=1470, speed_wander=0.0, pitch_errors=0.0)
    level = {}
    for lobes in (11, 12):
        scene = set_scene(drive(cycloid(lobes)), 3, still)
        frequency, values = amplitudes(smooth_forces(scene, {}).contact)
        level[lobes] = values[np.argmin(np.abs(frequency - 24.5 * (lobes + 1)))]
    assert level[11] > 8 * level[12], "12 pins in phase, 13 pins against each other but for unequal discs"


def test_equal_calls_give_equal_samples_and_other_seeds_do_not() -> None:
    short = Conditions(duration_s=1)
    one, same, other = (simulate(machine(), [Damage("stage1.lobe")], seed=s, conditions=short) for s in (7, 7, 8))
    assert one.sha256 == same.sha256 != other.sha256
    assert np.array_equal(samples(one), samples(same))


def test_the_machine_stays_when_only_the_measurement_changes() -> None:
    fixed = Conditions(duration_s=10, speed_rpm=1470, speed_wander=0.0, machine_seed=9)

    def signature(seed: int, conditions: Conditions) -> NDArray[np.float64]:
        frequency, values = amplitudes(samples(simulate(machine(), seed=seed, conditions=conditions)))
        return np.log([values[np.abs(frequency - order * 24.5) < 0.2].max() for order in (1, 2, 3, 4, 18, 36, 54)])

    one, again, other = signature(1, fixed), signature(2, fixed), signature(2, replace(fixed, machine_seed=10))
    assert np.abs(one - again).max() < 0.25
    assert np.abs(one - other).max() > 0.5


@pytest.mark.parametrize("tone", ["stage1.ring_pin", "stage1.lobe", "bearing.eccentric bearing.outer_race"])
def test_damage_adds_impacts_in_proportion_to_its_size(tone: str) -> None:
    short = Conditions(duration_s=2, speed_rpm=1470)
    sound = samples(simulate(machine(), seed=4, conditions=short))
    added = {
        size: samples(simulate(machine(), [Damage(tone, size)], seed=4, conditions=short)) - sound
        for size in (0.1, 0.5, 1.0)
    }
    assert added[0.5] == pytest.approx(0.5 * added[1.0], abs=1e-5)
    assert added[0.1].std() < added[0.5].std() < added[1.0].std()
    # Size 1 peaks five to eight times the broadband noise, give or take an impact's own variation and its place.
    assert 3.5 < np.quantile(np.abs(added[1.0]), 0.9999) / 0.8 < 10


def test_a_spall_is_seen_in_the_envelope_and_a_sound_twin_is_not() -> None:
    # 9 balls of 0.3126 on 1.537 at 27.2727 Hz: 97.77 Hz; slip below one per cent moves it down a little.
    conditions = Conditions(speed_rpm=1500)
    eleven = drive(cycloid(11), bearings=(eccentric_bearing(),))
    found = {}
    for name, damage in (("spall", [Damage("bearing.eccentric bearing.outer_race")]), ("sound", [])):
        x = samples(simulate(eleven, damage, seed=6, conditions=conditions))
        rough = np.diff(x) ** 2
        frequency, values = amplitudes(rough - rough.mean())
        floor = np.median(values[(frequency > 60) & (frequency < 140)])
        found[name] = values[(frequency > 96.5) & (frequency < 98.0)].max() / floor
    assert found["spall"] > 9
    assert found["sound"] < 6


def test_nothing_folds_back() -> None:
    # 120 pins at 25.11667 Hz mesh at 3014 Hz; the third harmonic, 9042 Hz, would fold to 3758 Hz at 12.8 kHz,
    # where no part has an order.
    quiet = Conditions(
        duration_s=4, sample_rate_hz=12_800, speed_rpm=1507, speed_wander=0.0, noise=0.0, sensor_noise=0.0
    )  # fmt: skip
    frequency, values = amplitudes(samples(simulate(machine(119), seed=2, conditions=quiet)), 12_800)
    at = {hz: values[np.abs(frequency - hz) < 1].max() for hz in (3014, 3758)}
    assert at[3014] > 0.05
    assert at[3758] < 1e-4 * at[3014]


def test_an_impact_keeps_its_instant_between_samples() -> None:
    from vibe.synth.machine.structure import place_pulses

    times = np.array([0.0100137, 0.0300291])
    force = place_pulses(1600, 0.0, 25_600, times, np.array([1.0, 2.0]), 1e-4)
    t = np.arange(force.size) / 25_600
    for instant, part in zip(times, (slice(0, 512), slice(512, None)), strict=True):
        centre = np.sum(t[part] * force[part]) / np.sum(force[part])
        assert centre == pytest.approx(instant, abs=0.02 / 25_600)
    assert force[512:].sum() == pytest.approx(2 * force[:512].sum(), rel=1e-3)


def test_unbalance_and_misalignment_and_looseness_speak_low() -> None:
    calm = Conditions(speed_rpm=1470, speed_wander=0.0)
    x = {
        name: samples(simulate(machine(), [parse_damage(name)] if name else [], seed=3, conditions=calm))
        for name in ("", "unbalance", "misalignment", "looseness", "electrical", "stage1.mesh")
    }

    def level(name: str, order: float) -> float:
        frequency, values = amplitudes(x[name])
        at = order * 24.5
        return float(1e3 * values[np.abs(frequency - at) < 0.15].max() / (2 * np.pi * at) / np.sqrt(2))

    assert level("unbalance", 1) > 3.5 > 0.9 > level("", 1)
    assert level("unbalance", 2) == pytest.approx(level("", 2), rel=0.01)
    assert level("misalignment", 2) > 2.0 > 0.5 > level("", 2)
    assert all(level("looseness", order) > 5 * level("", order) for order in (0.5, 1.5, 2.5, 5, 7))
    assert np.mean((x["looseness"] / x["looseness"].std()) ** 4) < 3.5
    # Poles times slip: 4 x (25 - 24.5) = 2 Hz either side of 100 Hz.
    assert all(level("electrical", hz / 24.5) > 8 * level("", hz / 24.5) for hz in (98, 100, 102))
    assert level("stage1.mesh", 18) > 3 * level("", 18)
    assert level("stage1.mesh", 36) > 4 * level("", 36)


def test_tachometer_counts_turns_through_a_run_up() -> None:
    conditions = Conditions(duration_s=8, speed_rpm=1470, speed_drift=0.04, tachometer=True, pulses_per_rev=2)
    channel = simulate(machine(), seed=3, conditions=conditions).tachometer
    assert channel is not None
    assert channel.pulses_per_rev == 2
    level = channel.samples
    rising = np.flatnonzero((level[:-1] < 2.5) & (level[1:] >= 2.5))
    assert rising.size == pytest.approx(2 * 24.5 * 8, abs=1.5)
    half = rising.size // 2
    first, second = np.diff(rising[:half]).mean(), np.diff(rising[half:]).mean()
    assert first / second == pytest.approx(1.02, abs=0.002)


def test_every_damage_a_drive_can_have_can_be_simulated() -> None:
    stages = (
        {"kind": "belt", "driver_diameter_mm": 100.0, "driven_diameter_mm": 125.0, "belt_length_mm": 1100.0},
        {"kind": "gear pair", "driver_teeth": 21, "driven_teeth": 40},
        {"kind": "planetary", "sun_teeth": 21, "planet_teeth": 39, "ring_teeth": 99, "planets": 3},
        {"kind": "rv", "sun_teeth": 10, "planet_teeth": 38, "lobes": 39, "ring_pins": 40},
        cycloid(11),
    )
    long_drive = drive(*stages, bearings=(input_bearing(),), motor=MOTOR)
    short = Conditions(duration_s=0.5, sample_rate_hz=12_800)
    sound = samples(simulate(long_drive, seed=1, conditions=short))
    known = possible_damages(long_drive)
    assert {"stage1.belt", "stage2.driver_tooth", "stage3.ring_tooth", "stage4.gear_mesh", "stage5.output_pin"} < set(
        known
    )
    for tone in known:
        x = samples(simulate(long_drive, [Damage(tone)], seed=1, conditions=short))
        assert np.isfinite(x).all()
        slow = tone.startswith(("stage4", "stage5"))  # An impact may not come within half a second.
        assert slow or not np.array_equal(x, sound), tone


@pytest.mark.parametrize("fault", SENSOR_FAULTS)
def test_sensor_faults_spoil_their_point_only(fault: str) -> None:
    short = Conditions(duration_s=2, speed_rpm=1470)
    bad = replace(short, sensor_faults=(("input side radial", fault),))
    good, spoilt = (simulate(machine(), seed=1, conditions=c) for c in (short, bad))
    assert np.array_equal(samples(good, 1), samples(spoilt, 1))
    x, y = samples(good), samples(spoilt)
    signs: dict[str, Any] = {
        "clipped": lambda: np.mean(np.abs(y) >= 0.999 * y.max()) > 0.005,
        "loose": lambda: y.std() > 1.5 * x.std(),
        "settling": lambda: y[:1000].mean() > 20 * abs(x[:1000].mean()) and y[-1000:].mean() < 2,
        "dropouts": lambda: 0.01 < np.isnan(y).mean() < 0.8,
        "dead": lambda: y.std() < 1e-3,
        "wrong unit": lambda: y.std() < 1e-3 * x.std(),
        "ski slope": lambda: y.std() > 3 * x.std(),
        "coarse": lambda: np.unique(y).size < 20,
        "offset": lambda: abs(y.mean()) > 2 * x.std(),
    }
    assert signs[fault]()


def test_a_stopped_machine_is_quiet() -> None:
    x = samples(
        simulate(machine(), [Damage("stage1.lobe")], seed=1, conditions=Conditions(duration_s=2, running=False))
    )
    assert x.std() < 0.02


def test_surroundings_reach_the_sensor() -> None:
    busy = Conditions(duration_s=4, speed_rpm=1470, neighbours=((33.3, 1.5),), stray_shocks=2)
    x = samples(simulate(machine(), seed=1, conditions=busy))
    frequency, values = amplitudes(x)
    line = values[np.abs(frequency - 33.3) < 0.3].max() / (2 * np.pi * 33.3) * 1e3 / np.sqrt(2)
    assert line == pytest.approx(1.5, rel=0.1)
    assert np.abs(x).max() > 10 * np.median(np.abs(x))


def test_truth_tells_what_was_made() -> None:
    stated: Any = truth(
        machine(), [Damage("stage1.lobe", 0.5)], seed=1, conditions=Conditions(duration_s=10, speed_rpm=1500)
    )
    assert stated["speed_rpm"] == pytest.approx(1500, rel=5e-4)
    (item,) = stated["damage"]
    assert item["hits"] == pytest.approx(264.7, abs=1)


def test_speed_is_drawn_inside_the_range() -> None:
    ranged = machine().model_copy(
        update={"input": machine().input.model_copy(update={"speed_range_rpm": [1460.0, 1480.0]})}
    )  # fmt: skip
    drawn: Any = [truth(ranged, [], seed=s, conditions=Conditions(duration_s=0.1))["speed_rpm"] for s in range(30)]
    assert all(1460 < float(str(rpm)) < 1480 for rpm in drawn)
    assert np.ptp(drawn) > 3


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (lambda: simulate(machine(), [Damage("stage1.lobes")], seed=1), r"unknown damage 'stage1.lobes'.*stage1.lobe,"),
        (lambda: simulate(drive(), [Damage("electrical")], seed=1), "possible: unbalance, misalignment, looseness"),
        (lambda: simulate(machine(), [Damage("stage1.ring_pin", part=18)], seed=1), "part 18 is not one of 0 to 17"),
        (lambda: simulate(machine(), seed=-1), "seed -1"),
        (lambda: parse_damage("stage1.lobe:big"), "must read TONE_ID"),
        (lambda: parse_damage(":1"), "must read TONE_ID"),
        (lambda: parse_damage("stage1.lobe:-1"), "size -1.0"),
        (lambda: parse_damage("stage1.lobe:nan"), "size nan"),
        (lambda: Conditions(duration_s=float("nan")), "duration_s nan"),
        (lambda: Conditions(sensor_faults=(("input side radial", "tired"),)), "unknown sensor fault 'tired'"),
        (lambda: Conditions(sensor_faults=(("nowhere", "dead"),)), "unknown point 'nowhere'"),
    ],
)
def test_wrong_calls_are_refused_in_one_sentence(call: object, sentence: str) -> None:
    with pytest.raises(CallError, match=sentence):
        call()  # type: ignore[operator]


def test_a_bearing_on_a_body_that_is_not_there_is_refused() -> None:
    lost = drive(cycloid(11), bearings=({**input_bearing(), "outer": "stage2.disc"},))
    with pytest.raises(CallError, match=r"no body 'stage2.disc'"):
        simulate(lost, seed=1)


def test_ten_seconds_of_two_channels_take_less_than_two() -> None:
    began = process_time()
    simulate(machine(), [Damage("bearing.eccentric bearing.outer_race"), Damage("stage1.ring_pin")], seed=1)
    assert process_time() - began < 2.0
