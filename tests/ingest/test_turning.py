"""Channels that tell how the input turns: their units, and what is wrong with them."""

from __future__ import annotations

from pathlib import Path

import h5py
import numpy as np
import pytest

from vibe.core.capture import Capture, Channel
from vibe.ingest import assess, read_capture
from vibe.ingest.formats.hdf5_writer import write_hdf5

RATE = 1000.0
TURNS = 24.0 * np.arange(4000) / RATE


def read(folder: Path, samples: np.ndarray, **said: object) -> Capture:
    path = folder / "capture.h5"
    with h5py.File(path, "w") as file:
        shaken = file.create_dataset("channels/point", data=np.random.default_rng(0).normal(size=4000))
        shaken.attrs.update(sample_rate_hz=RATE, unit="m/s^2", quantity="acceleration")
        node = file.create_dataset("channels/encoder", data=samples)
        node.attrs.update(sample_rate_hz=RATE, **said)
    return read_capture(path)


@pytest.mark.parametrize(
    ("unit", "per_turn", "more"),
    [("turn", 1.0, {}), ("deg", 360.0, {}), ("rad", 2 * np.pi, {}), ("count", 4096.0, {"pulses_per_rev": 4096.0})],
)
def test_an_angle_comes_in_turns(tmp_path: Path, unit: str, per_turn: float, more: dict[str, float]) -> None:
    # Turns made long ago cost no digits.
    capture = read(tmp_path, (TURNS + 1_000_000.25) * per_turn, unit=unit, quantity="angle", **more)
    encoder = capture.tachometer
    assert encoder is not None
    assert encoder.quantity == "angle"
    assert encoder.samples == pytest.approx(TURNS + 0.25, abs=2e-5)
    assert [channel.name for channel in capture.vibration] == ["point"]
    again = read_capture(write_hdf5(capture, tmp_path / "again.h5"))
    assert again.tachometer is not None
    np.testing.assert_array_equal(again.tachometer.samples, encoder.samples)


@pytest.mark.parametrize(("unit", "word"), [("count", "pulses_per_rev"), ("mm", "deg")])
def test_an_angle_that_cannot_be_scaled_is_left_out_and_said(tmp_path: Path, unit: str, word: str) -> None:
    capture = read(tmp_path, TURNS, unit=unit, quantity="angle")
    assert capture.tachometer is None
    assert any(word in remark for remark in capture.remarks)


def encoder(samples: np.ndarray) -> Channel:
    return Channel(name="encoder", samples=samples, sample_rate_hz=RATE, quantity="angle", recorded_unit="turn")


def test_an_encoder_that_stands_or_has_gaps_is_reported() -> None:
    assert assess(encoder(TURNS)).verdict == "usable"
    still = assess(encoder(0.01 * np.sin(TURNS)))
    assert (still.verdict, still.reasons[0].code) == ("rejected", "tachometer_silent")
    holed = TURNS.copy()
    holed[500:2000] = np.nan
    gaps = assess(encoder(holed))
    assert (gaps.verdict, gaps.reasons[0].code) == ("rejected", "encoder_gaps")


def test_what_knows_the_direction_is_taken_before_plain_pulses(tmp_path: Path) -> None:
    capture = read(tmp_path, TURNS, unit="turn", quantity="angle")
    plain = Channel(
        name="a pulse",
        samples=np.zeros(4000, dtype=np.float32),
        sample_rate_hz=RATE,
        quantity="tachometer",
        recorded_unit="V",
    )  # fmt: skip
    both = Capture(source=capture.source, sha256=capture.sha256, channels=(plain, *capture.channels))
    assert both.tachometer is not None
    assert both.tachometer.name == "encoder"
