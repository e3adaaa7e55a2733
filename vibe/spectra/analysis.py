"""One capture, read once: conditioned, put on angle, cut in bands, weighed at the orders asked for.

Everything that later steps or pictures need is kept in one value, so that nothing is transformed twice.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vibe.core.capture import Channel
from vibe.core.evidence import CombEvidence, Level, Line, SpeedEstimate
from vibe.spectra.angle import AngleLaw
from vibe.spectra.aside import Hits, hits_of, joined, without
from vibe.spectra.bands import BandEnvelopes, envelopes, whitened
from vibe.spectra.comb import CombRequest
from vibe.spectra.condition import bridged
from vibe.spectra.envelope_spectrum import EnvelopeSpectra, envelope_spectra
from vibe.spectra.evidence import own_lines, weigh
from vibe.spectra.fft import fast_length, rfft
from vibe.spectra.ground import Families
from vibe.spectra.integrate import differentiate
from vibe.spectra.levels import levels
from vibe.spectra.lines import angular, read_lines
from vibe.spectra.speed import speed_from_signal
from vibe.spectra.synchronous import Turn, fold, localise, refined_order
from vibe.spectra.tachometer import speed_from_tachometer
from vibe.spectra.windows import window

LOWEST_CARRIER_HZ = 500.0
"""Below it lies what shafts and meshes do; hits ring in casing resonances above."""
LEAST_BAND_HZ = 700.0
HARMONICS_IN_BAND = 4.0
"""A band must pass this many harmonics of the fastest tone asked for."""
NARROWER = 4.0
"""How much narrower the bands of the second look are: about as wide as a casing resonance."""
MOST_WIDE_BANDS = 16
HIGHEST_CARRIER = 0.48
"""Of the sample rate."""
CUT_FROM_DB = 0.0
"""Hits that double the mean power of their band are cut out, so that others can be read between them."""
CUT_FALSE_ALARM = 1e-4
"""And surely there: what is no comb must not cut holes."""
MOST_CUT_OUT = 2
"""Combs that are cut out together; more would leave too little of the time."""
WORTH_A_LOOK = 0.1
"""False-alarm probability up to which a tone is read again between the hits of others."""
PLACED_BETWEEN = 0.01
"""And up to which its place on the turn is."""
FEWEST_TURNS = 8
CELLS_PER_TURN = 24.0
"""And tell this many places of a turn apart."""
MOST_DISAGREEMENT = 0.003
"""Relative difference between tachometer and drive lines beyond which one of them is wrong."""
HANN_NOISE_BINS = 1.5


@dataclass(frozen=True, slots=True, kw_only=True)
class FoldRequest:
    """A body's frame on which a tone's hits are laid: its order, and how often per turn it may speak."""

    tone: str
    order: float
    meetings: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What somebody wants to know of a capture. Orders count per input turn."""

    range_hz: tuple[float, float]
    nominal_hz: float
    speed_orders: tuple[float, ...]
    """Lines that any sound machine of the kind makes, for finding its speed."""
    combs: tuple[CombRequest, ...]
    folds: tuple[FoldRequest, ...]
    innocent: tuple[tuple[float, int], ...]
    """(order, harmonics) of families that innocents own in the envelope."""
    lines: tuple[tuple[str, float], ...]
    """(name, order) read in the velocity spectrum."""
    lines_hz: tuple[tuple[str, float], ...]
    """(name, frequency) of lines that do not follow the shaft."""
    fixed_speed_hz: float | None = None
    """A speed noted with the capture: a hypothesis that the signal may correct within the range."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ChannelSpectrum:
    """Mean-square acceleration per bin of one channel, on an axis that follows the shaft (steps in mean Hz)."""

    channel: str
    power: NDArray[np.float64]
    bin_hz: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Look:
    """One set of bands per channel, and the envelope spectra of its groups."""

    bands: tuple[BandEnvelopes, ...]
    spectra: EnvelopeSpectra


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reading:
    """All that the samples said."""

    speed: SpeedEstimate
    law: AngleLaw
    looks: tuple[Look, ...]
    """The sets of bands in which combs were looked for, the widest bands first; none where there is no band."""
    combs: tuple[CombEvidence, ...]
    strangers: tuple[CombEvidence, ...]
    """Combs at orders that nobody asked for, stronger than all that were."""
    turns: dict[str, Turn]
    lines: tuple[Line, ...]
    levels: tuple[Level, ...]
    spectra: tuple[ChannelSpectrum, ...]
    samples: dict[str, tuple[NDArray[np.float32], float]]
    absolute: bool
    """Whether angles count from a pulse that comes once per turn."""


def read(channels: Sequence[Channel], tachometer: Channel | None, question: Question) -> Reading:
    """Answer ``question`` from the vibration ``channels`` (at least one, not rejected)."""
    rows = {channel.name: (_acceleration(channel), channel.sample_rate_hz) for channel in channels}
    duration = min(samples.size / rate for samples, rate in rows.values())
    law, speed = _speed(list(rows.values()), tachometer, question, duration)
    spread = _spread(speed, question)

    looks = _looks(rows, law, question)
    combs: tuple[CombEvidence, ...] = ()
    strangers: tuple[CombEvidence, ...] = ()
    turns: dict[str, Turn] = {}
    if looks and question.combs:
        families = Families(innocent=question.innocent, speed_spread=spread)
        combs, strangers = _weighed(looks, question, families)
        combs = _beside(combs, looks[0], question, families)
        combs, turns = _localised(combs, looks, question, law, spread)

    spectra = tuple(_spectrum(name, samples, rate, law) for name, (samples, rate) in rows.items())
    lines = tuple(
        line
        for spectrum in spectra
        for line in read_lines(
            spectrum.power, spectrum.bin_hz, [(n, o * law.mean_hz) for n, o in question.lines],
            noise_bandwidth_bins=HANN_NOISE_BINS, channel=spectrum.channel, spread=spread,
        )
    ) + tuple(
        line
        for name, (samples, rate) in rows.items()
        for line in _fixed_lines(name, samples, rate, law, spectra, question)
    )  # fmt: skip
    return Reading(
        speed=speed,
        law=law,
        looks=looks,
        combs=combs,
        strangers=strangers,
        turns=turns,
        lines=lines,
        levels=tuple(level for channel in channels for level in levels(_clean(channel), input_hz=law.mean_hz)),
        spectra=spectra,
        samples=rows,
        absolute=speed.method == "tachometer" and tachometer is not None and (tachometer.pulses_per_rev or 1.0) == 1.0,
    )


def _clean(channel: Channel) -> Channel:
    return channel if np.isfinite(channel.samples).all() else replace(channel, samples=bridged(channel.samples))


def _acceleration(channel: Channel) -> NDArray[np.float32]:
    samples = bridged(channel.samples)
    if channel.quantity == "acceleration":
        return samples
    times = 1 if channel.quantity == "velocity" else 2
    for _ in range(times):
        samples = differentiate(samples, channel.sample_rate_hz).astype(np.float32)
    return samples


def _speed(
    rows: Sequence[tuple[NDArray[np.float32], float]], tachometer: Channel | None, question: Question, duration: float
) -> tuple[AngleLaw, SpeedEstimate]:
    """Tachometer, else the signal, else the plate."""
    note = ""
    found = speed_from_signal(rows, question.range_hz, question.speed_orders)
    if tachometer is not None:
        pulsed = speed_from_tachometer(tachometer, question.range_hz, duration)
        if pulsed is None:
            note = "the tachometer's pulses make no sense"
        elif found is not None and abs(found[1].input_hz / pulsed[1].input_hz - 1) > MOST_DISAGREEMENT:
            note = (
                f"the tachometer says {pulsed[1].input_hz * 60:.1f} rpm, the drive's own lines say "
                f"{found[1].input_hz * 60:.1f} rpm: check pulses_per_rev and what the pulse is taken from; "
                "the lines are believed"
            )
        else:
            return pulsed
    if found is None:
        # The envelope may carry the shaft where the vibration itself hides it.
        carriers = [_whole_envelope(samples, rate) for samples, rate in rows if rate > 4 * LOWEST_CARRIER_HZ]
        found = speed_from_signal([*rows, *carriers], question.range_hz, question.speed_orders)
    if found is not None:
        law, estimate = found
        return law, replace(estimate, note=note)
    speed = question.fixed_speed_hz or question.nominal_hz
    told = "the speed noted with the capture" if question.fixed_speed_hz else "the plate"
    low, high = question.range_hz
    sigma = 0.002 * speed if question.fixed_speed_hz else (high - low) / np.sqrt(12.0)
    estimate = SpeedEstimate(
        input_hz=speed, uncertainty_hz=float(sigma), method="nominal",
        note=f"{note}{'; ' if note else ''}no speed stands out in the signal; {told} is taken",
    )  # fmt: skip
    return AngleLaw.steady(speed, duration), estimate


def _whole_envelope(samples: NDArray[np.float32], rate: float) -> tuple[NDArray[np.float32], float]:
    """Squared envelope of everything above the lowest carrier, mean removed, against time; and its rate."""
    band = envelopes(
        whitened(samples, rate, channel=""), AngleLaw.steady(1.0, samples.size / rate),
        band_hz=(LOWEST_CARRIER_HZ, HIGHEST_CARRIER * rate), width_hz=LEAST_BAND_HZ,
    )  # fmt: skip
    total = band.power.mean(axis=0)
    return (total - total.mean()).astype(np.float32), band.per_turn


def _looks(
    rows: Mapping[str, tuple[NDArray[np.float32], float]], law: AngleLaw, question: Question
) -> tuple[Look, ...]:
    """Bands wide enough for the fastest tone; and narrower ones, nearer to a resonance, for slow tones that cannot
    slip."""
    if law.total_turns < FEWEST_TURNS:
        return ()
    white = [
        whitened(samples, rate, channel=name) for name, (samples, rate) in rows.items() if rate > 4 * LOWEST_CARRIER_HZ
    ]
    if not white:
        return ()
    fastest = max((c.order * max(c.carriers) for c in question.combs), default=1.0)
    wide = max(LEAST_BAND_HZ, law.mean_hz * max(HARMONICS_IN_BAND * fastest, CELLS_PER_TURN))
    # No more bands than sixteen: fast tones gain nothing, and every band costs.
    wide = max(wide, max(HIGHEST_CARRIER * w.sample_rate_hz - LOWEST_CARRIER_HZ for w in white) / MOST_WIDE_BANDS)
    looks: list[Look] = []
    for width in (wide, wide / NARROWER) if any(not request.slips for request in question.combs) else (wide,):
        bands = tuple(
            envelopes(w, law, band_hz=(LOWEST_CARRIER_HZ, HIGHEST_CARRIER * w.sample_rate_hz), width_hz=width)
            for w in white
        )
        looks.append(Look(bands=bands, spectra=envelope_spectra(bands, together=bool(looks))))
    return tuple(looks)


def _weighed(
    looks: Sequence[Look], question: Question, families: Families
) -> tuple[tuple[CombEvidence, ...], tuple[CombEvidence, ...]]:
    """Every comb in the wide bands, slow exact ones in the narrow ones too: the better of two looks, paid for twice."""
    wide = looks[0]
    first = weigh(wide.spectra, wide.bands, question.combs, families)
    if len(looks) < 2:
        return first.combs, first.strangers
    narrow = looks[1]
    slow = tuple(
        request
        for request in question.combs
        if not request.slips and HARMONICS_IN_BAND * request.order <= narrow.spectra.top_order
    )
    names = {request.name for request in slow}
    n = narrow.spectra.power.shape[1]
    known = np.zeros(n, dtype=bool)
    for name, bins in first.owned:
        if name not in names:
            known |= bins[:n]
    second = {comb.tone: comb for comb in weigh(narrow.spectra, narrow.bands, slow, families, known=known).combs}
    combs = []
    for comb in first.combs:
        other = second.get(comb.tone)
        if other is not None:
            better = min(comb, other, key=lambda one: one.false_alarm_probability)
            comb = replace(better, false_alarm_probability=min(1.0, 2 * better.false_alarm_probability))
        combs.append(comb)
    return tuple(combs), first.strangers


def _beside(
    combs: tuple[CombEvidence, ...], look: Look, question: Question, families: Families
) -> tuple[CombEvidence, ...]:
    """Every comb with what is seen of it once the hits of the strongest are cut out, and of the next strongest too when
    that is clear by then. A comb that is chance to begin with is not read again."""
    requests = {request.name: request for request in question.combs}
    result = {comb.tone: comb for comb in combs}
    hits: list[Hits] = []
    known = np.zeros(look.spectra.power.shape[1], dtype=bool)
    waiting = {comb.tone for comb in combs if comb.false_alarm_probability <= WORTH_A_LOOK}
    strongest = max(combs, key=lambda comb: comb.score)
    while _clear(strongest) and len(hits) < MOST_CUT_OUT and waiting - {strongest.tone}:
        waiting -= {strongest.tone}
        request = requests[strongest.tone]
        hits.append(_hits(look.bands, strongest, request))
        bands = without(look.bands, hits)
        spectra = envelope_spectra(bands)
        known = known | own_lines(spectra, request, strongest.order)
        seen = weigh(spectra, bands, question.combs, families, known=known, asked=waiting).combs
        result |= {one.tone: replace(result[one.tone], beside=replace(one, apart=True)) for one in seen}
        strongest = max(seen, key=lambda comb: comb.score)
    return tuple(result.values())


def _hits(bands: Sequence[BandEnvelopes], comb: CombEvidence, request: CombRequest) -> Hits:
    return hits_of(bands, _wide_members(bands, comb), comb.order, slips=request.slips)


def _clear(comb: CombEvidence) -> bool:
    """Whether hits are so sure and so deep that they are cut out."""
    return comb.hit_over_floor_db >= CUT_FROM_DB and comb.false_alarm_probability <= CUT_FALSE_ALARM


def _spread(speed: SpeedEstimate, question: Question) -> float:
    """Relative half width within which the true speed surely lies."""
    sigma = speed.uncertainty_hz if speed.uncertainty_hz is not None else 0.0
    low, high = question.range_hz
    return min(3.0 * sigma / speed.input_hz, max(high / speed.input_hz - 1, 1 - low / speed.input_hz, 1e-6))


def _localised(
    combs: Sequence[CombEvidence],
    looks: Sequence[Look],
    question: Question,
    law: AngleLaw,
    spread: float,
) -> tuple[tuple[CombEvidence, ...], dict[str, Turn]]:
    """Each comb that belongs to a body's frame, with the place of its hits on that body."""
    requests = {request.name: request for request in question.combs}
    # Between the hits of others a comb may stand clearer than beside them.
    clearest = [
        max((c, c.beside or c), key=lambda one: one.hit_over_floor_db if _clear(one) else -np.inf) for c in combs
    ]
    hits = {comb.tone: _hits(looks[0].bands, comb, requests[comb.tone]) for comb in clearest if _clear(comb)}
    wanted = {request.tone: request for request in question.folds}
    result, turns = [], {}
    bands = looks[0].bands
    for comb in combs:
        request = wanted.get(comb.tone)
        if request is None:
            result.append(comb)
            continue
        members = _wide_members(bands, comb)
        blur = spread * comb.order * law.total_turns
        order = refined_order(bands, members, comb.order, bins=min(max(blur, 0.25), 8.0))
        sign = 1.0 if request.order > 0 else -1.0
        turn = fold(bands, members, sign * order, origin_turns=-float(law.turns[0]))
        turns[comb.tone] = turn
        place = localise(turn, meetings=request.meetings)
        others = [own for name, own in hits.items() if name != comb.tone]
        if others and comb.false_alarm_probability <= PLACED_BETWEEN:
            between = fold(bands, members, sign * order, origin_turns=-float(law.turns[0]), hidden=joined(others))
            again = localise(between, meetings=request.meetings)
            # Two looks are paid for.
            if 2 * again.false_alarm_probability < place.false_alarm_probability:
                place = replace(again, false_alarm_probability=2 * again.false_alarm_probability)
                turns[comb.tone] = between
        result.append(replace(comb, localisation=place))
    return tuple(result), turns


def _wide_members(bands: Sequence[BandEnvelopes], comb: CombEvidence) -> tuple[tuple[int, int], ...]:
    """The (channel, band) pairs that hold the band in which a comb was found: narrow bands blur the place of a hit."""
    low, high = comb.band_hz
    return tuple(
        (channel, row)
        for channel, band in enumerate(bands)
        if band.channel in comb.channels
        for row, centre in enumerate(band.centre_hz)
        if centre - band.width_hz / 2 < high - 1e-6 and low + 1e-6 < centre + band.width_hz / 2
    )


def group_of(looks: Sequence[Look], comb: CombEvidence) -> tuple[Look, int]:
    """The look and the group of its bands in which a comb was measured."""
    for look in looks:
        for group, members in enumerate(look.spectra.members):
            names = tuple(dict.fromkeys(look.bands[c].channel for c, _ in members))
            edges = (float(look.spectra.low_hz[group]), float(look.spectra.high_hz[group]))
            if names == comb.channels and edges == comb.band_hz:
                return look, group
    raise ValueError(f"no group of bands {comb.band_hz} of {comb.channels}")


def _mean_square(samples: NDArray[np.float32]) -> tuple[NDArray[np.float64], int]:
    """Hann-windowed mean square per bin of a whole row, one-sided; and the transform's length."""
    n = samples.size
    size = fast_length(n)
    taper = window("hann", n)
    spectrum = rfft(samples * taper.astype(np.float32), size)
    power = np.abs(spectrum).astype(np.float64) ** 2 * 2.0 / float(taper.sum()) ** 2
    # Padding makes bins narrower: keep "sum over bins / noise bandwidth = mean square" true.
    return power * (n / size), size


def _spectrum(name: str, samples: NDArray[np.float32], rate: float, law: AngleLaw) -> ChannelSpectrum:
    laid, per_turn = angular(samples, rate, law)
    power, size = _mean_square(laid)
    return ChannelSpectrum(channel=name, power=power, bin_hz=per_turn * law.mean_hz / size)


def _fixed_lines(
    name: str,
    samples: NDArray[np.float32],
    rate: float,
    law: AngleLaw,
    spectra: Sequence[ChannelSpectrum],
    question: Question,
) -> tuple[Line, ...]:
    """Lines that do not follow the shaft, from the spectrum against time (the same one when the speed is steady)."""
    if not question.lines_hz:
        return ()
    own = next(s for s in spectra if s.channel == name)
    if law.is_steady:
        power, bin_hz = own.power, own.bin_hz
    else:
        power, size = _mean_square(samples)
        bin_hz = rate / size
    return read_lines(power, bin_hz, question.lines_hz, noise_bandwidth_bins=HANN_NOISE_BINS, channel=name)
