"""Recordings that a coder spoilt, and good ones that look like them.

What is harmful is measured, by an envelope spectrum that knows where to look: a damage that is clear before is at least
6 dB fainter after, or one that is not there appears. Coders stand in ``packers.py``, the drive in ``simple_drive.py``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, decimate, fftconvolve, firwin, iirnotch, resample_poly, sosfiltfilt, tf2sos

from tests.quality import packers
from tests.quality.simple_drive import ORDERS, comb_db, hits, lines, noise, place, strength_for, turned

Samples = NDArray[np.float64]
Through = Callable[[Samples, float], tuple[Samples, float]]
"""Channels as rows and their rate, to what is in the file."""

SPEED_HZ = 24.2
PART = "bearing.eccentric bearing.outer_race"
SLIP = 0.004
CLEAR_DB = 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Machine:
    """What stands before the coder. ``process`` and ``floor``: noise, r.m.s.; ``below_hz``: where the highest resonance
    lies; ``fades``: the machine rests between strokes."""

    rate_hz: float = 25_600.0
    seconds: float = 5.0
    shaft: float = 0.3
    mesh: float = 1.0
    process: float = 0.06
    floor: float = 0.004
    below_hz: float = 9_000.0
    points: int = 1
    tilt: float = 2.0
    """How much more a hit excites what rings high: power of the frequency. From 0 up rolling hardly excites the highest
    resonance, where a small damage is heard first."""
    below_limit_hz: float | None = None
    """Damage is listened for below this: what an honest filter takes away shows in the spectrum and hides nothing."""
    one_struck: bool = False
    """Only the first point hears the hits; ``invented_db`` is then of the last."""
    fades: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Recording:
    """One recording [m/s²], with what its coder does to a damage. ``heard_db`` before and after; ``invented_db``: how
    high the same comb stands where nothing is damaged."""

    name: str
    packed: bool
    """A coder took something away; what is False is good."""
    channels: dict[str, NDArray[np.float32]]
    rate_hz: float
    heard_db: tuple[float, float]
    invented_db: tuple[float, float]

    @property
    def lost_db(self) -> float:
        return self.heard_db[0] - self.heard_db[1]

    @property
    def harmful(self) -> bool:
        """Measured. A packed one that is not may be taken or refused."""
        before, after = self.invented_db
        return self.lost_db > 6 or (after > 12 and after - before > 6)


def _made(machine: Machine, seed: int, *, struck: bool = True) -> tuple[Samples, Samples, float]:
    """The drive sound and damaged, points as rows, and where the damage strikes [Hz]."""
    rng = np.random.default_rng((7, seed))
    turns = turned(rng, SPEED_HZ, machine.rate_hz, machine.seconds)
    struck_hz = SPEED_HZ * ORDERS[PART] * (1 - SLIP)
    sound, damaged = [], []
    share = 1.0
    hit_seed = np.random.default_rng((8, seed)).integers(1 << 30)
    for number in range(machine.points):
        point = place(100 * seed + number, below_hz=machine.below_hz)
        tilted = np.array(point.hit_gains) * (np.array(point.modes_hz) / point.modes_hz[-1]) ** machine.tilt
        point = replace(point, hit_gains=tuple(tilted))
        if machine.tilt > 0:
            point = replace(point, noise_gains=(*point.noise_gains[:-1], 0.1 * point.noise_gains[-1]))
        quiet = lines(turns, point, shaft=machine.shaft, mesh=machine.mesh) + noise(
            rng, point, machine.rate_hz, turns.size, process=machine.process, floor=0.0
        )
        if machine.fades:
            quiet *= 0.5 + 0.5 * np.tanh(6 * np.sin(2 * np.pi * 0.9 * np.arange(turns.size) / machine.rate_hz))
        quiet += machine.floor * rng.normal(size=turns.size)
        sound.append(quiet)
        if not struck:
            continue
        unit = hits(np.random.default_rng(hit_seed), turns, ORDERS[PART], point, machine.rate_hz, slip=SLIP)
        if number == 0:
            share = strength_for(CLEAR_DB, quiet, unit, machine.rate_hz, struck_hz, machine.below_limit_hz)
        damaged.append(quiet + (share * unit if number == 0 or not machine.one_struck else 0.0))
    return np.stack(sound), np.stack(damaged or sound), struck_hz


def coded(
    coder: Callable[[Samples, float], Samples], *, peak: float = 0.5, bits: int | None = 16, dither: bool = False
) -> Through:
    """Each channel scaled into the range of a coder, decoded, rounded as a sound file is."""

    def through(x: Samples, rate_hz: float) -> tuple[Samples, float]:
        scale = peak / np.abs(x).max()
        out = np.stack([coder(row * scale, rate_hz) for row in x])
        return _rounded(out, bits, dither) / scale, rate_hz

    return through


def _rounded(x: Samples, bits: int | None, dither: bool = False) -> Samples:
    if bits is None:
        return x
    top = 2.0 ** (bits - 1)
    rng = np.random.default_rng(5)
    spread = rng.random(x.shape) - rng.random(x.shape) if dither else 0.0
    return np.asarray(np.clip(np.round(x * top + spread), -top, top - 1) / top)


def at_rate(rate_hz: float, through: Through) -> Through:
    """Recorded at another rate and brought back to that of the file afterwards."""

    def changed(x: Samples, file_hz: float) -> tuple[Samples, float]:
        up, down = _ratio(rate_hz, file_hz)
        out, _ = through(resample_poly(x, up, down, axis=1), rate_hz)
        return np.asarray(resample_poly(out, down, up, axis=1)[:, : x.shape[1]]), file_hz

    return changed


def _ratio(a: float, b: float) -> tuple[int, int]:
    common = int(np.gcd(round(a), round(b)))
    return round(a) // common, round(b) // common


def _music(**how: object) -> Through:
    return coded(lambda x, rate: packers.music(x, rate, **how))  # type: ignore[arg-type]


def _joint(kbit_s: float, intensity_hz: float | None) -> Through:
    def through(x: Samples, rate_hz: float) -> tuple[Samples, float]:
        scale = 0.5 / np.abs(x).max()
        return _rounded(
            packers.joint(x * scale, rate_hz, kbit_s=kbit_s, intensity_hz=intensity_hz), 16
        ) / scale, rate_hz

    return through


def _twice(x: Samples, rate_hz: float) -> Samples:
    return packers.music(packers.music(x, rate_hz, kbit_s=32, cut_hz=10_000), rate_hz, kbit_s=24, hop=576, cut_hz=9_000)


TONAL = Machine(process=0.02, floor=0.002, mesh=1.5)
ROUGH = Machine(process=0.3, floor=0.02)
USUAL = Machine()
STRUCK = Machine(process=0.03, mesh=0.3)
PHONE = Machine(rate_hz=48_000.0, seconds=4.0)
SPEECH = Machine(rate_hz=16_000.0, seconds=6.0, below_hz=6_000.0, process=0.03)
TELEPHONE = Machine(rate_hz=8_000.0, seconds=8.0, below_hz=3_300.0, process=0.03)
PAIR = Machine(points=2)

SPOILT: tuple[tuple[str, Machine, Through], ...] = (
    ("music 24 kbit/s, wall at 9 kHz", USUAL, _music(kbit_s=24, cut_hz=9_000)),
    ("music 32 kbit/s, wall at 7 kHz", TONAL, _music(kbit_s=32, cut_hz=7_000)),
    ("music 32 kbit/s at 48 kHz, wall at 15 kHz", PHONE, _music(kbit_s=32, cut_hz=15_000)),
    ("music 24 kbit/s without a wall", USUAL, _music(kbit_s=24)),
    ("music 24 kbit/s without a wall, tonal", TONAL, _music(kbit_s=24)),
    ("music 20 kbit/s, long frames", STRUCK, _music(kbit_s=20, hop=2048, cut_hz=8_000)),
    ("music 24 kbit/s, short delay", TONAL, _music(kbit_s=24, hop=240)),
    ("music 20 kbit/s, frames that switch", STRUCK, _music(kbit_s=20, switched=True, cut_hz=9_500)),
    ("music 28 kbit/s, wall that moves", TONAL, _music(kbit_s=28, adaptive_cut=True)),
    ("noise in place of what is above 3 kHz", USUAL, _music(kbit_s=48, substitute_hz=3_000)),
    ("noise in place of what is above 2 kHz, tonal", TONAL, _music(kbit_s=64, substitute_hz=2_000)),
    ("the low half copied up above 4 kHz", USUAL, _music(kbit_s=32, copy_hz=4_000)),
    ("the low part copied up above 2.5 kHz", TONAL, _music(kbit_s=24, copy_hz=2_500)),
    ("two points as sum and difference, 36 kbit/s", PAIR, _joint(36, None)),
    ("two points as one above 3 kHz", Machine(points=2, one_struck=True), _joint(36, 3_000)),
    ("packed twice", USUAL, coded(_twice)),
    ("packed, then dithered to 16 bits", TONAL,
     coded(lambda x, r: packers.music(x, r, kbit_s=40, cut_hz=8_000), dither=True)),
    ("packed at 32 kHz, brought to 25.6 kHz, floats", USUAL,
     at_rate(32_000.0, coded(lambda x, r: packers.music(x, r, kbit_s=20, cut_hz=8_000), bits=None))),
    ("packed softly, then turned up to full range in 24 bits", TONAL,
     coded(lambda x, r: packers.music(0.02 * x, r, kbit_s=48, cut_hz=9_000) * 50, bits=24)),
    ("differences in 4 bits, tonal", TONAL, coded(lambda x, _: packers.adaptive_differences(x))),
    ("differences in 3 bits at 16 kHz", SPEECH, coded(lambda x, _: packers.adaptive_differences(x, bits=3))),
    ("differences in 4 bits, predicted from two", TONAL,
     coded(lambda x, _: packers.adaptive_differences(x, second_order=True))),
    ("one bit slopes", TONAL, coded(lambda x, _: packers.one_bit_slopes(x, times=2))),
    ("8 bits companded, tonal", TONAL, coded(lambda x, _: packers.companded(x))),
    ("32 bands, 48 kbit/s", TONAL, coded(lambda x, r: packers.subbands(x, r, kbit_s=48))),
    ("32 bands, 32 kbit/s, wall", USUAL, coded(lambda x, r: packers.subbands(x, r, kbit_s=32, cut_hz=8_000))),
    ("speech in two bands", SPEECH, coded(lambda x, _: packers.two_bands(x))),
    ("speech as a filter fed with noise", TELEPHONE, coded(packers.predicted)),
    ("speech as a filter fed with every third sample", SPEECH,
     coded(lambda x, r: packers.predicted(x, r, residual_bits=1))),
    ("hiss taken away by a telephone", USUAL, coded(lambda x, _: packers.cleaned(x, over=3.0, frame=1024))),
)  # fmt: skip


def _low_passed(cut_hz: float, taps: int = 801) -> Through:
    def through(x: Samples, rate_hz: float) -> tuple[Samples, float]:
        return np.stack(
            [fftconvolve(row, firwin(taps, cut_hz, window=("kaiser", 12.0), fs=rate_hz), "same") for row in x]
        ), rate_hz

    return through


def _then(first: Through, second: Through) -> Through:
    def both(x: Samples, rate_hz: float) -> tuple[Samples, float]:
        out, rate = first(x, rate_hz)
        return second(out, rate)

    return both


def in_bits(bits: int, *, peak: float = 0.5, dither: bool = False) -> Through:
    return coded(lambda x, _: x, peak=peak, bits=bits, dither=dither)


def _block_floating(mantissa: int, block: int) -> Through:
    """Blocks that share an exponent, as telemetry sends them."""

    def coder(x: Samples, rate_hz: float) -> Samples:
        rows = np.resize(x, -(-x.size // block) * block).reshape(-1, block)
        step = 2.0 ** (np.ceil(np.log2(np.maximum(np.abs(rows).max(axis=1, keepdims=True), 1e-6))) - mantissa + 1)
        return np.asarray((np.round(rows / step) * step).ravel()[: x.size])

    return coded(coder, bits=None)


def _shaped(x: Samples, rate_hz: float) -> Samples:
    """Rounded to 14 bits, the error pushed up where nobody looks."""
    top, error, out = 8192.0, 0.0, []
    for value in (x * top).tolist():
        wanted = value - error
        got = round(wanted)
        error = got - wanted
        out.append(got)
    return np.asarray(out) / top


def _counted(x: Samples, rate_hz: float) -> tuple[Samples, float]:
    """A converter that runs at eight times the rate and sums, thrice, before it thins out."""
    fine = resample_poly(x, 8, 1, axis=1)
    box = np.ones(8) / 8
    for _ in range(3):
        fine = np.stack([np.convolve(row, box, "same") for row in fine])
    return fine[:, ::8][:, : x.shape[1]], rate_hz


def _notched(x: Samples, rate_hz: float) -> Samples:
    out = x
    for n in range(1, 8):
        out = sosfiltfilt(tf2sos(*iirnotch(50.0 * n, 30.0, fs=rate_hz)), out)
    return np.asarray(out)


def _averaged(x: Samples, rate_hz: float) -> Samples:
    return np.convolve(x, np.ones(4) / 4, "same")


def _quiet_start(x: Samples, rate_hz: float) -> Samples:
    t = np.arange(x.size) / rate_hz
    return np.asarray(x * np.clip((t - 0.15) / 0.05, 1e-4, 1))


def _echo(x: Samples, rate_hz: float) -> Samples:
    return np.asarray(x + 0.7 * np.roll(x, round(0.0007 * rate_hz)))


def _thinned(x: Samples, rate_hz: float) -> tuple[Samples, float]:
    return np.asarray(decimate(x, 2, ftype="fir", n=120, axis=1)), rate_hz / 2


def _filled(factor: int) -> Through:
    """Sent at a lower rate, brought to that of the file by interpolation."""

    def through(x: Samples, rate_hz: float) -> tuple[Samples, float]:
        low = resample_poly(x, 1, factor, axis=1, window=("kaiser", 10.0))
        return np.asarray(resample_poly(low, factor, 1, axis=1, window=("kaiser", 10.0)))[:, : x.shape[1]], rate_hz

    return through


def _as_it_is(x: Samples, rate_hz: float) -> tuple[Samples, float]:
    return x, rate_hz


LOW = Machine(below_hz=2_400.0, tilt=0.0, below_limit_hz=2_900.0, floor=0.06)
LOW_TONAL = Machine(below_hz=4_500.0, tilt=0.0, below_limit_hz=5_500.0, process=0.05, floor=0.04, mesh=1.5)
STILL = Machine(process=0.002, floor=0.0002, mesh=0.02, shaft=0.05)

GOOD: tuple[tuple[str, Machine, Through], ...] = (
    ("as measured, floats", USUAL, _as_it_is),
    ("as measured, tonal, 24 bits", TONAL, in_bits(24)),
    ("16 bits packed without loss", USUAL, in_bits(16)),
    ("16 bits packed without loss, tonal", TONAL, in_bits(16)),
    ("16 bits with dither", USUAL, in_bits(16, dither=True)),
    ("16 bits at low gain", ROUGH, in_bits(16, peak=0.02)),
    ("steep filter of a converter, 24 bits", USUAL, _then(_low_passed(11_500), in_bits(24))),
    ("steep filter at 0.39 of the rate, 16 bits", USUAL, _then(_low_passed(10_000), in_bits(16))),
    ("steep filter at 0.39 of the rate, 24 bits, tonal", LOW_TONAL, _then(_low_passed(10_000), in_bits(24))),
    ("steep filter at 6 kHz, tonal, 16 bits", LOW_TONAL, _then(_low_passed(6_000), in_bits(16))),
    ("sensor with a filter at 6 kHz", Machine(below_hz=4_500.0, floor=0.06, tilt=0.0, below_limit_hz=5_000.0), _then(
        coded(lambda x, r: np.asarray(sosfiltfilt(butter(8, 6_000, fs=r, output="sos"), x)), bits=None), in_bits(16))),
    ("telemetry at 6.4 kHz, filled to 25.6 kHz, 24 bits", LOW, _then(_filled(4), in_bits(24))),
    ("telemetry at 12.8 kHz, filled to 25.6 kHz, floats", LOW_TONAL, _filled(2)),
    ("mains notched out", USUAL, coded(_notched, bits=24)),
    ("starts quiet, 16 bits", USUAL, coded(_quiet_start)),
    ("starts quiet, steep filter, 16 bits", LOW_TONAL, _then(_low_passed(9_000), coded(_quiet_start))),
    ("block floating, 12 bits", USUAL, _block_floating(12, 64)),
    ("block floating, 12 bits, tonal", TONAL, _block_floating(12, 256)),
    ("error of rounding pushed up, 14 bits", USUAL, coded(_shaped, bits=None)),
    ("converter that sums thrice", USUAL, _then(_counted, in_bits(24))),
    ("mean of four samples", LOW, coded(_averaged, bits=24)),
    ("echo of a second path", USUAL, coded(_echo, bits=24)),
    ("thinned to half the rate", Machine(rate_hz=51_200.0, seconds=4.0), _then(_thinned, in_bits(24))),
    ("two points alike", PAIR, in_bits(24)),
    ("rests between strokes, 16 bits", Machine(fades=True, floor=0.0004), in_bits(16)),
    ("rests between strokes, steep filter, 16 bits", Machine(fades=True, floor=0.0004, below_hz=6_000.0),
     _then(_low_passed(9_500), in_bits(16))),
    ("hits in a still room, 16 bits", STILL, in_bits(16)),
    ("hits in a still room, steep filter", replace(STILL, below_hz=6_000.0), _then(_low_passed(9_000), in_bits(16))),
    ("sound card at 48 kHz, wall at 20 kHz, 16 bits", PHONE, _then(_low_passed(20_000), in_bits(16))),
    ("sound card at 48 kHz, tonal, wall at 16 kHz, dither", replace(PHONE, process=0.02, floor=0.0005),
     _then(_low_passed(16_000), in_bits(16, dither=True))),
)  # fmt: skip

COUNT = len(SPOILT) + len(GOOD)
"""Even numbers are spoilt, odd ones good."""


def samples(number: int, draw: int = 0) -> tuple[str, dict[str, NDArray[np.float32]], float]:
    """Name, channels [m/s²] and rate of the recording of that number: damaged where the number's half is odd. Another
    ``draw`` is another machine of the same kind."""
    name, machine, through = _spec(number)
    sound, damaged, _ = _made(machine, number + 1000 * draw, struck=bool(number // 2 % 2))
    out, rate_hz = through(damaged if number // 2 % 2 else sound, machine.rate_hz)
    return name, {f"point {n + 1}": row.astype(np.float32) for n, row in enumerate(out)}, rate_hz


def recording(number: int, draw: int = 0) -> Recording:
    """The same with what its coder does to a damage."""
    name, machine, through = _spec(number)
    sound, damaged, struck_hz = _made(machine, number + 1000 * draw)
    sound_out, rate_hz = through(sound, machine.rate_hz)
    damaged_out, _ = through(damaged, machine.rate_hz)

    def heard_db(x: Samples, at_hz: float) -> float:
        return comb_db(x, at_hz, struck_hz, below_hz=machine.below_limit_hz)

    without = (damaged[-1], damaged_out[-1]) if machine.one_struck else (sound[0], sound_out[0])
    taken = damaged_out if number // 2 % 2 else sound_out
    return Recording(
        name=name, packed=number % 2 == 0, rate_hz=rate_hz,
        heard_db=(heard_db(damaged[0], machine.rate_hz), heard_db(damaged_out[0], rate_hz)),
        invented_db=(heard_db(without[0], machine.rate_hz), heard_db(without[1], rate_hz)),
        channels={f"point {n + 1}": x.astype(np.float32) for n, x in enumerate(taken)},
    )  # fmt: skip


def _spec(number: int) -> tuple[str, Machine, Through]:
    return (GOOD if number % 2 else SPOILT)[number // 2]
