"""Whose an order is: the part of the machine in whose window it lies."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from vibe.spectra.evidence.comb import CombRequest
from vibe.spectra.evidence.decoy_null import CombReading, DecoyNull, Families
from vibe.spectra.outside.comb_lines import sharpened
from vibe.spectra.outside.fundamental import sides_nearer


def owner_of(
    order: float, requests: Sequence[CombRequest], decoy_null: DecoyNull, families: Families, far: float = 0.0
) -> CombRequest | None:
    """The request in whose window an order lies, itself or as twice it; or a benign source's, but for machines that are
    known to stand around: their combs are what is sought."""
    bin_ = decoy_null.scorer.spectra.step
    for own in (own for own, _ in families.benign if own not in families.declared):
        for times in (0.5, 1, 2, 3) if own == 1.0 else (1, 2, 3) if own > 0.9 else (1,):
            if abs(order - times * own) < 0.35 * bin_:
                return CombRequest(name="benign", order=own)
    exact = [r for r in requests if not r.slips]
    for request in (*exact, *(r for r in requests if r.slips)):
        for carrier in request.carriers:
            low, high = decoy_null.window(request, carrier)
            if not request.slips:
                low, high = low + 0.15 * bin_, high - 0.15 * bin_
            elif carrier == 1 and request.order > 1.5:
                low, high = low * (1 - far), high * (1 + far)
            if low <= order <= high:
                return request
        if of_own_law(request, order, bin_):
            return request
    return None


def of_own_law(request: CombRequest, order: float, step: float) -> bool:
    """Whether the part repeats at ``order`` as well, more slowly than its tone: every second strike, its cage."""
    return any(
        slower * (1 + low) - step <= order <= slower * (1 + high) + step for slower, (low, high) in request.slower
    )


def carriers_of(request: CombRequest) -> tuple[float, ...]:
    """Orders of the shafts that carry a slipping part through its load, but for slow ones: those cannot slip."""
    return tuple(order for order, slip in request.slower if not any(slip) and order > 0.5)


def race_with_sides(
    power: NDArray[np.float32],
    step: float,
    rotor: float,
    mask: NDArray[np.bool_],
    requests: Sequence[CombRequest],
    decoy_null: DecoyNull,
) -> CombRequest | None:
    """The race near a whole multiple of ``rotor`` whose side lines explain the lines between better."""
    for request in requests:
        times = round(request.order / rotor)
        low, high = decoy_null.window(request, 1)
        if request.slips and times > 1 and low <= times * rotor <= high:
            place, _ = sharpened(power, step, times * rotor, mask)
            if low <= place <= high and sides_nearer(power, step, place, rotor, mask, (1.0, *carriers_of(request))):
                return request
    return None


def reading_of(request: CombRequest, order: float, group: int) -> CombReading:
    """A reading of the part's comb at ``order``, by which its own law says what bins it fills."""
    return CombReading(
        request=request, carrier=1, order=order, score=0.0, group=group, harmonics=request.max_harmonic, sidebands=(),
        places=1,
    )  # fmt: skip
