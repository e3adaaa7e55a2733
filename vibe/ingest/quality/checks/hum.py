"""Mains hum on the cable, far above what the machine makes: it would be read as vibration of the shaft's region."""

from __future__ import annotations

import numpy as np

from vibe.core.capture import Reason
from vibe.ingest.quality.prepared_signal import Density, Signal, amount, density
from vibe.ingest.quality.thresholds import THRESHOLDS as LIMIT

_EXACT = 0.002
"""The mains keep their frequency to 0.1 % (EN 50160 asks 1 % of isolated and 0.5 % of joined networks for 99.5 % of a
year; day by day it is 0.1 %, from memory), recorders theirs to 0.1 %; a loaded two-pole motor runs 1 to 5 % below."""
_MULTIPLES = np.arange(1, 10)
"""Of the mains, up to the ninth: rectifiers with six pulses make the 5th and 7th, transformers the 3rd and 9th."""
_WIDTH = 3.2
"""Half width of a line under a Blackman window, in bins."""
_OVER_FLOOR = 10.0
"""A line under a window and averaged; noise comes so high in no bin (exp(-10) of a single one)."""
_ODD_OVER_EVEN = 3.0
"""Power of odd over even multiples. Rectified supplies and saturated transformers make odd ones; the forces of a motor
make twice the mains (both common practice)."""
_FIRST = 0.1
"""Power of the mains' own line over that of the strongest multiple, of the velocity: a rectifier takes a fifth of its
current at five times the mains, a cable picks it up five times as well, and velocity is a fifth, so that the first is
25 times that (derived). A line at 300 Hz is six times 50 Hz as well, and the highest of noise may lie at 60."""
_LIMITED, _REJECTED = 0.3, 0.8
"""Share of the velocity's power from 10 to 1000 Hz: a third of it changes a zone, at four fifths hum is twice all
the rest."""


_NEAR, _IN_STEP = 0.005, 0.0005
"""How near to the mains an order of the shaft must lie: one of the strong first two, which slip moves, to make its
line; any, to be in step with it and so make its multiples."""
_PULSES = 6
"""Lines per period of the mains behind a rectifier of three phases (common practice)."""
_PULSE_SHARE = 0.5
"""Of the velocity's power: more than all the rest. Motors behind rectifiers do shake a little by such lines: of 189
measured channels (``$VIBE_OPEN_DATA``) a rig with 360 Hz has a third to two thirds in ten."""
_NOT_OF_RIPPLE = (1, 2, 4, 5, 7, 8)
"""Multiples of twice the mains that three phases cancel."""
_MOST_OF_BLOWS = 5
"""Of these six: supplies that are out of balance show the first two."""
_PULSE_MULTIPLES = np.arange(1, 4)
"""What of them lies below 1000 Hz."""


def hum(signal: Signal, speed_hz: float | None) -> list[Reason]:
    """Lines at the mains and its odd multiples, or at six times the mains and its multiples, that make up much of the
    velocity; ``speed_hz`` of the input.

    Nothing is said where a shaft makes the same lines: the mains is once or twice the speed, or the shaft turns in step
    with it.
    """
    if signal.channel.quantity != "acceleration" or signal.x.size < 4 * signal.rate_hz:
        return []
    low, high = LIMIT.velocity_band_hz
    if signal.rate_hz < 2.5 * high:
        return []
    spectrum = density(signal, longest_s=4.0, window=np.blackman)
    hz = spectrum.hz[: int(high / spectrum.step_hz) + 1]
    power = np.zeros(hz.size)
    power[1:] = spectrum.values[1 : hz.size] / (2 * np.pi * hz[1:]) ** 2
    total = float(power[hz >= low].sum())
    for mains_hz in LIMIT.mains_hz:
        if total <= 0:
            continue
        if speed_hz is None or not _is_multiple(mains_hz, speed_hz, (1, 2), _NEAR):
            lines = _lines(power, spectrum, mains_hz, _MULTIPLES)
            share = float(lines.sum()) / total
            first_stands = lines[0] >= max(_FIRST * lines.max(), 1e-300)
            if first_stands and share >= _LIMITED and lines[0::2].sum() >= _ODD_OVER_EVEN * lines[1::2].sum():
                return [_of_mains(_height(signal, spectrum, mains_hz), mains_hz, share)]
        pulses_hz = _PULSES * mains_hz
        if speed_hz is None or not _is_multiple(mains_hz, speed_hz, (round(mains_hz / speed_hz),), _IN_STEP):
            lines = _lines(power, spectrum, pulses_hz, _PULSE_MULTIPLES)
            share = float(lines.sum()) / total
            if share >= _PULSE_SHARE and np.count_nonzero(lines) > 1 and not _strikes(power, spectrum, 2 * mains_hz):
                return [_of_rectifier(_height(signal, spectrum, pulses_hz), mains_hz, share)]
    return []


def _of_mains(height: str, mains_hz: float, share: float) -> Reason:
    return Reason(
        code="hum",
        text=f"mains hum: {height} at {mains_hz:.0f} Hz and its odd multiples, {100 * share:.0f} % of the velocity's "
        "power",
        remedy="Keep the cable off motor cables, ground its screen at one end or insulate the sensor; repeat the "
        "measurement.",
        verdict="rejected" if share > _REJECTED else "limited",
    )


def _of_rectifier(height: str, mains_hz: float, share: float) -> Reason:
    """Cables pick such lines up, and motors behind a rectifier shake by them: only a second try tells which."""
    return Reason(
        code="rectifier_lines",
        text=f"{height} at {_PULSES * mains_hz:.0f} Hz and its multiples, six times the mains, {100 * share:.0f} % of "
        "the velocity's power: hum of a rectifier on the cable, or the ripple of a motor behind one",
        remedy="Hold the sensor still in the hand, its cable as it lies: if the lines stay, it is hum. Then lay the "
        "cable away from motor cables, ground its screen at one end only or insulate the sensor, and repeat the "
        "measurement.",
        verdict="limited",
    )


def _height(signal: Signal, spectrum: Density, line_hz: float) -> str:
    """Amplitude of a line in words, with what its window spreads to the neighbours."""
    centre = round(line_hz / spectrum.step_hz)
    own = spectrum.values[centre - 3 : centre + 4].sum() * spectrum.step_hz
    return amount(signal.channel, float(np.sqrt(2 * own)))


def _strikes(power: np.ndarray, spectrum: Density, first_hz: float) -> bool:
    """Whether something comes at twice the mains that has all multiples of it, as blows do and ripple has not."""
    found = 0
    for multiple in _NOT_OF_RIPPLE:
        centre = round(multiple * first_hz / spectrum.step_hz)
        if centre + 12 < power.size:
            near = power[centre - 4 : centre + 5]
            floor = float(np.median(np.r_[power[centre - 12 : centre - 5], power[centre + 6 : centre + 13]]))
            found += bool(near.max() > _OVER_FLOOR * floor)
    return found >= _MOST_OF_BLOWS


def _is_multiple(line_hz: float, speed_hz: float, orders: tuple[int, ...], within: float) -> bool:
    """Whether one of these orders of a shaft at ``speed_hz`` lies at a line."""
    return any(abs(line_hz / (max(order, 1) * speed_hz) - 1) < within for order in orders)


def _lines(power: np.ndarray, spectrum: Density, first_hz: float, multiples: np.ndarray) -> np.ndarray:
    """Power of each multiple over its floor, zero where it does not stand out or the first is not exactly there."""
    step_hz = spectrum.step_hz
    near = np.arange(int(0.9 * first_hz / step_hz), int(1.1 * first_hz / step_hz) + 1)
    peak = int(near[power[near].argmax()])
    shape = np.log(power[peak - 1 : peak + 2] + 1e-300)
    bend = shape[0] - 2 * shape[1] + shape[2]
    exact_hz = (peak + (0.5 * (shape[0] - shape[2]) / bend if bend < 0 else 0.0)) * step_hz
    out = np.zeros(multiples.size)
    if abs(exact_hz / first_hz - 1) > _EXACT:
        return out
    half = int(np.ceil(_WIDTH))
    for place, multiple in enumerate(multiples):
        centre = round(multiple * exact_hz / step_hz)
        if centre + 12 >= power.size:
            break
        floor = float(np.median(np.r_[power[centre - 12 : centre - half], power[centre + half + 1 : centre + 13]]))
        own = float(power[centre - half : centre + half + 1].sum()) - (2 * half + 1) * floor
        out[place] = own if own > _OVER_FLOOR * floor else 0.0
    return out
