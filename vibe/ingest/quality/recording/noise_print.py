"""One recording in two captures though one was resampled, reversed, cut short or moved by almost all its length.

What lies between a machine's lines is noise and never comes twice. Its polarity in a low band, with a mark on each
window that holds no pulse, is the capture's noise print: some kB that a record can keep, so that captures can be
compared with those of an earlier test. A resampled copy has the same noise at another pace: a short piece of the one is
looked for in the other, forwards and backwards, at a bank of paces, and where one stands out, piece after piece is
followed along both. Of one recording their lags lie on a straight line and the noise agrees along it, and nowhere else.
Of two recordings, lines, phases and pulses may agree: as much a pulse later.
"""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from vibe.core.capture import Channel
from vibe.ingest.quality.recording.same_recording import (
    FAR,
    MOVED_S,
    SameRecording,
    between_lines,
)

Real = NDArray[np.float64]

RATE_HZ = 4_000.0
"""At which polarity is kept."""
LOW_HZ, HIGH_HZ = 200.0, 1_400.0
"""Band of the print: above a machine's strongest lines, wide enough for many values, low enough to be kept."""
LONGEST_S = 60.0
"""Of longer captures the beginning is kept: 32 kB."""
WINDOW_S, LOUD = 0.005, 1.5
"""A window is left out where it holds so many times the energy of the middle one: pulses that come at one phase ring
alike in two recordings. Two of damaged bearings on a rig agreed by 0.44 where nothing was left out, by 0.23 so."""
SOUGHT_FROM_HZ = 800.0
"""Pieces are looked for from here up, which takes half the time: where noise was added, what lies below adds little."""
PIECE_S, PIECES = 0.8, 2
"""What the shorter of two captures shares with the other holds its first piece or its last, or is all of it. Noise of
so long a piece has 960 values where it is sought."""
PACE_STEP, MOST_PACE = 0.0011, 0.03
"""Paces that are tried: within ``MOST_PACE``, for a drive's speed lies within a few per cent of its plate. Half a step
off, values at the ends of a piece turn by a third of a cycle of the highest frequency."""
WORTH_FOLLOWING = 6.0
"""Standard deviations from which a piece is followed. The size of a correlation in a band is Rayleigh distributed: of
the two million places of a pair noise comes so far in one of 30 pairs (exp(-6² / 2)), which then are followed in vain.
A copy of a sound machine comes to 20 and more, with noise of a third added to 8."""
LEAST_SHARE = 0.2
"""Correlation coefficient of polarities along both from which on it may be one recording: copies come to 0.45 to 0.8,
with noise of a third added to 0.26 to 0.65; repeats below 0.18, but for one pair of a damaged bearing (0.23)."""
OVER_ELSEWHERE = 5.0
"""Times what two agree where one is moved further: of some hundred repeats no pair that agrees by more than 0.15 comes
to 4, copies of which half or more is in common to 9 (``python -m tests.studies.copies``)."""
BLOCK = 16_384
"""Samples of the one that pieces of the other are looked for in at a time: a row of them stays in a processor's
cache."""
FOLLOWED_S = 0.25
"""Pieces that are followed one after another."""
FINER = 4
"""Steps to a sample in which they are laid on one another."""
WITHIN = 3 * FINER
"""Steps either side within which the next piece is looked for."""
REMEMBERED = 12
"""Pieces that give the pace of the next one."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NoisePrint:
    """``bits`` of ``count`` samples at ``RATE_HZ``, and which windows of ``WINDOW_S`` are ``quiet``."""

    bits: NDArray[np.uint8]
    quiet: NDArray[np.uint8]
    count: int

    @property
    def text(self) -> str:
        """As a record keeps it."""
        parts = (base64.b64encode(one.tobytes()).decode("ascii") for one in (self.bits, self.quiet))
        return ":".join((str(self.count), *parts))

    @classmethod
    def of_text(cls, text: str) -> NoisePrint | None:
        """None where it is none, or one that an earlier version made of another band."""
        try:
            count, *parts = text.split(":")
            bits, quiet = (np.frombuffer(base64.b64decode(part, validate=True), dtype=np.uint8) for part in parts)
            number = int(count)
        except ValueError:
            return None
        fits = _fits(bits, number) and _fits(quiet, -(-number // _window()))
        return cls(bits=bits, quiet=quiet, count=number) if fits else None


def noise_print(channels: Sequence[Channel]) -> NoisePrint | None:
    """Of a capture: its channels, by name, are added up with unequal weights, so that none cancels another; None where
    it is too short or holds nothing there."""
    total: NDArray[np.float32] | None = None
    for number, channel in enumerate(sorted(channels, key=lambda one: one.name)):
        x = np.nan_to_num(channel.samples[: int(LONGEST_S * channel.sample_rate_hz)].astype(np.float32))
        if x.size < 4 * PIECE_S * channel.sample_rate_hz or 0.4 * channel.sample_rate_hz < HIGH_HZ or not np.ptp(x) > 0:
            continue
        own = between_lines(x - x.mean(), channel.sample_rate_hz, (LOW_HZ, HIGH_HZ), RATE_HZ)
        if own is None:
            continue
        if total is None:
            total = np.zeros_like(own)
        least = min(total.size, own.size)
        total = total[:least] + own[:least] / np.float32(1 + number)
    if total is None:
        return None
    quiet = np.packbits(_quiet(total))
    return NoisePrint(bits=np.packbits(total > 0), quiet=quiet, count=total.size)


def _quiet(noise: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Of each window."""
    length = _window()
    squares = np.zeros(-(-noise.size // length) * length, dtype=np.float32)
    squares[: noise.size] = noise**2
    energy = squares.reshape(-1, length).sum(axis=1)
    return np.asarray(energy <= LOUD * np.median(energy))


def _window() -> int:
    return int(WINDOW_S * RATE_HZ)


def _fits(bits: NDArray[np.uint8], count: int) -> bool:
    """Whether so many are packed there."""
    return 0 < count <= 8 * bits.size < count + 8


class _Prepared:
    """One print, or its reverse, as it is compared with others."""

    def __init__(self, kept: NoisePrint, *, backwards: bool = False) -> None:
        self.count = kept.count
        signs = 2.0 * np.unpackbits(kept.bits, count=kept.count).astype(np.float32) - 1.0
        quiet = np.repeat(np.unpackbits(kept.quiet, count=-(-kept.count // _window())), _window())[: kept.count]
        signs *= quiet
        self._signs = signs[::-1] if backwards else signs

    @cached_property
    def blocks(self) -> NDArray[np.complex64]:
        """(n, bins): transforms of its blocks, of the band alone; each begins a piece before the last one ends."""
        from scipy.fft import rfft

        begins = range(0, max(1, self.count - _piece()), _hop())
        rows = np.zeros((len(begins), BLOCK), dtype=np.float32)
        for row, first in zip(rows, begins, strict=True):
            own = self._signs[first : first + BLOCK]
            row[: own.size] = own
        return np.asarray(rfft(rows, axis=1)[:, _bins()], dtype=np.complex64)

    @cached_property
    def fine(self) -> Real:
        """Its band with ``FINER`` values to a sample."""
        from scipy.fft import irfft, rfft

        lines = rfft(self._signs)
        hz = np.arange(lines.size) * (RATE_HZ / self.count)
        lines[(hz < LOW_HZ) | (hz > HIGH_HZ)] = 0
        return np.asarray(FINER * irfft(lines, FINER * self.count), dtype=np.float64)

    @cached_property
    def pieces(self) -> tuple[NDArray[np.complex64], list[tuple[float, float]]]:
        """(rows, bins): transforms of its first and last piece at all paces, and the middle [samples] and pace of
        each."""
        from scipy.fft import rfft

        length = _piece()
        steps = round(MOST_PACE / PACE_STEP)
        from_middle = np.arange(length, dtype=np.float64) - length / 2
        places = [
            (middle, 1 + PACE_STEP * step)
            for middle in np.linspace(0.6 * length, self.count - 0.6 * length, PIECES).tolist()
            for step in range(-steps, steps + 1)
        ]
        rows = np.zeros((len(places), BLOCK), dtype=np.float32)
        for row, (middle, pace) in zip(rows, places, strict=True):
            row[:length] = self.at(middle + from_middle / pace)
        return np.conj(rfft(rows, axis=1)[:, _bins()]).astype(np.complex64), places

    def at(self, samples: Real) -> Real:
        """The band at such places, between samples."""
        places = np.clip(FINER * samples, 0, self.fine.size - 1.001)
        below = places.astype(np.intp)
        share = places - below
        return self.fine[below] * (1 - share) + self.fine[below + 1] * share


class ComparedPrints:
    """Prints held against one another."""

    def __init__(self, prints: Sequence[NoisePrint | None]) -> None:
        self._prints = [None if one is None else _Prepared(one) for one in prints]
        self._backwards = [None if one is None else _Prepared(one, backwards=True) for one in prints]

    def same(self, first: int, second: int) -> SameRecording | None:
        """How two of them are one recording; None where they are two or nothing can be said."""
        one, other = self._prints[first], self._prints[second]
        if one is None or other is None:
            return None
        short, long = (first, second) if one.count <= other.count else (second, first)
        for turned in (False, True):
            cut, whole = self._prints[short], (self._backwards if turned else self._prints)[long]
            assert cut is not None
            assert whole is not None
            found = self._found(cut, whole)
            if found is not None:
                # Pace and lag of the second against the first, whichever was cut into pieces.
                found = found if short == first else found.turned_about()
                return replace(found, turned=turned)
        return None

    def _found(self, one: _Prepared, other: _Prepared) -> SameRecording | None:
        place = _place(one, other)
        if place is None:
            return None
        followed = _followed(one, other, *place)
        if len(followed) < 2:
            return None
        line = _line(followed)
        share, elsewhere, seconds = _agreement(one, other, followed[:, 0], line)
        far = share * _freedom(seconds) ** 0.5
        if share <= LEAST_SHARE or far <= FAR or share <= OVER_ELSEWHERE * elsewhere:
            return None
        return SameRecording(lag_s=-float(line[1]) / RATE_HZ, pace=float(line[0]), far=far)


def _piece() -> int:
    return int(PIECE_S * RATE_HZ)


def _freedom(seconds: float) -> float:
    """Independent values of the band in so long a piece."""
    return 2 * (HIGH_HZ - LOW_HZ) * seconds


def _bins() -> slice:
    return slice(int(SOUGHT_FROM_HZ / RATE_HZ * BLOCK), int(HIGH_HZ / RATE_HZ * BLOCK))


def _hop() -> int:
    """From one block to the next: a piece that begins in it lies in it."""
    return BLOCK - _piece()


def _place(one: _Prepared, other: _Prepared) -> tuple[float, float, float] | None:
    """Middle of the piece of ``one`` that stands out most on ``other`` [samples], where it lies there, its pace; None
    where none stands out."""
    from scipy.fft import ifft, next_fast_len

    lines, places = one.pieces
    short = next_fast_len(lines.shape[1])
    best, at_row, at_other, total, count = 0.0, 0, 0.0, 0.0, 0
    for number, block in enumerate(other.blocks):
        size = ifft(lines * block, short, axis=1)
        # Where the whole piece lies on the other.
        length = min(_hop(), other.count - _piece() - number * _hop())
        inside = size[:, : max(1, int(length * short / BLOCK))]
        power = np.square(inside.real)
        power += np.square(inside.imag)
        total, count = total + float(power.sum()), count + power.size
        row, place = divmod(int(power.argmax()), power.shape[1])
        if power[row, place] > best:
            best, at_row, at_other = float(power[row, place]), row, number * _hop() + place * BLOCK / short
    # The size of a correlation in a band is Rayleigh distributed: its mean square is twice the variance.
    if best <= WORTH_FOLLOWING**2 * max(total / count / 2, 1e-30):
        return None
    middle, pace = places[at_row]
    return middle, at_other + _piece() / 2, pace


def _followed(one: _Prepared, other: _Prepared, at_one: float, at_other: float, pace: float) -> Real:
    """(pieces, 3): middles of pieces of ``one`` [samples], where they lie on ``other``, how far they agree there."""
    length = int(FOLLOWED_S * RATE_HZ)
    from_middle = np.arange(length, dtype=np.float64) - length / 2
    steps = np.arange(-WITHIN, WITHIN + 1) / FINER
    edge = length / 2 + WITHIN / FINER + 1
    found: list[tuple[float, float, float]] = []
    for way in (1, -1):
        place, there, now = at_one, at_other, pace
        own: list[tuple[float, float, float]] = []
        while edge < place < one.count - edge and edge < there < other.count - edge:
            piece = one.at(place + from_middle)
            rows = other.at(there + now * from_middle + steps[:, None])
            agree = rows @ piece / np.sqrt((piece @ piece) * np.einsum("ij,ij->i", rows, rows) + 1e-30)
            best = int(np.abs(agree).argmax())
            there += steps[best]
            own.append((place, there, float(agree[best])))
            if len(own) > 2:
                last = np.array(own[-REMEMBERED:])
                now = float(np.clip(np.polyfit(last[:, 0], last[:, 1], 1)[0], pace - PACE_STEP, pace + PACE_STEP))
            place, there = place + way * length, there + way * length * now
        found += own if way == 1 else own[1:]
    return np.array(sorted(found)).reshape(-1, 3)


def _line(followed: Real) -> Real:
    """Slope and intercept of the straight line through the pieces that agree."""
    weights = followed[:, 2] ** 2 + 1e-9
    line = np.polyfit(followed[:, 0], followed[:, 1], 1, w=weights)
    for _ in range(2):
        off = np.abs(np.polyval(line, followed[:, 0]) - followed[:, 1])
        line = np.polyfit(followed[:, 0], followed[:, 1], 1, w=weights * (off < 3 * np.median(off) + 0.3) + 1e-12)
    return np.asarray(line, dtype=np.float64)


def _agreement(one: _Prepared, other: _Prepared, middles: Real, line: Real) -> tuple[float, float, float]:
    """Correlation coefficient of both along the line, where nothing is picked; the largest one where one of them is
    moved along it, less what noise comes to; and for how long [s] they lie on one another."""
    from scipy.fft import irfft, next_fast_len, rfft

    half = FOLLOWED_S * RATE_HZ / 2
    places = np.arange(middles[0] - half, middles[-1] + half, dtype=np.float64)
    first, second = one.at(places), other.at(line[0] * places + line[1])
    size = next_fast_len(2 * places.size, real=True)
    products = irfft(rfft(first, size) * np.conj(rfft(second, size)), size)
    lags = np.arange(size)
    lags[lags > size // 2] -= size
    # By as much as is left of both.
    overlap = places.size - np.abs(lags)
    whole = np.sqrt((first @ first) * (second @ second) + 1e-30)
    agree = np.abs(products) * (places.size / np.maximum(overlap, 1)) / whole
    moved = (np.abs(lags) > MOVED_S * RATE_HZ) & (overlap > places.size / 2)
    # Of so many normal values the largest is about sqrt(2 ln) standard deviations.
    noise = 2 * np.log(places.size) / _freedom(places.size / RATE_HZ)
    elsewhere = np.sqrt(max(0.0, float(agree[moved].max(initial=0.0)) ** 2 - noise))
    return float(agree[0]), float(elsewhere), places.size / RATE_HZ
