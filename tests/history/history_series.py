"""Series whose truth is known, for the tests of this folder."""

from __future__ import annotations

import tomllib
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike

from vibe.core.records.history import Event, Series, SeriesKey
from vibe.history.settings import HistorySettings

DAY_S = 86400.0
WEEK_S = 7 * DAY_S


def series(
    value: ArrayLike, *, unit: str = "dB", load: ArrayLike = 80.0, speed: ArrayLike = 24.3, step_s: float = WEEK_S,
    accepted: ArrayLike = True,
) -> Series:  # fmt: skip
    """Captures at equal distances from the beginning of 1970 on."""
    values = np.asarray(value, dtype=np.float64)
    n = values.size
    return Series(
        key=SeriesKey(drive="D-1", point="input", measure="m"),
        unit=unit,
        time_s=np.arange(n, dtype=np.float64) * step_s,
        value=values,
        speed_hz=np.broadcast_to(np.asarray(speed, dtype=np.float64), n).copy(),
        load_percent=np.broadcast_to(np.asarray(load, dtype=np.float64), n).copy(),
        accepted=np.broadcast_to(np.asarray(accepted, dtype=np.bool_), n).copy(),
        content=tuple(f"capture {i}" for i in range(n)),
    )


def event(week: float, *, drive: str = "D-1", new_baseline: bool = True) -> Event:
    at = datetime.fromtimestamp(week * WEEK_S, UTC)
    return Event(drive=drive, at=at, kind="grease", new_baseline=new_baseline)


def scatter(seed: int, n: int, sd_db: float = 1.0) -> np.ndarray:
    return np.random.default_rng([seed, *b"scatter"]).normal(0.0, sd_db, n)


def default_rules() -> HistorySettings:
    """The rules as they are shipped."""
    path = Path(__file__).parents[2] / "configs" / "history.toml"
    return HistorySettings.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
