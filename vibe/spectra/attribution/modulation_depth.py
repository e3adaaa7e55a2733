"""How deep the impacts behind a comb modulate each band: which share of its mean square they make."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vibe.core.evidence import CombEvidence
from vibe.spectra.basic.fft import fast_length, rfft
from vibe.spectra.envelope.bands import BandEnvelopes, Whitened, envelopes
from vibe.spectra.segment import HANN_NOISE_BINS
from vibe.spectra.signal_analysis import SignalAnalysis

Array = NDArray[np.float64]

LEAST_SIGMAS = 3.0
"""Lines that stand less over the floor's own scatter are not distinguished from it."""
NEIGHBOURS_ALIKE = 1.94
"""Variance of a sum of Hann-windowed powers over that of independent ones: 1 + 2 (0.667² + 0.167²)."""
LINE_HALF = 2
"""Bins either side over which slip smears a comb's lines, and one more per harmonic."""
MOST_OF_BAND = 0.75
"""A band passes a line of the envelope up to this share of its width well enough to be mended."""
FLOOR_BINS = 12
"""Either side: the mean of 24 bins of noise is off by a fifth, r.m.s. (1 / sqrt 24)."""
MOST_FADING = 8.0
"""Impacts that ring on modulate upper harmonics less; the fit of that trusts two noisy lines no further than this."""


class Modulations:
    """How deep combs modulate the single bands of each channel; envelopes are made when a channel is asked for.

    They are not whitened as those are in which combs are found: an impact's power counts where it lies, in its
    resonance. The bands are the widest of the search, or four times narrower where they still pass two harmonics of a
    comb.
    """

    def __init__(self, reading: SignalAnalysis) -> None:
        self._reading = reading
        self._input_hz = reading.law.mean_hz
        self._raw: dict[tuple[str, float], BandEnvelopes] = {}
        self._spectra: dict[tuple[str, float], Array] = {}

    def of(self, channel: str, comb: CombEvidence) -> list[tuple[float, float, float]]:
        """(low [Hz], high [Hz], share of the band's mean square that the impacts make) of each band where they show.

        Impacts that make the share p of a band's mean square modulate its squared envelope, relative to its mean, by 2
        p at every harmonic, less what the band's width (a triangle) and their own ringing (a first-order low-pass in
        power) take away; the second harmonic shows how much the ringing takes.
        """
        base = comb.lines[0].order
        band = self._band(channel, 2 * base * self._input_hz)
        if band is None:
            return []
        square = [self._line(band, harmonic * base, LINE_HALF + harmonic) for harmonic in (1, 2)]
        for harmonic, row in enumerate(square, start=1):
            row /= max(1.0 - harmonic * base * self._input_hz / band.width_hz, 0.25) ** 2
        inverse = (4.0 / np.maximum(square[0], 1e-12) - 1.0 / np.maximum(square[1], 1e-12)) / 3.0
        least = 1.0 / np.maximum(square[0], 1e-12)
        steady = np.where(square[1] > 0, np.clip(inverse, least / MOST_FADING, least), least)
        share = np.where(square[0] > 0, np.minimum(0.5 / np.sqrt(steady), 1.0), 0.0)
        return [
            (float(centre - band.width_hz / 2), float(centre + band.width_hz / 2), float(part))
            for centre, part in zip(band.centre_hz, share, strict=True)
            if part > 0
        ]

    def _band(self, channel: str, highest_hz: float) -> BandEnvelopes | None:
        own = [band for look in self._reading.looks for band in look.bands if band.channel == channel]
        fit = [band for band in own if highest_hz <= MOST_OF_BAND * band.width_hz]
        like = min(fit, key=lambda band: band.width_hz, default=own[0] if own else None)
        if like is None:
            return None
        key = (channel, like.width_hz)
        if key not in self._raw:
            edges = (like.centre_hz[0] - like.width_hz / 2, like.centre_hz[-1] + like.width_hz / 2)
            row = _as_it_is(*self._reading.samples[channel], channel)
            self._raw[key] = envelopes(
                row, self._reading.law, band_hz=(float(edges[0]), float(edges[1])), width_hz=0.999 * like.width_hz
            )
        return self._raw[key]

    def _line(self, band: BandEnvelopes, order: float, half: int) -> Array:
        """Square of the amplitude (bands,) of a line that may be smeared over ``half`` bins either side; 0 where it
        does not stand out."""
        spectrum = self._of_channel(band)
        middle = round(order * band.turns)
        first, last = middle - half, middle + half + 1
        if first - FLOOR_BINS < 1 or last + FLOOR_BINS > spectrum.shape[1]:
            return np.zeros(spectrum.shape[0])
        around = np.hstack([spectrum[:, first - FLOOR_BINS : first], spectrum[:, last : last + FLOOR_BINS]])
        floor = np.median(around, axis=1) / np.log(2.0)
        count = last - first
        over = spectrum[:, first:last].sum(axis=1) - count * floor
        clear = over > LEAST_SIGMAS * floor * np.sqrt(NEIGHBOURS_ALIKE * count)
        return np.where(clear, over / HANN_NOISE_BINS, 0.0)

    def _of_channel(self, band: BandEnvelopes) -> Array:
        """Squared amplitude per line (bands, n), one line per turn of the capture."""
        key = (band.channel, band.width_hz)
        if key not in self._spectra:
            n = band.power.shape[1]
            taper = np.hanning(n + 1)[:n].astype(np.float32)
            lines = rfft((band.power - band.power.mean(axis=1, keepdims=True)) * taper)
            self._spectra[key] = np.abs(lines).astype(np.float64) ** 2 * (2.0 / float(taper.sum())) ** 2
        return self._spectra[key]


def _as_it_is(samples: NDArray[np.float32], rate: float, channel: str) -> Whitened:
    """The transform neither whitened nor cut: nearly regular impacts make lines too, and those are theirs."""
    size = fast_length(samples.size)
    transform = rfft(samples, size)
    return Whitened(
        channel=channel, transform=transform, power=(np.abs(transform) ** 2).astype(np.float32),
        samples=samples.size, padded=size, sample_rate_hz=rate,
    )  # fmt: skip
