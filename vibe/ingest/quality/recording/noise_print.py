"""One recording in two captures though one was resampled, cut short or moved by almost all its length.

What lies between a machine's lines is noise and never comes twice. Its polarity in a low band is the capture's noise
print: a few kB that a record can keep, so that captures can be compared with those of an earlier test. A resampled copy
has the same noise at another pace: a short piece of the one is looked for in the other at a bank of paces, and where
one stands out, piece after piece is followed along both. Of one recording their lags lie on a straight line and the
noise agrees along it, and nowhere else. Of two recordings, lines, phases and pulses may agree: as much a pulse later.
"""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from vibe.core.capture import Channel
from vibe.ingest.quality.recording.same_recording import (
    FAR,
    MOVED_S,
    OVER_ELSEWHERE,
    SameRecording,
    between_lines,
)

Real = NDArray[np.float64]

RATE_HZ = 1_600.0
"""At which polarity is kept."""
LOW_HZ, HIGH_HZ = 200.0, 600.0
"""Band of the print: noise of half a second has 400 values there, and still agrees with itself at a pace that is
0.15 % off: a value turns by 0.45 of a cycle at the ends of the piece."""
LONGEST_S = 60.0
"""Of longer captures the beginning is kept: 12 kB."""
PIECE_S, PIECES = 0.5, 4
"""Length of a piece, and how many of one print are looked for in the other: the first, the last and two between."""
PACE_STEP, MOST_PACE = 0.003, 0.03
"""Paces that are tried: within ``MOST_PACE``, for a drive's speed lies within a few per cent of its plate."""
WORTH_FOLLOWING = 6.0
"""Standard deviations from which a piece is followed. The size of a correlation in a band is Rayleigh distributed: of
the 500,000 places of a pair noise comes so far in one of 130 pairs (exp(-6² / 2)), which then are followed in vain. A
copy comes to 12 and more, with noise added to 7."""
LEAST_SHARE = 0.5
"""Correlation coefficient of polarities along both from which on it is one recording: copies come to 0.7 to 0.85, with
noise of a third added to 0.6; repeats of two damaged bearings on a rig that ran alike came to 0.44, all others below
0.25 (``python -m tests.studies.copies``)."""
FOLLOWED_S = 0.25
"""Pieces that are followed one after another."""
FINER = 8
"""Steps to a sample in which they are laid on one another."""
WITHIN = 3 * FINER
"""Steps either side within which the next piece is looked for."""
REMEMBERED = 12
"""Pieces that give the pace of the next one."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NoisePrint:
    """``bits`` of ``count`` samples at ``RATE_HZ``."""

    bits: NDArray[np.uint8]
    count: int

    @property
    def text(self) -> str:
        """As a record keeps it."""
        return f"{self.count}:{base64.b64encode(self.bits.tobytes()).decode('ascii')}"

    @classmethod
    def of_text(cls, text: str) -> NoisePrint | None:
        """None where it is none."""
        count, _, bits = text.partition(":")
        try:
            content = np.frombuffer(base64.b64decode(bits, validate=True), dtype=np.uint8)
            number = int(count)
        except ValueError:
            return None
        fits = 0 < number <= 8 * content.size < number + 8
        return cls(bits=content, count=number) if fits else None


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
    return None if total is None else NoisePrint(bits=np.packbits(total > 0), count=total.size)


class _Prepared:
    """One print, as it is compared with others of transforms of ``size``."""

    def __init__(self, kept: NoisePrint, size: int) -> None:
        self.count, self._size = kept.count, size
        self._signs = 2.0 * np.unpackbits(kept.bits, count=kept.count).astype(np.float32) - 1.0

    @cached_property
    def band(self) -> NDArray[np.complex64]:
        """Its transform, of the band alone."""
        from scipy.fft import rfft

        return np.asarray(rfft(self._signs, self._size)[_bins(self._size)], dtype=np.complex64)

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
        """Transforms of its first and last piece and of those between, at all paces, and the middle [samples] and pace
        of each. What the shorter of two shares with the other holds the first or the last, or is all of it."""
        from scipy.fft import rfft

        length = _piece()
        steps = round(MOST_PACE / PACE_STEP)
        from_middle = np.arange(length, dtype=np.float64) - length / 2
        places = [
            (middle, 1 + PACE_STEP * step)
            for middle in np.linspace(0.6 * length, self.count - 0.6 * length, PIECES).tolist()
            for step in range(-steps, steps + 1)
        ]
        rows = np.zeros((len(places), self._size), dtype=np.float32)
        for row, (middle, pace) in zip(rows, places, strict=True):
            row[:length] = self.at(middle + from_middle / pace)
        return np.conj(rfft(rows, axis=1)[:, _bins(self._size)]).astype(np.complex64), places

    def at(self, samples: Real) -> Real:
        """The band at such places, between samples."""
        return np.interp(FINER * samples, np.arange(self.fine.size), self.fine)


class ComparedPrints:
    """Prints held against one another."""

    def __init__(self, prints: Sequence[NoisePrint | None]) -> None:
        from scipy.fft import next_fast_len

        longest = max((one.count for one in prints if one is not None), default=1)
        size = next_fast_len(longest + 2 * _piece(), real=True)
        self._size = size
        self._prints = [None if one is None else _Prepared(one, size) for one in prints]

    def same(self, first: int, second: int) -> SameRecording | None:
        """How two of them are one recording; None where they are two or nothing can be said."""
        one, other = self._prints[first], self._prints[second]
        if one is None or other is None:
            return None
        if one.count <= other.count:
            return self._found(one, other)
        found = self._found(other, one)
        # Pace and lag of the second against the first, whichever was cut into pieces.
        return None if found is None else found.turned_about()

    def _found(self, one: _Prepared, other: _Prepared) -> SameRecording | None:
        from scipy.fft import ifft, next_fast_len

        lines, places = one.pieces
        short = next_fast_len(lines.shape[1])
        size = np.abs(ifft(lines * other.band, short, axis=1))
        # Where the whole piece lies on the other.
        inside = size[:, : max(1, int((other.count - _piece()) * short / self._size))]
        usual = float(np.median(inside)) / np.sqrt(2 * np.log(2))
        row, place = divmod(int(inside.argmax()), inside.shape[1])
        if float(inside[row, place]) <= WORTH_FOLLOWING * max(usual, 1e-30):
            return None
        middle, pace = places[row]
        followed = _followed(one, other, middle, place * self._size / short + _piece() / 2, pace)
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


def _bins(size: int) -> slice:
    return slice(int(LOW_HZ / RATE_HZ * size), int(HIGH_HZ / RATE_HZ * size))


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
