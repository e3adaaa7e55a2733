"""What is reported of an unknown drive: answers with their probabilities, or why there is none."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

LISTED = 5
"""Counts that are listed, at most."""
PlateVerdict = Literal["fits", "another count fits better", "cannot be told"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SlipReference:
    """What slip is counted from."""

    poles: int
    line_hz: float

    @property
    def synchronous_rpm(self) -> float:
        return 120.0 * self.line_hz / self.poles


@dataclass(frozen=True, slots=True, kw_only=True)
class Counts:
    """One candidate: a fixed ring of pins, discs with lobes."""

    lobes: int
    ring_pins: int
    ratio: float
    probability: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """One question: ``value`` None where it cannot be determined, and ``why`` then says why not."""

    value: float | int | str | None
    probability: float | None = None
    uncertainty: float | None = None
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plate:
    """The drive file against the signal."""

    verdict: PlateVerdict
    drive: str
    lobes: int
    ring_pins: int
    probability: float
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Identification:
    """What one capture concerns the drive. ``candidates`` likeliest first; ``none``: that it is none of them.

    ``ratio`` input turns per output turn; ``speed_rpm`` of the input; ``slip`` relative to the synchronous speed.
    """

    capture: str
    candidates: tuple[Counts, ...]
    none: float
    ratio: Answer
    mesh: str
    speed_rpm: Answer
    slip: Answer
    discs: Answer
    direction: Answer
    plate: Plate | None
    load_percent: float | None
    remarks: tuple[str, ...] = ()


UNLIKELIEST = 1e-3
"""No capture rules out a count more surely than that for the others: what misleads one may mislead the next."""


def together(found: Sequence[Identification]) -> tuple[Counts, ...]:
    """What several captures of one drive say of its counts; likeliest first, empty where none says anything.

    Probabilities are multiplied, none taken to be less than ``UNLIKELIEST`` in any capture; that it is no such drive is
    one of the answers. Captures that say that themselves, as noisy ones do, are left out where others say more.
    """
    from math import prod

    weighed = [one for one in found if one.candidates]
    clear = [one for one in weighed if one.none < 0.5] or weighed
    pairs = {(c.lobes, c.ring_pins): c for one in clear for c in one.candidates}
    weights = {}
    for key in pairs:
        own = [next((c.probability for c in one.candidates if (c.lobes, c.ring_pins) == key), 0.0) for one in clear]
        weights[key] = prod(max(UNLIKELIEST, probability) for probability in own)
    rest = prod(max(UNLIKELIEST, one.none) for one in clear)
    total = sum(weights.values()) + rest
    ranked = sorted(weights, key=lambda key: -weights[key])
    return tuple(
        Counts(lobes=key[0], ring_pins=key[1], ratio=pairs[key].ratio, probability=weights[key] / total)
        for key in ranked
    )  # fmt: skip


def as_json(found: Sequence[Identification]) -> str:
    """What each capture shows, and what all of them together, as JSON."""
    import json
    from dataclasses import asdict

    return (
        json.dumps(
            {
                "schema": 1,
                "captures": [asdict(one) for one in found],
                "together": [asdict(one) for one in together(found)[:LISTED]],
            },
            indent=1,
            ensure_ascii=False,
        )
        + "\n"
    )


def against_load(found: Sequence[Identification]) -> str:
    """How slip grows with load over several captures of one drive, in a sentence.

    A straight line by least squares: an induction motor's slip is nearly proportional to its torque up to full load.
    """
    from statistics import linear_regression

    pairs = [
        (one.load_percent, one.slip.value)
        for one in found
        if one.load_percent is not None and isinstance(one.slip.value, float)
    ]
    if len({load for load, _ in pairs}) < 2:
        return "not determined: it needs two captures or more whose slip is known, at different noted loads"
    slope, start = linear_regression([load for load, _ in pairs], [slip for _, slip in pairs])
    sense = "grows" if slope > 0 else "falls, which is no induction motor's way: check the noted loads"
    return f"{sense}: {start:.3%} without load, {start + 100 * slope:.3%} at 100 %, from {len(pairs)} captures"
