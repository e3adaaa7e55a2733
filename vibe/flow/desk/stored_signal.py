"""A stored capture made ready for pictures: its samples as acceleration or what they are, and its angle law."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from typing import TYPE_CHECKING

from vibe.core.errors import CallError
from vibe.flow.desk.byte_cache import ByteCache

if TYPE_CHECKING:
    from vibe.core.capture import Channel
    from vibe.core.drive import Drive
    from vibe.core.records.history import StoredCapture
    from vibe.core.tones import ToneTable
    from vibe.history.store.store import Store
    from vibe.spectra.basic.angle_law import AngleLaw

CACHE = ByteCache()
"""Of this process."""
SOUGHT_WITHIN = 0.03
"""How far, relative, speed is followed round the one that the store has: more than motors slip (common practice)."""
SAME_SPEED = 0.003
"""And how far the mean of what was followed may lie from the judged speed, which was found in the same samples."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StoredSignal:
    """The channels of one stored capture, none where its samples are no longer kept."""

    capture: StoredCapture
    channels: tuple[Channel, ...]

    @property
    def vibration(self) -> tuple[Channel, ...]:
        """Channels that vibrate."""
        from vibe.core.capture import TURNING

        return tuple(channel for channel in self.channels if channel.quantity not in TURNING)

    def channel(self, point: str) -> Channel:
        """The channel of that point. Raises: CallError where there is none."""
        for channel in self.vibration:
            if channel.name == point:
                return channel
        known = ", ".join(channel.name for channel in self.vibration) or "none"
        raise CallError(f"this capture has no point {point[:80]!r}; it has {known}")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LawFound:
    """How the input turned during a capture, and where that is known from."""

    law: AngleLaw
    words: str
    absolute: bool = False
    """Angle 0 is where a pulse once per turn is."""


def signal_of(store: Store, content: str) -> StoredSignal:
    """A capture of the store with its samples.

    Raises:
        CallError: the store holds no such capture. CaptureError: its file is lost or damaged.
    """
    capture = store.capture(content)
    if capture.waveform != "kept":
        return StoredSignal(capture=capture, channels=())
    return CACHE.get(
        ("samples", content),
        lambda: StoredSignal(capture=capture, channels=store.waveform(content)),
        lambda signal: sum(channel.samples.nbytes for channel in signal.channels),
    )


def kinematics_of(store: Store, tag: str) -> tuple[Drive, ToneTable] | None:
    """A drive by the file that the store has of it; None where it has none that this program understands."""
    text = store.drive_toml(tag)
    if not text:
        return None
    return CACHE.get(("drive", text), lambda: _kinematics(text), lambda _: 100_000)


def _kinematics(text: str) -> tuple[Drive, ToneTable] | None:
    from pydantic import ValidationError

    from vibe.core.drive import Drive
    from vibe.core.errors import ConfigError
    from vibe.kinematics.tone_table import tone_table

    try:
        drive = Drive.model_validate(tomllib.loads(text))
        return drive, tone_table(drive)
    except (ValidationError, ValueError, ConfigError):
        return None


def law_of_capture(store: Store, signal: StoredSignal) -> LawFound | None:
    """The angle law: from pulses, else from the lines of the capture near the speed that was judged, else that speed
    held; None where no speed is known.
    """
    content = signal.capture.content
    return CACHE.get(
        ("law", content, bool(signal.channels), store.drive_toml(signal.capture.drive)),
        lambda: _law(store, signal),
        lambda found: 0 if found is None else found.law.turns.nbytes * 2,
    )


def _law(store: Store, signal: StoredSignal) -> LawFound | None:
    from vibe.core.capture import TURNING
    from vibe.spectra.basic.angle_law import AngleLaw
    from vibe.spectra.speed.speed_search import speed_from_signal
    from vibe.spectra.speed.tachometer import speed_from_tachometer

    speed_hz = signal.capture.speed_hz
    duration_s = min((c.duration_s for c in signal.vibration), default=signal.capture.duration_s)
    known = kinematics_of(store, signal.capture.drive)
    range_hz = (
        known[0].input.speed_range_hz if known is not None else (speed_hz, speed_hz) if speed_hz is not None else None
    )
    turning = [c for c in signal.channels if c.quantity in TURNING]
    if turning and range_hz is not None:
        best = min(turning, key=lambda c: c.quantity == "tachometer")
        pulsed = speed_from_tachometer(best, range_hz, duration_s)
        if pulsed is not None and (speed_hz is None or _same(pulsed[1].input_hz, speed_hz)):
            return LawFound(law=pulsed[0], words="from the pulses", absolute=(best.pulses_per_rev or 1.0) == 1.0)
    if speed_hz is None:
        return None
    if known is not None and signal.vibration:
        from vibe.flow.diagnose.speed_orders import speed_orders
        from vibe.spectra.basic.conditioning import bridged

        rows = [(bridged(channel.samples), channel.sample_rate_hz) for channel in signal.vibration]
        near = (speed_hz * (1 - SOUGHT_WITHIN), speed_hz * (1 + SOUGHT_WITHIN))
        found = speed_from_signal(rows, near, speed_orders(*known))
        if found is not None and _same(found[1].input_hz, speed_hz):
            return LawFound(law=found[0], words="followed by the drive's own lines")
    return LawFound(law=AngleLaw.steady(speed_hz, duration_s), words="the judged speed, taken as steady")


def _same(found_hz: float, judged_hz: float) -> bool:
    return abs(found_hz / judged_hz - 1.0) <= SAME_SPEED
