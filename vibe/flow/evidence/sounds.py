"""A band of a capture to listen to."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

from vibe.flow.desk.stored_signal import CACHE
from vibe.flow.evidence.answers import etag_of, part_of_samples, with_samples
from vibe.flow.evidence.asked import refuse_infinite, worked_out

if TYPE_CHECKING:
    from vibe.core.records.evidence_rows import SoundFile
    from vibe.history.store.store import Store

LONGEST_SOUND_S = 10.0
"""So long a sound is sent as a whole, 1 MB (our choice)."""


def sound(
    store: Store,
    content: str,
    point: str,
    *,
    low_hz: float | None = None,
    high_hz: float | None = None,
    from_s: float = 0.0,
) -> SoundFile:
    """A band of a capture as a sound of at most ten seconds, moved down to where ears are good."""
    from vibe.core.records.evidence_rows import SoundFile

    refuse_infinite(low_hz, high_hz, from_s)
    signal = with_samples(store, content)
    channel = signal.channel(point)
    key = ("sound", content, point, low_hz, high_hz, from_s)

    def make() -> SoundFile:
        from vibe.spectra.plots import on_demand

        band = worked_out(lambda: on_demand.band_limits(low_hz, high_hz, channel.sample_rate_hz))
        first, last = part_of_samples(channel, from_s, min(from_s + LONGEST_SOUND_S, channel.duration_s))
        samples, rate = on_demand.sound(channel.samples[first:last], channel.sample_rate_hz, *band)
        down = max(0.0, band[0] - on_demand.AUDIBLE_FROM_HZ)
        return SoundFile(
            title=f"{point}, {band[0]:.0f} to {band[1]:.0f} Hz, moved down by {down:.0f} Hz",
            wav=_wav(samples.astype("<i2").tobytes(), rate), duration_s=samples.size / rate, moved_down_hz=down,
            etag=etag_of(key),
        )  # fmt: skip

    return CACHE.get(key, make, lambda made: len(made.wav))


def _wav(samples: bytes, rate_hz: int) -> bytes:
    import wave

    buffer = io.BytesIO()
    with wave.open(buffer, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(rate_hz)
        file.writeframes(samples)
    return buffer.getvalue()
