"""A sensor that is held by hand, or whose mount is loose: it rings low in the band and shuts off what lies above."""

from __future__ import annotations

import numpy as np
import scipy.fft

from vibe.core.capture import Reason
from vibe.ingest.quality.prepared_signal import Floats, Signal, hann
from vibe.ingest.quality.thresholds import THRESHOLDS as LIMIT

_BLOCK = 9
"""Bins of which the median is taken, so that lines drop out: three times as many as a line has."""
_SEGMENT_S = 0.25
"""Bins of 4 Hz: a resonance spans tens of them, a line three."""


_FINE_S = 1.0
"""Bins of 1 Hz, fine enough that something lies between the lines of a shaft."""
_BETWEEN = 0.2
"""Quantile of bins of 1 Hz that lies between lines, though two combs of 24 Hz and a Hann window's three bins fill half
of them (derived)."""


_COMES_BACK = 2.0
"""Power far above a resonance over that an octave above it, from which a casing rings there and no mount isolates: a
mount lets the less through the higher, and a recorder's noise is even (derived). It holds back 7 dB more at 3.6 times
its resonance than at 2.5 times: behind one, only a mode of the casing 10 dB above the next ones would come back so."""
_HALF_OCTAVE = 2.0**0.5
"""Frequencies half an octave apart (by definition)."""
_FEWEST_BLOCKS = 8
"""Blocks whose median is what a band holds: noise moves it by a tenth of the factor above (derived)."""


def _usual(signal: Signal, segment_s: float) -> tuple[float, Floats]:
    """(bin width [Hz], power of each bin in the median of all segments, over the r.m.s.): a line that moves with the
    speed stays in no bin for long, a resonance in all of its own."""
    size = int(segment_s * signal.rate_hz)
    frames = signal.relative[: signal.relative.size // size * size].reshape(-1, size)
    lines = scipy.fft.rfft(frames * hann(size), axis=1, overwrite_x=True)
    power = np.square(lines.real)
    power += np.square(lines.imag)
    # Sorting whole columns is quicker than picking their middles.
    power.sort(axis=0)
    middle = power[[(len(power) - 1) // 2, len(power) // 2]].mean(axis=0, dtype=np.float64)
    return signal.rate_hz / size, np.asarray(middle)


def loose_mount(signal: Signal) -> tuple[list[Reason], float | None]:
    """(reason, highest frequency to be trusted or None).

    One broad hump low in the band holds nearly all that a sensor on a firm mount would spread over its whole range,
    and an octave above it next to nothing arrives: above its resonance a mount isolates. Medians over bins leave
    lines out, so that a strong mesh is no hump.
    """
    low, high = LIMIT.mount_hz
    if (
        signal.channel.quantity != "acceleration"
        or signal.ac.size < 8 * _SEGMENT_S * signal.rate_hz
        or signal.rate_hz < 4 * low
    ):
        return [], None
    step_hz, usual = _usual(signal, _SEGMENT_S)
    blocks = usual[: usual.size // _BLOCK * _BLOCK].reshape(-1, _BLOCK)
    power = np.median(blocks, axis=1)
    hz: Floats = np.asarray((np.arange(power.size) + 0.5) * _BLOCK * step_hz, dtype=np.float64)
    top_hz = signal.rate_hz / LIMIT.nyquist_factor
    use = (hz >= 0.8 * low) & (hz <= top_hz)
    hz, power = hz[use], power[use]
    if power.size < 16:
        return [], None
    peak = int(power.argmax())
    rings_hz = float(hz[peak])
    above = power[(hz >= 2 * rings_hz) & (hz <= 3 * rings_hz)]
    if not low <= rings_hz <= high or above.size < 8:
        return [], None
    hump = power[(hz > rings_hz / LIMIT.mount_width) & (hz < rings_hz * LIMIT.mount_width)].sum() / power.sum()
    drop_db = 10 * np.log10(power[peak] / max(float(np.median(above)), 1e-300))
    if hump < LIMIT.mount_share or drop_db < LIMIT.mount_drop_db or _of_lines(signal, rings_hz):
        return [], None
    if _comes_back(hz, power, rings_hz, float(np.median(above))):
        return [], None
    trusted_hz = rings_hz / 3
    return [
        Reason(
            code="loose_mount",
            text=f"loose mount: the sensor resonates at about {rings_hz:.0f} Hz and is not reliable above "
            f"{trusted_hz:.0f} Hz",
            remedy="Clean the spot to bare metal, tighten the stud or seat the magnet flat, and repeat the "
            "measurement.",
            verdict="limited",
        )
    ], trusted_hz


def _comes_back(hz: Floats, power: Floats, rings_hz: float, above: float) -> bool:
    """Whether some half octave beyond the third multiple of a resonance holds more than arrives right ``above`` it:
    then it was a mode of the casing that is stronger than its next ones."""
    low = 3 * rings_hz
    while low < hz[-1]:
        band = power[(hz >= low) & (hz < low * _HALF_OCTAVE)]
        if band.size >= _FEWEST_BLOCKS and float(np.median(band)) > _COMES_BACK * above:
            return True
        low *= _HALF_OCTAVE
    return False


def _of_lines(signal: Signal, rings_hz: float) -> bool:
    """Whether the hump is gone between the lines of finer bins: then it was a mesh with its sidebands, which fill bins
    of 4 Hz, near a mode of the casing. False where the capture is too short to tell."""
    segment_s = min(_FINE_S, signal.channel.duration_s / 8)
    if segment_s < 2 * _SEGMENT_S:
        return False
    step_hz, usual = _usual(signal, segment_s)
    size = max(8, round(_BLOCK / _SEGMENT_S / step_hz))
    blocks = usual[: usual.size // size * size].reshape(-1, size)
    power = np.quantile(blocks, _BETWEEN, axis=1)
    hz = (np.arange(power.size) + 0.5) * size * step_hz
    use = (hz >= 0.8 * LIMIT.mount_hz[0]) & (hz <= signal.rate_hz / LIMIT.nyquist_factor)
    hz, power = hz[use], power[use]
    near = (hz > rings_hz / LIMIT.mount_width) & (hz < rings_hz * LIMIT.mount_width)
    above = power[(hz >= 2 * rings_hz) & (hz <= 3 * rings_hz)]
    drop_db = 10 * np.log10(power[near].max() / max(float(np.median(above)), 1e-300))
    return bool(power[near].sum() < LIMIT.mount_share * power.sum() or drop_db < LIMIT.mount_drop_db)
