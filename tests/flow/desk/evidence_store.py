"""A store whose captures are known to the last line: sines, modulated noise, impacts at a known place of a turn."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibe.core.capture import Channel
from vibe.core.records.history import ArchivedSpectrum, Record, Value
from vibe.history.store.store import Store

RATE_HZ, SECONDS, SPEED_HZ = 10_240.0, 5.0, 24.0
POINT = "input side"
START = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)
TOML = (
    'tag = "SP-02"\nname = "Screw press 2"\n[input]\nspeed_rpm = 1440\nspeed_range_rpm = [1380, 1500]\n'
    '[[stage]]\nkind = "cycloidal"\nlobes = 17\nring_pins = 18\noutput_pins = 8\n'
)


def clock() -> NDArray[np.float64]:
    return np.arange(int(RATE_HZ * SECONDS)) / RATE_HZ


def noise(seed: int, level: float = 0.05) -> NDArray[np.float64]:
    return level * np.random.default_rng(seed).standard_normal(int(RATE_HZ * SECONDS))


def channel(samples: NDArray[Any], name: str = POINT, **more: Any) -> Channel:
    fields: dict[str, Any] = {"sample_rate_hz": RATE_HZ, "quantity": "acceleration", "recorded_unit": "m/s^2"}
    return Channel(name=name, samples=samples.astype(np.float32), **(fields | more))


def pulses(turns: NDArray[np.float64]) -> Channel:
    """A pulse of a tenth of a turn at every whole turn."""
    return channel(5.0 * ((turns % 1.0) < 0.1), name="pulse", quantity="tachometer", pulses_per_rev=1.0)


def keep(
    store: Store, number: int, channels: Sequence[Channel], *, speed_hz: float | None = SPEED_HZ,
    spectra: Sequence[ArchivedSpectrum] = (), kept: str = "accepted", drive: str = "SP-02",
    health: str = "{}",
) -> str:  # fmt: skip
    content = hashlib.sha256(f"capture {drive} {number}".encode()).hexdigest()
    values = (
        () if kept == "rejected" else (Value(point=POINT, measure="velocity_rms", value=1.0 + number, unit="mm/s"),)
    )
    record = Record(
        content=content, drive=drive, file=f"{drive}_{number}.h5", measured_at=START + timedelta(days=number),
        duration_s=SECONDS, kept=kept,  # type: ignore[arg-type]
        speed_hz=speed_hz, speed_uncertainty_hz=None, load_percent=None, values=values, spectra=tuple(spectra),
        health=health, software="vibe test",
    )  # fmt: skip
    store.add(record, channels)
    return content


def opened(folder: Path) -> Store:
    store = Store.open(folder, create=True)
    store.put_drive("SP-02", TOML, "screw presses")
    return store
