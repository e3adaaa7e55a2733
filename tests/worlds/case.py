"""A capture of a made-up world, with what is true of it.

The worlds next to this file make signals with code of their own: they know neither the tone formulas nor the simulator
of the project. What a report says of their captures is therefore news.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Truth = Literal["unusable", "sound", "damaged"]
"""``unusable``: shows nothing of this drive running; only state ``unknown`` is right. ``sound``: the drive runs and no
part of the reducer is damaged, whatever stands around it. ``damaged``: one part of it is."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WorldCase:
    """One capture. ``drive_toml``: the drive file; ``channels``: acceleration by point [m/s²], all at one rate."""

    name: str
    kind: str
    """What is tried, in a word or two: rows of a table are made of it."""
    truth: Truth
    drive_toml: str
    channels: dict[str, NDArray[np.float32]]
    sample_rate_hz: float
    speed_hz: float | None
    """True mean speed of the input; None where nothing of the drive turns."""
    pulses: NDArray[np.float32] | None = None
    """Tachometer, same rate."""
    pulses_per_rev: float = 1.0
    pulses_quantity: str = "tachometer"
    pulses_unit: str = "V"
    noted_rpm: float | None = None
    """Speed written down with the capture."""
    damaged: tuple[str, ...] = ()
    """Tones that may rightly be named, the true one first; twins at the same order after it. A bearing named with its
    element open is right too."""
    marks: dict[str, float] = field(default_factory=dict)
    """Figures for tables: strength, signal to noise, strikes per turn."""
