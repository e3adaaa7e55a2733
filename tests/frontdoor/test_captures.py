"""Arrays become captures, with the meaning that was given and no other."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import numpy as np
import pandas as pd
import pytest

import vibe

NOISE = np.random.default_rng(5).normal(0.0, 1.0, 20_000)


def made(values: Any = NOISE, **given: Any) -> vibe.Capture:
    return vibe.Capture.from_arrays({"point": values}, **{"sample_rate_hz": 10_000, "unit": "m/s^2", **given})


@pytest.mark.parametrize(
    ("unit", "more", "quantity", "factor"),
    [
        ("m/s²", {}, "acceleration", 1.0),
        ("g", {}, "acceleration", 9.80665),
        ("mg", {}, "acceleration", 9.80665e-3),
        ("mm/s", {}, "velocity", 1e-3),
        ("um", {}, "displacement", 1e-6),
        # 100 mV per g: one volt is ten g.
        ("V", {"sensitivity_mv_per_g": 100.0}, "acceleration", 98.0665),
        ("mV", {"sensitivity_mv_per_g": 100.0}, "acceleration", 0.0980665),
    ],
)
def test_samples_come_out_in_si(unit: str, more: dict[str, float], quantity: str, factor: float) -> None:
    (channel,) = made(unit=unit, **more).channels
    assert channel.quantity == quantity
    np.testing.assert_allclose(channel.samples, factor * NOISE, rtol=1e-6)


def test_a_unit_means_the_same_in_an_array_as_in_a_file(tmp_path: Any) -> None:
    path = tmp_path / "a.csv"
    rows = "\n".join(f"{n / 10_000:.4f},{value!r}" for n, value in enumerate(NOISE.tolist()))
    path.write_text(f"time_s,point [g]\n{rows}\n", encoding="utf-8")
    read, given = vibe.read(path).channels[0], made(unit="g").channels[0]
    np.testing.assert_allclose(read.samples, given.samples, rtol=3e-7)  # a bit or two of float32
    assert (read.sample_rate_hz, read.quantity, read.recorded_unit) == (
        given.sample_rate_hz, given.quantity, given.recorded_unit,
    )  # fmt: skip


def test_a_frame_gives_its_columns_and_each_may_have_its_own_meaning() -> None:
    frame = pd.DataFrame({"radial": NOISE, "pulse": np.sign(NOISE)})
    capture = vibe.Capture.from_arrays(
        frame,
        sample_rate_hz=10_000,
        unit={"radial": "g"},
        quantity={"pulse": "tachometer"},
        pulses_per_rev={"pulse": 2},
    )
    assert capture.channel_names == ("radial", "pulse")
    assert capture.tachometer is capture.channel("pulse")
    assert capture.channel("pulse").pulses_per_rev == 2
    assert capture.channel("radial").pulses_per_rev is None


def test_an_encoder_angle_is_in_turns() -> None:
    counts = np.arange(1000) * 8 + 4096 * 7
    capture = vibe.Capture.from_arrays(
        {"point": NOISE, "encoder": counts}, sample_rate_hz={"point": 10_000, "encoder": 1000},
        unit={"point": "g", "encoder": "count"}, quantity={"encoder": "angle"}, pulses_per_rev={"encoder": 4096},
    )  # fmt: skip
    np.testing.assert_allclose(capture.channel("encoder").samples, np.arange(1000) * 8 / 4096, atol=1e-6)


def test_whole_numbers_tell_the_step_of_the_converter_and_the_rest_does_not() -> None:
    assert made(np.round(100 * NOISE).astype(np.int16), unit="mg").channels[0].step == pytest.approx(9.80665e-3)
    assert made().channels[0].step is None


def test_missing_samples_stay_missing_and_the_caller_keeps_the_array() -> None:
    own = NOISE.copy()
    own[3], own[5] = np.nan, np.inf
    capture = made(own)
    own[:] = 0.0
    samples = capture.channels[0].samples
    assert np.flatnonzero(np.isnan(samples)).tolist() == [3, 5]
    assert samples[7] == np.float32(NOISE[7])
    assert not samples.flags.writeable


def test_one_content_has_one_hash_and_another_has_another() -> None:
    assert made().sha256 == made().sha256
    others = [made(NOISE[::-1]), made(unit="g"), made(sample_rate_hz=10_001), made(speed_rpm=1450.0)]
    others.append(made(measured_at=datetime(2026, 3, 9, tzinfo=UTC)))
    assert len({made().sha256, *(other.sha256 for other in others)}) == 6


def test_a_drive_gives_its_tag(drive: vibe.Drive) -> None:
    assert made(drive=drive).drive == made(drive="TH-02").drive == "TH-02"


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ({"unit": "furlong"}, "not a unit of vibration"),
        ({"unit": "V"}, "sensitivity_mv_per_g"),
        ({"unit": {"pont": "g"}}, "no array is named 'pont'"),
        ({"unit": {}}, "''"),
        ({"sample_rate_hz": 0}, "must be positive"),
        ({"sample_rate_hz": {}}, "no sample_rate_hz"),
        ({"values": NOISE.reshape(2, -1)}, "one row of real numbers"),
        ({"values": NOISE + 1j}, "one row of real numbers"),
        ({"values": ["a", "b"]}, "one row of real numbers"),
        ({"values": []}, "one row of real numbers"),
        ({"quantity": {"point": "velocity"}}, "quantity says velocity"),
        ({"quantity": {"point": "torque"}}, "is not one of"),
        ({"full_scale": -5.0}, "full_scale"),
        ({"speed_rpm": 0.0}, "speed_rpm"),
        ({"load_percent": float("nan")}, "load_percent"),
    ],
)
def test_what_cannot_be_is_refused_in_one_sentence(given: dict[str, Any], says: str) -> None:
    with pytest.raises(vibe.CaptureError, match=says):
        made(**given)


def test_no_array_is_no_capture() -> None:
    with pytest.raises(vibe.VibeError, match="holds no channel"):
        vibe.Capture.from_arrays({}, sample_rate_hz=1000, unit="g")


def test_a_channel_that_is_not_there_is_named_with_those_that_are() -> None:
    with pytest.raises(vibe.CaptureError, match="'motor'; it has point"):
        made().channel("motor")


def test_a_clipped_array_is_found_and_an_unclipped_one_is_not() -> None:
    sound, clipped = made(full_scale=50.0), made(np.clip(NOISE, -1.0, 1.0), full_scale=1.0)
    assert (vibe.check(sound).verdict, vibe.check(clipped).verdict) == ("usable", "rejected")
    both = vibe.check([sound, clipped])
    assert both.verdict == "rejected"
    assert both.to_frame()["verdict"].to_list() == ["usable", "rejected"]
    assert "clip" in " ".join(both[1].why)


def test_a_capture_of_another_drive_is_remarked(drive: vibe.Drive) -> None:
    assert "TH-99" in vibe.check(made(drive="TH-99"), drive).remarks[0]
    assert vibe.check(made(drive="TH-02"), drive).remarks == ()


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda drive: vibe.check([]), "no capture"),
        (
            lambda drive: vibe.check([NOISE]),  # type: ignore[list-item]
            "not ndarray",
        ),
        (
            lambda drive: vibe.diagnose(made(), 17),  # type: ignore[arg-type]
            "not int",
        ),
        (lambda drive: vibe.identify(made(), speed_range_hz=(25, 22)), "lower first"),
        (lambda drive: vibe.identify(made(), speed_range_hz=(5, 22)), "factor of 3"),
        (lambda drive: vibe.identify(made(), speed_range_hz=(20, 22), differences=()), "1 to 4"),
        (lambda drive: vibe.simulate(drive, damage="stage7.lobe"), "stage7.lobe"),
        (lambda drive: vibe.tones(drive).to_frame(speed_hz=0.0), "above 0"),
        (lambda drive: vibe.tones(drive).tone("stage7.lobe"), "stage1.lobe"),
    ],
)
def test_a_wrong_call_is_one_sentence(call: Any, says: str, drive: vibe.Drive) -> None:
    with pytest.raises(vibe.CallError, match=says):
        call(drive)


def test_a_drive_is_distinguished_from_its_signal_and_noise_tells_none(
    damaged: vibe.Capture, drive: vibe.Drive
) -> None:
    found = vibe.identify([damaged, made(np.random.default_rng(2).normal(size=100_000))], speed_range_hz=(22, 25))
    assert found.to_frame()["ring_pins"].to_list()[0] == 18
    assert found[1].ratio.value is None
    assert found[1].ratio.why
    plate = vibe.identify(damaged, speed_range_hz=(22, 25), drive=drive)[0].plate
    assert plate is not None
    assert plate.verdict == "fits"


def test_equal_seeds_give_equal_samples(drive: vibe.Drive) -> None:
    one, same, other = (vibe.simulate(drive, seed=seed, duration_s=1.0) for seed in (3, 3, 4))
    assert one.sha256 == same.sha256 != other.sha256
