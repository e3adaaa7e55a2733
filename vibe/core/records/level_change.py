"""What changed between a baseline and now, split among owners, and what explains it: values only."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

SHAFT = "shaft"
ELECTRICAL = "electrical"
LOW_BAND = "below 10 Hz"
"""Where sensors settle and amplifiers drift; few drives shake there (common practice)."""
BROAD_BANDS = (("10-1000 Hz", 1000.0), ("1000-5000 Hz", 5000.0), ("above 5000 Hz", float("inf")))
"""What no owner's lines and impacts explain, and where each band ends [Hz] (common practice)."""

CauseKind = Literal["part", "electrical", "broad band", "speed", "load", "sisters", "sensor", "gain", "scatter"]
"""``sensor`` is trouble with the measuring chain, ``gain`` a sensitivity that changed; ``scatter`` what the drive does
anyway."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RisePart:
    """What one owner has to do with a rise.

    ``before_db`` and ``now_db`` are levels of its own mean square, None where it had none. ``db`` is its part of the
    rise with a 90 % interval; the parts of all owners add up to the rise. ``share`` is the same as a share of the rise,
    None where that is too small to be divided. ``sure`` is the probability that its change is more than scatter.
    """

    owner: str
    before_db: float | None
    now_db: float | None
    db: float
    low_db: float | None
    high_db: float | None
    share: float | None
    sure: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Rise:
    """How far a level rose (or fell: negative), and its parts, the greatest first.

    ``low_db`` to ``high_db`` is a 90 % interval; uncertainties are None while one capture alone shows what is usual.
    ``common_db`` is the change that all owners have in common, if any, and ``alike`` the chance that they scatter about
    it as much as they do; None where fewer than three owners can be compared.
    """

    rise_db: float
    low_db: float | None
    high_db: float | None
    sure: float | None
    parts: tuple[RisePart, ...]
    common_db: float | None = None
    alike: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Shift:
    """What a change of speed or load makes of a level: ``db`` with its standard uncertainty, None where no dependence
    is known. ``moved`` says it in words: "from 24.3 to 25.0 Hz"."""

    what: Literal["speed", "load"]
    moved: str
    db: float | None = None
    sigma_db: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Circumstances:
    """What else is known when a change is explained.

    ``sisters`` and ``other_points``: the change [dB] of the same measure on drives of the same kind, and at other
    points of this drive. ``troubles`` are reasons of capture quality that were not there in the baseline.
    """

    shifts: tuple[Shift, ...] = ()
    sisters: Mapping[str, float] = field(default_factory=dict)
    other_points: Mapping[str, float] = field(default_factory=dict)
    troubles: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """Something that may explain a change. ``strength`` from 0 to 1 is the share of the change that it surely
    explains; ``explains_db`` the same in dB where it can be determined."""

    kind: CauseKind
    strength: float
    sentence: str
    owner: str = ""
    explains_db: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Explanation:
    """A rise, its parts, and what explains it, the strongest first."""

    rise_db: float
    parts: tuple[RisePart, ...]
    causes: tuple[Cause, ...]
