"""Envelope spectra of groups of bands, on the order axis, over their local floor.

Which bands carry the ringing of a defect is not known beforehand: every dyadic group of bands, of every channel and of
all channels together, has a spectrum of its own.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import fft
from scipy.special import gammaincc, gammaincinv

from vibe.spectra.envelope.bands import BandEnvelopes

FLOOR_BINS = 201
"""Bins of an envelope spectrum over whose median a line stands."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeanSquares:
    """Mean-square envelope lines of groups of bands on one order axis, before any floor is taken.

    ``squared`` (groups, n): square of each line's amplitude relative to the mean of the squared envelope; ``averages``
    segments of equal turns went into them; ``step`` in orders per bin; ``low_hz``/``high_hz`` (groups,) edges.
    """

    squared: NDArray[np.float32]
    averages: int = 1
    step: float
    low_hz: NDArray[np.float64]
    high_hz: NDArray[np.float64]
    members: tuple[tuple[tuple[int, int], ...], ...]
    """(channel index, band index) pairs of each group."""
    top_order: float
    """Above it the narrowest band no longer passes envelope lines."""

    def joined(self, other: MeanSquares) -> MeanSquares:
        """The average of both. ``other`` must lie on the same axis and have the same groups.

        Raises:
            ValueError: it does not.
        """
        if other.squared.shape != self.squared.shape or other.step != self.step or other.members != self.members:
            raise ValueError("these envelope spectra have other groups or another axis")
        share = np.float32(other.averages / (self.averages + other.averages))
        return replace(
            self,
            squared=self.squared + share * (other.squared - self.squared),
            averages=self.averages + other.averages,
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EnvelopeSpectra(MeanSquares):
    """The same lines over their local floor.

    ``power`` (groups, n) over the floor, exponential with mean 1 where nothing is: with more than one of ``averages``
    no longer a ratio of powers but as rare. ``floor`` (groups, n): mean square where nothing is.
    """

    power: NDArray[np.float32]
    floor: NDArray[np.float32]

    @property
    def orders(self) -> NDArray[np.float64]:
        return np.arange(self.power.shape[1], dtype=np.float64) * self.step


def envelope_spectra(bands: Sequence[BandEnvelopes], *, together: bool = False) -> EnvelopeSpectra:
    """Envelope spectra of every dyadic group of bands, per channel and (given several) over all channels; with
    ``together`` over all channels alone, where they have as many bands each.

    Channels may have different rates and lengths in samples; they must cover the same turns. Lines keep their phase
    until groups are summed, since an impact reaches all bands and channels at one time.
    """
    return over_floor(mean_squares(bands, together=together))


def mean_squares(
    bands: Sequence[BandEnvelopes], *, together: bool = False, like: MeanSquares | None = None
) -> MeanSquares:
    """What ``envelope_spectra`` puts over its floor. ``like``: on the axis of these, for an average with them."""
    if like is None:
        turns = min(band.turns for band in bands)
        top = min(band.per_turn for band in bands) / 4.0
        keep = int(top * turns)
    else:
        turns, top, keep = 1.0 / like.step, like.top_order, like.squared.shape[1]
    lines = [_lines(band, turns, keep) for band in bands]
    groups: list[NDArray[np.complex64]] = []
    members: list[tuple[tuple[int, int], ...]] = []
    alike = len(lines) > 1 and len({spectrum.shape[0] for spectrum in lines}) == 1
    for channel, spectrum in enumerate(lines if not (together and alike) else []):
        for run, mean in _dyadic(spectrum):
            groups.append(mean)
            members.append(tuple((channel, band) for band in run))
    if alike:
        common = lines[0] + lines[1]
        for spectrum in lines[2:]:
            common += spectrum
        common /= np.float32(len(lines))
        for run, mean in _dyadic(common):
            groups.append(mean)
            members.append(tuple((channel, band) for channel in range(len(lines)) for band in run))
    # As plain numbers: they are compared a few at a time.
    lows, highs = ([(band.centre_hz + s * band.width_hz / 2).tolist() for band in bands] for s in (-1, 1))
    return MeanSquares(
        squared=_squared(groups),
        averages=1,
        step=1.0 / turns,
        low_hz=np.array([min(lows[c][b] for c, b in group) for group in members]),
        high_hz=np.array([max(highs[c][b] for c, b in group) for group in members]),
        members=tuple(members),
        top_order=top,
    )


def in_pieces(bands: Sequence[BandEnvelopes], count: int) -> MeanSquares:
    """Mean squares over ``count`` pieces of equally many turns (P. D. Welch, 1967): lines that random slip smears over
    several bins of the whole lose nothing so, and scatter less."""
    means: MeanSquares | None = None
    turns = min(band.turns for band in bands) / count
    for number in range(count):
        cut = tuple(_piece(band, number * turns, turns) for band in bands)
        own = mean_squares(cut, like=means)
        means = own if means is None else means.joined(own)
    assert means is not None
    return means


def _piece(band: BandEnvelopes, begin: float, turns: float) -> BandEnvelopes:
    """``turns`` of it from ``begin`` on."""
    first = round(begin * band.per_turn)
    return replace(band, power=band.power[:, first : first + round(turns * band.per_turn)], repeated=None)


def over_floor(means: MeanSquares) -> EnvelopeSpectra:
    """Lines over the local floor.

    The mean square of several segments scatters less than that of one: where nothing is it is Gamma distributed with
    as many degrees as there were segments. ``power`` is then its -ln p, so that, as of one segment, it is exponential
    with mean 1 where nothing is, whatever reads it.
    """
    floor = line_floor(means.squared, averages=means.averages)
    power = means.squared / floor
    if means.averages > 1:
        power = _exponential(power, means.averages)
    return EnvelopeSpectra(
        power=power,
        squared=means.squared,
        floor=floor,
        averages=means.averages,
        step=means.step,
        low_hz=means.low_hz,
        high_hz=means.high_hz,
        members=means.members,
        top_order=means.top_order,
    )


def _lines(band: BandEnvelopes, turns: float, keep: int) -> NDArray[np.complex64]:
    """Amplitudes (bands, keep) of the lines at k / turns, unpadded: bin k is the same order on every channel."""
    n = round(turns * band.per_turn)
    rows = band.power[:, :n]
    taper = _taper(n)
    centred = rows - rows.mean(axis=1, keepdims=True)
    centred *= taper[: rows.shape[1]]
    lines: NDArray[np.complex64] = fft.rfft(centred, n, axis=1, overwrite_x=True)[:, :keep]
    return lines * np.float32(2.0 / taper.sum())


@lru_cache(maxsize=4)
def _taper(n: int) -> NDArray[np.float32]:
    """Periodic Hann window (n,), kept: channels of one capture ask for the same."""
    taper = np.hanning(n + 1)[:n].astype(np.float32)
    taper.flags.writeable = False
    return taper


def _dyadic(rows: NDArray[np.complex64]) -> Iterator[tuple[range, NDArray[np.complex64]]]:
    """Means of runs of 1, 2, 4 … all neighbours among ``rows`` (a power of two of them), aligned, with the runs."""
    size = 1
    while True:
        yield from ((range(k * size, (k + 1) * size), row) for k, row in enumerate(rows))
        if rows.shape[0] < 2:
            return
        rows = (rows[0::2] + rows[1::2]) * np.float32(0.5)
        size *= 2


def _squared(groups: Sequence[NDArray[np.complex64]]) -> NDArray[np.float32]:
    out = np.empty((len(groups), groups[0].size), dtype=np.float32)
    for row, lines in zip(out, groups, strict=True):
        np.add(np.square(lines.real), np.square(lines.imag), out=row)
    return out


def _exponential(power: NDArray[np.float32], averages: int) -> NDArray[np.float32]:
    """-ln p of means of ``averages`` exponential values with mean 1 (…, n): a Gamma tail, from a table."""
    most = float(power.max())
    grid = np.concatenate([np.linspace(0.0, 4.0, 4001), np.geomspace(4.0, max(5.0, most), 2000)[1:]])
    tail = gammaincc(averages, averages * grid)
    seen = tail > 1e-290
    table = -np.log(np.maximum(tail, 1e-290))
    last = int(seen.sum()) - 1
    if last + 1 < grid.size:
        # Beyond the range of doubles: ln Q(a, y) tends to -y + (a - 1) ln y - ln Gamma(a) (DLMF 8.11.2).
        y = averages * grid[last:]
        far = y - (averages - 1) * np.log(y)
        table[last:] = table[last] + far - far[0]
    result = np.empty_like(power)
    for row, values in zip(result, power, strict=True):
        row[:] = np.interp(values, grid, table)
    return result


def line_floor(squared: NDArray[np.float32], width: int = FLOOR_BINS, averages: int = 1) -> NDArray[np.float32]:
    """Running floor of envelope spectra (…, n): mean noise power from block medians, along the last axis.

    The median of an exponential variable is ln 2 of its mean, that of a mean of ``averages`` of them the Gamma
    distribution's.
    """
    n = squared.shape[-1]
    width = max(16, min(width, n // 4))
    hop = max(1, width // 4)
    windows = np.lib.stride_tricks.sliding_window_view(squared, width, axis=-1)[..., ::hop, :]
    # Windows have odd widths but for short axes; either middle value will do for those.
    medians = np.sort(windows, axis=-1)[..., width // 2] / np.float32(gammaincinv(averages, 0.5) / averages)
    # Straight lines between the windows' middles, the first and the last block held: the floor falls steeply towards
    # order zero in drifting captures.
    first = (width + 1) // 2
    last = first + hop * (medians.shape[-1] - 1)
    share = ((first - width / 2 + np.arange(hop)) / hop).astype(np.float32)
    floor = np.empty_like(squared)
    floor[..., :first] = medians[..., :1]
    floor[..., last:] = medians[..., -1:]
    between = floor[..., first:last].reshape(*squared.shape[:-1], -1, hop)
    np.multiply(np.diff(medians, axis=-1)[..., None], share, out=between)
    between += medians[..., :-1, None]
    result: NDArray[np.float32] = np.maximum(floor, np.float32(1e-20), out=floor)
    return result
