"""Files as people drop them: short captures of a drive, its drive file, lists, rubbish."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import h5py
import numpy as np

START = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
TOML = (
    'tag = "{tag}"\n[input]\nspeed_rpm = 1440\nspeed_range_rpm = [1380, 1500]\n'
    '[[stage]]\nkind = "cycloidal"\nlobes = 11\nring_pins = 12\noutput_pins = 8\n'
)


def capture(path: Path, number: int, *, drive: str | None = "SP-02", seconds: float = 2.0) -> Path:
    """A capture with the lines of a sound drive, in the native form."""
    rate, speed = 5120.0, 24.0
    time = np.arange(int(rate * seconds)) / rate
    samples = 0.2 * np.random.default_rng(number).standard_normal(time.size)
    samples += sum(np.sin(2 * np.pi * speed * order * time + order) for order in (1, 2, 12, 24))
    with h5py.File(path, "w") as file:
        if drive is not None:
            file.attrs["drive"] = drive
        file.attrs["measured_at"] = (START + timedelta(days=number)).isoformat()
        row = file.create_dataset("channels/input side", data=samples.astype(np.float32))
        row.attrs["sample_rate_hz"], row.attrs["unit"], row.attrs["quantity"] = rate, "m/s^2", "acceleration"
    return path


def drive_file(path: Path, tag: str = "SP-02") -> Path:
    path.write_text(TOML.format(tag=tag), encoding="utf-8")
    return path
