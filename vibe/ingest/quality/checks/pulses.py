"""Electrical pulses on the vibration: of a radio that sends in frames, or of a speed sensor whose cable lies near by.

A rectified burst rises and falls at once and does not ring: what is left of it in the lines of its rate are two edges
of opposite sign. A blow has little below the lowest resonance and rings above it, so that its lines fit no two edges.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from vibe.core.capture import Reason
from vibe.ingest.quality.prepared_signal import Floats, Samples, Signal, amount, averaged, hann, slower

Lines = NDArray[np.complex128]


@dataclass(frozen=True, slots=True)
class _Frames:
    """Radio that sends in frames of ``frame_s``, for ``shortest_s`` to ``longest_s`` of each."""

    what: str
    frame_s: float
    shortest_s: float
    longest_s: float


_RADIOS = (
    _Frames("a radio set (TETRA)", 17 / 300, 0.012, 0.0165),
    _Frames("a two-way radio (DMR)", 0.060, 0.024, 0.031),
    _Frames("a satellite telephone", 0.090, 0.006, 0.0105),
    _Frames("an access point of a wireless network", 0.1024, 0.0005, 0.004),
    _Frames("a cordless telephone (DECT)", 0.010, 0.0002, 0.0009),
)
"""TETRA: ETSI EN 300 392-2, one of four slots in 17/300 s. DMR: ETSI TS 102 361-1, bursts of 27.5 ms in 60 ms. DECT:
ETSI EN 300 175-3, 24 slots in 10 ms, bursts of 0.37 ms. Access points announce themselves every 102.4 ms (IEEE
802.11). Satellite telephones send 8.3 ms of 90 ms. All from memory. The bounds leave room for rounded edges."""
_GSM_FRAME_S, _GSM_LOUD = 0.120 / 26, (0.82, 0.92)
"""Eight slots in a frame, of which one is sent (3GPP TS 45.002, from memory): seven eighths are left loud."""
_RATE_OF_POWER_HZ = 13_000.0
"""To which the power of a channel is brought down: three values in a slot of GSM (derived)."""
_KEEP_AWAY = (
    "Keep radio sets and telephones some metres away from sensor, cable and logger, see that the cable's screen is "
    "connected, and repeat the measurement."
)
_RATE_HZ = 6_000.0
"""Means of neighbouring samples bring the rate down to this."""
_WINDOW_S = 1.0
"""Long enough for ten frames of the slowest sender, short enough for calls that come and go (our choice)."""
_FIRST = 3
"""The first two lines of a rate are left to shafts."""
_MOST_LINES, _FEWEST_LINES = 60, 9
"""Lines of a rate that are looked at, and how many there must be for two edges to be no chance (our choice)."""
_CLOCK = 1e-4
"""Most by which the clocks of recorders are off: 20 to 100 ppm (common practice)."""
_STANDS_OUT = 2.5
"""Line over the noise between the lines, from which on it is one."""
_MOST_CLEAR = 0.75
"""Share of the lines up to any that stand out."""
_PLACES = 256
"""Of an edge within a period that are tried: finer than the highest line tells apart."""
_LEFT_OUT = 6
"""One line in so many may be the machine's."""
_LEAST_FIT = 0.8
"""Share of the lines' power that two edges explain (our choice); what chance makes of it is weighed besides."""
_CHANCE = 1e-6
"""Of lines with phases and heights by chance: n of them leave more than ``1 - fit`` unexplained by a given pair of
edges with the probability ``(1 - fit)**(n - 2)``; all pairs of places and all choices of lines left out are counted."""
_FEWEST_EQUAL, _EQUAL = 7, 0.93
"""Lines of a short pulse, and how well one height and place explains them. Chance: 512 places times 0.07 to the sixth,
one window in ten thousand, and half of the windows are asked for (derived). Damaged drives of other make-up reach 0.45:
their lines rise steeply up to the first mode."""
_MOST_OFF = 0.4
"""Distance of a usual line from the pulse's own, over that; of the lowest third, too."""
_EVEN = 2.5
"""The two edges are as high as each other, but for what a slow amplifier rounds."""
_LEAST_HEIGHT = 0.1
"""In r.m.s. values of the vibration."""
_SPEED_RANGE, _SPEED_STEP_LINES = 0.03, 0.2
"""Relative range about the speed in which a once-per-turn pulse is sought, a few per cent off the plate (common
practice), in steps by which the highest line moves so many widths of a line."""
_LONGEST_TURN_SHARE = 0.35
"""Of a turn that a sensor's mark may last (common practice: a keyway or a strip of tape lasts less)."""
_MOST_HZ = 1_200.0
"""Lines up to here are looked at: above, modes of the housing shape what a machine itself makes."""
_MOST_LOOKED_AT, _FIRST_LOOKS = 6, 3
"""Windows that are looked at, and how many of these come first, for the sake of time."""
_MOST_WINDOWS = 0.5
"""Share of windows in which pulses of the shaft are seen."""
_RINGS_S, _RINGS_SAMPLES = 1e-3, 4
"""After a blow the casing rings for at least so long (a mode of 2 kHz and a quality of 10 falls by half its power in
half of that: common practice); an edge that an amplifier rounds is over sooner."""
_RINGS = 3.0
"""Power over that of the rest of the turn, while it rings: of the mean of ten turns, noise reaches twice (derived)."""


@dataclass(frozen=True, slots=True)
class _Pulse:
    """``height`` in r.m.s. values, ``width`` as a share of the period; ``fit`` of ``lines`` lines."""

    height: float
    width: float
    fit: float
    lines: int
    high: float = 0.0
    """Share of the period from the rising edge to the falling one."""
    rate_hz: float = 0.0
    """Of the pulses, where it was sought."""


def frames(signal: Signal) -> list[Reason]:
    """Pulses at the exact rate of a radio's frames, over the whole capture."""
    if signal.rms == 0 or signal.missing > 0:
        return []
    x, rate_hz = slower(signal, _RATE_HZ)
    for kind in _RADIOS:
        pulse = _train(x, rate_hz, kind.frame_s)
        if pulse is None or not kind.shortest_s <= pulse.width * kind.frame_s <= kind.longest_s:
            continue
        return [
            Reason(
                code="radio",
                text=f"electrical pulses of {amount(signal.channel, pulse.height * signal.rms)} and "
                f"{1e3 * pulse.width * kind.frame_s:.2g} ms every {1e3 * kind.frame_s:.4g} ms, which do not ring as "
                f"blows do: {kind.what} sends near the sensor's cable",
                remedy=_KEEP_AWAY,
                verdict="limited",
            )
        ]
    return []


def gain_in_frames(signal: Signal) -> list[Reason]:
    """A telephone whose bursts take the amplifier's gain away: the power dips for one slot of each frame."""
    if signal.rms == 0 or signal.missing > 0:
        return []
    together = max(1, int(signal.rate_hz // _RATE_OF_POWER_HZ))
    if signal.ac.size < together * _PLACES:
        return []
    power = averaged(np.square(signal.relative), together)
    power -= power.mean(dtype=np.float64)
    pulse = _train(power / (power.std() or np.float32(1.0)), signal.rate_hz / together, _GSM_FRAME_S)
    # Air that hisses in pieces is loud for a slot; nothing that moves is silent for one.
    if pulse is None or not _GSM_LOUD[0] <= pulse.high <= _GSM_LOUD[1]:
        return []
    return [
        Reason(
            code="radio",
            text=f"the signal grows weaker for {1e3 * (1 - pulse.high) * _GSM_FRAME_S:.2g} ms at exactly "
            f"{1 / _GSM_FRAME_S:.4g} Hz: a mobile telephone or modem (GSM) next to the amplifier takes its gain away",
            remedy=_KEEP_AWAY,
            verdict="limited",
        )
    ]


def speed_sensor(signal: Signal, speed_hz: float | None) -> list[Reason]:
    """Pulses once a turn of a shaft near ``speed_hz`` that do not ring."""
    if speed_hz is None or signal.rms == 0 or signal.missing > 0 or signal.channel.quantity != "acceleration":
        return []
    x, rate_hz = slower(signal, _RATE_HZ)
    size = int(max(_WINDOW_S, 25 / speed_hz) * rate_hz)
    windows = x.size // max(size, 1)
    if windows < 3:
        return []
    looked_at = np.unique(np.linspace(0, windows - 1, min(windows, _MOST_LOOKED_AT)).astype(int))
    sure: list[_Pulse] = []
    for number, k in enumerate(looked_at.tolist()):
        pulse = _of_shaft(x[k * size : (k + 1) * size], rate_hz, speed_hz)
        whole = slice(*(round(i * size / rate_hz * signal.rate_hz) for i in (k, k + 1)))
        if pulse is not None and not _rings(signal.relative[whole], signal.rate_hz, pulse.rate_hz):
            sure.append(pulse)
        if number == _FIRST_LOOKS - 1 and not sure:
            return []
    if len(sure) < max(3.0, _MOST_WINDOWS * looked_at.size):
        return []
    sized = [pulse for pulse in sure if pulse.height > 0]
    height = float(np.median([pulse.height for pulse in sized])) * signal.rms if sized else 0.0
    return [leak(f" of {amount(signal.channel, height)}" if sized else "")]


def leak(size_in_words: str = "", times_per_turn: int = 1) -> Reason:
    """What is said of a channel that a speed sensor's signal leaks into; the size begins with a blank."""
    turn = "once a turn" if times_per_turn == 1 else f"{times_per_turn} times a turn"
    return Reason(
        code="pulses_leak",
        text=f"electrical pulses{size_in_words} {turn}, which do not ring as blows do: a speed sensor's signal leaks "
        "into this channel",
        remedy="Lay the speed sensor's cable away from this one, connect both screens at one end, leave an input "
        "free between the two, and repeat the measurement.",
        verdict="rejected",
    )


def _train(x: Samples, rate_hz: float, period_s: float) -> _Pulse | None:
    """Pulses at one exact period."""
    orders = _orders(1 / period_s, rate_hz)
    if orders.size < _FEWEST_LINES:
        return None
    # A whole number of periods, as near to a whole number of samples as may be, so that each line has a bin.
    fewest = int(np.ceil(_WINDOW_S / period_s))
    sizes = period_s * rate_hz * np.arange(fewest, 2 * fewest)
    periods = fewest + int(np.abs(sizes - np.rint(sizes)).argmin())
    size = round(period_s * rate_hz * periods)
    windows = x.size // size
    if windows < 2:
        return None
    spectra = scipy.fft.rfft(x[: windows * size].reshape(windows, size) * hann(size), axis=1, overwrite_x=True)
    lines, between = ((4 / size) * spectra[:, periods * orders + off] for off in (0, periods // 2))
    noise = np.sqrt(np.median(np.square(np.abs(between)), axis=0) / np.log(2) / windows) + 1e-12
    # All windows added up in phase, with a clock that may be a little off.
    own_hz = periods / size * rate_hz
    shifts = (1 / period_s / own_hz - 1) + np.linspace(-_CLOCK, _CLOCK, 21)
    rest = np.exp(-2j * np.pi * own_hz * (size / rate_hz) * np.outer(shifts, orders))
    sums = np.zeros(rest.shape, dtype=np.complex128)
    for row in lines[::-1]:
        sums = sums * rest + row
    sums /= windows
    best = int(np.minimum(np.abs(sums) / noise, 5.0).sum(axis=1).argmax())
    return _two_edges(orders, sums[best], noise)


def _of_shaft(x: Samples, rate_hz: float, speed_hz: float) -> _Pulse | None:
    """Pulses at a rate near the speed, in one window."""
    orders = _orders(speed_hz, rate_hz)
    if orders.size < _FEWEST_LINES:
        return None
    padded = 1 << (4 * x.size - 1).bit_length()
    step_hz = rate_hz / padded
    shaped = (x - x.mean()) * hann(x.size)
    asked = 2 + int((orders[-1] + 1) * (1 + _SPEED_RANGE) * speed_hz / step_hz)
    spectrum: Lines = np.asarray(scipy.fft.rfft(shaped, padded)[:asked], dtype=np.complex128) * (4 / x.size)
    size = np.abs(spectrum)
    rates = np.arange(
        1 - _SPEED_RANGE, 1 + _SPEED_RANGE, _SPEED_STEP_LINES / (x.size / rate_hz) / orders[-1] / speed_hz
    )
    places = np.rint(speed_hz * np.outer(rates, orders) / step_hz).astype(int)
    floor = np.median(size[: int((orders[-1] + 1) * speed_hz / step_hz)])
    if floor == 0:  # nothing but zeros, or next to it
        return None
    best = int(np.minimum(size[places] / floor, 5.0).sum(axis=1).argmax())
    own_hz = speed_hz * float(rates[best])
    lines, below, above = (
        _near(spectrum, np.asarray((orders + off) * own_hz / step_hz, dtype=np.float64), x.size / padded)
        for off in (0.0, -0.5, 0.5)
    )
    noise = np.sqrt(np.square(np.abs(below)) + np.square(np.abs(above))) / np.sqrt(2) + 1e-12
    noise = np.convolve(np.pad(noise, 3, mode="edge"), np.ones(7) / 7, "valid")
    pulse = _two_edges(orders, lines, noise, all_of_them=True) or _short(orders, lines, noise)
    return None if pulse is None or pulse.width > _LONGEST_TURN_SHARE else replace(pulse, rate_hz=own_hz)


def _rings(x: Samples, rate_hz: float, own_hz: float) -> bool:
    """Whether something rings once in every period of ``own_hz``: on a soft footing the lines of a blow are even too
    below the casing's modes, as a pulse's are."""
    power = np.square(np.diff(x))  # slopes: the casing's modes lie high
    bins = max(1, int(rate_hz / own_hz / max(1.0, _RINGS_S * rate_hz / _RINGS_SAMPLES)))
    place = (np.arange(power.size) * (own_hz / rate_hz) % 1.0 * bins).astype(np.intp)
    turn = np.bincount(place, power, bins) / np.maximum(np.bincount(place, minlength=bins), 1)
    loud = turn > _RINGS * np.median(turn)
    long = math.ceil(_RINGS_S * own_hz * bins) + 1
    return bool(np.convolve(np.tile(loud, 2), np.ones(long), "valid").max(initial=0.0) >= long)


def _short(orders: NDArray[np.intp], lines: Lines, noise: Floats) -> _Pulse | None:
    """A pulse so short that its first lines are of one height, each turned by as much as the one before; what the mesh
    makes of the higher ones need not be known. The casing's ways differ by far more over two octaves."""
    count = int(np.cumprod(np.abs(lines) > _STANDS_OUT * noise).sum())
    if count < _FEWEST_EQUAL:
        return None
    first = lines[:_FEWEST_EQUAL]
    places = np.arange(2 * _PLACES) / (2 * _PLACES)
    # What keeps the sensor's bias away turns the lowest lines by some degrees: the phase of all is left open.
    along = np.abs(first @ np.exp(2j * np.pi * np.outer(orders[:_FEWEST_EQUAL], places)))
    fit = float(np.square(along).max()) / (_FEWEST_EQUAL * float(np.square(np.abs(first)).sum()))
    return _Pulse(0.0, 0.0, fit, _FEWEST_EQUAL) if fit >= _EQUAL else None


def _orders(first_hz: float, rate_hz: float) -> NDArray[np.intp]:
    """Multiples that are read: those of short pulses reach far, those of a slow rate are many."""
    highest_hz = min(rate_hz / 2.56, max(_MOST_HZ, 25 * first_hz))
    return np.arange(_FIRST, min(_MOST_LINES, int(highest_hz / first_hz)) + 1)


def _near(spectrum: Lines, at_bins: Floats, share: float) -> Lines:
    """Lines between the bins of a padded transform of which the signal fills a ``share``: a symmetric window turns a
    line by half its length times the distance, and hardly makes it lower so near."""
    nearest = np.rint(at_bins).astype(np.intp)
    return np.asarray(spectrum[nearest] * np.exp(1j * np.pi * (nearest - at_bins) * share))


def _two_edges(orders: NDArray[np.intp], lines: Lines, noise: Floats, *, all_of_them: bool = False) -> _Pulse | None:
    """The pulse that explains the lines up to where they end in the noise, or half of them where not ``all_of_them``
    are asked for: a blow's lines are a pulse's below the casing's modes. None where none does.

    A step of height h has lines ``h / (pi k)``: of the slope, ``k`` times the line, an edge has all of one height.
    """
    clear = np.abs(lines) > _STANDS_OUT * noise
    # From the lowest line on: blows have their lines where the casing rings.
    share = np.cumsum(clear)[_FEWEST_LINES - 1 :] / np.arange(_FEWEST_LINES, orders.size + 1)
    ends = _FEWEST_LINES - 1 + np.cumprod(share >= _MOST_CLEAR).sum()
    if ends < _FEWEST_LINES:
        return None
    best: _Pulse | None = None
    counts = {int(ends)} if all_of_them else {int(ends), max(_FEWEST_LINES, int(ends) // 2)}
    for count in sorted(counts):
        pulse = _fitted(orders[:count], (1j * orders * lines)[:count])
        if pulse is not None and (best is None or pulse.lines > best.lines):
            best = pulse
    return best


@lru_cache(maxsize=1)
def _from_place() -> NDArray[np.intp]:
    """How far each place lies behind each other one round the period (places, places)."""
    places = np.arange(_PLACES)
    return (places[:, None] - places) % _PLACES


def _fitted(orders: NDArray[np.intp], slopes: Lines) -> _Pulse | None:
    use = np.ones(orders.size, dtype=bool)
    places = np.arange(_PLACES)
    waves = np.exp(2j * np.pi * np.outer(orders, places / _PLACES))
    from_place = _from_place()
    most = orders.size // _LEFT_OUT
    for left_out in range(most + 1):
        z, w = slopes[use], waves[use]
        count = int(use.sum())
        along = np.real(z @ w)  # edges are real: they have no phase of their own
        gram = np.real(w.sum(axis=0))
        across = gram[from_place]
        # Least squares of every pair of edges.
        det = count**2 - gram**2
        det[0] = np.inf  # an edge with itself
        det = np.maximum(det, 1e-6 * count**2)[from_place]
        p, q = along[:, None], along[None, :]
        first = (count * p - across * q) / det
        # The other way round the same pair changes places.
        second = first.T
        # Of opposite sign, the first one rising, and even: two such ratios leave nothing else.
        even = (first < -_EVEN * second) & (-second < _EVEN * first)
        alone = first * p
        gain = alone + alone.T  # what the other edge explains is the same the other way round
        gain[~even] = 0.0
        i, j = divmod(int(gain.argmax()), _PLACES)
        total = float(np.square(np.abs(z)).sum())
        fit = float(gain[i, j]) / max(total, 1e-30)
        tries = _PLACES**2 * math.comb(orders.size, left_out)
        if fit >= _LEAST_FIT and math.log(tries) + (count - 2) * math.log(max(1 - fit, 1e-9)) < math.log(_CHANCE):
            model = first[i, j] * np.conj(w[:, i]) + second[i, j] * np.conj(w[:, j])
            off = np.abs(z - model) / np.maximum(np.abs(model), 0.3 * np.sqrt(np.mean(np.square(np.abs(model)))))
            # Low lines too: what is left of a blow below the casing's modes is far below any edge.
            if max(float(np.median(off)), float(np.median(off[: max(4, count // 3)]))) > _MOST_OFF:
                return None
            height = math.pi * 0.5 * (float(first[i, j]) - float(second[i, j]))
            if height < _LEAST_HEIGHT:
                return None
            high = (j - i) % _PLACES / _PLACES
            return _Pulse(height, min(high, 1 - high), fit, count, high)
        rest = z - first[i, j] * np.conj(w[:, i]) - second[i, j] * np.conj(w[:, j])
        use[np.flatnonzero(use)[int(np.abs(rest).argmax())]] = False
    return None
