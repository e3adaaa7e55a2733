"""Bands in which the quiet places of the noise weigh most: a second view of the same impacts, for comparisons.

The best quadratic detector of weak bursts with power spectrum S in noise of power spectrum N weighs amplitudes by
root S / N (Kay, Fundamentals of Statistical Signal Processing II, 1998, ch. 5, from memory). Plain whitening divides by
root N, which is best where S follows N: where noise and impacts ring in the same resonances. Where S is smooth and N is
not, next to an antiresonance of the casing's or between the lines of other machines, 1 / N is. Nobody knows S
beforehand, so both are looked at.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.envelope.bands import BandEnvelopes, Whitened, envelopes, local_floor, whitened
from vibe.spectra.envelope.envelope_spectrum import EnvelopeSpectra, envelope_spectra

QUIET_WIDTH_HZ = 20.0
"""Width of the blocks of this finer floor: that of a resonance or antiresonance of 1 % damping at 1 kHz, 2 ζ f."""
PARTS = (1,)
"""Into as many narrower bands is each of the first look's cut, one look each. A place that is quiet is narrow, but fast
parts need wide bands: a further look in halves would find growth 0.15 dB sooner at twice the time (20 damages)."""


def quietened(white: Whitened) -> Whitened:
    """``white``, divided by the root of a finer floor once more, so that every frequency weighs as 1 / N."""
    floor = local_floor(white.power, round(QUIET_WIDTH_HZ * white.padded / white.sample_rate_hz))
    weight = (1.0 / np.sqrt(np.maximum(floor, 1e-30))).astype(np.float32)
    return replace(white, transform=(white.transform * weight).astype(np.complex64, copy=False))


def quiet_looks(
    samples: Mapping[str, tuple[NDArray[np.float32], float]],
    law: AngleLaw,
    like: Sequence[BandEnvelopes],
    cut: Sequence[int] = PARTS,
) -> list[tuple[EnvelopeSpectra, tuple[BandEnvelopes, ...]]]:
    """Envelope spectra, and what they were made of, in bands between the edges of ``like``, one look for each of
    ``cut``, into so many parts. ``samples``: by channel acceleration (n,) and its rate [Hz], of those that ``like`` has
    at least."""
    quiet = []
    for band in like:
        own, rate = samples[band.channel]
        quiet.append(quietened(whitened(own, rate, channel=band.channel)))
    looks = []
    for parts in cut:
        bands = tuple(
            envelopes(
                white, law,
                band_hz=(
                    float(band.centre_hz[0] - band.width_hz / 2), float(band.centre_hz[-1] + band.width_hz / 2)
                ),
                # A hair less, so that rounding makes no band of two.
                width_hz=band.width_hz / parts * (1 - 1e-6),
            )
            for white, band in zip(quiet, like, strict=True)
        )  # fmt: skip
        looks.append((envelope_spectra(bands), bands))
    return looks
