"""What the tests of the store share: records and channels made of a number."""

from __future__ import annotations

import hashlib
import json
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from vibe.core.capture import Channel
from vibe.core.records.history import ArchivedSpectrum, Record, Value

START = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)
POINTS = ("input side", "output side/radial")


def content(number: int) -> str:
    return hashlib.sha256(str(number).encode()).hexdigest()


def health(state: str = "sound", findings: tuple[str, ...] = (), weak: tuple[str, ...] = ()) -> str:
    found = [{"tone": tone, "component": tone, "defect": "local damage", "probability": 0.9, "severity": "slight"}
             for tone in findings]  # fmt: skip
    found += [{"tone": tone, "component": tone, "defect": "local damage", "probability": 0.04, "severity": "slight",
               "weak_sign": True} for tone in weak]  # fmt: skip
    return json.dumps({"state": state, "findings": found})


def record(number: int = 1, *, values: int = 4, drive: str = "TH-01", **other: Any) -> Record:
    generator = np.random.default_rng(number)
    fields: dict[str, Any] = {
        "content": content(number),
        "drive": drive,
        "file": f"{drive}_{number}.h5",
        "measured_at": START + timedelta(days=number),
        "duration_s": 1.0,
        "kept": "accepted",
        "speed_hz": 24.3,
        "speed_uncertainty_hz": 0.002,
        "load_percent": 70.0,
        "values": tuple(
            Value(point=point, measure=f"measure {k}", value=float(number + k), unit="mm/s")
            for point in POINTS
            for k in range(values)
        ),
        "spectra": tuple(
            ArchivedSpectrum(point=point, kind="acceleration", axis="Hz", step=0.5,
                         top=generator.random(500).astype(np.float32))
            for point in POINTS
        ),
        "health": health(),
        "software": "vibe test",
    }  # fmt: skip
    return Record(**(fields | other))


def channels(number: int = 1, samples: int = 4096) -> tuple[Channel, ...]:
    """One channel on a recorder's steps, one off them."""
    generator = np.random.default_rng(number)
    step = 1.0 / 1024
    on_steps = (generator.integers(-3000, 3000, samples) * step).astype(np.float32)
    usual: dict[str, Any] = {"sample_rate_hz": 4096.0, "quantity": "acceleration", "recorded_unit": "m/s^2"}
    return (
        Channel(name=POINTS[0], samples=on_steps, step=step, full_scale=32.0, **usual),
        Channel(name=POINTS[1], samples=generator.standard_normal(samples).astype(np.float32), axis="radial", **usual),
    )
