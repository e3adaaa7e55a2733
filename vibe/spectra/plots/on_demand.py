"""Curves that somebody asks for while looking: any part of a channel, any window, any band, thinned to a screen.

All arrays are worked out in single precision; a channel of 20 s at 25.6 kHz takes some ten milliseconds. Nothing is
lost by thinning: spectra keep the greatest value of each cell, waveforms the least and the greatest.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.basic.conditioning import bridged
from vibe.spectra.basic.fft import fast_length, irfft, rfft
from vibe.spectra.envelope.bands import BandEnvelopes, envelopes, whitened
from vibe.spectra.envelope.envelope_spectrum import mean_squares

Row = NDArray[np.float32]
Window = Literal["hann", "rectangular", "flat top"]

PADDED = 2
"""Times its length to which a row is filled up with zeros: between two bins a sine then reads at most 0.4 dB low in a
Hann window, and not 1.4 dB (Harris 1978, scallop loss)."""
ARCHIVED_TO_LINES = 1.5**0.5
"""From r.m.s. per bin, as spectra are archived, to the r.m.s. of a sine that stands on a bin: the noise bandwidth of a
Hann window is 1.5 bins (Harris 1978)."""
NARROWEST_HZ = 20.0
"""Of a band whose envelope is asked for: a narrower one rings longer than what repeats in it (our choice)."""
AUDIBLE_FROM_HZ = 120.0
"""Where the lower edge of a band is laid for listening: small loudspeakers give nothing below (our choice)."""
SOUND_RATES_HZ = (11_025, 22_050, 44_100)
"""Usual rates of sound files."""
LOUDNESS, LOUDEST = 0.08, 0.7
"""R.m.s. and greatest value of a sound over full scale: as loud as speech is recorded, and never clipped (common
practice: 20 dB of headroom)."""
FADE_S = 0.02
"""At either end of a sound, so that it does not click."""


def warm() -> None:
    """Transform a little noise, so that nothing is loaded or planned any more when somebody waits."""
    from scipy.interpolate import CubicSpline  # noqa: F401
    from scipy.signal.windows import flattop  # noqa: F401

    noise = np.random.default_rng(1).standard_normal(4096).astype(np.float32)
    line_amplitudes(noise, 4096.0)
    envelope_lines(band_of(noise, 4096.0, 500.0, 1500.0, AngleLaw.steady(20.0, 1.0)))


def resampled_to_angle(samples: Row, sample_rate_hz: float, law: AngleLaw) -> tuple[Row, float]:
    """``samples`` (n,) on equal steps of the input's angle, (n,), and how many there are per turn."""
    per_turn = samples.size / law.total_turns
    if law.is_steady:
        return samples, per_turn
    turns = law.at(np.arange(samples.size, dtype=np.float64) / sample_rate_hz)
    even = turns[0] + np.arange(samples.size) / per_turn
    return np.interp(even, turns, samples).astype(np.float32), per_turn


def line_amplitudes(samples: Row, sample_rate_hz: float, window: Window = "hann") -> tuple[Row, float]:
    """One-sided spectrum (m,) of ``samples`` (n,), mean taken off, and the width of a bin in the unit of the rate.

    Scaled for lines: a sine on a bin reads its r.m.s. value whatever the window. Noise reads higher by the window's
    noise bandwidth (rectangular 1, Hann 1.5, flat top 3.77 bins; Harris 1978, ISO 18431-2).

    Raises:
        ValueError: fewer than 16 samples.
    """
    if samples.size < 16:
        raise ValueError(f"{samples.size} samples are too few for a spectrum")
    row = bridged(samples)
    size = fast_length(PADDED * row.size)
    taper = _taper(row.size, window)
    if taper is not None:
        row *= taper
    lines: Row = np.abs(rfft(row, size)).astype(np.float32, copy=False)
    lines *= np.float32(2.0**0.5 / (row.size if taper is None else float(taper.sum(dtype=np.float64))))
    lines[0] = 0.0
    return lines, sample_rate_hz / size


@lru_cache(maxsize=3)
def _taper(n: int, window: Window) -> Row | None:
    """A periodic window (n,), kept: several captures of one length follow each other."""
    if window == "rectangular":
        return None
    if window == "hann":
        taper = np.hanning(n + 1)[:n].astype(np.float32)
    else:
        from scipy.signal.windows import flattop

        taper = flattop(n, sym=False).astype(np.float32)
    taper.flags.writeable = False
    return taper


def integrated(lines: Row, bin_hz: float, *, times: int, from_hz: float) -> Row:
    """Lines (n,) of acceleration as velocity (``times`` 1), of velocity as acceleration (-1), and so on: each step
    divides by 2 pi f. Nothing is said below ``from_hz`` where drift would rule."""
    if times == 0:
        return lines
    hz = np.arange(lines.size, dtype=np.float32) * np.float32(bin_hz)
    out = np.zeros_like(lines)
    kept = hz >= max(from_hz, bin_hz)
    out[kept] = lines[kept] * (np.float32(2.0 * np.pi) * hz[kept]) ** -times
    return out


def band_of(samples: Row, sample_rate_hz: float, low_hz: float, high_hz: float, law: AngleLaw) -> BandEnvelopes:
    """The squared envelope (1, n) of one band, whitened, lines and stray shocks cut, on equal steps of angle."""
    white = whitened(bridged(samples), sample_rate_hz, channel="")
    return envelopes(white, law, band_hz=(low_hz, high_hz), width_hz=high_hz - low_hz)


def band_limits(low_hz: float | None, high_hz: float | None, sample_rate_hz: float) -> tuple[float, float]:
    """A band that a channel can show, from what was asked for.

    Raises:
        ValueError: nothing is left of it.
    """
    low, high = low_hz if low_hz is not None else 500.0, high_hz if high_hz is not None else sample_rate_hz
    low, high = max(low, 2.0), min(high, 0.49 * sample_rate_hz)
    if high - low < NARROWEST_HZ:
        raise ValueError(
            f"a band needs {NARROWEST_HZ:g} Hz or more between 2 and {0.49 * sample_rate_hz:.0f} Hz in this channel"
        )
    return low, high


def envelope_lines(band: BandEnvelopes) -> tuple[Row, float]:
    """Spectrum (n,) of a band's squared envelope, amplitudes in per cent of its mean, and the step in orders."""
    means = mean_squares([band])
    return (100.0 * np.sqrt(means.squared[0])).astype(np.float32), means.step


def cells(values: Row, step: float, start: float, stop: float, most: int) -> tuple[Row, float, float]:
    """The greatest of ``values`` (n,) in each of at most ``most`` cells between ``start`` and ``stop`` on an axis that
    begins at 0 with steps of ``step``; the middle of the first cell and the width of one.

    Raises:
        ValueError: the axis does not reach there.
    """
    first = max(0, int(np.ceil(start / step - 1e-9)))
    last = min(values.size, int(np.floor(stop / step + 1e-9)) + 1)
    if last - first < 2:
        raise ValueError(f"between {start:g} and {stop:g} there is nothing; the axis reaches to {values.size * step:g}")
    size = -(-(last - first) // most)
    part = values[first:last]
    if size == 1:
        return part.copy(), first * step, step
    whole = np.zeros(-(-part.size // size) * size, dtype=np.float32)
    whole[: part.size] = part
    return whole.reshape(-1, size).max(axis=1), (first + (size - 1) / 2) * step, size * step


def on_axis(values: Row, step: float, x0: float, dx: float, count: int) -> Row:
    """The greatest of ``values`` (n,), on an axis from 0 with steps of ``step``, in each of ``count`` cells of width
    ``dx`` round ``x0`` and on; NaN beyond the end. Where cells are finer than steps the nearest value stands."""
    edges = np.rint((x0 + (np.arange(count + 1) - 0.5) * dx) / step).astype(np.int64)
    first = np.clip(edges[:-1], 0, values.size - 1)
    out: Row = np.maximum.reduceat(values, first).astype(np.float32)
    # The last cell of reduceat runs to the end of the row.
    out[-1] = values[first[-1] : max(edges[-1], first[-1] + 1)].max()
    out[edges[:-1] >= values.size] = np.nan
    return out


def filtered(samples: Row, sample_rate_hz: float, low_hz: float, high_hz: float) -> Row:
    """``samples`` (n,) with nothing outside the band."""
    row = bridged(samples)
    size = fast_length(row.size)
    lines = rfft(row, size)
    hz = np.arange(lines.size) * (sample_rate_hz / size)
    lines[(hz < low_hz) | (hz > high_hz)] = 0
    return np.asarray(irfft(lines, size)[: row.size], dtype=np.float32)


def extremes(samples: Row, most: int) -> tuple[NDArray[np.float32], int]:
    """Least and greatest value, (2, cells), of at most ``most`` cells of ``samples`` (n,), and how many samples each
    has; NaN where a cell has no number at all."""
    size = max(1, -(-samples.size // most))
    whole = np.full(-(-samples.size // size) * size, np.nan, dtype=np.float32)
    whole[: samples.size] = samples
    rows = whole.reshape(-1, size)
    known = np.isfinite(rows)
    low = np.where(known, rows, np.inf).min(axis=1)
    high = np.where(known, rows, -np.inf).max(axis=1)
    both = np.stack([low, high]).astype(np.float32)
    both[:, ~known.any(axis=1)] = np.nan
    return both, size


def sound(samples: Row, sample_rate_hz: float, low_hz: float, high_hz: float) -> tuple[NDArray[np.int16], int]:
    """A band of ``samples`` (n,) moved down so that it begins where impacts are sought, (m,), and the rate [Hz].

    What repeats keeps its time; only the pitch of the ringing is another. The level is set by the r.m.s. value and
    bounded by the greatest one.
    """
    row = bridged(samples)
    n = fast_length(row.size)
    lines = rfft(row, n)
    bin_hz = sample_rate_hz / n
    down_hz = max(0.0, low_hz - AUDIBLE_FROM_HZ)
    top_hz = high_hz - down_hz
    rate = next((rate for rate in SOUND_RATES_HZ if top_hz <= 0.45 * rate), SOUND_RATES_HZ[-1])
    length = max(16, round(n / sample_rate_hz * rate))
    moved = np.zeros(length // 2 + 1, dtype=np.complex64)
    first, last = int(low_hz / bin_hz), min(int(high_hz / bin_hz), lines.size - 1)
    at = first - int(down_hz / bin_hz)
    count = min(last - first + 1, moved.size - at)
    moved[at : at + count] = lines[first : first + count]
    out = irfft(moved, length)[: round(row.size / sample_rate_hz * rate)]
    peak, rms = float(np.abs(out).max(initial=0.0)), float(np.sqrt(np.mean(np.square(out, dtype=np.float64))))
    if peak <= 0:
        return np.zeros(out.size, dtype=np.int16), rate
    out = out * min(LOUDNESS / rms, LOUDEST / peak)
    fade = np.minimum(np.arange(out.size) / (FADE_S * rate), 1.0)
    return np.rint(out * fade * fade[::-1] * 32767).astype(np.int16), rate


def part_of_law(law: AngleLaw, from_s: float, to_s: float) -> AngleLaw:
    """The law of a part of a capture, whose time begins at 0 again."""
    if law.is_steady:
        return AngleLaw.steady(law.mean_hz, to_s - from_s)
    inside = law.time_s[(law.time_s > from_s) & (law.time_s < to_s)]
    time = np.concatenate([[from_s], inside, [to_s]])
    turns = law.at(time)
    return AngleLaw(time_s=time - from_s, turns=turns - turns[0])


def relative(level: NDArray[np.float64]) -> Row:
    """Levels (n,) of a turn: 0 at their median, 1 at the highest."""
    raised = level - np.median(level)
    return np.asarray(raised / max(float(raised.max()), 1e-9), dtype=np.float32)


def stacked(rows: Sequence[Row]) -> Row:
    """Rows of one length as one array (rows, n)."""
    return np.stack(rows)


def as_lines(archived: Row) -> Row:
    """Archived r.m.s. per bin (n,) on the scale of ``line_amplitudes``."""
    return archived * np.float32(ARCHIVED_TO_LINES)


def as_rows(values: NDArray[np.floating]) -> Row:
    """The same numbers in single precision."""
    return values.astype(np.float32)


def as_times(times_s: Sequence[float]) -> NDArray[np.float64]:
    """Times as an array (n,)."""
    return np.array(times_s, dtype=np.float64)
