"""A capture: samples with their meaning, and the verdict on their quality."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from vibe.core.errors import CaptureError

Quantity = Literal["acceleration", "velocity", "displacement", "tachometer", "signed pulses", "angle"]
TURNING: frozenset[Quantity] = frozenset({"tachometer", "signed pulses", "angle"})
"""Quantities that tell how the input turns: pulses; pulses that go up forwards, down backwards; an encoder's angle."""
Verdict = Literal["usable", "limited", "rejected"]

Samples = NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Channel:
    """One measured channel, in SI units.

    ``samples`` is a read-only float32 copy, shape (n,): m/s², m/s, m, turns of an encoder, or the raw level of a
    tachometer.
    NaN marks a sample that was missing. ``full_scale`` and ``step`` are the recorder's range and smallest
    step in the same unit, None where the file does not tell.
    """

    name: str
    samples: Samples
    sample_rate_hz: float
    quantity: Quantity
    recorded_unit: str
    axis: str | None = None
    pulses_per_rev: float | None = None
    full_scale: float | None = None
    step: float | None = None

    def __post_init__(self) -> None:
        if not self.sample_rate_hz > 0 or not np.isfinite(self.sample_rate_hz):
            raise CaptureError(f"channel {self.name!r}: sample rate {self.sample_rate_hz} Hz must be positive")
        if self.samples.ndim != 1:
            raise CaptureError(f"channel {self.name!r}: samples must be one row, not shape {self.samples.shape}")
        if self.pulses_per_rev is not None and not self.pulses_per_rev > 0:
            raise CaptureError(f"channel {self.name!r}: pulses_per_rev {self.pulses_per_rev} must be positive")
        own = self.samples
        if own.dtype != np.float32 or own.base is not None or own.flags.writeable:
            # Nobody else may change them: only what is a row of its own and locked is taken as it is.
            own = np.array(self.samples, dtype=np.float32, copy=True)
            own.flags.writeable = False
        object.__setattr__(self, "samples", own)

    @property
    def duration_s(self) -> float:
        return self.samples.size / self.sample_rate_hz


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Capture:
    """What one file holds: channels measured at one time on one drive."""

    source: Path
    sha256: str
    channels: tuple[Channel, ...]
    drive: str | None = None
    measured_at: datetime | None = None
    speed_rpm: float | None = None
    load_percent: float | None = None
    remarks: tuple[str, ...] = ()
    """Sentences for the reader of a report: a last half line dropped, fewer samples than the header promised."""
    longer: Stretches | None = None
    """Of a recording too long to be held at once: how it goes on. ``channels`` are then its first stretch."""

    def __post_init__(self) -> None:
        if not self.channels:
            raise CaptureError("holds no channel", path=self.source)
        names = [channel.name for channel in self.channels]
        if len(set(names)) != len(names):
            raise CaptureError(f"has two channels of one name: {sorted(names)}", path=self.source)

    @property
    def duration_s(self) -> float:
        """Of the whole recording, by its longest channel."""
        if self.longer is not None:
            return self.longer.duration_s
        return max(channel.duration_s for channel in self.channels)

    @property
    def stretch_count(self) -> int:
        """Stretches in which the recording comes: 1 unless it is too long to be held."""
        return 1 if self.longer is None else self.longer.count

    def stretches(self) -> Iterator[Capture]:
        """The recording piece by piece, each as a capture of its own; a short one is its only piece.

        Raises:
            CaptureError: the file has changed or cannot be read any more.
        """
        yield self
        for number in range(1, self.stretch_count):
            assert self.longer is not None
            yield self.longer.read(number)

    @property
    def vibration(self) -> tuple[Channel, ...]:
        return tuple(c for c in self.channels if c.quantity not in TURNING)

    @property
    def tachometer(self) -> Channel | None:
        """The channel that tells how the input turns: the one that knows the direction, where there are several."""
        turning = [c for c in self.channels if c.quantity in TURNING]
        return min(turning, key=lambda c: c.quantity == "tachometer", default=None)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stretches:
    """How a recording is cut: ``count`` stretches of equal time, ``duration_s`` in all; ``read(k)`` gives the k-th,
    from 0, and only that one is held."""

    count: int
    duration_s: float
    read: Callable[[int], Capture]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """Why a channel is not simply usable: a code for machines, a sentence for people, and the remedy."""

    code: str
    text: str
    remedy: str
    verdict: Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelQuality:
    """Verdict on one channel; ``reasons`` are gravest first and empty only when usable without remark."""

    channel: str
    verdict: Verdict
    reasons: tuple[Reason, ...] = ()
    usable_band_hz: tuple[float, float] | None = None
    """Band that can be trusted, None when rejected."""
