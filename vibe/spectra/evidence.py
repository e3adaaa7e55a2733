"""Asked-for orders, weighed one after another: the strongest first, its lines taken out before the next is read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation, maximum_filter1d

from vibe.core.evidence import CombEvidence, CombLine
from vibe.spectra.bands import BandEnvelopes
from vibe.spectra.comb import CombRequest, CombScorer, EnvelopeSpectra, Scores, owned

TAIL_SHARE = 0.1
"""Share of the decoys, the highest, to whose excesses the exponential tail is fitted."""
KIND_WORTH = 5.0
"""Excesses that knowing the kind of law is worth: a line's -ln p is exponential, only the scale must be learnt."""
BLOCK = 4
"""Curve points (half bins) per decoy place: about one resolvable order."""
DECOY_SPAN = 3.0
"""Decoys lie within this factor of the tone's order, where floor and bands are alike."""
SIDEBANDS_CLEARED = 4
"""Sidebands either side of a found tone's harmonics that are taken out with it."""
MOST_SUSPECTS = 5
"""Strongest combs that are tried one after another."""
EXACT_WITHIN_BINS = 0.1
"""How far a tone without slip may lie off its order besides the speed's uncertainty."""
LEAST_FALSE_ALARM = 1e-9
"""No capture supports a smaller probability, however far the fitted tail is drawn out."""
LEAST_BINS_APART = 30
"""Bins between the harmonics of a comb from which its own lines are left out of its decoys."""
MOST_OWNED = 0.65
"""Share of the axis that a comb with its sidebands may own."""
MOST_CLEARED = 40
"""Harmonics of a found comb that are taken out, where random slip smears them; all of them where it does not."""
FLATTERY = 1.5
"""Taking a comb's own lines out of its decoys flatters it by about this much, measured on bearing tones of sound drives
(the study of false alarms)."""
FEWEST_DECOYS = 100
"""With fewer, places inside the windows of tones that showed nothing serve as decoys too."""
ALMOST_AS_SURE = 0.7
"""Share of the best group's summed log power from which another group may give the size."""
MOST_DECOYS = 1200
STILL_A_LINE = 8.0
"""Power over the floor from which a bin beside a line belongs to it: noise is there once in 3,000 bins."""
GROWN_SHARE = 0.02
"""How far a line may be smeared, relative to its comb's order."""
GROWN_INNOCENT_BINS = 6
"""And an innocent's line, whose order is exact."""
PLAUSIBLE = 0.5
"""False-alarm probability up to which a suspect's lines are kept from the others: nobody's decoys, nobody's proof."""
MOST_STRANGERS = 2
STRANGER_FALSE_ALARM = 1e-4
"""A stranger takes lines away from everybody else, so it must be surer than they."""
STRANGER_NOT_NEAR = 0.03
STRANGER_FROM_ORDER = 0.9
"""Slower strangers would own half of the axis."""
LIMIT_FALSE_ALARM = 1e-3
"""False-alarm probability per tone at which the detection limit of a capture is stated."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Families:
    """Orders that innocents make, (order, harmonics) each, and the relative uncertainty of the speed."""

    innocent: tuple[tuple[float, int], ...]
    speed_spread: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Reading:
    request: CombRequest
    carrier: int
    order: float
    score: float
    group: int
    harmonics: int
    sidebands: tuple[float, ...]
    places: int
    """Half-bin places in the window."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Weighed:
    """Evidence for every request, in the order asked; and strangers: strong combs where nobody asked for one."""

    combs: tuple[CombEvidence, ...]
    strangers: tuple[CombEvidence, ...]
    owned: tuple[tuple[str, NDArray[np.bool_]], ...] = ()
    """Bins (n,) of each plausible comb, by tone."""


def weigh(
    spectra: EnvelopeSpectra,
    bands: Sequence[BandEnvelopes],
    requests: Sequence[CombRequest],
    families: Families,
    *,
    known: NDArray[np.bool_] | None = None,
) -> Weighed:
    """Evidence for every request and for strangers that outshine them.

    The strongest combs are taken one after another, each one's lines and sidebands masked before the next is read, so
    that one defect's lines are not counted twice. A comb at an order that nobody asked for takes its lines with it
    too: what it makes at other orders is its own. ``known`` (n,) marks lines that are explained beforehand.
    ``requests`` must not share an order.
    """
    scorer = CombScorer(spectra)
    explained = np.zeros(spectra.power.shape[1], dtype=bool) if known is None else known
    waiting = list(requests)
    strangers: list[CombEvidence] = []
    claims: list[tuple[str, NDArray[np.bool_]]] = []
    suspects: list[tuple[_Reading, NDArray[np.bool_]]] = []
    done: dict[str, CombEvidence] = {}
    while waiting and len(suspects) + len(done) < MOST_SUSPECTS:
        ground = _Ground(scorer, requests, families, explained)
        best = _first([ground.read(request) for request in waiting], spectra)
        own = _lines_mask(spectra, best)
        if not suspects and best.request.slips and len(strangers) < MOST_STRANGERS:
            stranger = ground.stranger()
            if stranger is not None and _outshines(spectra, bands, stranger, best):
                beyond = explained | _lines_mask(spectra, stranger)
                evidence = _judge(bands, stranger, _Ground(scorer, requests, families, beyond))
                if evidence.false_alarm_probability <= STRANGER_FALSE_ALARM:
                    strangers.append(evidence)
                    claims.append((evidence.tone, beyond & ~explained))
                    explained = beyond
                    continue
        waiting.remove(best.request)
        evidence = _judge(bands, best, _Ground(scorer, requests, families, _null(spectra, best, explained, own)))
        if evidence.false_alarm_probability <= PLAUSIBLE:
            suspects.append((best, own))
            explained = explained | own
        else:
            done[best.request.name] = evidence
    for best, own in suspects:
        null = _null(spectra, best, explained, own)
        done[best.request.name] = _judge(bands, best, _Ground(scorer, requests, families, null))
    ground = _Ground(scorer, requests, families, explained)
    for request in waiting:
        done[request.name] = _judge(bands, ground.read(request), ground)
    claims += [(best.request.name, own) for best, own in suspects]
    return Weighed(
        combs=tuple(done[request.name] for request in requests), strangers=tuple(strangers), owned=tuple(claims)
    )


def _null(
    spectra: EnvelopeSpectra, reading: _Reading, explained: NDArray[np.bool_], own: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Bins that a comb's decoys may not use: what is explained, and its own lines, which speak at its sums and
    differences. Not these where harmonics lie close: that would take out the noise that made the score as well."""
    roomy = reading.order / reading.carrier > LEAST_BINS_APART * spectra.step
    return explained | own if roomy else explained & ~own


def _outshines(spectra: EnvelopeSpectra, bands: Sequence[BandEnvelopes], stranger: _Reading, best: _Reading) -> bool:
    """Whether a stranger is the cause of what ``best`` shows rather than the other way round: surer, and of deeper
    hits. A comb's own lines are deeper than those of its sums and differences with the shaft."""
    if stranger.score <= best.score:
        return False
    own, other = (_measure(spectra, bands, reading, 0.0).hit_over_floor_db for reading in (stranger, best))
    return own > other


def _first(readings: Sequence[_Reading], spectra: EnvelopeSpectra) -> _Reading:
    """The strongest reading, unless its lines are harmonics of one of its own modulators.

    A comb whose order is a whole multiple of its sidebands' spacing is no comb with sidebands: it is the slower comb,
    whose own first harmonics are then as strong (a cage that strikes looks like a rolling element with cage
    sidebands; a damaged rolling element makes strong lines of its own and weak ones of the cage).
    """
    best = max(readings, key=lambda reading: reading.score)
    for other in readings:
        modulates = any(abs(other.request.order / side - 1) < 0.05 for side in best.sidebands)
        ratio = best.order / other.order
        if not modulates or abs(ratio - round(ratio)) > 0.02:
            continue
        if _first_lines_db(spectra, best.group, other.order) > _first_lines_db(spectra, best.group, best.order) - 3.0:
            return other
    return best


def _first_lines_db(spectra: EnvelopeSpectra, group: int, order: float) -> float:
    """Mean level over the floor of the first three harmonics [dB]."""
    power = spectra.power[group]
    middles = [round(harmonic * order / spectra.step) for harmonic in (1, 2, 3)]
    peaks = [float(power[max(0, m - 1) : m + 2].max(initial=0.0)) for m in middles]
    return float(np.mean([_db(peak) for peak in peaks]))


class _Ground:
    """The envelope spectra with some lines already explained: where tones are read and decoys are scored."""

    def __init__(
        self,
        scorer: CombScorer,
        requests: Sequence[CombRequest],
        families: Families,
        explained: NDArray[np.bool_],
    ) -> None:
        self.scorer, self.requests, self.families, self.explained = scorer, requests, families, explained
        self._masks: dict[tuple[tuple[float, int], ...], NDArray[np.bool_]] = {}
        self._decoys: dict[object, tuple[Scores, NDArray[np.bool_]]] = {}

    def mask(self, request: CombRequest) -> NDArray[np.bool_]:
        """Bins that tell nothing of a request: explained ones, and those of innocents other than itself."""
        innocent = tuple(f for f in self.families.innocent if not _belongs(request, f[0]))
        if innocent not in self._masks:
            step = self.scorer.spectra.step
            lines = owned(innocent, step, self.explained.size, spread=self.families.speed_spread)
            strongest = self.scorer.spectra.power.max(axis=0) - np.log(self.scorer.spectra.power.shape[0])
            self._masks[innocent] = self.explained | _grown(lines, strongest, GROWN_INNOCENT_BINS)
        return self._masks[innocent]

    def read(self, request: CombRequest) -> _Reading:
        """The best place inside a request's window, over its carriers and with or without its sidebands."""
        readings = []
        for carrier in request.carriers:
            places = self.places(request, carrier)
            for sidebands in ((), request.sidebands) if request.sidebands else ((),):
                scores = self._score(request, sidebands, places)
                spot = int(scores.score.argmax())
                readings.append(
                    _Reading(
                        request=request, carrier=carrier, order=float(scores.orders[spot]),
                        score=float(scores.score[spot]), group=int(scores.group[spot]),
                        harmonics=int(scores.harmonics[spot]), sidebands=sidebands, places=scores.score.size,
                    )
                )  # fmt: skip
        return max(readings, key=lambda reading: reading.score)

    def stranger(self) -> _Reading | None:
        """The best comb at an order that neither requests nor innocents explain; None when there is no such order."""
        fastest = max(request.order * max(request.carriers) for request in self.requests)
        orders = self.scorer.half_bins(STRANGER_FROM_ORDER, max(3.0 * fastest, 2.0 * STRANGER_FROM_ORDER))
        anywhere = CombRequest(name="", order=1.0, slip=(-1e-9, 1e-9))
        scores = self._score(anywhere, (), orders)
        usable = self._outside(self.requests, scores.orders, (1.0,)) & scores.told
        # A requested comb's own lines, counted by twos or threes, are no stranger, even a little off its place.
        usable &= self._outside(self.requests, scores.orders, (0.25, 1 / 3, 0.5, 2.0, 3.0), wider=STRANGER_NOT_NEAR)
        usable &= self._away_from_innocents(scores.orders)
        if not usable.any():
            return None
        spot = int(np.where(usable, scores.score, -1.0).argmax())
        order = float(scores.orders[spot])
        return _Reading(
            request=replace(anywhere, name=f"unknown {order:.4g}", order=order), carrier=1, order=order,
            score=float(scores.score[spot]), group=int(scores.group[spot]),
            harmonics=int(scores.harmonics[spot]), sidebands=(), places=int(usable.sum()),
        )  # fmt: skip

    def _score(self, request: CombRequest, sidebands: tuple[float, ...], orders: NDArray[np.float64]) -> Scores:
        return self.scorer.score(
            orders, slip=request.slips, mask=self.mask(request), sidebands=sidebands,
            max_harmonic=request.max_harmonic,
        )  # fmt: skip

    def places(self, request: CombRequest, carrier: int) -> NDArray[np.float64]:
        """Orders at which a tone is looked for: half bins where it may slip; else its own order, only as finely
        scattered as the speed is unsure, so that the highest harmonic is met."""
        low, high = self.window(request, carrier)
        if request.slips:
            return self.scorer.half_bins(low, high)
        step = self.scorer.spectra.step
        middle = request.order * carrier
        fine = step / (2.0 * max(1.0, min(request.max_harmonic, self.scorer.spectra.top_order / middle)))
        reach = int(np.ceil((self.families.speed_spread * middle + EXACT_WITHIN_BINS * step) / fine))
        return np.asarray(middle + np.arange(-reach, reach + 1) * fine, dtype=np.float64)

    def window(self, request: CombRequest, carrier: int) -> tuple[float, float]:
        """Orders within which a tone may lie: its slip, the speed's uncertainty, half a bin."""
        middle, spread = request.order * carrier, self.families.speed_spread
        half_bin = self.scorer.spectra.step / 2
        return middle * (1 + request.slip[0] - spread) - half_bin, middle * (1 + request.slip[1] + spread) + half_bin

    def decoys(self, reading: _Reading) -> NDArray[np.float32]:
        """Sorted largest scores of decoy places: within the span of the tone's order, real families left out."""
        request, half = reading.request, self.scorer.spectra.step / 2
        middle = request.order * reading.carrier
        orders = self.scorer.half_bins(middle / DECOY_SPAN, middle * DECOY_SPAN)
        if orders.size < BLOCK * 2 * FEWEST_DECOYS:
            # At low orders a factor spans few places: look higher for the rest.
            orders = self.scorer.half_bins(orders[0], orders[0] + BLOCK * 2 * FEWEST_DECOYS * half)
        if orders.size > BLOCK * MOST_DECOYS:
            low = max(orders[0], middle - BLOCK * MOST_DECOYS // 3 * half)
            orders = orders[orders >= low][: BLOCK * MOST_DECOYS]
        scores = self._score(request, reading.sidebands, orders)
        blocks = scores.score.size // BLOCK
        places = scores.score[: blocks * BLOCK].reshape(blocks, BLOCK).max(axis=1)
        own = self._outside([request], scores.orders, (1.0, 0.5, 2.0)) & scores.told
        clear = own & self._outside(self.requests, scores.orders, (1.0,)) & self._away_from_innocents(scores.orders)
        for usable in (clear, own & self._away_from_innocents(scores.orders), own):
            whole = usable[: blocks * BLOCK].reshape(blocks, BLOCK).all(axis=1)
            if whole.sum() >= FEWEST_DECOYS:
                break
        return np.sort(places[whole])

    def _outside(
        self, requests: Sequence[CombRequest], orders: NDArray[np.float64], ratios: Sequence[float], wider: float = 0.0
    ) -> NDArray[np.bool_]:
        """Orders outside the windows of requests times ``ratios``, each ``wider`` (relative) either side."""
        usable = np.ones(orders.size, dtype=bool)
        for request in requests:
            for carrier in request.carriers:
                low, high = self.window(request, carrier)
                for ratio in ratios:
                    usable &= (orders < low * ratio * (1 - wider)) | (orders > high * ratio * (1 + wider))
        return usable

    def _away_from_innocents(self, orders: NDArray[np.float64]) -> NDArray[np.bool_]:
        usable = np.ones(orders.size, dtype=bool)
        for order, harmonics in self.families.innocent:
            nearest = np.round(orders / order)
            usable &= (nearest > harmonics) | (np.abs(orders - nearest * order) > 3 * self.scorer.spectra.step)
        return usable


def _belongs(request: CombRequest, order: float) -> bool:
    """Whether a family is the tone's own: equal orders."""
    return abs(order / request.order - 1.0) < 1e-6


def _lines_mask(spectra: EnvelopeSpectra, reading: _Reading) -> NDArray[np.bool_]:
    """Everything a found comb may own: harmonics, and sidebands at its modulators and at the input.

    Where these would own too much of the axis for anything else to be heard, the harmonics alone.
    """
    base = reading.order / reading.carrier
    # Only what is slower than the comb itself can modulate it.
    spacings = {side for side in {*reading.request.sidebands, *([1.0] if reading.request.slips else [])} if side < base}
    shifts = [s * k * side for side in spacings for k in range(1, SIDEBANDS_CLEARED + 1) for s in (-1, 1)]
    whole = _harmonics_mask(spectra, reading, [0.0, *shifts])
    return whole if whole.mean() <= MOST_OWNED else _harmonics_mask(spectra, reading, [0.0])


def _harmonics_mask(spectra: EnvelopeSpectra, reading: _Reading, shifts: Sequence[float]) -> NDArray[np.bool_]:
    """Bins (n,) of a comb's harmonics, each moved by ``shifts`` (in orders)."""
    n = spectra.power.shape[1]
    mask = np.zeros(n, dtype=bool)
    base, slip = reading.order / reading.carrier, reading.request.slips
    most = int(n * spectra.step / base)
    if slip:
        most = min(most, MOST_CLEARED)
    elif base < LEAST_BINS_APART * spectra.step:
        most = min(most, reading.harmonics)  # All of them would fill a part of the axis that others need.
    for harmonic in range(1, most + 1):
        half = 2 + (harmonic // 2 if slip else 0)
        if half > max(2.0, 0.2 * base / spectra.step):
            break  # Wider windows would run together and leave nothing to compare with.
        for shift in shifts:
            middle = round((harmonic * base + shift) / spectra.step)
            if -half <= middle < n + half:
                mask[max(0, middle - half) : middle + half + 1] = True
    return _grown(mask, spectra.power[reading.group], GROWN_SHARE * base / spectra.step)


def _grown(mask: NDArray[np.bool_], power: NDArray[np.floating], reach: float) -> NDArray[np.bool_]:
    """``mask`` (n,) spread along lines that are broader than expected, at most ``reach`` bins: random slip and a speed
    that is not followed to the last bin smear them."""
    steps = int(reach)
    if steps < 1:
        return mask
    strong = maximum_filter1d(power, 3) > STILL_A_LINE
    result: NDArray[np.bool_] = binary_dilation(mask, iterations=steps, mask=strong | mask)
    return result


def _judge(bands: Sequence[BandEnvelopes], reading: _Reading, ground: _Ground) -> CombEvidence:
    """A reading's false-alarm probability on ``ground``, and what it measures."""
    request = reading.request
    decoys = ground.decoys(reading)
    tail = _Tail.of(decoys)
    searched = max(1, round(reading.places / BLOCK)) * len(request.carriers) * (2 if request.sidebands else 1)
    probability = tail.exceedance(reading.score)
    fap = max(LEAST_FALSE_ALARM, float(-np.expm1(FLATTERY * searched * np.log1p(-min(probability, 1 - 1e-12)))))
    limit_score = tail.score_at(LIMIT_FALSE_ALARM / (FLATTERY * searched))
    return replace(
        _measure(ground.scorer.spectra, bands, reading, limit_score),
        false_alarm_probability=fap, places_searched=searched, decoys=int(decoys.size),
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class _Tail:
    """Exceedance law of decoy scores: counted up to ``start``, beyond it fitted to the ``count`` highest excesses."""

    places: NDArray[np.float32]
    start: float
    scale: float
    count: int
    worth: float
    """Independent excesses that the fitted ones are worth: combs of neighbouring orders share lines."""

    @classmethod
    def of(cls, places: NDArray[np.float32]) -> _Tail:
        cut = min(int(places.size * (1 - TAIL_SHARE)), max(0, places.size - 3))
        start = float(places[cut]) if places.size else 0.0
        excess = places[cut:] - start
        scale = max(float(excess.mean()), 1.0) if excess.size else 4.0
        return cls(
            places=places, start=start, scale=scale, count=max(1, int(excess.size)), worth=KIND_WORTH + excess.size / 2
        )

    def exceedance(self, score: float) -> float:
        """Probability that one more place scores ``score`` or more.

        Beyond the start this is the predictive law of an exponential whose mean was learnt from m excesses,
        (1 + x / (m·mean))^-m: few decoys promise little.
        """
        if self.places.size == 0:
            return 1.0
        if score < self.start:
            return float((self.places >= score).mean())
        share = self.count / self.places.size
        return share * float((1 + (score - self.start) / (self.worth * self.scale)) ** -self.worth)

    def score_at(self, probability: float) -> float:
        """The score that one place exceeds with ``probability``."""
        share = self.count / max(1, self.places.size)
        ratio = max(share / probability, 1.0)
        return self.start + self.worth * self.scale * float(ratio ** (1 / self.worth) - 1)


def _measure(
    spectra: EnvelopeSpectra, bands: Sequence[BandEnvelopes], reading: _Reading, limit_score: float
) -> CombEvidence:
    """Lines, strength and detection limit of a comb in the group of bands where its hits are strongest."""
    group, step = _strongest_group(spectra, reading), spectra.step
    power, modulation = spectra.power[group], spectra.modulation[group]
    n = power.size
    slip = reading.request.slips

    def line(order: float, harmonic: int) -> tuple[float, float]:
        middle = round(order / step)
        half = max(1, harmonic // 2) if slip else 1
        if not half < middle < n - half:
            return 0.0, 0.0
        spot = middle - half + int(power[middle - half : middle + half + 1].argmax())
        return float(power[spot]), float(modulation[spot])

    harmonics = range(1, max(reading.harmonics, 3) + 1)
    lines, sides = [], []
    depth = 0.0
    for harmonic in harmonics:
        over, amplitude = line(reading.order * harmonic, harmonic)
        lines.append(CombLine(order=reading.order * harmonic, over_floor_db=_db(over)))
        # The floor's own share of the line's power is taken off.
        depth += amplitude * float(np.sqrt(max(0.0, 1 - 1 / max(over, 1.0))))
        for spacing in reading.request.sidebands:
            for sign in (-1, 1):
                where = reading.order * harmonic + sign * spacing
                if harmonic <= 4 and where > 0:
                    sides.append(CombLine(order=where, over_floor_db=_db(line(where, harmonic)[0])))
    members = spectra.members[group]
    rms = float(np.sqrt(np.mean([_group_power(bands, members, channel) for channel in {c for c, _ in members}])))
    floor = float(np.median(modulation / np.sqrt(np.maximum(power, 1e-12))))
    # A comb of five equal lines that together reach the limit: each needs about this power over the floor.
    needed = 5 * np.sqrt(max(limit_score, 5.0) / 5.0 + 1.0) * floor
    return CombEvidence(
        tone=reading.request.name,
        order=reading.order / reading.carrier if slip else reading.request.order,
        score=reading.score,
        false_alarm_probability=1.0,
        places_searched=0,
        decoys=0,
        lines=tuple(lines),
        sideband_lines=tuple(sides),
        band_hz=(float(spectra.low_hz[group]), float(spectra.high_hz[group])),
        channels=tuple(dict.fromkeys(bands[c].channel for c, _ in members)),
        hit_m_s2=float(np.sqrt(2 * depth)) * rms,
        hit_over_floor_db=_db(depth),
        limit_m_s2=float(np.sqrt(2 * needed)) * rms,
        limit_over_floor_db=_db(needed),
    )


def _strongest_group(spectra: EnvelopeSpectra, reading: _Reading) -> int:
    """Of the groups that show a comb almost as surely as the best one, that with the deepest modulation.

    The score counts strong lines by their logarithm, so it tells presence well and size badly.
    """
    slip = reading.request.slips
    groups = np.arange(spectra.power.shape[0])
    surprise, depth = np.zeros(groups.size), np.zeros(groups.size)
    for harmonic in range(1, max(reading.harmonics, 3) + 1):
        middle, half = round(reading.order * harmonic / spectra.step), max(1, harmonic // 2) if slip else 1
        if not half < middle < spectra.power.shape[1] - half:
            break
        window = slice(middle - half, middle + half + 1)
        spot = spectra.power[:, window].argmax(axis=1)
        over = spectra.power[:, window][groups, spot]
        surprise += np.log(np.maximum(over, 1.0))
        depth += spectra.modulation[:, window][groups, spot] * np.sqrt(np.maximum(0.0, 1 - 1 / np.maximum(over, 1.0)))
    sure = surprise >= ALMOST_AS_SURE * surprise.max()
    return int(groups[sure][depth[sure].argmax()])


def _group_power(bands: Sequence[BandEnvelopes], members: Sequence[tuple[int, int]], channel: int) -> float:
    return float(sum(bands[c].band_rms[b] ** 2 for c, b in members if c == channel))


def _db(ratio: float) -> float:
    return float(10 * np.log10(max(ratio, 1e-9)))
