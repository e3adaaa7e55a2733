"""One capture, read once: conditioned, put on angle, cut in bands, weighed at the orders asked for."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vibe.core.capture import Channel
from vibe.core.comb_history import Trace
from vibe.core.evidence import LEAST_ALTERNATIVE, CombEvidence, Localisation, SpeedEstimate
from vibe.core.outside_combs import EXACTLY, MOST_PER_TURN, OutsideComb
from vibe.spectra.analysis_request import AnalysisRequest, FoldRequest
from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.envelope.bands import BandEnvelopes
from vibe.spectra.envelope.envelope_spectrum import envelope_spectra, in_pieces
from vibe.spectra.envelope.impulse_gating import ImpactTimes, impacts_of, joined, without
from vibe.spectra.envelope.places import localise
from vibe.spectra.envelope.quiet_bands import quiet_looks
from vibe.spectra.envelope.staying_order import refined_order
from vibe.spectra.envelope.synchronous_average import Turn, fold
from vibe.spectra.evidence.comb import CombRequest, CombScorer
from vibe.spectra.evidence.comb_evidence import Weighed, own_lines, weigh
from vibe.spectra.evidence.comb_trace import trace
from vibe.spectra.evidence.decoy_null import Families
from vibe.spectra.evidence.quiet_combs import QuietCombs, quiet_combs
from vibe.spectra.outside.search import find_outside_combs
from vibe.spectra.segment import HARMONICS_IN_BAND, analyse_segment, spread_of
from vibe.spectra.segment_average import SLOW_CYCLES
from vibe.spectra.signal_analysis import BandAnalysis, SignalAnalysis

CUT_FROM_DB = 0.0
"""Impacts that double the mean power of their band are cut out, so that others can be read between them."""
CUT_FALSE_ALARM = 1e-4
"""And surely there: what is no comb must not cut holes."""
MOST_CUT_OUT = 2
"""Combs that are cut out together; more would leave too little of the time."""
WORTH_A_LOOK = 0.1
"""False-alarm probability up to which a tone is read again between the impacts of others."""
AMBIGUOUS_LINES = 200
"""Lines that a comb owns which may be a part's or another machine's: nobody else's."""
PIECE_TURNS = 400.0
"""Turns, half of them more and less, of the pieces over which lines of what slips are averaged. A race that strikes
seven times a turn, with random slip of 1 % from one to the next (Randall and Antoni 2011: 1 to 2 %), has lines 0.004
orders wide, 2 bins of such a piece: a longer transform spreads them over more bins and shows them no better."""
PLACED_BETWEEN = 0.01
"""And up to which its place on the turn is."""
SURE_PLACE = 1e-5
"""Chance of a sound turn looking so from which another band is asked too: above it a place may not be believed."""


def read(channels: Sequence[Channel], tachometer: Channel | None, analysis_request: AnalysisRequest) -> SignalAnalysis:
    """Answer ``analysis_request`` from the vibration ``channels`` (at least one, not rejected)."""
    return analysis_of(analyse_segment(channels, tachometer, analysis_request), analysis_request)


def analysis_of(
    segment: SignalAnalysis, analysis_request: AnalysisRequest, *, asked: Collection[str] | None = None
) -> SignalAnalysis:
    """``segment``, one or several that were joined, with what its bands say of the combs asked for: of those named by
    ``asked`` alone, all when None."""
    looks = segment.looks
    if not looks or not analysis_request.combs:
        return segment
    spread = spread_of(segment.speed, analysis_request)
    families = _families(segment.speed, analysis_request)
    outside_combs, known, families, first = _wide(looks[0], analysis_request, families, asked)
    combs = _weighed(looks, first, analysis_request, families, known, asked)
    traced: Trace | None = None
    quiet = QuietCombs(scores=(), combs=())
    if analysis_request.traced:
        plain = [(look.spectra, look.bands) for look in looks if not look.slow]
        if looks[0].spectra.averages == 1:
            narrow = quiet_looks(segment.samples, segment.law, looks[0].bands)
            names = [comb.tone for comb in combs]
            quiet = quiet_combs(names, analysis_request.combs, narrow, families, known)
        traced = trace(combs, analysis_request.combs, plain, families, known, quiet.scores)
    impacts = _Impacts(looks[0].bands, analysis_request)
    combs = _between_impacts(combs, looks[0], analysis_request, families, known, impacts)
    combs, turns = _localised(combs, looks, analysis_request, segment.law, spread, impacts)
    return replace(
        segment, combs=combs, outside_combs=outside_combs, turns=turns, trace=traced, quiet_combs=quiet.combs
    )


def with_outside_combs(segment: SignalAnalysis, analysis_request: AnalysisRequest) -> SignalAnalysis:
    """``segment`` as ``analysis_of`` would give it, but that no part is asked for: whether the drive is there at all
    needs no more."""
    if not segment.looks or not analysis_request.combs:
        return segment
    wide, families = segment.looks[0], _families(segment.speed, analysis_request)
    outside_combs, _ = find_outside_combs(
        wide.spectra, wide.bands, analysis_request.combs, families, analysis_request.surroundings.slow_turns
    )
    return replace(segment, outside_combs=outside_combs)


def _families(speed: SpeedEstimate, analysis_request: AnalysisRequest) -> Families:
    parts = {request.order for request in analysis_request.combs}
    return Families(
        benign=analysis_request.benign,
        speed_spread=spread_of(speed, analysis_request),
        declared=tuple(sorted({one.order for one in analysis_request.surroundings.sources} - parts)),
        other_speeds=_other_speeds(speed),
    )


def _other_speeds(speed: SpeedEstimate) -> float:
    """How far, relative, the farthest speed lies that is not excluded."""
    others = (hz for hz, chance in speed.alternatives[1:] if chance > LEAST_ALTERNATIVE)
    return max((abs(hz / speed.input_hz - 1) for hz in others), default=0.0)


def _wide(
    wide: BandAnalysis, analysis_request: AnalysisRequest, families: Families, asked: Collection[str] | None
) -> tuple[tuple[OutsideComb, ...], NDArray[np.bool_], Families, Weighed]:
    """Combs of other machines in the wide bands, the bins (n,) that they own, the families with what is theirs, and
    every comb weighed there. One scorer serves both, and is not kept: it may be large."""
    scorer = CombScorer(wide.spectra)
    outside_combs, known = find_outside_combs(
        wide.spectra, wide.bands, analysis_request.combs, families, analysis_request.surroundings.slow_turns,
        scorer=scorer,
    )  # fmt: skip
    families = replace(
        families,
        ambiguous=tuple((one.order, AMBIGUOUS_LINES) for one in outside_combs if one.ambiguous),
        every_turn=tuple((one.per_turn[1], one.every_turn) for one in outside_combs if one.per_turn and one.every_turn),
    )
    first = weigh(wide.spectra, wide.bands, analysis_request.combs, families, known=known, asked=asked, scorer=scorer)
    return outside_combs, known, families, first


def _weighed(
    looks: Sequence[BandAnalysis],
    first: Weighed,
    analysis_request: AnalysisRequest,
    families: Families,
    outside: NDArray[np.bool_],
    asked: Collection[str] | None,
) -> tuple[CombEvidence, ...]:
    """Every comb in the wide bands (``first``); slow exact ones in the narrow ones too, what slips over the pieces of a
    capture of many turns, and what is too slow for one segment of a long recording over all of it: the best of these
    looks, each paid for."""
    wide = looks[0]
    looks = (*looks, *_pieces(looks))
    seen: dict[str, list[CombEvidence]] = {comb.tone: [comb] for comb in first.combs}
    orders = {comb.tone: comb.order for comb in first.combs}
    for look in looks[1:]:
        requests = tuple(request for request in analysis_request.combs if _suits(request, look, wide))
        names = {request.name for request in requests}
        wanted = names if asked is None else names.intersection(asked)
        n = look.spectra.power.shape[1]
        known = outside[:n].copy() if not look.slow else np.zeros(n, dtype=bool)
        if look.pieces:
            known = _coarser(outside, look.spectra.step / wide.spectra.step, n)
        for name, bins in first.owned:
            if name in names:
                continue
            if look.pieces:
                known |= _coarser(bins, look.spectra.step / wide.spectra.step, n)
            elif look.slow:
                request = next(
                    (r for r in analysis_request.combs if r.name == name), CombRequest(name=name, order=orders[name])
                )
                known |= own_lines(look.spectra, request, orders[name])
            else:
                known |= bins[:n]
        if not wanted:
            continue
        for comb in weigh(look.spectra, look.bands, requests, families, known=known, asked=wanted).combs:
            seen[comb.tone].append(comb)
    combs = []
    for found in seen.values():
        best = min(found, key=lambda one: one.false_alarm_probability)
        combs.append(replace(best, false_alarm_probability=min(1.0, len(found) * best.false_alarm_probability)))
    return tuple(combs)


def _suits(request: CombRequest, look: BandAnalysis, wide: BandAnalysis) -> bool:
    """Whether a comb is read in a look besides the first."""
    if look.pieces:
        return request.slips and not _is_slow(request.order, look)
    if look.slow:
        return _is_slow(request.order, wide)
    return not request.slips and HARMONICS_IN_BAND * request.order <= look.spectra.top_order


def _pieces(looks: Sequence[BandAnalysis]) -> Iterator[BandAnalysis]:
    """The wide bands again, their lines averaged over pieces, where one recording in one segment has turns for two."""
    wide = looks[0]
    count = int(min(band.turns for band in wide.bands) / PIECE_TURNS)
    if count > 1 and wide.means.averages == 1 and not any(look.slow for look in looks):
        yield BandAnalysis(bands=wide.bands, means=in_pieces(wide.bands, count), pieces=True)


def _coarser(bins: NDArray[np.bool_], times: float, count: int) -> NDArray[np.bool_]:
    """(count,) bins of an axis that is as many times coarser, which hold one of ``bins``."""
    found = np.zeros(count, dtype=bool)
    places = np.round(np.flatnonzero(bins) / times).astype(np.int64)
    found[places[places < count]] = True
    return found


def _is_slow(order: float, wide: BandAnalysis) -> bool:
    """Whether one segment of a long recording holds too few repeats."""
    return order < SLOW_CYCLES * wide.spectra.step


def _between_impacts(
    combs: tuple[CombEvidence, ...],
    look: BandAnalysis,
    analysis_request: AnalysisRequest,
    families: Families,
    outside: NDArray[np.bool_],
    impacts: _Impacts,
) -> tuple[CombEvidence, ...]:
    """Every comb with what is seen of it once the impacts of the strongest are cut out, and of the next strongest too
    when that is clear by then. A comb that is chance to begin with is not read again."""
    requests = {request.name: request for request in analysis_request.combs}
    result = {comb.tone: comb for comb in combs}
    cut: list[ImpactTimes] = []
    known = outside.copy()
    waiting = {comb.tone for comb in combs if comb.false_alarm_probability <= WORTH_A_LOOK}
    strongest = max(combs, key=lambda comb: comb.score)
    while _clear(strongest) and len(cut) < MOST_CUT_OUT and waiting - {strongest.tone}:
        waiting -= {strongest.tone}
        request = requests[strongest.tone]
        cut.append(impacts.of(strongest))
        bands = without(look.bands, cut)
        spectra = envelope_spectra(bands)
        known = known | own_lines(spectra, request, strongest.order)
        seen = weigh(spectra, bands, analysis_request.combs, families, known=known, asked=waiting).combs
        result |= {one.tone: replace(result[one.tone], after_gating=replace(one, gated=True)) for one in seen}
        strongest = max(seen, key=lambda comb: comb.score)
    return tuple(result.values())


def _impacts(bands: Sequence[BandEnvelopes], comb: CombEvidence, request: CombRequest) -> ImpactTimes:
    return impacts_of(bands, _wide_members(bands, comb), comb.order, slips=request.slips)


class _Impacts:
    """When the impacts of combs ring in the wide ``bands``, worked out when they are first asked for."""

    def __init__(self, bands: Sequence[BandEnvelopes], analysis_request: AnalysisRequest) -> None:
        self._bands = bands
        self._requests = {request.name: request for request in analysis_request.combs}
        self._known: dict[tuple[object, ...], ImpactTimes] = {}

    def of(self, comb: CombEvidence) -> ImpactTimes:
        key = comb.tone, comb.order, comb.band_hz, comb.channels
        if key not in self._known:
            self._known[key] = _impacts(self._bands, comb, self._requests[comb.tone])
        return self._known[key]


def _clear(comb: CombEvidence) -> bool:
    """Whether impacts are so sure and so deep that they are cut out."""
    return comb.hit_over_floor_db >= CUT_FROM_DB and comb.false_alarm_probability <= CUT_FALSE_ALARM


def _localised(
    combs: Sequence[CombEvidence],
    looks: Sequence[BandAnalysis],
    analysis_request: AnalysisRequest,
    law: AngleLaw,
    spread: float,
    impacts: _Impacts,
) -> tuple[tuple[CombEvidence, ...], dict[str, Turn]]:
    """Each comb that belongs to a body's frame, with the place of its impacts on that body."""
    # Between the impacts of others a comb may stand clearer than among them.
    clearest = [
        max((c, c.after_gating or c), key=lambda one: one.hit_over_floor_db if _clear(one) else -np.inf) for c in combs
    ]
    clear = [comb for comb in clearest if _clear(comb)]
    wanted = {request.tone: request for request in analysis_request.folds}
    result, turns = [], {}
    whole = next((look for look in looks if look.slow), None)
    for comb in combs:
        request = wanted.get(comb.tone)
        if request is None:
            result.append(comb)
            continue
        slow = whole is not None and _is_slow(comb.order, looks[0])
        bands = whole.bands if whole is not None and slow else looks[0].bands
        members = _wide_members(bands, comb)
        blur = spread * comb.order * bands[0].turns
        order = refined_order(bands, members, comb.order, bins=min(max(blur, 0.25), 8.0))
        sign = 1.0 if request.order > 0 else -1.0
        turn = fold(bands, members, sign * order, origin_turns=-float(law.turns[0]), parts=request.parts)
        turns[comb.tone] = turn
        stands = _stands(request.order, analysis_request.surroundings.slow_turns)
        place = localise(turn, meetings=request.meetings, stands=stands)
        if place.false_alarm_probability > SURE_PLACE and comb.false_alarm_probability <= PLACED_BETWEEN and not slow:
            turns[comb.tone], place = _surer(place, turn, bands, comb, request, sign * order, law, stands)
        others = [other for other in clear if other.tone != comb.tone]
        if others and not slow and comb.false_alarm_probability <= PLACED_BETWEEN:
            between = fold(
                bands, members, sign * order, origin_turns=-float(law.turns[0]),
                hidden=joined([impacts.of(other) for other in others]), parts=request.parts,
            )  # fmt: skip
            again = localise(between, meetings=request.meetings, stands=stands)
            # Two looks are paid for.
            if 2 * again.false_alarm_probability < place.false_alarm_probability:
                place = replace(again, false_alarm_probability=2 * again.false_alarm_probability)
                turns[comb.tone] = between
        result.append(replace(comb, localisation=place))
    return tuple(result), turns


def _surer(
    place: Localisation,
    turn: Turn,
    bands: Sequence[BandEnvelopes],
    comb: CombEvidence,
    request: FoldRequest,
    order: float,
    law: AngleLaw,
    stands: int,
) -> tuple[Turn, Localisation]:
    """The turn laid in the band that showed a comb's presence best, then in all bands, where that shows its place
    better.

    Strong impacts ring long in the band where they are deepest, and a turn that never comes to rest there cannot show
    one place; other bands ring off sooner. All looks are paid for.
    """
    looks = [tuple((channel, row) for channel, band in enumerate(bands) for row in range(len(band.centre_hz)))]
    if comb.surest_band_hz is not None and comb.surest_band_hz != comb.band_hz:
        looks.insert(0, _wide_members(bands, replace(comb, band_hz=comb.surest_band_hz, channels=comb.surest_channels)))
    best, shown = place, turn
    for paid, members in enumerate(looks, start=2):
        other = fold(bands, members, order, origin_turns=-float(law.turns[0]), parts=request.parts)
        again = localise(other, meetings=request.meetings, stands=stands)
        chance = min(1.0, paid * again.false_alarm_probability)
        if chance < best.false_alarm_probability:
            best, shown = replace(again, false_alarm_probability=chance), other
        if best.false_alarm_probability <= SURE_PLACE:
            break
    return shown, best


def _stands(order: float, slow_turns: Sequence[float]) -> int:
    """Turns of a frame of ``order`` after which one of ``slow_turns``, shafts that turn other machines, stands
    as it did, the fewest; 0 where it takes no whole number."""
    times = [abs(order) / turn for turn in slow_turns if turn > 0]
    whole = (round(one) for one in times if one and abs(round(one) / one - 1) < EXACTLY)
    return min((number for number in whole if 1 < number <= MOST_PER_TURN), default=0)


def _wide_members(bands: Sequence[BandEnvelopes], comb: CombEvidence) -> tuple[tuple[int, int], ...]:
    """The (channel, band) pairs that hold the band in which a comb was found: narrow bands blur the place of an
    impact."""
    low, high = comb.band_hz
    return tuple(
        (channel, row)
        for channel, band in enumerate(bands)
        if band.channel in comb.channels
        for row, centre in enumerate(band.centre_hz)
        if centre - band.width_hz / 2 < high - 1e-6 and low + 1e-6 < centre + band.width_hz / 2
    )


def group_of(looks: Sequence[BandAnalysis], comb: CombEvidence) -> tuple[BandAnalysis, int]:
    """The look and the group of its bands in which a comb was measured."""
    for look in sorted(looks, key=lambda one: one.slow != _is_slow(comb.order, looks[0])):
        for group, members in enumerate(look.spectra.members):
            names = tuple(dict.fromkeys(look.bands[c].channel for c, _ in members))
            edges = (float(look.spectra.low_hz[group]), float(look.spectra.high_hz[group]))
            if names == comb.channels and edges == comb.band_hz:
                return look, group
    raise ValueError(f"no group of bands {comb.band_hz} of {comb.channels}")
