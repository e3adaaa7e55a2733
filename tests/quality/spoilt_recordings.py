"""Recordings of cycloidal drives that are spoilt, each with its truth, and equal for equal numbers.

By radio, by amplifiers that are too slow, and by what is rarely thought of, from harmful to harmless. A recording is
spoilt where a line or impact rate that a diagnosis rests on changes by more than 1 dB, or a false one appears.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from scipy import signal as sp

from tests.quality.good_recordings import (
    BEACON_S,
    GSM_FRAME_S,
    MACHINES,
    TETRA_FRAME_S,
    Floats,
    Recording,
    Rig,
    boxes,
    recorded,
)


def demodulated(rig: Rig, power: Floats, low_hz: float = 1.0, high_hz: float = 7000.0) -> Floats:
    """What an amplifier makes of the envelope of a carrier: rectified, rounded, without its mean; highest value 1."""
    b, a = sp.butter(1, min(high_hz, 0.4 * rig.rate), fs=rig.rate)
    d, c = sp.butter(1, low_hz, "highpass", fs=rig.rate)
    out = sp.lfilter(d, c, sp.lfilter(b, a, power - power.mean()))
    return np.asarray(out / np.abs(out).max())


def fading(rig: Rig, starts: Floats, depth: float = 0.25) -> Floats:
    """Power of each burst: it wanders slowly, as of a hand that moves."""
    knots = np.exp(depth * rig.rng.normal(size=int(rig.t[-1]) + 3))
    return np.asarray(np.interp(starts, np.arange(knots.size), knots))


def gsm(rig: Rig, first: float = 0.0, last: float = 1e9) -> Floats:
    """Telephone in a call: one slot of each frame, every 26th frame idle."""
    starts = rig.every(GSM_FRAME_S)
    starts = starts[(np.arange(starts.size) % 26 != 25) & (starts >= first) & (starts < last)]
    return demodulated(rig, boxes(rig, starts, 0.000577, fading(rig, starts)))


def gsm_pauses(rig: Rig) -> Floats:
    """Telephone whose owner listens: the signalling frame of each multiframe, and eight frames every 0.48 s."""
    k = np.arange(int(rig.t[-1] / GSM_FRAME_S))
    starts = k[(k % 26 == 12) | ((k % 104 >= 52) & (k % 104 < 60))] * GSM_FRAME_S
    return demodulated(rig, boxes(rig, starts, 0.000577, fading(rig, starts)))


def gsm_call_comes(rig: Rig) -> Floats:
    """Telephone that answers its network for a quarter of the time."""
    return gsm(rig, 0.4 * rig.t[-1], 0.65 * rig.t[-1])


def tetra(rig: Rig) -> Floats:
    """Radio set of the emergency services: one of four slots, with the ripple of its modulation."""
    starts = rig.every(TETRA_FRAME_S)
    ripple = 1 + 0.2 * rig.noise(200, 9000)
    return demodulated(rig, boxes(rig, starts, TETRA_FRAME_S / 4, fading(rig, starts)) * ripple)


def dmr(rig: Rig) -> Floats:
    """Digital two-way radio: 27.5 ms of every 60 ms."""
    starts = rig.every(0.06)
    return demodulated(rig, boxes(rig, starts, 0.0275, fading(rig, starts)))


def dect(rig: Rig) -> Floats:
    """Cordless telephone: one burst of 0.368 ms in 10 ms."""
    starts = rig.every(0.01)
    return demodulated(rig, boxes(rig, starts, 0.000368, fading(rig, starts)))


def beacons(rig: Rig) -> Floats:
    """Access point at rest, with chance bursts of traffic."""
    starts = rig.every(BEACON_S, 2e-4)
    traffic = np.sort(rig.rng.uniform(0, rig.t[-1], int(4 * rig.t[-1])))
    widths = rig.rng.choice(np.array([0.0003, 0.0011, 0.002]), traffic.size)
    return demodulated(rig, boxes(rig, starts, 0.0021) + boxes(rig, traffic, widths, 0.7))


def keyed(rig: Rig) -> Floats:
    """Two-way radio keyed by hand: seconds of steady carrier."""
    starts = np.cumsum(rig.rng.uniform(1.2, 2.5, 12))
    return demodulated(rig, boxes(rig, starts, rig.rng.uniform(0.3, 1.1, 12)), 2.0)


def radar(rig: Rig) -> Floats:
    """Ship's radar: a beam of 15 ms each 2.5 s, in pulses of 1 kHz."""
    pulses = rig.every(0.001)
    beam = np.exp(-0.5 * (((pulses - 0.8) % 2.5 - 1.25) / 0.007) ** 2)
    return demodulated(rig, boxes(rig, pulses, 0.00006, beam), 1.0, 12_000)


def long_term(rig: Rig) -> Floats:
    """Telephone in subframes of 1 ms, three of ten taken, never the same ones."""
    k = np.arange(int(rig.t[-1] * 1000))
    starts = k[rig.rng.uniform(size=k.size) < np.where(k % 10 < 3, 0.9, 0.03)] * 0.001
    return demodulated(rig, boxes(rig, starts, 0.001, fading(rig, starts)))


def satellite(rig: Rig) -> Floats:
    """Satellite telephone: 8.28 ms of every 90 ms."""
    starts = rig.every(0.09)
    return demodulated(rig, boxes(rig, starts, 0.00828, fading(rig, starts)))


def slow(x: Floats, rate: float, rise: float, fall: float, smooth: bool = False) -> Floats:
    """An amplifier whose output climbs by no more than rise and drops by no more than fall per second."""
    up = 4
    fine = sp.resample_poly(x, up, 1)
    high, low, out, y = rise / rate / up, -fall / rate / up, np.empty(fine.size), float(fine[0])
    for i, target in enumerate(fine.tolist()):
        step = target - y
        if smooth:
            step = high * float(np.tanh(0.7 * step / high))
        y += high if step > high else low if step < low else step
        out[i] = y
    return np.asarray(sp.resample_poly(out, 1, up))[: x.size]


def steepness(x: Floats, rate: float, share: float) -> float:
    """Slope below which a share of all slopes lies."""
    return float(np.quantile(np.abs(np.diff(sp.resample_poly(x, 4, 1))) * rate * 4, share))


SHAFTS_AND_MESHES = ("shaft", "eccentric", "mesh", "output pass", "gear mesh")


def octave(x: Floats, rate: float, low: float) -> Floats:
    """Envelope of an octave."""
    sos = sp.butter(4, [low, 2 * low], "bandpass", fs=rate, output="sos")
    return np.asarray(np.abs(sp.hilbert(sp.sosfiltfilt(sos, x))))


def velocity(x: Floats, rate: float) -> float:
    """Effective velocity from 10 Hz to 1 kHz [m/s]."""
    hz = np.fft.rfftfreq(x.size, 1 / rate)
    band = (hz >= 10) & (hz <= 1000)
    spectrum = np.fft.rfft(x - x.mean())[band] / (2 * np.pi * hz[band])
    return float(np.sqrt(2 * np.sum(np.abs(spectrum) ** 2)) / x.size)


def harm(
    clean: Floats, seen: Floats, rate: float, tones: dict[str, float], false_hz: Sequence[float]
) -> dict[str, float]:
    """How far a diagnosis would be misled.

    Greatest change [dB] of a shaft's or mesh's line and of any tone in the envelope of an octave; height [dB] over the
    floor of a false rate in an envelope, anywhere and next to a tone; of false lines; greatest false blow over the
    greatest true one; change [dB] of the velocity's level.
    """
    out = dict.fromkeys(("changed", "false", "taken", "line", "blow"), 0.0)
    moved = seen.size < clean.size
    clean, seen = clean[: seen.size], seen[: clean.size]
    lows = [low for low in (500.0, 1000.0, 2000.0, 4000.0, 8000.0) if 2 * low < 0.48 * rate]
    views = [(clean, seen), *((octave(clean, rate, low), octave(seen, rate, low)) for low in lows)]
    window, hz = np.hanning(clean.size), np.fft.rfftfreq(clean.size, 1 / rate)
    for number, (before, after) in enumerate(views):
        a, b = (np.abs(np.fft.rfft((v - v.mean()) * window)) for v in (before, after))

        def read(spectrum: Floats, at: float) -> tuple[float, float]:
            wide = spectrum[np.abs(hz - at) < max(8.0, 0.1 * at)]
            near = spectrum[np.abs(hz - at) < max(2.5 / (clean.size / rate), 1e-3 * at)]
            return float(near.max()), float(np.median(wide))

        top = min(2000.0, 0.4 * rate)
        for part, base in tones.items():
            for h in (1, 2, 3):
                if 3 < h * base < top and (number or part in SHAFTS_AND_MESHES):
                    (p, f), (q, g) = read(a, h * base), read(b, h * base)
                    if p > 10 * f or q > 10 * g:
                        out["changed"] = max(out["changed"], abs(20 * float(np.log10(max(q, 1e-15) / max(p, 1e-15)))))
        for at in (h * base for base in false_hz for h in range(1, 7) if 3 < h * base < top):
            (p, _), (q, g) = read(a, at), read(b, at)
            if q > 1.5 * p:
                height = 20 * float(np.log10(q / max(g, 1e-15)))
                key = "false" if number else "line"
                out[key] = max(out[key], height)
                if number and any(abs(at / (k * v) - 1) < 0.015 for v in tones.values() for k in (1, 2, 3)):
                    out["taken"] = max(out["taken"], height)
    sos = sp.butter(2, 500, "highpass", fs=rate, output="sos")
    blow, true = (float(np.abs(sp.sosfiltfilt(sos, v)).max()) for v in (seen - clean, clean))
    levels = [velocity(v, rate) for v in (clean, seen)]
    return out | {"blow": 0.0 if moved else blow / true, "level": abs(20 * float(np.log10(levels[1] / levels[0])))}


def verdict(h: dict[str, float]) -> str:
    """Truth from harm."""
    if h["changed"] > 1 or h["taken"] > 20 or h["false"] > 26 or h["blow"] > 1 or h["level"] > 1:
        return "spoilt"
    return (
        "harmless"
        if h["changed"] < 0.5 and h["false"] < 16 and h["line"] < 26 and max(h["blow"], h["level"]) < 0.5
        else "between"
    )


def radio_case(wave: Callable[[Rig], Floats]) -> Callable[[Rig, Floats, float], Floats]:
    """A radio's pulses, by their height over the effective value of the vibration, added before the recorder."""
    return lambda rig, x, s: x + s * float(np.std(x)) * wave(rig)


def squeezed(rig: Rig, x: Floats, s: float) -> Floats:
    """A carrier that takes the amplifier's gain away during its bursts, and adds little."""
    power = boxes(rig, rig.every(GSM_FRAME_S), 0.000577)
    return np.asarray(x * (1 - min(0.95, s) * power) + 0.2 * s * float(np.std(x)) * demodulated(rig, power))


def slow_case(fall: float = 1.0, smooth: bool = False, what: str = "") -> Callable[[Rig, Floats, float], Floats]:
    """An amplifier limited at the slope below which a share of all slopes lies; with a tone or blows that rule it."""

    def make(rig: Rig, x: Floats, s: float) -> Floats:
        limit = steepness(x, rig.rate, s)
        return slow(x, rig.rate, limit, limit * fall, smooth)

    make.__doc__ = what
    return make


def slow_then_filtered(rig: Rig, x: Floats, s: float) -> Floats:
    """A slow amplifier before the recorder's filter: the recorded slopes are rounded again."""
    limit = steepness(x, rig.rate, s)
    seen = slow(x, rig.rate, limit, limit)
    return np.asarray(sp.sosfiltfilt(sp.butter(3, 0.25 * rig.rate, fs=rig.rate, output="sos"), seen))


def loose_pin(rig: Rig, x: Floats, s: float) -> Floats:
    """A connector whose contact opens for a moment where the vibration is greatest."""
    at = np.flatnonzero(np.abs(x) > np.quantile(np.abs(x), 1 - 0.002 * s))
    gate = np.zeros(x.size)
    gate[at] = 1
    gate = np.convolve(gate, np.ones(round(0.001 * rig.rate)))[: x.size]
    return np.asarray(np.where(gate > 0, 0.1 * x, x))


def cable_whip(rig: Rig, x: Floats, s: float) -> Floats:
    """Charge rubbed in a cable that whips with the shaft."""
    turn = rig.machine.counters(rig.turns)["shaft"]
    whip = np.maximum(np.cos(2 * np.pi * turn), 0) ** 3 + 0.4 * np.cos(np.pi * turn + 1)
    return np.asarray(x + s * float(np.std(x)) * (whip - whip.mean() + 0.3 * rig.noise(2, 30)))


def ground_loop(rig: Rig, x: Floats, s: float) -> Floats:
    """Common-mode steps of an inverter, two per carrier period, that move with the modulation."""
    k = np.arange(int(rig.t[-1] * 2600))
    sign = np.where(k % 2, -1.0, 1.0)
    at = k / 2600 + 1e-4 * np.sin(2 * np.pi * 43.7 * k / 2600) * sign + 2e-4
    return np.asarray(x + s * float(np.std(x)) * demodulated(rig, boxes(rig, at, 4e-5, sign), 20, 11_000))


def hot_sensor(_rig: Rig, x: Floats, s: float) -> Floats:
    """A bias near its rail: positive halves are bent softly."""
    limit = float(np.quantile(x, 1 - 0.02 * s))
    return np.asarray(np.where(x > 0, limit * np.tanh(x / limit), x))


def supply_ripple(rig: Rig, x: Floats, s: float) -> Floats:
    """A switched supply that pumps in bursts under light load."""
    rate = 212.0 * (1 + 0.002 * np.interp(rig.t, np.arange(rig.seconds + 2), rig.rng.normal(size=int(rig.seconds + 2))))
    return np.asarray(x + s * float(np.std(x)) * (sp.sawtooth(2 * np.pi * np.cumsum(rate) / rig.rate, 0.08)))


def sagging_charge(rig: Rig, x: Floats, s: float) -> Floats:
    """A charge amplifier that each hard blow drives out, and that comes back in a tenth of a second."""
    over = np.maximum(np.abs(x) - np.quantile(np.abs(x), 0.999), 0)
    return np.asarray(x + s * sp.lfilter([1.0], [1, -np.exp(-1 / (0.1 * rig.rate))], over))


def rocking_magnet(rig: Rig, x: Floats, s: float) -> Floats:
    """A magnet on paint: it chatters against its seat where the pull is not enough."""
    over = np.maximum(x - np.quantile(x, 1 - 0.01 * s), 0)
    return np.asarray(np.minimum(x, x - 0.5 * over) + rig.push(over, rig.new_path(4000)) * s * 0.3)


def other_channel(rig: Rig, x: Floats, s: float) -> Floats:
    """Pulses of the speed sensor that leak over from the channel next to it."""
    at = rig.crossings(rig.machine.counters(rig.turns)["shaft"])
    return np.asarray(x + s * float(np.std(x)) * demodulated(rig, boxes(rig, at, 0.0006), 20, 9000))


def card_writes(_rig: Rig, x: Floats, s: float) -> Floats:
    """A recorder that loses some samples while it writes its card, and joins what is left."""
    keep = np.ones(x.size, bool)
    for start in range(20_000, x.size, 20_480):
        keep[start : start + round(37 * s)] = False
    return np.asarray(x[keep])


def blocks_swapped(rig: Rig, x: Floats, s: float) -> Floats:
    """Blocks of a bus that arrive in the wrong order."""
    seen = x[: x.size // 512 * 512].reshape(-1, 512).copy()
    for k in rig.rng.choice(seen.shape[0] - 1, round(20 * s), replace=False):
        seen[[k, k + 1]] = seen[[k + 1, k]]
    return np.asarray(seen.ravel())


def noise_gate(_rig: Rig, x: Floats, s: float) -> Floats:
    """Software for speech that silences what is quiet, and levels what is loud."""
    loud = np.sqrt(sp.lfilter([0.004], [1, -0.996], x * x, zi=[0.996 * np.var(x)])[0]) + 1e-9
    gain = (loud / np.std(x)) ** (-0.5 * s) * np.clip((loud / np.std(x) / (0.8 * s)) ** 4, 0, 1)
    return np.asarray(x * gain)


def lossy(_rig: Rig, x: Floats, s: float) -> Floats:
    """Software that keeps only the strong parts of each short piece's spectrum, as music is packed."""
    _, _, z = sp.stft(x, nperseg=1024)
    z[np.abs(z) < np.quantile(np.abs(z), 1 - 0.2 / s, axis=0)] = 0
    z[round(z.shape[0] * 0.62) :] = 0
    return np.asarray(sp.istft(z)[1][: x.size])


def sliced(_rig: Rig, x: Floats, s: float) -> Floats:
    """Software that takes every third sample without a filter, and fills up again by straight lines."""
    step = round(3 * s)
    return np.asarray(np.interp(np.arange(x.size), np.arange(0, x.size, step), x[::step]))


def two_converters(_rig: Rig, x: Floats, s: float) -> Floats:
    """Two converters that take turns, of unequal gain and zero."""
    odd = np.arange(x.size) % 2
    return np.asarray(x * (1 + 0.15 * s * odd) + 0.2 * s * np.std(x) * odd)


def cooling(rig: Rig, x: Floats, s: float) -> Floats:
    """A sensor past its temperature, whose sensitivity falls away within the recording."""
    return np.asarray(x * np.exp(-s * rig.t / rig.t[-1]))


def drifting_clock(rig: Rig, x: Floats, s: float) -> Floats:
    """A clock that software keeps right by leaping: its rate wanders by parts in a thousand."""
    warp = np.arange(x.size) + s * 0.02 * rig.rate / (2 * np.pi) * (1 - np.cos(2 * np.pi * 0.31 * rig.t)) * 0.1
    return np.asarray(np.interp(warp[warp < x.size - 1], np.arange(x.size), x))


def popcorn(rig: Rig, x: Floats, s: float) -> Floats:
    """A wet plug: its level leaps between two values."""
    leaps = np.cumsum(rig.rng.exponential(0.15, 100))
    level = boxes(rig, leaps[::2], leaps[1::2] - leaps[::2])
    return np.asarray(x + s * float(np.std(x)) * demodulated(rig, level, 3, 9000))


def stuck_bit(_rig: Rig, x: Floats, s: float) -> Floats:
    """A converter one of whose bits is always set."""
    step = 0.5 * s * float(np.std(x))
    whole = np.floor(x / step)
    return np.asarray(x + np.where(whole % 2 == 0, step, 0.0))


Spoil = Callable[[Rig, Floats, float], Floats]
RADIO: tuple[tuple[str, Spoil, tuple[float, ...], float], ...] = tuple(
    [(w.__name__, radio_case(w), (0.03, 0.3, 1.0, 4.0), hz) for w, hz in (
        (gsm, 1 / GSM_FRAME_S), (gsm_pauses, 1 / 0.12), (gsm_call_comes, 1 / GSM_FRAME_S), (tetra, 1 / TETRA_FRAME_S),
        (dmr, 1 / 0.06), (dect, 100.0), (beacons, 1 / BEACON_S), (keyed, 0.0), (radar, 1000.0), (long_term, 100.0),
        (satellite, 1 / 0.09))]
    + [("squeezed", squeezed, (0.03, 0.2, 0.5, 0.9), 1 / GSM_FRAME_S)]
)  # fmt: skip
SLEW: tuple[tuple[str, Spoil, tuple[float, ...], float], ...] = (
    ("slope limit", slow_case(), (0.5, 0.8, 0.95, 0.99, 0.9999), 0.0),
    ("slope limit, falling only", slow_case(100.0), (0.5, 0.8, 0.95, 0.9999), 0.0),
    ("slope limit, one side half", slow_case(0.5), (0.6, 0.9, 0.98, 0.9999), 0.0),
    ("slope limit, soft", slow_case(1.0, True), (0.5, 0.8, 0.95, 0.9999), 0.0),
    ("slope limit before the filter", slow_then_filtered, (0.5, 0.8, 0.95, 0.9999), 0.0),
)
OTHER: tuple[tuple[str, Spoil, tuple[float, ...], float], ...] = tuple(
    (f.__name__.replace("_", " "), f, strengths, 0.0) for f, strengths in (
        (loose_pin, (0.3, 3.0)), (cable_whip, (0.5, 3.0)), (ground_loop, (0.5, 3.0)), (hot_sensor, (1.0, 8.0)),
        (supply_ripple, (0.2, 1.0)), (sagging_charge, (0.05, 0.5)), (rocking_magnet, (0.5, 3.0)),
        (other_channel, (0.5, 3.0)), (card_writes, (0.3, 1.0, 5.0)),
        (blocks_swapped, (0.2, 1.0)), (noise_gate, (0.7, 1.2)), (lossy, (1.0, 4.0)),
        (sliced, (1.0, 2.0)), (two_converters, (0.3, 1.0)), (cooling, (0.3, 1.5)), (drifting_clock, (0.3, 2.0)),
        (popcorn, (0.5, 3.0)), (stuck_bit, (0.3, 1.0))))  # fmt: skip
RADIO_CASES, SLEW_CASES, OTHER_CASES = (
    tuple((cause, row, s) for row in rows for s in row[2])
    for cause, rows in (("radio", RADIO), ("slew", SLEW), ("other", OTHER))
)
SPOILT_CASES = RADIO_CASES + SLEW_CASES + OTHER_CASES


def spoilt(number: int, before: bool = False) -> Recording:
    """Recording of a number below len(SPOILT_CASES), or what it was before it was spoilt.

    Higher numbers give other drives and chances of the same.
    """
    cause, (kind, spoil, _, hz), strength = SPOILT_CASES[number % len(SPOILT_CASES)]
    rng = np.random.default_rng([12, number])
    machine = MACHINES[(number * 2 + number // len(SPOILT_CASES)) % len(MACHINES)]
    clock = 1 + 3e-5 * float(rng.normal())
    rig = Rig(machine, (25_600.0, 48_000.0, 20_000.0)[number % 3], 12.0, rng, clock)
    clean = rig.drive(size=float(rng.uniform(0.5, 3)))
    if before:
        return recorded(clean, rig, (f"before {kind}", strength, "good", ""), {})
    seen = spoil(rig, clean, strength)
    unhurt = spoil(rig, clean, 1.0) if spoil is slow_then_filtered else clean  # the filter alone
    h = harm(unhurt, seen, rig.rate, machine.tones(), [hz * clock] if hz else [])
    return recorded(seen, rig, (kind, strength, verdict(h), cause), {"false_hz": hz} | h)
