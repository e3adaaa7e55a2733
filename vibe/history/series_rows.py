"""Series with fewer rows."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np

from vibe.core.records.history import Series


def left_out(series: Series, contents: Collection[str]) -> Series:
    """A series without the captures of these contents."""
    keep = np.array([content not in contents for content in series.content], dtype=np.bool_)
    return Series(
        key=series.key, unit=series.unit, time_s=series.time_s[keep], value=series.value[keep],
        speed_hz=series.speed_hz[keep], load_percent=series.load_percent[keep], accepted=series.accepted[keep],
        content=tuple(content for content in series.content if content not in contents),
    )  # fmt: skip
