"""Samples in a capture's file: packed another way than the library packs them, and read by it."""

import io
from typing import Any

import h5py
import numpy as np
import pytest
from numpy.typing import NDArray

from vibe.core.capture import Channel
from vibe.storage.hdf5_channel import write_attributes, write_channel

NOISE = np.random.default_rng(5).standard_normal(150_000).astype(np.float32)
STEP = 0.001


def written(samples: NDArray[np.float32], step: float | None, gzip: int | None) -> tuple[bytes, NDArray[Any]]:
    buffer = io.BytesIO()
    channel = Channel(
        name="motor side", samples=samples, sample_rate_hz=12_800.0, quantity="acceleration", recorded_unit="m/s^2",
        step=step,
    )  # fmt: skip
    with h5py.File(buffer, "w") as file:
        write_channel(file, channel, gzip=gzip)
    with h5py.File(buffer, "r") as file:
        node = file["motor side"]
        assert (node.compression, node.shuffle) == ("gzip", True)
        return buffer.getvalue(), node[()]


@pytest.mark.parametrize("size", [1, 65_535, 65_536, 65_537, 150_000])
@pytest.mark.parametrize("step", [None, STEP])
def test_samples_of_any_length_come_back_as_they_were(size: int, step: float | None) -> None:
    counted = (np.rint(NOISE[:size].astype(np.float64) / STEP) * STEP).astype(np.float32)
    samples = NOISE[:size] if step is None else counted
    kept = written(samples, step, None)[1]
    assert kept.dtype == (np.float32 if step is None else np.int16)
    assert np.array_equal(kept, written(samples, step, 4)[1])


@pytest.mark.parametrize("samples", [NOISE, np.zeros_like(NOISE), np.where(np.arange(NOISE.size) % 500 < 9, NOISE, 0)])
def test_files_are_not_larger_than_gzip_would_make_them(samples: NDArray[np.float32]) -> None:
    """Noise; a row of zeros; impacts on nothing."""
    assert len(written(samples, None, None)[0]) < 1.03 * len(written(samples, None, 1)[0])


def test_attributes_are_those_that_the_library_writes() -> None:
    said: dict[str, Any] = {
        "text": "Schnecke süd", "number": 2.5, "none": None, "count": 3, "narrow": np.float32(0.1), "empty": "",
    }  # fmt: skip
    with h5py.File(io.BytesIO(), "w") as file:
        ours, plain = file.create_group("ours"), file.create_group("plain")
        write_attributes(ours, said)
        for name, value in said.items():
            if value is not None:
                plain.attrs[name] = value
        assert dict(ours.attrs) == dict(plain.attrs)
        for name in plain.attrs:
            assert ours.attrs.get_id(name).dtype == plain.attrs.get_id(name).dtype
