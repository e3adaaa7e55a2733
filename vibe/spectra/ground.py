"""Envelope spectra with some lines already explained: where tones are read and decoys are scored."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation, maximum_filter1d

from vibe.spectra.comb import CombRequest, CombScorer, Scores, owned

BLOCK = 4
"""Curve points (half bins) per decoy place: about one resolvable order."""
DECOY_SPAN = 3.0
"""Decoys lie within this factor of the tone's order, where floor and bands are alike."""
FEWEST_DECOYS = 100
"""With fewer, places inside the windows of tones that showed nothing serve as decoys too."""
MOST_DECOYS = 1200
"""More cost time and tell no more."""
EXACT_WITHIN_BINS = 0.1
"""How far a tone without slip may lie off its order besides the speed's uncertainty."""
STILL_A_LINE = 8.0
"""Power over the floor from which a bin beside a line belongs to it: noise is there once in 3,000 bins."""
GROWN_INNOCENT_BINS = 6
"""And an innocent's line, whose order is exact."""
STRANGER_NOT_NEAR = 0.03
"""Relative distance from the simple fractions of requested orders within which nothing is a stranger."""
STRANGER_FROM_ORDER = 0.9
"""Slower strangers would own half of the axis."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Families:
    """Orders that innocents make, (order, harmonics) each, and the relative uncertainty of the speed."""

    innocent: tuple[tuple[float, int], ...]
    speed_spread: float = 0.0


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


class Ground:
    """Envelope spectra in which the bins ``explained`` (n,) are somebody's already."""

    def __init__(
        self,
        scorer: CombScorer,
        requests: Sequence[CombRequest],
        families: Families,
        explained: NDArray[np.bool_],
    ) -> None:
        self.scorer, self.requests, self.families, self.explained = scorer, requests, families, explained
        self._innocents: dict[tuple[tuple[float, int], ...], NDArray[np.bool_]] = {}
        self._masks: dict[tuple[tuple[float, int], ...], NDArray[np.bool_]] = {}

    def explaining(self, explained: NDArray[np.bool_]) -> Ground:
        """The same spectra with other bins explained; what innocents own is found once for all."""
        other = Ground(self.scorer, self.requests, self.families, explained)
        other._innocents = self._innocents
        return other

    def mask(self, request: CombRequest) -> NDArray[np.bool_]:
        """Bins that tell nothing of a request: explained ones, and those of innocents other than itself."""
        innocent = tuple(f for f in self.families.innocent if not _belongs(request, f[0]))
        if innocent not in self._innocents:
            spectra = self.scorer.spectra
            lines = owned(innocent, spectra.step, self.explained.size, spread=self.families.speed_spread)
            strongest = spectra.power.max(axis=0) - np.log(spectra.power.shape[0])
            self._innocents[innocent] = grown(lines, strongest, GROWN_INNOCENT_BINS)
        if innocent not in self._masks:
            self._masks[innocent] = self.explained | self._innocents[innocent]
        return self._masks[innocent]

    def read(self, request: CombRequest) -> CombReading:
        """The best place inside a request's window, over its carriers and with or without its sidebands."""
        readings = []
        for carrier in request.carriers:
            places = self.places(request, carrier)
            for sidebands in ((), request.sidebands) if request.sidebands else ((),):
                scores = self._score(request, sidebands, places)
                spot = int(scores.score.argmax())
                readings.append(
                    CombReading(
                        request=request, carrier=carrier, order=float(scores.orders[spot]),
                        score=float(scores.score[spot]), group=int(scores.group[spot]),
                        harmonics=int(scores.harmonics[spot]), sidebands=sidebands, places=scores.score.size,
                    )
                )  # fmt: skip
        return max(readings, key=lambda reading: reading.score)

    def stranger(self) -> CombReading | None:
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
        return CombReading(
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

    def decoys(self, reading: CombReading) -> NDArray[np.float32]:
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


def grown(mask: NDArray[np.bool_], power: NDArray[np.floating], reach: float) -> NDArray[np.bool_]:
    """``mask`` (n,) spread along lines that are broader than expected, at most ``reach`` bins: random slip and a speed
    that is not followed to the last bin smear them."""
    steps = int(reach)
    if steps < 1:
        return mask
    strong = maximum_filter1d(power, 3) > STILL_A_LINE
    result: NDArray[np.bool_] = binary_dilation(mask, iterations=steps, mask=strong | mask)
    return result
