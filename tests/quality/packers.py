"""Coders that lose something, of own making: after the ideas of music and speech coding, after no product.

All take samples between -1 and 1 and return what a decoder hands out, as long as they were.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.fft import dct
from scipy.linalg import solve_toeplitz
from scipy.signal import fftconvolve, firwin, lfilter, resample_poly, upfirdn

Samples = NDArray[np.float64]
Frames = NDArray[np.float64]


def _lapped(x: Samples, hop: int) -> Frames:
    """Modified discrete cosine transform under a sine window: rows of ``hop`` coefficients."""
    count = -(-x.size // hop) + 1
    padded = np.concatenate([np.zeros(hop), x, np.zeros(count * hop - x.size)])
    rows = np.lib.stride_tricks.sliding_window_view(padded, 2 * hop)[::hop]
    rows = rows * np.sin(np.pi * (np.arange(2 * hop) + 0.5) / (2 * hop))
    a, b, c, d = np.split(rows, 4, axis=1)
    return np.asarray(dct(np.hstack([-c[:, ::-1] - d, a - b[:, ::-1]]), type=4, norm="ortho", axis=1))


def _unlapped(rows: Frames, size: int) -> Samples:
    hop = rows.shape[1]
    first, second = np.split(dct(rows, type=4, norm="ortho", axis=1), 2, axis=1)
    out = np.hstack([second, -second[:, ::-1], -first[:, ::-1], -first])
    out = out * np.sin(np.pi * (np.arange(2 * hop) + 0.5) / (2 * hop))
    total = np.zeros((rows.shape[0] + 1, hop))
    total[:-1] += out[:, :hop]
    total[1:] += out[:, hop:]
    return np.asarray(total.ravel()[hop : hop + size])


def _band_edges(hop: int, rate_hz: float) -> list[int]:
    """Edges of bands half a critical band wide, in coefficients."""
    hz = np.linspace(0, rate_hz / 2, hop + 1)
    bark = 13 * np.arctan(0.00076 * hz) + 3.5 * np.arctan((hz / 7500) ** 2)
    return sorted({0, hop, *(int(np.searchsorted(bark, edge)) for edge in np.arange(0.5, bark[-1], 0.5))})


def _quantised(
    rows: Frames, rate_hz: float, bits_per_s: float, *, rng: np.random.Generator, substitute_hz: float | None,
    copy_hz: float | None, cut_hz: float | None, adaptive_cut: bool,
) -> Frames:  # fmt: skip
    """Each band under a threshold that its neighbours lift, all of a frame coarser until the bits suffice."""
    hop = rows.shape[1]
    edges = _band_edges(hop, rate_hz)
    energy = np.stack([np.mean(rows[:, a:b] ** 2, axis=1) for a, b in pairwise(edges)], axis=1)
    bands = np.arange(energy.shape[1])
    apart = (bands[:, None] - bands[None, :]) / 2
    spread = 10 ** (-np.where(apart > 0, 1.2 * apart, -2.7 * apart))
    allowed = np.maximum(energy @ spread.T * 0.1, 1e-9)
    step = np.repeat(np.sqrt(12 * allowed), np.diff(edges), axis=1) / 16
    budget = bits_per_s * hop / rate_hz
    if cut_hz is not None:
        rows = np.where(np.arange(hop) < 2 * cut_hz / rate_hz * hop, rows, 0)
    if adaptive_cut:
        above = np.cumsum((rows**2)[:, ::-1], axis=1)[:, ::-1]
        rows = np.where(above > 1e-3 * above[:, :1], rows, 0)
    coded = np.ones(hop, dtype=bool)
    for hz in (substitute_hz, copy_hz):
        if hz is not None:
            coded &= np.arange(hop) < 2 * hz / rate_hz * hop
    wanted = rows * coded
    for _ in range(60):
        bits = np.sum(np.log2(1 + np.abs(wanted) / step) * 1.5, axis=1)
        over = bits > budget
        if not over.any():
            break
        step[over] *= 1.2
    whole = np.sign(wanted) * np.floor(np.abs(wanted) / step + 0.41) * step
    if copy_hz is not None or substitute_hz is not None:
        low = max(1, int(coded.sum()))
        for a, b in pairwise(edges):
            if a < low:
                continue
            size = np.sqrt(np.mean(rows[:, a:b] ** 2, axis=1, keepdims=True))
            size = 10 ** (np.round(np.log10(np.maximum(size, 1e-6)) * 40 / 3) * 3 / 40)
            filled = rng.normal(size=(rows.shape[0], b - a))
            if copy_hz is not None:
                source = whole[:, low - 1 - (np.arange(a, b) % (low // 2))]
                filled = source / np.maximum(np.sqrt(np.mean(source**2, axis=1, keepdims=True)), 1e-9)
            whole[:, a:b] = filled * size
    return np.asarray(whole)


def music(
    x: Samples, rate_hz: float, *, kbit_s: float, hop: int = 1024, cut_hz: float | None = None, switched: bool = False,
    substitute_hz: float | None = None, copy_hz: float | None = None, adaptive_cut: bool = False,
) -> Samples:  # fmt: skip
    """A transform coder that hides its noise under what is loud. ``switched``: blows go in frames an eighth as long."""

    def once(h: int) -> Samples:
        rows = _quantised(
            _lapped(x, h), rate_hz, 1000 * kbit_s, rng=np.random.default_rng(h), substitute_hz=substitute_hz,
            copy_hz=copy_hz, cut_hz=cut_hz, adaptive_cut=adaptive_cut,
        )  # fmt: skip
        return _unlapped(rows, x.size)

    long = once(hop)
    if not switched:
        return long
    parts = np.abs(np.diff(x, prepend=0.0))[: x.size // hop * hop].reshape(-1, hop)
    blow = parts.max(axis=1) > 5 * parts.mean(axis=1)
    share = np.clip(np.convolve(np.repeat(blow, hop).astype(float), np.ones(hop // 4) / (hop // 4), "same"), 0, 1)
    share = np.concatenate([share, np.zeros(x.size - share.size)])
    return share * once(hop // 8) + (1 - share) * long


def joint(pair: Samples, rate_hz: float, *, kbit_s: float, intensity_hz: float | None = None) -> Samples:
    """Two channels (rows) as sum and difference, most bits for the sum; above ``intensity_hz`` both are it."""
    middle, side = (pair[0] + pair[1]) / 2, (pair[0] - pair[1]) / 2
    m = music(middle, rate_hz, kbit_s=0.75 * kbit_s)
    s = music(side, rate_hz, kbit_s=0.25 * kbit_s, cut_hz=intensity_hz)
    out = np.stack([m + s, m - s])
    if intensity_hz is not None:
        sharp = firwin(401, intensity_hz, pass_zero=False, fs=rate_hz)
        high = fftconvolve(m, sharp, "same")
        for row, original in zip(out, pair, strict=True):
            own = fftconvolve(original, sharp, "same")
            row += (own.std() / max(high.std(), 1e-9) - 1) * high
    return out


def adaptive_differences(x: Samples, *, bits: int = 4, second_order: bool = False) -> Samples:
    """Differences in a few bits whose step grows and shrinks with them."""
    top = 2 ** (bits - 1) - 1
    step, last, before = 16.0, 0.0, 0.0
    out = []
    for value in (x * 32767).tolist():
        guess = 1.6 * last - 0.64 * before if second_order else last
        code = min(int(abs(value - guess) / step), top)
        change = step * (code + 0.5)
        before, last = last, max(-32768.0, min(32767.0, float(round(guess + (change if value >= guess else -change)))))
        step = min(24_000.0, max(7.0, step * (1.1 ** (4 * code - top) if code > top // 2 else 0.9)))
        out.append(last)
    return np.asarray(out) / 32768


def one_bit_slopes(x: Samples, *, times: int = 4) -> Samples:
    """A slope that only goes up or down, steeper after three alike, at ``times`` the rate."""
    fine = resample_poly(x, times, 1)
    out = np.empty(fine.size)
    level, slope, history = 0.0, 0.001, 0
    for i, value in enumerate(fine.tolist()):
        up = value >= level
        history = ((history << 1) | up) & 7
        slope = min(0.08, slope * 1.15) if history in (0, 7) else max(0.0004, slope * 0.97)
        level = 0.998 * level + (slope if up else -slope)
        out[i] = level
    return np.asarray(resample_poly(out, 1, times)[: x.size])


def companded(x: Samples, *, mu: float = 255.0, levels: int = 256) -> Samples:
    """Steps that widen with the amplitude, in eight bits."""
    squeezed = np.sign(x) * np.log1p(mu * np.abs(np.clip(x, -1, 1))) / np.log1p(mu)
    squeezed = (np.round((squeezed + 1) / 2 * (levels - 1)) / (levels - 1)) * 2 - 1
    return np.asarray(np.sign(squeezed) * np.expm1(np.abs(squeezed) * np.log1p(mu)) / mu)


def subbands(x: Samples, rate_hz: float, *, kbit_s: float, count: int = 32, cut_hz: float | None = None) -> Samples:
    """A bank of even bands, each with a scale for twelve of its samples and as many bits as its loudness is worth."""
    taps = 16 * count
    slope = firwin(taps, 1.13 / (2 * count), window=("kaiser", 9.0)) * 2
    n = np.arange(taps)
    out = np.zeros(x.size + 2 * taps)
    parts, banks = [], []
    for k in range(count):
        angle = np.pi / count * (k + 0.5) * (n - (taps - 1) / 2)
        forth, back = slope * np.cos(angle + (-1) ** k * np.pi / 4), slope * np.cos(angle - (-1) ** k * np.pi / 4)
        parts.append(upfirdn(forth, x, 1, count))
        banks.append(back)
    length = min(p.size for p in parts) // 12 * 12
    rows = np.stack([p[:length] for p in parts]).reshape(count, -1, 12)
    scale = np.maximum(2.0 ** (np.ceil(np.log2(np.maximum(np.abs(rows).max(axis=2), 1e-7)) * 3) / 3), 1e-6)
    bits = np.zeros(scale.shape, dtype=np.int64)
    left = np.full(scale.shape[1], int(1000 * kbit_s / rate_hz * count))
    need = np.log2(scale / 2e-4)
    if cut_hz is not None:
        need[np.arange(count) >= cut_hz / (rate_hz / 2) * count] = -99
    while True:
        worst = np.argmax(need - bits, axis=0)
        can = (left > 0) & (np.take_along_axis(need - bits, worst[None], 0)[0] > 0)
        if not can.any():
            break
        bits[worst[can], np.flatnonzero(can)] += 1
        left = left - can
    steps = 2.0**bits - 1
    half = steps[..., None] / 2
    coded = np.where(bits[..., None] > 1, np.round(rows / scale[..., None] * half) / np.maximum(half, 0.5), 0)
    decoded = (coded * scale[..., None]).reshape(count, -1)
    for row, bank in zip(decoded, banks, strict=True):
        part = upfirdn(bank, row, count, 1)
        out[: min(out.size, part.size)] += part[: out.size]
    got = out[taps - 1 : taps - 1 + x.size] * count
    return np.asarray(got * (x @ x) / max(abs(float(got @ x)), 1e-12) if got @ x else got)


def two_bands(x: Samples) -> Samples:
    """Speech in two halves of the band, the lower in four bits, the upper in two."""
    low = firwin(63, 0.5)
    high = low * (-1.0) ** np.arange(63)
    halves = []
    for filt, bits in ((low, 4), (high, 2)):
        part = fftconvolve(x, filt, "same")[::2]
        again = np.zeros(x.size)
        again[::2] = adaptive_differences(part, bits=bits)[: again[::2].size]
        halves.append(2 * fftconvolve(again, filt, "same"))
    return np.asarray(halves[0] + halves[1])


def predicted(x: Samples, rate_hz: float, *, order: int = 12, residual_bits: int = 0) -> Samples:
    """Speech as a filter a fiftieth of a second long, fed with noise of the right size, or with every third sample of
    what the filter leaves in a few bits."""
    size = int(0.02 * rate_hz)
    rng = np.random.default_rng(3)
    out = np.zeros_like(x)
    memory_in, memory_out = np.zeros(order), np.zeros(order)
    window = np.hamming(size)
    for start in range(0, x.size - size + 1, size):
        part = x[start : start + size]
        shaped = part * window
        r = np.correlate(shaped, shaped, "full")[size - 1 : size + order]
        r[0] = r[0] * 1.0001 + 1e-12
        a = np.concatenate([[1.0], -solve_toeplitz(r[:order], r[1 : order + 1])])
        rest, memory_in = lfilter(a, [1.0], part, zi=memory_in)
        if residual_bits:
            best = max(range(3), key=lambda p: float(np.sum(rest[p::3] ** 2)))
            kept = rest[best::3]
            top = max(float(np.abs(kept).max()), 1e-9)
            steps = 2 ** (residual_bits - 1)
            fed = np.zeros(size)
            fed[best::3] = np.round(
                kept / top * steps - 0.5 * np.sign(kept)
            ) / steps * top + 0.5 * top / steps * np.sign(kept)
        else:
            fed = rng.normal(0, rest.std(), size)
        made, memory_out = lfilter([1.0], a, fed, zi=memory_out)
        out[start : start + size] = made
    return np.clip(out, -1, 1)


def cleaned(x: Samples, *, frame: int = 512, over: float = 1.8, floor: float = 0.05) -> Samples:
    """What a telephone does against hiss: each line of the spectrum that is hardly louder than usual is turned down."""
    hop = frame // 4
    window = np.hanning(frame + 1)[:-1]
    rows = np.lib.stride_tricks.sliding_window_view(np.concatenate([np.zeros(frame), x, np.zeros(frame)]), frame)[::hop]
    spectra = np.fft.rfft(rows * window, axis=1)
    usual = np.sqrt(np.median(np.abs(spectra) ** 2, axis=0))
    gain = np.clip(1 - over * usual / np.maximum(np.abs(spectra), 1e-15), floor, 1)
    back = np.fft.irfft(spectra * gain, axis=1) * window
    out = np.zeros(rows.shape[0] * hop + frame)
    for i, row in enumerate(back):
        out[i * hop : i * hop + frame] += row
    return np.asarray(out[frame : frame + x.size] / 1.5)
