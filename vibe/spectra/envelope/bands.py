"""Whitened squared envelopes in many bands at once, laid on the input's angle.

One resonance rings in one band, and which band differs from defect to defect; so the spectrum is cut into equal
bands and none is chosen beforehand. The bands of one whitened transform are inverse transformed one by one, each at
its own low rate: together they cost about one inverse transform of the capture.

Because the squared envelopes of neighbouring bands add, the sum over bands equals the squared envelope of the wide
band for lines well below a band's width: narrow bands lose nothing, and any wider band can be had as a sum.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.basic.fft import fast_length

WHITENING_WIDTH_HZ = 60.0
"""Width of the blocks whose median is the floor: wide against lines, narrow against casing resonances."""
LINE_CEILING = 16.0
"""Lines are cut to this power over the floor: mesh and electrical lines otherwise rule the envelope of their band.
An impact too weak to be seen otherwise lies below the ceiling and is untouched (exp(-16) of noise bins reach it)."""
SHOCK_CEILING = 25.0
"""Squared envelope over its median at which it is cut: Gaussian noise never comes there, one stray shock does."""
SHOCK_SHARE = 0.02
"""Share of the time that stray shocks ring at most (common practice: a handful in ten seconds, each for some tens of
milliseconds). What stands above the ceiling for longer strikes again and again: with all its impacts cut to one
height, strong damage would lose what tells it from others, how they differ by place. Combs keep the ceiling: impacts
that differ under a load fill the lines between theirs, and pass for what strikes there."""
MOST_DOUBLINGS = 6
"""At most 64 bands."""
BANDS_AT_ONCE = 8
"""Bands transformed together: as many as a processor's vectors hold, which is three times as quick as one by one."""
OVERSAMPLING = 4
"""Envelope samples per band width: the squared envelope is twice as wide as the band, and is interpolated."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BandEnvelopes:
    """Squared envelopes of one channel, (bands, n), relative to each band's mean, on equal steps of angle.

    ``per_turn`` samples per input turn; ``centre_hz`` (bands,), ``width_hz`` the width of each;
    ``band_rms`` (bands,) the r.m.s. of the unwhitened signal in each band, in the channel's unit.
    """

    channel: str
    power: NDArray[np.float32]
    per_turn: float
    centre_hz: NDArray[np.float64]
    width_hz: float
    band_rms: NDArray[np.float64]
    repeated: NDArray[np.float32] | None = None
    """The same, (bands, n), where something stands above the ceiling for stray shocks again and again: cut no lower
    than that, so that it shows how impacts differ. None where nothing does."""

    @property
    def heights(self) -> NDArray[np.float32]:
        """What shows how strong impacts are, one against the other, (bands, n)."""
        return self.power if self.repeated is None else self.repeated

    @property
    def turns(self) -> float:
        return float(self.power.shape[1] / self.per_turn)


def local_floor(power: NDArray[np.floating], block: int) -> NDArray[np.float64]:
    """Mean noise power along ``power`` (n,), from medians of blocks of ``block`` bins, joined by straight lines.

    The median of an exponential variable is ln 2 of its mean; lines, being few, do not move it.
    """
    n = power.size
    block = min(max(8, block), n)
    count = max(1, n // block)
    # Sorting whole blocks is quicker than picking their middles.
    medians = np.sort(power[: count * block].reshape(count, block), axis=1)[:, block // 2] / np.log(2.0)
    positive = medians[medians > 0]
    smallest = float(positive.min()) if positive.size else 1.0
    logs = np.log(np.maximum(medians, smallest * 1e-3))
    # Straight lines between the blocks' middles, the first and the last value held. All blocks are of one size, so
    # the same steps lead from each middle to the next.
    first = (block + 1) // 2
    last = first + (count - 1) * block
    floor = np.empty(n)
    floor[:first], floor[last:] = logs[0], logs[-1]
    steps = first - block / 2 + np.arange(block)
    between = floor[first:last].reshape(count - 1, block)
    np.multiply((np.diff(logs) / block)[:, None], steps, out=between)
    between += logs[:-1, None]
    return np.exp(floor, out=floor)


def band_edges(
    sample_rate_hz: float, low_hz: float, high_hz: float, width_hz: float
) -> tuple[NDArray[np.float64], float]:
    """Centres of equal bands of ``width_hz`` or more between two edges, a power of two of them, and their width.

    A power of two lets neighbours be joined in pairs, fours, … up to all.
    """
    high = min(high_hz, 0.49 * sample_rate_hz)
    room = max(high - low_hz, 1.0)
    count = 2 ** int(np.clip(np.floor(np.log2(max(room / width_hz, 1.0))), 0, MOST_DOUBLINGS))
    width = room / count
    return low_hz + (np.arange(count) + 0.5) * width, width


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Whitened:
    """The transform of one channel over its floor, lines cut: unit mean power everywhere. ``power`` is unwhitened."""

    channel: str
    transform: NDArray[np.complex64]
    power: NDArray[np.float32]
    samples: int
    padded: int
    sample_rate_hz: float


def whitened(
    samples: NDArray[np.float32],
    sample_rate_hz: float,
    *,
    channel: str,
    transform: NDArray[np.complex64] | None = None,
) -> Whitened:
    """``samples`` (n,), mean removed, whitened; every set of bands is cut from one transform, theirs padded to
    ``fast_length``, which may be given."""
    size = fast_length(samples.size)
    if transform is None:
        transform = fft.rfft(samples, size)
    power = np.square(transform.real)
    power += np.square(transform.imag)
    floor = local_floor(power, round(WHITENING_WIDTH_HZ * size / sample_rate_hz))
    # Cut lines to the ceiling, then divide by the floor.
    gain = np.sqrt(np.minimum(1.0, LINE_CEILING * floor / np.maximum(power, 1e-30)) / floor)
    return Whitened(
        channel=channel,
        transform=(transform * gain.astype(np.float32)).astype(np.complex64, copy=False),
        power=power.astype(np.float32, copy=False),
        samples=samples.size,
        padded=size,
        sample_rate_hz=sample_rate_hz,
    )


def envelopes(white: Whitened, law: AngleLaw, *, band_hz: tuple[float, float], width_hz: float) -> BandEnvelopes:
    """Squared envelopes of a channel in equal bands between the edges ``band_hz``.

    ``width_hz`` is the least width of a band; it bounds the highest envelope frequency that can be seen.
    """
    n, size, bin_hz = white.samples, white.padded, white.sample_rate_hz / white.padded
    centres, width = band_edges(white.sample_rate_hz, band_hz[0], band_hz[1], width_hz)
    duration = n / white.sample_rate_hz
    length = fft.next_fast_len(int(np.ceil(OVERSAMPLING * width * size / white.sample_rate_hz)))
    rate = length / (size / white.sample_rate_hz)
    keep = int(duration * rate)
    even = _even(law, keep, rate)
    rows = np.empty((centres.size, keep), dtype=np.float32)
    rms = np.empty(centres.size)
    half = int(width / 2 / bin_hz)
    middles = [round(centre / bin_hz) for centre in centres]
    segments = [slice(max(1, at - half), min(white.transform.size - 1, at + half)) for at in middles]
    half_way, usual = (int(share * ((keep - 1) // OVERSAMPLING)) for share in (0.5, 1 - SHOCK_SHARE))
    higher: dict[int, NDArray[np.float32]] = {}
    for row, ringing in enumerate(_ringing(white.transform, segments, length)):
        rms[row] = white.power[segments[row]].sum(dtype=np.float64)
        squared = np.square(ringing[:keep].real)
        squared += np.square(ringing[:keep].imag)
        # Neighbours are alike: every fourth sample has the same median.
        some = squared[::OVERSAMPLING].copy()
        some.partition((half_way, usual))
        ceiling = np.float32(SHOCK_CEILING) * some[half_way] + np.float32(1e-30)
        if some[usual] > ceiling:
            higher[row] = _laid(np.minimum(squared, some[usual]), even)
        np.minimum(squared, ceiling, out=squared)
        rows[row] = _laid(squared, even)
    repeated = None
    if higher:
        repeated = rows.copy()
        for row, laid in higher.items():
            repeated[row] = laid
    rms = np.sqrt(2.0 * rms / size / n)
    return BandEnvelopes(
        channel=white.channel, power=rows, per_turn=even.per_turn, centre_hz=centres, width_hz=width, band_rms=rms,
        repeated=repeated,
    )  # fmt: skip


def _laid(squared: NDArray[np.float32], even: _Even) -> NDArray[np.float32]:
    """A squared envelope (keep,) on equal steps of angle, relative to its mean."""
    if even.before is not None and even.beyond is not None:
        # None lies outside, and to wrap is the quickest way not to ask.
        first_of_two = squared.take(even.before, mode="wrap")
        squared = squared[1:].take(even.before, mode="wrap")
        squared -= first_of_two
        squared *= even.beyond
        squared += first_of_two
    return np.divide(squared, np.float32(max(float(squared.mean()), 1e-30)))


@dataclass(frozen=True, slots=True, eq=False)
class _Even:
    """Equal steps of angle: how many to a turn, and of each the sample ``before`` it and the share to the next (n,);
    None where the samples themselves lie so."""

    per_turn: float
    before: NDArray[np.intp] | None
    beyond: NDArray[np.float32] | None


@lru_cache(maxsize=2)
def _even(law: AngleLaw, count: int, rate: float) -> _Even:
    """Of ``count`` samples at ``rate`` [Hz]: the same for all bands, and mostly for all channels."""
    turns_at = law.at(np.arange(count) / rate)
    per_turn = (count - 1) / max(turns_at[-1] - turns_at[0], 1e-9)
    if law.is_steady:
        return _Even(per_turn, None, None)
    even = np.linspace(turns_at[0], turns_at[-1], count)
    place = np.interp(even, turns_at, np.arange(count, dtype=np.float64))
    before = np.minimum(place.astype(np.intp), count - 2)
    return _Even(per_turn, before, (place - before).astype(np.float32))


def _ringing(
    transform: NDArray[np.complex64], segments: Sequence[slice], length: int
) -> Iterator[NDArray[np.complex64]]:
    """Of each of ``segments`` of a transform the inverse transform (length,), padded."""
    for first in range(0, len(segments), BANDS_AT_ONCE):
        some = segments[first : first + BANDS_AT_ONCE]
        padded = np.zeros((len(some), length), dtype=np.complex64)
        for row, segment in zip(padded, some, strict=True):
            lines = transform[segment]
            row[: lines.size] = lines
        yield from fft.ifft(padded, axis=1, overwrite_x=True)
