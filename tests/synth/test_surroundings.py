"""Machines around a drive: they follow the body they sit on, and leave the drive's own samples as they were."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.synth.synth_drives import cycloid, drive, eccentric_bearing, input_bearing
from vibe.core.drive import Drive
from vibe.core.errors import CallError
from vibe.synth.conditions import Conditions
from vibe.synth.machine.damage import Damage
from vibe.synth.scene import set_scene
from vibe.synth.simulate import simulate, truth
from vibe.synth.surroundings.machines import source_signal
from vibe.synth.surroundings.surroundings import (
    COUNTS,
    KINDS,
    STRONGEST,
    WEAKEST,
    Surrounding,
    drawn,
    parse_surrounding,
)

SECONDS = 4.0
CALM: dict[str, Any] = {
    "duration_s": SECONDS, "sample_rate_hz": 12_800.0, "speed_rpm": 1470.0, "speed_wander": 0.0, "machine_seed": 3,
}  # fmt: skip
TURNS = SECONDS * 1470.0 / 60.0


def machine() -> Drive:
    motor = {"poles": 4, "line_hz": 50.0}
    return drive(cycloid(17), bearings=(eccentric_bearing(), input_bearing()), rpm=1470.0, motor=motor)


def samples(*around: Surrounding, damage: tuple[Damage, ...] = (), **more: Any) -> NDArray[np.float64]:
    conditions = Conditions(**{**CALM, "surroundings": around, **more})
    return np.stack(
        [c.samples.astype(np.float64) for c in simulate(machine(), damage, seed=5, conditions=conditions).channels]
    )


def strikes(item: Surrounding, **more: Any) -> NDArray[np.float64]:
    scene = set_scene(machine(), 5, Conditions(**{**CALM, **more}))
    times = np.concatenate([train.times_s for train in source_signal(scene, item, 0).trains])
    return np.sort(times[(times >= 0) & (times < SECONDS)])


@pytest.mark.parametrize("kind", KINDS)
def test_each_kind_is_detected_and_can_be_made_again(kind: str) -> None:
    one, again = samples(Surrounding(kind=kind)), samples(Surrounding(kind=kind))
    assert np.array_equal(one, again)
    assert np.isfinite(one).all()
    added = (one - samples()).std(axis=1)
    assert added.max() > 0.03


@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind != "load cycles"])
def test_twice_the_strength_adds_twice_as_much(kind: str) -> None:
    alone = samples()
    one, two = (samples(Surrounding(kind=kind, strength=strength)) - alone for strength in (1.0, 2.0))
    expected = np.sqrt(np.mean(two**2) / np.mean(one**2))
    assert 1.3 < expected <= 2.001  # a pump's vane line and a screw's letting go are not all of it


@pytest.mark.parametrize("teeth", [7, 19, 26])
def test_a_chain_strikes_so_often_per_output_turn(teeth: int) -> None:
    """One output turn is 17 input turns."""
    times = strikes(Surrounding(kind="chain", count=teeth))
    assert abs(times.size - teeth * TURNS / 17) <= 1.5
    assert np.std(np.diff(times)) < 0.05 * np.mean(np.diff(times))


def test_a_belt_runs_over_two_pulleys_at_a_rate_of_its_own() -> None:
    times = strikes(Surrounding(kind="belt", hz=5.0))
    assert abs(times.size - 2 * 5.0 * SECONDS) <= 2


def test_process_shocks_come_at_any_time() -> None:
    gaps = np.diff(strikes(Surrounding(kind="process shocks", hz=100.0)))
    assert 0.8 < gaps.std() / gaps.mean() < 1.2  # exponential: 1


@pytest.mark.parametrize("kind", ["chain", "screw", "mixer", "fan", "rotor slots"])
def test_what_the_drive_turns_rests_when_it_rests(kind: str) -> None:
    assert np.array_equal(samples(Surrounding(kind=kind), running=False), samples(running=False))


@pytest.mark.parametrize("kind", ["pump", "two fans", "belt", "neighbour", "process shocks"])
def test_what_stands_next_to_it_goes_on(kind: str) -> None:
    next_to, rest = samples(Surrounding(kind=kind), running=False), samples(running=False)
    assert next_to.std() > 2 * rest.std()


def test_a_neighbour_turns_at_its_own_speed() -> None:
    """Of two drives 0.8 % apart a capture of 20 s tells the first lines apart."""
    apart, length_s = 0.008, 20.0
    item = Surrounding(kind="neighbour", strength=4.0, apart=apart)
    added = samples(item, duration_s=length_s)[0] - samples(duration_s=length_s)[0]
    hz = np.fft.rfftfreq(added.size, 1 / 12_800.0)
    near = (hz > 23.5) & (hz < 25.5)
    peak = hz[near][np.argmax(np.abs(np.fft.rfft(added * np.hanning(added.size)))[near])]
    assert peak == pytest.approx(24.5 * (1 + apart), abs=1.0 / length_s)


def test_damage_of_a_neighbour_is_detected_through_the_floor() -> None:
    sound, hurt = (
        samples(Surrounding(kind=kind, strength=2.0, apart=0.004, damage="stage1.ring_pin" if kind[0] == "d" else None))
        for kind in ("neighbour", "damaged neighbour")
    )
    alone = samples()
    assert (hurt - alone).std() > 1.02 * (sound - alone).std()


def test_load_cycles_move_the_speed() -> None:
    calm = set_scene(machine(), 5, Conditions(**CALM)).motion
    cycled = set_scene(
        machine(), 5, Conditions(**CALM, surroundings=(Surrounding(kind="load cycles", strength=2.0, hz=1.0),))
    ).motion
    assert np.ptp(calm.input_hz) == 0.0
    assert np.ptp(cycled.input_hz) / 24.5 == pytest.approx(0.02, rel=0.01)
    numeric = np.diff(cycled.input_turns) * 12_800.0
    assert np.allclose(numeric, cycled.input_hz[1:], atol=1e-3 * 24.5)


def test_damage_of_the_drive_itself_is_left_as_it_was() -> None:
    damage = (Damage("stage1.ring_pin", 2.0),)
    chain = Surrounding(kind="chain", count=11)
    alone, next_to = (samples(*around, damage=damage) - samples(*around) for around in ((), (chain,)))
    assert np.allclose(alone, next_to, atol=1e-4)


def test_what_life_draws_spans_all_kinds_and_strengths() -> None:
    every = [item for seed in range(300) for item in drawn(np.random.default_rng(seed))]
    assert {item.kind for item in every} == set(KINDS)
    assert WEAKEST <= min(item.strength for item in every) < 1.2 * WEAKEST
    assert STRONGEST >= max(item.strength for item in every) > STRONGEST / 1.2
    counts = [strikes(Surrounding(kind="chain")).size * 17 / TURNS]
    assert COUNTS["chain"][0] - 2 <= counts[0] <= COUNTS["chain"][1] + 2


def test_the_truth_tells_them() -> None:
    stated = truth(machine(), [], seed=1, conditions=Conditions(**CALM, surroundings=(Surrounding(kind="pump"),)))
    assert stated["surroundings"] == [{"kind": "pump", "strength": 1.0}]
    assert "surroundings" not in truth(machine(), [], seed=1, conditions=Conditions(**CALM))


def test_written_on_the_command_line() -> None:
    assert parse_surrounding("chain:0.5:19") == Surrounding(kind="chain", strength=0.5, count=19)
    assert parse_surrounding("two fans") == Surrounding(kind="two fans")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("chainn", "unknown surrounding 'chainn'; possible: chain"),
        ("chain:loud", "must read KIND"),
        ("chain:1:2:3", "must read KIND"),
        ("chain:0", "strength 0.0 must lie between"),
        ("chain:1:0", "0 per turn"),
    ],
)
def test_what_cannot_be_is_refused(text: str, said: str) -> None:
    with pytest.raises(CallError, match=said):
        parse_surrounding(text)
