"""Envelope spectra with some lines already explained: where tones are read and decoys are scored."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from functools import cached_property
from math import log10, sqrt

import numpy as np
from numpy.typing import NDArray

from vibe.spectra.evidence.comb import SMEARED_TURNS, STILL_A_LINE, CombRequest, Combs, CombScorer, owned

BLOCK = 4
"""Curve points (half bins) per decoy place: about one resolvable order."""
DECOY_SPAN = 3.0
"""Decoys lie within this factor of the tone's order, where floor and bands are alike."""
FEWEST_DECOYS = 100
"""With fewer, places inside the windows of tones that showed nothing serve as decoys too."""
FEW_DECOYS = 50
"""With fewer no comb can be sure, however strong: then decoys are sought further up."""
FURTHER = 8
"""How many times more places are looked at then."""
FEWEST_HARMONICS = 3
"""Harmonics that a decoy must have room for."""
MOST_DECOYS = 1200
"""More cost time and show no more."""
EXACT_WITHIN_BINS = 0.1
"""How far a tone without slip may lie off its order besides the speed's uncertainty."""
NOISE_LINE_DB, NOISE_SCATTER_DB, SURELY = 1.9, 2.1, 5.0
"""Level of the highest of three bins of noise over its floor, nothing counting below that, its standard deviation (both
simulated, Hann window), and how many of these the mean of several lies above it once in a million times."""
GROWN_BENIGN_BINS = 6
"""And a benign source's line, whose order is exact."""

MOST_KEPT = 3
"""Spectra with other bins explained that are kept, the last ones: of 50,000 places of decoys that 12 captures scored
twice, two kept leave 12,000 and three 1,200."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Families:
    """Orders that benign sources make, (order, harmonics) each, and the relative uncertainty of the speed."""

    benign: tuple[tuple[float, int], ...]
    speed_spread: float = 0.0
    other_speeds: float = 0.0
    """How far, relative, the farthest speed lies that the lines allow besides."""
    ambiguous: tuple[tuple[float, int], ...] = ()
    """Combs of other machines at orders where a part in the question has its tone too: nobody else's."""
    every_turn: tuple[tuple[float, int], ...] = ()
    """(turn, lines) of shafts that turn a machine whose teeth or links differ: every line per turn is that machine's
    rather than one of a part that slips. Parts without slip lie at such multiples themselves and are not concerned."""
    declared: tuple[float, ...] = ()
    """Of the benign orders those that other machines are known to make, and no part of this one."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CombReading:
    """The best place found for a request."""

    request: CombRequest
    carrier: int
    order: float
    score: float
    group: int
    harmonics: int
    sidebands: tuple[float, ...]
    places: int
    """Half-bin places in the window."""


class DecoyNull:
    """Envelope spectra in which the bins ``explained`` (n,) are somebody's already."""

    def __init__(
        self,
        scorer: CombScorer,
        requests: Sequence[CombRequest],
        families: Families,
        explained: NDArray[np.bool_],
        fixed: _Fixed | None = None,
    ) -> None:
        self.scorer, self.requests, self.families, self.explained = scorer, requests, families, explained
        self._fixed = fixed or _Fixed(scorer, requests, families)
        self.places_of_all_lines = self._fixed.places_of_all_lines
        self._others: deque[DecoyNull] = deque(maxlen=MOST_KEPT)
        self._masks: dict[int, NDArray[np.bool_]] = {}
        self._by_request: dict[str, NDArray[np.bool_]] = {}
        self._readings: dict[str, CombReading] = {}
        self._decoys: dict[tuple[str, int, tuple[float, ...]], NDArray[np.float32]] = {}
        self._curves: dict[tuple[int, bool, tuple[float, ...], int, int], NDArray[np.float32]] = {}

    def explaining(self, explained: NDArray[np.bool_]) -> DecoyNull:
        """The same spectra with other bins explained; what does not depend on them is found once for all. Of several
        that explain the same, as where one comb owns no line that another does not, one is all."""
        for other in self._others:
            if np.array_equal(other.explained, explained):
                return other
        other = DecoyNull(self.scorer, self.requests, self.families, explained, self._fixed)
        self._others.append(other)
        return other

    def mask(self, request: CombRequest) -> NDArray[np.bool_]:
        """Bins that say nothing of a request: explained ones, and those of benign sources other than itself."""
        found = self._by_request.get(request.name)
        if found is None:
            benign = self._fixed.benign_to(request)
            if id(benign) not in self._masks:
                self._masks[id(benign)] = self.explained | benign
            found = self._by_request[request.name] = self._masks[id(benign)]
        return found

    def benign_lines(self, benign: tuple[tuple[float, int], ...]) -> NDArray[np.bool_]:
        """Bins (n,) that families of benign sources own."""
        return self._fixed.lines(benign)

    def read(self, requests: Sequence[CombRequest]) -> list[CombReading]:
        """The best place inside each request's window, over its carriers and with or without its sidebands.

        All requests that were not read on this null before are scored together.
        """
        new = [request for request in requests if request.name not in self._readings]
        for slip in (False, True):
            tries = [
                (request, carrier, sidebands, self._combs(request, sidebands, self.places(request, carrier)))
                for request in new
                if request.slips == slip
                for carrier in request.carriers
                for sidebands in (((), request.sidebands) if request.sidebands else ((),))
            ]
            found = self.scorer.best([combs for *_, combs in tries], slip=slip) if tries else ()
            for (request, carrier, sidebands, combs), best in zip(tries, found, strict=True):
                reading = CombReading(
                    request=request, carrier=carrier, order=best.order, score=best.score, group=best.group,
                    harmonics=best.harmonics, sidebands=sidebands, places=max(1, combs.orders.size // combs.finer),
                )  # fmt: skip
                if reading.score > self._readings.setdefault(request.name, reading).score:
                    self._readings[request.name] = reading
        return [self._readings[request.name] for request in requests]

    def _combs(self, request: CombRequest, sidebands: tuple[float, ...], orders: NDArray[np.float64]) -> Combs:
        return Combs(
            orders=orders, mask=self.mask(request), sidebands=sidebands, max_harmonic=request.max_harmonic,
            finer=self._fixed.finer(request),
        )  # fmt: skip

    def places(self, request: CombRequest, carrier: int) -> NDArray[np.float64]:
        """Orders at which a tone is looked for: half bins where it may slip; else its own order, only as finely
        scattered as the speed is unsure, so that the highest harmonic is met."""
        return self._fixed.places(request, carrier)

    def window(self, request: CombRequest, carrier: int) -> tuple[float, float]:
        """Orders within which a tone may lie: its slip, the speed's uncertainty, half a bin."""
        return self._fixed.window(request, carrier)

    def met_evenly(self, request: CombRequest, order: float) -> bool:
        """Whether ``order`` is as many times that of a part that cannot slip as others meet it in each repeat."""
        return self._fixed.met_evenly(request, order)

    def decoys(self, reading: CombReading) -> NDArray[np.float32]:
        """Sorted largest scores of decoy places: within the span of the tone's order, real families left out."""
        key = reading.request.name, reading.carrier, reading.sidebands
        if key not in self._decoys:
            places = self._decoys_at(reading, further=False)
            if places.size < FEW_DECOYS:
                # Strong lines may own all that lies near: beyond them the axis is free.
                places = max(places, self._decoys_at(reading, further=True), key=lambda found: found.size)
            self._decoys[key] = np.sort(places)
        return self._decoys[key]

    def _decoys_at(self, reading: CombReading, *, further: bool) -> NDArray[np.float32]:
        """Largest scores of decoy places, benign sources and requests left out if possible."""
        request, places = reading.request, np.empty(0, dtype=np.float32)
        block = BLOCK * self._fixed.finer(request)
        for nobodys in _Nobodys:
            orders = self._fixed.decoy_orders(request, reading.carrier, further, nobodys)
            # Block after block: each row the same place of all blocks.
            scores = self._curve(request, reading.sidebands, orders).reshape(-1, block).T.copy()
            places = scores.max(axis=0)[scores.min(axis=0) > 0]
            if places.size >= FEWEST_DECOYS:
                break
        return places

    def _curve(
        self, request: CombRequest, sidebands: tuple[float, ...], orders: NDArray[np.float64]
    ) -> NDArray[np.float32]:
        """Scores at ``orders``, as fine as places, of combs like the requested one; each place is scored once, for all
        requests that look there alike."""
        finer = self._fixed.finer(request)
        key = id(self.mask(request)), request.slips, sidebands, request.max_harmonic, finer
        step = self.scorer.spectra.step / 2 / finer
        if key not in self._curves:
            self._curves[key] = np.full(2 * finer * self.explained.size + 1, np.nan, dtype=np.float32)
        curve, place = self._curves[key], np.round(orders / step).astype(np.int64)
        new = np.isnan(curve[place])
        if new.any():
            wanted = [self._combs(request, sidebands, orders[new])]
            curve[place[new]] = self.scorer.score(wanted, slip=request.slips)[0]
        return curve[place]


class _Nobodys(Enum):
    """Where decoys may lie, in the order in which places are tried."""

    ORDERS = "orders of no benign source, outside the windows of all requests"
    LINES = "orders of no benign source, outside the tone's own windows"
    PLACES = "outside the tone's own windows"


class _Fixed:
    """What holds of one set of spectra, families and requests, each of a name of its own, whatever is explained: where
    tones are read and where their decoys may lie. Found once, when it is first asked for."""

    def __init__(self, scorer: CombScorer, requests: Sequence[CombRequest], families: Families) -> None:
        self.scorer, self.spectra, self.requests, self.families = scorer, scorer.spectra, requests, families
        self.places_of_all_lines: dict[tuple[int, float, int], tuple[float, int]] = {}
        """By group, order and harmonics of a comb: the place that all its lines give, and the last of them."""
        self._lines: dict[tuple[tuple[float, int], ...], NDArray[np.bool_]] = {}
        self._benign: dict[str, NDArray[np.bool_]] = {}
        self._alike: dict[tuple[tuple[tuple[float, int], ...], ...], NDArray[np.bool_]] = {}
        self._places: dict[tuple[str, int], NDArray[np.float64]] = {}
        self._decoys: dict[tuple[str, int, bool, _Nobodys], NDArray[np.float64]] = {}

    def finer(self, request: CombRequest) -> int:
        """In how many times finer steps than half bins a tone and its decoys are sought."""
        return self.scorer.finer(request.order) if request.slips else 1

    def window(self, request: CombRequest, carrier: int) -> tuple[float, float]:
        """Orders within which a tone may lie."""
        middle, spread = request.order * carrier, self.families.speed_spread
        half_bin = self.spectra.step / 2
        return middle * (1 + request.slip[0] - spread) - half_bin, middle * (1 + request.slip[1] + spread) + half_bin

    def met_evenly(self, request: CombRequest, order: float) -> bool:
        """Whether others meet a part that cannot slip as often as ``order``."""
        low, high = self.window(request, 1)
        return not request.slips and request.meetings > 1 and low <= order / request.meetings <= high

    def places(self, request: CombRequest, carrier: int) -> NDArray[np.float64]:
        """Orders at which a tone is looked for."""
        if (request.name, carrier) not in self._places:
            self._places[request.name, carrier] = self._places_of(request, carrier)
        return self._places[request.name, carrier]

    def _places_of(self, request: CombRequest, carrier: int) -> NDArray[np.float64]:
        low, high = self.window(request, carrier)
        if request.slips:
            return self.scorer.half_bins(low, high, self.finer(request))
        step = self.spectra.step
        middle = request.order * carrier
        fine = step / (2.0 * max(1.0, min(request.max_harmonic, self.spectra.top_order / middle)))
        reach = int(np.ceil((self.families.speed_spread * middle + EXACT_WITHIN_BINS * step) / fine))
        return np.asarray(middle + np.arange(-reach, reach + 1) * fine, dtype=np.float64)

    def benign_to(self, request: CombRequest) -> NDArray[np.bool_]:
        """Bins (n,) of benign sources other than a request itself; one and the same of requests to which the same
        sources are."""
        if request.name not in self._benign:
            families = self.families
            benign = tuple(f for f in families.benign if not _belongs(request, f[0]))
            low, high = self.window(request, 1)
            ambiguous = (f for f in families.ambiguous if not low <= f[0] <= high)
            benign += tuple(f for f in ambiguous if not self.met_evenly(request, f[0]))
            turns = families.every_turn if request.slips else ()
            if (benign, turns) not in self._alike:
                mask = self.lines(benign)
                if turns:
                    mask = mask | owned(turns, self.spectra.step, mask.size, half_width=1)
                self._alike[benign, turns] = mask
            self._benign[request.name] = self._alike[benign, turns]
        return self._benign[request.name]

    def lines(self, benign: tuple[tuple[float, int], ...]) -> NDArray[np.bool_]:
        """Bins (n,) of these families."""
        if benign not in self._lines:
            size, spread = self.spectra.power.shape[1], self.families.speed_spread
            # In few turns a crank's or a disc's lines lie so close that they would own half of the axis, and a race's
            # lines with it: those that do not stand are then nobody's.
            few = self.spectra.step * SMEARED_TURNS > 1.0
            own = owned(benign, self.spectra.step, size, spread=spread, standing=self._strongest if few else None)
            self._lines[benign] = grown(own, self._strongest, GROWN_BENIGN_BINS, bridged=False)
        return self._lines[benign]

    @cached_property
    def _strongest(self) -> NDArray[np.float32]:
        """The strongest group's power in each bin (n,), over what the largest of so many is."""
        power = self.spectra.power
        strongest: NDArray[np.float32] = power.max(axis=0) - np.log(power.shape[0])
        return strongest

    def decoy_orders(self, request: CombRequest, carrier: int, further: bool, nobodys: _Nobodys) -> NDArray[np.float64]:
        """Orders of all places of a request's decoys, block after block; ``further``: up to where the axis ends."""
        key = request.name, carrier, further, nobodys
        if key not in self._decoys:
            block = BLOCK * self.finer(request)
            orders = (self._further if further else self._near)(request, carrier)
            orders = orders[: orders.size // block * block]
            usable = _outside(orders, self._windows([request]), (1.0, 0.5, 2.0))
            if nobodys is not _Nobodys.PLACES:
                usable &= self._away[np.round(orders / (self.spectra.step / 2)).astype(np.int64)]
            if nobodys is _Nobodys.ORDERS:
                usable &= _outside(orders, self._all_windows, (1.0,))
            self._decoys[key] = orders[np.repeat(usable.reshape(-1, block).all(axis=1), block)]
        return self._decoys[key]

    def _near(self, request: CombRequest, carrier: int) -> NDArray[np.float64]:
        """Orders (k,) within the span of a tone's."""
        finer = self.finer(request)
        step, block = self.spectra.step / 2 / finer, BLOCK * finer
        middle = request.order * carrier
        orders = self.scorer.half_bins(middle / DECOY_SPAN, middle * DECOY_SPAN, finer)
        if orders.size < block * 2 * FEWEST_DECOYS:
            # At low orders a factor spans few places: look higher for the rest.
            orders = self.scorer.half_bins(orders[0], orders[0] + block * 2 * FEWEST_DECOYS * step, finer)
        if orders.size > block * MOST_DECOYS:
            low = max(orders[0], middle - block * MOST_DECOYS // 3 * step)
            orders = orders[orders >= low][: block * MOST_DECOYS]
        return orders

    def _further(self, request: CombRequest, carrier: int) -> NDArray[np.float64]:
        """The same from the first on, as many times more, up to where there is no room for the fewest harmonics that
        make a comb; none where that is no further."""
        near, finer = self._near(request, carrier), self.finer(request)
        highest = min(near[0] + FURTHER * near.size * self.spectra.step / 2 / finer, self._highest)
        further = self.scorer.half_bins(near[0], highest, finer)
        return further[: BLOCK * finer * MOST_DECOYS] if further.size > near.size else near[:0]

    @property
    def _highest(self) -> float:
        """Highest order of which the spectra hold the fewest harmonics that make a comb."""
        return float(self.spectra.top_order / FEWEST_HARMONICS)

    def _windows(self, requests: Sequence[CombRequest]) -> NDArray[np.float64]:
        """Windows (k, 2) of requests."""
        return np.array([self.window(request, carrier) for request in requests for carrier in request.carriers])

    @cached_property
    def _all_windows(self) -> NDArray[np.float64]:
        return self._windows(self.requests)

    @cached_property
    def _away(self) -> NDArray[np.bool_]:
        """Half bins (2n + 1,) that lie at no harmonic of any family."""
        step, count = self.spectra.step, 2 * self.spectra.power.shape[1] + 1
        orders = np.arange(count) * (step / 2)
        usable = np.ones(count, dtype=bool)
        for order, harmonics in self.families.benign:
            nearest = np.round(orders / order)
            usable &= (nearest > harmonics) | (np.abs(orders - nearest * order) > 3 * step)
        return usable


def _outside(orders: NDArray[np.float64], windows: NDArray[np.float64], ratios: Sequence[float]) -> NDArray[np.bool_]:
    """Rising ``orders`` (n,) outside ``windows`` (k, 2) times ``ratios``."""
    lows, highs = windows.T[:, :, None] * np.asarray(ratios)
    first = np.searchsorted(orders, lows.ravel(), side="left")
    last = np.searchsorted(orders, highs.ravel(), side="right")
    # Each window opens at its first order and closes behind its last.
    opened, closed = (np.bincount(ends, minlength=orders.size + 1) for ends in (first, last))
    return np.asarray(np.cumsum(opened - closed)[: orders.size] == 0)


def lines_level_db(count: int) -> float:
    """Mean level of ``count`` lines over the floor from which together they are no noise; that of a single line that
    stands for one or none."""
    return min(NOISE_LINE_DB + SURELY * NOISE_SCATTER_DB / sqrt(max(count, 1)), 10 * log10(STILL_A_LINE))


def _belongs(request: CombRequest, order: float) -> bool:
    """Whether a family is the tone's own: equal orders."""
    return abs(order / request.order - 1.0) < 1e-6


def grown(
    mask: NDArray[np.bool_], power: NDArray[np.floating], reach: float, *, bridged: bool = True
) -> NDArray[np.bool_]:
    """``mask`` (n,) spread along lines that are broader than expected, at most ``reach`` bins: random slip and a speed
    that is not followed to the last bin smear them.

    Slip leaves gaps of two bins in a line, which are ``bridged``; without, a line beyond a gap is another's.
    """
    strong = power > STILL_A_LINE
    feet = strong.copy()
    feet[1:] |= strong[:-1]
    feet[:-1] |= strong[1:]
    allowed = mask | (feet if bridged else strong)
    result = mask.copy()
    # The last bin that is reached is the line's foot.
    for _ in range(int(reach) - (not bridged)):
        before = result.copy()
        result[1:] |= before[:-1] & allowed[1:]
        result[:-1] |= before[1:] & allowed[:-1]
        if np.array_equal(result, before):
            break
    if not bridged:
        lines = result & strong
        result[1:] |= lines[:-1]
        result[:-1] |= lines[1:]
    return result
