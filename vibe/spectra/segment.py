"""One segment of a recording, analysed: conditioned, its speed found, put on angle, cut in bands; its lines and levels.

What is asked of the bands together, after one segment or after many, stands in ``analysis.py``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vibe.core.capture import Channel
from vibe.core.evidence import CrossLine, Line, SpeedEstimate
from vibe.spectra.analysis_request import AnalysisRequest
from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.basic.conditioning import bridged, bridged_once
from vibe.spectra.basic.cross_spectrum import cross_lines
from vibe.spectra.basic.fft import fast_length, rfft, transform_of
from vibe.spectra.basic.integration import differentiate
from vibe.spectra.basic.levels import levels
from vibe.spectra.basic.lines import FLOOR_BINS, angular, read_lines
from vibe.spectra.envelope.bands import envelopes, whitened
from vibe.spectra.envelope.envelope_spectrum import mean_squares
from vibe.spectra.signal_analysis import BandAnalysis, ChannelSpectrum, SignalAnalysis
from vibe.spectra.speed.line_likelihood import line_likelihood
from vibe.spectra.speed.phase_refinement import low_passed
from vibe.spectra.speed.speed_search import LEAST_SHARE, MOST_ORDERS, rivals_in_signal, speed_from_signal
from vibe.spectra.speed.tachometer import speed_from_tachometer

LOWEST_CARRIER_HZ = 500.0
"""Below it lies what shafts and meshes do; impacts ring in casing resonances above."""
LEAST_BAND_HZ = 700.0
"""Least width of a band of the first look: a few casing resonances (common practice)."""
HARMONICS_IN_BAND = 4.0
"""A band must pass this many harmonics of the fastest tone asked for."""
NARROWER = 4.0
"""How much narrower the bands of the second look are: about as wide as a casing resonance."""
MOST_WIDE_BANDS = 16
"""More bands would cost time: groups of neighbours grow with their square."""
HIGHEST_CARRIER = 0.48
"""Of the sample rate."""
FEWEST_TURNS = 8
"""Turns that a segment must hold (common practice)."""
CELLS_PER_TURN = 24.0
"""And distinguish this many places of a turn."""
MOST_DISAGREEMENT = 0.003
"""Relative difference between tachometer and drive lines beyond which one of them is wrong."""
RESOLVED_BINS = 2.0
"""Bins by which two lines are apart that a Hann window resolves."""
BY_CHANCE = 0.01
"""Share of other speeds that may show as much where the pulses' speed is believed in spite of louder lines."""
HANN_MEAN_SQUARE = 0.375
"""Mean of the squares of a Hann window: 3/8 (closed form)."""
HANN_NOISE_BINS = 1.5
"""Noise bandwidth of the window (Harris, Proc. IEEE 66, 1978, Table 1)."""
SURE_DIGITS = 4
"""Digits of an uncertainty that is handed on: two would be stated (JCGM 100:2008, 7.2.6)."""
SPEED_DIGITS = 9
"""Of the other speeds that lines allow: a thousandth of what the least uncertainty is."""
CHANCE_PLACES = 6
"""Decimals of their probabilities: a hundredth of the least that is kept."""
NOTED_WITHIN = 0.01
"""Relative error of a speed read off a display or with a stroboscope, any up to it alike: common practice."""


def analyse_segment(
    channels: Sequence[Channel],
    tachometer: Channel | None,
    analysis_request: AnalysisRequest,
    like: SignalAnalysis | None = None,
    *,
    known: tuple[AngleLaw, SpeedEstimate] | None = None,
) -> SignalAnalysis:
    """The vibration ``channels`` (at least one, not rejected) of one segment; with ``like`` cut into the same bands and
    laid on the same axis of orders as that one was. ``known``: its angle law, where an encoder or pulses gave it."""
    rows = {channel.name: (_acceleration(channel), channel.sample_rate_hz) for channel in channels}
    # The samples' own transforms serve the speed, the spectra on angle and the bands.
    transforms = {name: transform_of(samples) for name, (samples, _) in rows.items()}
    duration = min(samples.size / rate for samples, rate in rows.values())
    law, speed = handed_on(
        *(known or _speed(list(rows.values()), tachometer, analysis_request, duration, list(transforms.values())))
    )
    spread = spread_of(speed, analysis_request)
    on_angle = {name: _on_angle(samples, rate, law, transforms[name]) for name, (samples, rate) in rows.items()}
    spectra = tuple(_spectrum(name, one, law) for name, one in on_angle.items())
    cross = _cross_lines(on_angle, law, analysis_request, spread)
    # Else they would be held while the bands are cut.
    del on_angle
    lines = tuple(
        line
        for spectrum in spectra
        for line in read_lines(
            spectrum.power, spectrum.bin_hz, [(n, o * law.mean_hz) for n, o in analysis_request.lines],
            noise_bandwidth_bins=HANN_NOISE_BINS, channel=spectrum.channel, spread=spread,
        )
    ) + tuple(
        line
        for name, (samples, rate) in rows.items()
        for line in _fixed_lines(name, samples, rate, transforms[name], analysis_request, law.mean_hz)
    )  # fmt: skip
    return SignalAnalysis(
        samples=rows,
        law=law,
        speed=speed,
        looks=_looks(rows, transforms, law, analysis_request, like),
        spectra=spectra,
        lines=lines,
        levels=tuple(level for channel in channels for level in levels(_clean(channel), input_hz=law.mean_hz)),
        cross_lines=cross,
        absolute=speed.method == "tachometer" and tachometer is not None and (tachometer.pulses_per_rev or 1.0) == 1.0,
    )


def handed_on(law: AngleLaw, speed: SpeedEstimate) -> tuple[AngleLaw, SpeedEstimate]:
    """Law and speed as all that follows reads them: on the grid of ``AngleLaw.rounded``, uncertainties to
    ``SURE_DIGITS``, so that two machines whose arithmetic differs in the last bits go on with the same numbers."""
    if speed.method == "nominal":  # Nothing was worked out.
        return law, speed
    fixed = law.rounded()
    others = tuple((_digits(hz, SPEED_DIGITS), round(chance, CHANCE_PLACES)) for hz, chance in speed.alternatives[1:])
    first = tuple((fixed.mean_hz, round(chance, CHANCE_PLACES)) for _, chance in speed.alternatives[:1])
    return fixed, replace(
        speed,
        input_hz=fixed.mean_hz,
        uncertainty_hz=None if speed.uncertainty_hz is None else _digits(speed.uncertainty_hz, SURE_DIGITS),
        drift=None if speed.drift is None else fixed.drift,
        alternatives=(*first, *others),
        angle_turns=_digits(speed.angle_turns, SURE_DIGITS),
        followed_otherwise=tuple(
            (_digits(hz, SPEED_DIGITS), _digits(odds, SURE_DIGITS)) for hz, odds in speed.followed_otherwise
        ),
    )


def _digits(value: float, count: int) -> float:
    """``value`` to so many significant digits."""
    return float(f"{value:.{count}g}")


def bands_again(
    channels: Sequence[Channel], reading: SignalAnalysis, analysis_request: AnalysisRequest
) -> SignalAnalysis:
    """``reading`` with the bands of ``channels``, its own with something added to their samples; speed, lines and
    levels stay what they were."""
    rows = {channel.name: (_acceleration(channel), channel.sample_rate_hz) for channel in channels}
    transforms = {name: transform_of(samples) for name, (samples, _) in rows.items()}
    looks = _looks(rows, transforms, reading.law, analysis_request, None)
    return replace(reading, samples=rows, looks=looks)


def _clean(channel: Channel) -> Channel:
    return channel if np.isfinite(channel.samples).all() else replace(channel, samples=bridged(channel.samples))


def _acceleration(channel: Channel) -> NDArray[np.float32]:
    samples = bridged_once(channel.samples)
    if channel.quantity == "acceleration":
        return samples
    times = 1 if channel.quantity == "velocity" else 2
    for _ in range(times):
        samples = differentiate(samples, channel.sample_rate_hz).astype(np.float32)
    return samples


def _speed(
    rows: Sequence[tuple[NDArray[np.float32], float]],
    tachometer: Channel | None,
    analysis_request: AnalysisRequest,
    duration: float,
    transforms: Sequence[NDArray[np.complex64]] | None = None,
) -> tuple[AngleLaw, SpeedEstimate]:
    """Tachometer, else the signal, else the plate."""
    note = ""
    settled = analysis_request.settled_hz
    found = speed_from_signal(rows, analysis_request.range_hz, analysis_request.speed_orders, transforms, settled)
    if tachometer is not None:
        pulsed = speed_from_tachometer(tachometer, analysis_request.range_hz, duration)
        if pulsed is None:
            note = "the tachometer's pulses make no sense"
        elif (
            found is not None
            and _contradict(found[1], pulsed[1])
            and not _stands_at(
                pulsed[1].input_hz,
                found[1].input_hz,
                rows,
                analysis_request,
                duration,
                transforms or [None] * len(rows),
            )
        ):
            note = (
                f"the tachometer says {pulsed[1].input_hz * 60:.1f} r/min, the drive's own lines say "
                f"{found[1].input_hz * 60:.1f} r/min: check pulses_per_rev and what the pulse is taken from; "
                "the lines are used"
            )
        else:
            return pulsed
    if found is None:
        # The envelope may carry the shaft where the vibration itself hides it.
        carriers = [_whole_envelope(samples, rate) for samples, rate in rows if rate > 4 * LOWEST_CARRIER_HZ]
        found = speed_from_signal(
            [*rows, *carriers], analysis_request.range_hz, analysis_request.speed_orders, settled_hz=settled
        )
    if found is None and analysis_request.moved_orders:
        both = sorted({*analysis_request.speed_orders, *analysis_request.moved_orders})
        found = speed_from_signal(rows, analysis_request.range_hz, both, transforms, settled)
    if found is not None:
        law, estimate = found
        return law, replace(estimate, note=note)
    speed = analysis_request.fixed_speed_hz or analysis_request.nominal_hz
    assumed = "the speed noted with the capture" if analysis_request.fixed_speed_hz else "the nameplate"
    sigma = NOTED_WITHIN * speed / np.sqrt(3.0) if analysis_request.fixed_speed_hz else plate_sigma(analysis_request)
    estimate = SpeedEstimate(
        input_hz=speed,
        uncertainty_hz=float(sigma),
        method="nominal",
        note=f"{note}{'; ' if note else ''}no speed stands out in the signal; {assumed} is taken",
        alternatives=_with_rest(
            speed, rivals_in_signal(rows, analysis_request.range_hz, analysis_request.speed_orders)
        ),
    )
    return AngleLaw.steady(speed, duration), estimate


def _contradict(lines: SpeedEstimate, pulses: SpeedEstimate) -> bool:
    """Whether the drive's lines, surely followed, give another speed than the pulses."""
    off = abs(lines.input_hz / pulses.input_hz - 1)
    sure = (lines.uncertainty_hz or 0.0) < MOST_DISAGREEMENT / 10 * lines.input_hz and not lines.doubtful
    return off > MOST_DISAGREEMENT and sure


def _stands_at(
    pulses_hz: float,
    lines_hz: float,
    rows: Sequence[tuple[NDArray[np.float32], float]],
    analysis_request: AnalysisRequest,
    duration_s: float,
    transforms: Sequence[NDArray[np.complex64] | None] | None,
) -> bool:
    """Whether the drive's lines stand at the pulses' speed as well, above what nearly every other speed of the range
    shows: then the pulses are the drive's, and the louder lines those of a machine of the same kind.

    Only orders at which the capture resolves the two speeds are asked.
    """
    range_hz, known = analysis_request.range_hz, np.array(sorted(set(analysis_request.speed_orders)))
    orders = known[(known * abs(pulses_hz - lines_hz) * duration_s >= RESOLVED_BINS) & (known <= MOST_ORDERS)]
    if orders.size == 0:
        return False
    top_hz = 1.1 * float(orders.max()) * range_hz[1]
    ready = transforms if transforms is not None else [None] * len(rows)
    lows = [low_passed(row, rate, top_hz, own) for (row, rate), own in zip(rows, ready, strict=True)]
    likelihood = line_likelihood(lows, range_hz[1])
    speeds = likelihood.speeds_hz(range_hz, orders)
    away = np.minimum(abs(speeds / pulses_hz - 1), abs(speeds / lines_hz - 1)) > MOST_DISAGREEMENT
    if not away.any():
        return False
    elsewhere = likelihood.at(speeds[away], orders).sum(axis=0)
    there = likelihood.at(np.array([pulses_hz]), orders).sum()
    return bool(there > np.quantile(elsewhere, 1 - BY_CHANCE))


def _with_rest(speed: float, rivals: Sequence[tuple[float, float]]) -> tuple[tuple[float, float], ...]:
    """``speed``, assumed, with what probability the speeds that the lines support leave it, and these."""
    kept = [(hz, chance) for hz, chance in rivals if chance >= LEAST_SHARE]
    return ((speed, max(0.0, 1.0 - sum(chance for _, chance in kept))), *kept)


def plate_sigma(analysis_request: AnalysisRequest) -> float:
    """Standard uncertainty [Hz] of the nominal speed, where the speed may be anywhere in the range alike: the root mean
    square distance from it. Twice that reaches both ends of the range, wherever in it the nominal speed lies."""
    low, high = analysis_request.range_hz
    off = analysis_request.nominal_hz - (low + high) / 2
    return float(np.sqrt((high - low) ** 2 / 12 + off**2))


def _whole_envelope(samples: NDArray[np.float32], rate: float) -> tuple[NDArray[np.float32], float]:
    """Squared envelope of everything above the lowest carrier, mean removed, against time; and its rate."""
    band = envelopes(
        whitened(samples, rate, channel=""), AngleLaw.steady(1.0, samples.size / rate),
        band_hz=(LOWEST_CARRIER_HZ, HIGHEST_CARRIER * rate), width_hz=LEAST_BAND_HZ,
    )  # fmt: skip
    total = band.power.mean(axis=0)
    return (total - total.mean()).astype(np.float32), band.per_turn


def _looks(
    rows: Mapping[str, tuple[NDArray[np.float32], float]],
    transforms: Mapping[str, NDArray[np.complex64]],
    law: AngleLaw,
    analysis_request: AnalysisRequest,
    like: SignalAnalysis | None,
) -> tuple[BandAnalysis, ...]:
    """Bands wide enough for the fastest tone; and narrower ones, nearer to a resonance, for slow tones that cannot
    slip."""
    if law.total_turns < FEWEST_TURNS:
        return ()
    white = [
        whitened(samples, rate, channel=name, transform=transforms[name])
        for name, (samples, rate) in rows.items()
        if rate > 4 * LOWEST_CARRIER_HZ
    ]
    if not white:
        return ()
    if like is None:
        highest_hz = max(HIGHEST_CARRIER * w.sample_rate_hz for w in white)
        widths = _widths_hz(law.mean_hz, analysis_request, highest_hz)
    else:
        # A hair less, so that rounding makes no band of two.
        widths = tuple(max(band.width_hz for band in look.bands) * (1 - 1e-6) for look in like.looks)
    looks: list[BandAnalysis] = []
    for number, width in enumerate(widths):
        bands = tuple(
            envelopes(w, law, band_hz=(LOWEST_CARRIER_HZ, HIGHEST_CARRIER * w.sample_rate_hz), width_hz=width)
            for w in white
        )
        axis = like.looks[number].means if like is not None else None
        looks.append(BandAnalysis(bands=bands, means=mean_squares(bands, together=number > 0, like=axis)))
    return tuple(looks)


def _widths_hz(input_hz: float, analysis_request: AnalysisRequest, highest_hz: float) -> tuple[float, ...]:
    """Least widths of the bands of each look."""
    fastest = max((c.order * max(c.carriers) for c in analysis_request.combs), default=1.0)
    wide = max(LEAST_BAND_HZ, input_hz * max(HARMONICS_IN_BAND * fastest, CELLS_PER_TURN))
    # No more bands than sixteen: fast tones gain nothing, and every band costs.
    wide = max(wide, (highest_hz - LOWEST_CARRIER_HZ) / MOST_WIDE_BANDS)
    return (wide, wide / NARROWER) if any(not request.slips for request in analysis_request.combs) else (wide,)


def spread_of(speed: SpeedEstimate, analysis_request: AnalysisRequest) -> float:
    """Relative half width within which the true speed surely lies."""
    sigma = speed.uncertainty_hz if speed.uncertainty_hz is not None else 0.0
    low, high = analysis_request.range_hz
    return min(3.0 * sigma / speed.input_hz, max(high / speed.input_hz - 1, 1 - low / speed.input_hz, 1e-6))


def _mean_square(transform: NDArray[np.complex64], n: int, size: int) -> NDArray[np.float64]:
    """Hann-windowed mean square per bin, one-sided, of ``n`` samples from the first bins of their transform, which is
    padded to ``size``.

    A periodic Hann window over the padded row is three neighbouring bins of the transform, weighted 1/2 and -1/4
    (Harris, Proc. IEEE 66, 1978), so that one transform serves windowed and plain spectra.
    """
    lines = 0.5 * transform
    lines[1:] -= 0.25 * transform[:-1]
    lines[:-1] -= 0.25 * transform[1:]
    # The bin below zero is the conjugate of the one above it.
    lines[0] -= 0.25 * np.conj(transform[1])
    power: NDArray[np.float64] = np.square(lines.real, dtype=np.float64)
    power += np.square(lines.imag, dtype=np.float64)
    # The window lies over the padding too, at its low end: keep "sum over bins / noise bandwidth = mean square" true.
    power *= 2.0 / (size / 2.0) ** 2 * (HANN_MEAN_SQUARE * size / _hann_square_sum(n, size))
    return power


def _hann_square_sum(n: int, size: int) -> float:
    """Sum of the squares of the first ``n`` values of a periodic Hann window of ``size`` (geometric series)."""

    def cosines(k: int) -> float:
        if n == size:
            return 0.0
        half = np.pi * k / size
        return float(np.sin(n * half) / np.sin(half) * np.cos((n - 1) * half))

    return HANN_MEAN_SQUARE * n - 0.5 * cosines(1) + 0.125 * cosines(2)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _OnAngle:
    """Transform, padded to ``size``, of ``n`` samples laid on the shaft's angle."""

    transform: NDArray[np.complex64]
    per_turn: float
    n: int
    size: int


def _on_angle(samples: NDArray[np.float32], rate: float, law: AngleLaw, transform: NDArray[np.complex64]) -> _OnAngle:
    """``transform`` is the samples' own, against time."""
    size = fast_length(samples.size)
    if law.is_steady:
        return _OnAngle(transform=transform, per_turn=rate / law.mean_hz, n=samples.size, size=size)
    laid, per_turn = angular(samples, rate, law, transform)
    return _OnAngle(transform=rfft(laid, size), per_turn=per_turn, n=laid.size, size=size)


def _spectrum(name: str, on_angle: _OnAngle, law: AngleLaw) -> ChannelSpectrum:
    power = _mean_square(on_angle.transform, on_angle.n, on_angle.size)
    return ChannelSpectrum(channel=name, power=power, bin_hz=on_angle.per_turn * law.mean_hz / on_angle.size)


def _cross_lines(
    on_angle: Mapping[str, _OnAngle], law: AngleLaw, analysis_request: AnalysisRequest, spread: float
) -> tuple[CrossLine, ...]:
    """Of the channels that share a rate and a length: others have clocks or axes of their own."""
    together: dict[tuple[float, int], dict[str, NDArray[np.complex64]]] = {}
    for name, one in on_angle.items():
        together.setdefault((one.per_turn, one.size), {})[name] = one.transform
    wanted = [(name, order * law.mean_hz) for name, order in analysis_request.lines]
    return tuple(
        line
        for (per_turn, size), transforms in together.items()
        for line in cross_lines(transforms, per_turn * law.mean_hz / size, wanted, spread=spread)
    )


def _fixed_lines(
    name: str,
    samples: NDArray[np.float32],
    rate: float,
    transform: NDArray[np.complex64],
    analysis_request: AnalysisRequest,
    speed_hz: float,
) -> tuple[Line, ...]:
    """Lines that do not follow the shaft, from the spectrum against time."""
    wanted = [(line, hz + order * speed_hz) for line, hz, order in analysis_request.lines_hz]
    if not wanted:
        return ()
    size = fast_length(samples.size)
    # Above the highest of them nothing but its floor is read.
    last = int(max(hz for _, hz in wanted) * size / rate) + 2 * FLOOR_BINS
    power = _mean_square(transform[:last], samples.size, size)
    return read_lines(power, rate / size, wanted, noise_bandwidth_bins=HANN_NOISE_BINS, channel=name, known=False)
