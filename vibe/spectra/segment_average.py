"""Segments of one long recording, joined, so that only one of them is in memory at a time.

Mean-square envelope lines are averaged over segments (P. D. Welch, 1967): for tones that repeat often enough in each,
that loses little against one long transform, and nothing at all where random slip smears lines wider than a bin. What
is too slow for a segment is looked for over the whole recording, in envelopes thinned to what slow tones need.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vibe.core.evidence import CrossLine, Level, Line, SpeedEstimate
from vibe.spectra.basic.cross_spectrum import joined_cross_lines
from vibe.spectra.envelope.bands import BandEnvelopes
from vibe.spectra.envelope.envelope_spectrum import MeanSquares, mean_squares
from vibe.spectra.signal_analysis import BandAnalysis, SignalAnalysis

SLOW_CYCLES = 60.0
"""Repeats in one segment below which a tone is looked for over the whole recording too."""
SLOW_HARMONICS = 24.0
"""Harmonics of the fastest such tone that the thinned envelopes pass; also the places of its turn distinguished."""
SAMPLES_PER_CYCLE = 4.0
"""Twice what sampling needs, so that the thinning filter has room to fall."""
MOST_OFF_SPEED = 0.2
"""Relative difference from the first segment's speed beyond which a segment is another operating condition."""


class Joined:
    """The segments analysed so far. The first gives the bands, the axis of orders and whatever is shown of one
    segment alone: waveforms, maps of fast bodies, spectra of vibration."""

    def __init__(self, count: int, *, apart: bool = False) -> None:
        """``count`` segments will come; a single one is never thinned. ``apart``: they do not follow one another at a
        steady speed, so that nothing slow is looked for over all of them."""
        self._several = count > 1 and not apart
        self._first: SignalAnalysis | None = None
        self._means: list[MeanSquares] = []
        self._speeds: list[tuple[float, SpeedEstimate]] = []
        self._lines: list[tuple[Line, ...]] = []
        self._levels: list[tuple[Level, ...]] = []
        self._cross: list[tuple[CrossLine, ...]] = []
        self._thin: list[list[NDArray[np.float32]]] = []
        self._per_turn = 0.0
        self._turns = 0.0

    @property
    def first(self) -> SignalAnalysis | None:
        """The first segment that was taken; later ones are analysed ``like`` it."""
        return self._first

    def add(self, analysis: SignalAnalysis) -> str | None:
        """Take a segment, or say in words why it is left out. All must be of the same channels."""
        if self._first is None:
            self._begin(analysis)
        else:
            why = self._contradicts(self._first, analysis)
            if why is not None:
                self.skip(analysis.law.duration_s)
                return why
            self._means = [mean.joined(look.means) for mean, look in zip(self._means, analysis.looks, strict=True)]
        self._speeds.append((analysis.law.duration_s, analysis.speed))
        self._lines.append(analysis.lines)
        self._levels.append(analysis.levels)
        self._cross.append(analysis.cross_lines)
        if analysis.looks and self._several:
            self._thin.append(self._thinned(analysis.looks[0].bands, analysis.law.total_turns))
        self._turns += analysis.law.total_turns
        return None

    def skip(self, duration_s: float) -> None:
        """Let time pass of which nothing is known; the shaft turned on at its mean speed."""
        if self._first is None or not self._first.looks:
            return
        turns = duration_s * self._first.law.mean_hz
        count = self._cells(turns)
        self._thin.append([np.ones((band.power.shape[0], count), np.float32) for band in self._first.looks[0].bands])
        self._turns += turns

    def whole(self) -> SignalAnalysis:
        """All segments as one.

        Raises:
            ValueError: none was taken.
        """
        if self._first is None:
            raise ValueError("no segment was used")
        looks = tuple(replace(look, means=means) for look, means in zip(self._first.looks, self._means, strict=True))
        if self._several and len(self._speeds) > 1 and looks:
            looks = (*looks, self._slow_look(looks[0].bands))
        return replace(
            self._first,
            speed=_joined_speed(self._speeds),
            looks=looks,
            lines=self._lines[0] if len(self._lines) == 1 else _joined_lines(self._lines),
            levels=_joined_levels(self._levels),
            cross_lines=self._cross[0] if len(self._cross) == 1 else joined_cross_lines(self._cross),
        )

    def _begin(self, analysis: SignalAnalysis) -> None:
        self._first = analysis
        self._means = [look.means for look in analysis.looks]
        if analysis.looks:
            turns = min(band.turns for band in analysis.looks[0].bands)
            finest = min(band.per_turn for band in analysis.looks[0].bands)
            self._per_turn = min(finest, SAMPLES_PER_CYCLE * SLOW_CYCLES * SLOW_HARMONICS / turns)

    def _contradicts(self, first: SignalAnalysis, analysis: SignalAnalysis) -> str | None:
        if analysis.speed.method == "nominal" and first.speed.method != "nominal":
            return "no speed stands out"
        off = analysis.law.mean_hz / first.law.mean_hz - 1
        if self._several and abs(off) > MOST_OFF_SPEED:
            return f"the speed is another one, {analysis.law.mean_hz * 60:.0f} r/min"
        return None if len(analysis.looks) == len(first.looks) else "too few turns"

    def _cells(self, turns: float) -> int:
        """How many cells of the common grid the next ``turns`` fill."""
        return int((self._turns + turns) * self._per_turn) - int(self._turns * self._per_turn)

    def _thinned(self, bands: Sequence[BandEnvelopes], turns: float) -> list[NDArray[np.float32]]:
        """Envelopes (bands, cells) of each channel on the common grid of angle."""
        from scipy.ndimage import uniform_filter1d  # dear to load, and asked for by long recordings alone

        count = self._cells(turns)
        start = int(self._turns * self._per_turn) + 1 - self._turns * self._per_turn
        thin = []
        for band in bands:
            ratio = band.per_turn / self._per_turn
            # Twice a moving mean: what is faster than the grid can hold must not come back as something slow.
            width = max(1, round(ratio))
            smooth = uniform_filter1d(uniform_filter1d(band.power, width, axis=1), width, axis=1)
            at = np.round((start + np.arange(count)) * ratio).astype(np.int64)
            thin.append(smooth[:, np.minimum(at, smooth.shape[1] - 1)])
        return thin

    def _slow_look(self, like: Sequence[BandEnvelopes]) -> BandAnalysis:
        rows = [np.concatenate(pieces, axis=1) for pieces in zip(*self._thin, strict=True)]
        bands = tuple(
            replace(band, power=power, repeated=None, per_turn=self._per_turn)
            for band, power in zip(like, rows, strict=True)
        )
        return BandAnalysis(bands=bands, means=mean_squares(bands), slow=True)


def _joined_speed(speeds: Sequence[tuple[float, SpeedEstimate]]) -> SpeedEstimate:
    """The mean over time; its uncertainty is that of the least sure segment, its drift that from the slowest moment to
    the fastest."""
    total = sum(duration for duration, _ in speeds)
    mean = sum(duration * speed.input_hz for duration, speed in speeds) / total
    known = [speed.uncertainty_hz for _, speed in speeds]
    fastest = max(speed.input_hz * (1 + (speed.drift or 0.0) / 2) for _, speed in speeds)
    slowest = min(speed.input_hz * (1 - (speed.drift or 0.0) / 2) for _, speed in speeds)
    followed = all(speed.drift is not None for _, speed in speeds)
    return replace(
        speeds[0][1],
        input_hz=mean,
        uncertainty_hz=None if None in known else max(value for value in known if value is not None),
        drift=(fastest - slowest) / mean if followed else None,
        note=next((speed.note for _, speed in speeds if speed.note), ""),
    )


def _joined_lines(all_lines: Sequence[tuple[Line, ...]]) -> tuple[Line, ...]:
    """Root mean squares of each line over the segments that show it."""
    by_name: dict[tuple[str, str], list[Line]] = {}
    for lines in all_lines:
        for line in lines:
            by_name.setdefault((line.channel, line.name), []).append(line)
    return tuple(
        replace(
            found[0],
            frequency_hz=float(np.mean([line.frequency_hz for line in found])),
            velocity_mm_s=_rms([line.velocity_mm_s for line in found]),
            floor_mm_s=_rms([line.floor_mm_s for line in found]),
            acceleration_m_s2=_rms([line.acceleration_m_s2 for line in found]),
        )
        for found in by_name.values()
    )


def _joined_levels(all_levels: Sequence[tuple[Level, ...]]) -> tuple[Level, ...]:
    """Root mean squares of r.m.s. values, the highest peak, its ratio to the r.m.s., the kurtosis of all together."""
    by_measure: dict[tuple[str, str], list[float]] = {}
    for levels in all_levels:
        for level in levels:
            by_measure.setdefault((level.point, level.measure), []).append(level.value)
    result = []
    for level in all_levels[0]:
        found = by_measure[level.point, level.measure]
        rms = by_measure.get((level.point, "acceleration_rms"), [])
        if level.measure == "acceleration_peak":
            value = max(found)
        elif level.measure == "crest_factor":
            value = max(by_measure[level.point, "acceleration_peak"]) / _rms(rms)
        elif level.measure == "kurtosis":
            # Fourth moments add up as squares do.
            fourth = np.mean([k * r**4 for k, r in zip(found, rms, strict=False)])
            value = float(fourth / np.mean(np.square(rms[: len(found)])) ** 2)
        elif level.measure in ("kurtosis_typical", "kurtosis_lasting"):
            value = float(np.median(found))
        else:
            value = _rms(found)
        result.append(replace(level, value=value))
    return tuple(result)


def _rms(values: Sequence[float]) -> float:
    return float(np.sqrt(np.mean(np.square(values))))
