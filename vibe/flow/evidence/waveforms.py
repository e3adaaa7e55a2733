"""Samples of a capture, as a picture holds them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from vibe.flow.evidence.answers import etag_of, evidence_rows, kept_rows, part_of_samples, with_samples
from vibe.flow.evidence.asked import MOST_CELLS, refuse_infinite, worked_out

if TYPE_CHECKING:
    from vibe.core.records.evidence_rows import EvidenceRows
    from vibe.history.store.store import Store


def waveform(
    store: Store,
    content: str,
    point: str,
    *,
    from_s: float | None = None,
    to_s: float | None = None,
    low_hz: float | None = None,
    high_hz: float | None = None,
    most: int = MOST_CELLS,
) -> EvidenceRows:
    """Least and greatest value (2, n) of each of at most ``most`` cells; with a band only what lies in it."""
    refuse_infinite(low_hz, high_hz, from_s, to_s)
    most = max(16, min(most, MOST_CELLS))
    signal = with_samples(store, content)
    channel = signal.channel(point)
    key = ("waveform", content, point, from_s, to_s, low_hz, high_hz, most)

    def make() -> EvidenceRows:
        from vibe.spectra.plots import on_demand

        samples = channel.samples
        words = ""
        if low_hz is not None or high_hz is not None:
            band = worked_out(lambda: on_demand.band_limits(low_hz or 2.0, high_hz, channel.sample_rate_hz))
            samples = on_demand.filtered(samples, channel.sample_rate_hz, *band)
            words = f", {band[0]:.0f} to {band[1]:.0f} Hz"
        first, last = part_of_samples(channel, from_s, to_s)
        both, size = on_demand.extremes(samples[first:last], most)
        names = {"acceleration": "m/s²", "velocity": "mm/s", "displacement": "µm"}
        factor = {"acceleration": 1.0, "velocity": 1e3, "displacement": 1e6}[channel.quantity]
        return evidence_rows(
            "waveform", f"Waveform, {point}{words}", both * both.dtype.type(factor), etag_of(key), (signal.capture,),
            x0=(first + (size - 1) / 2) / channel.sample_rate_hz, dx=size / channel.sample_rate_hz, x_name="Time",
            x_unit="s", y_name=channel.quantity.capitalize(), unit=names[channel.quantity],
        )  # fmt: skip

    return kept_rows(key, make)
