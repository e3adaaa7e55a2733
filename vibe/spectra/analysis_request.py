"""What somebody wants to know of a capture, in plain orders."""

from __future__ import annotations

from dataclasses import dataclass, field

from vibe.core.outside_combs import Surroundings
from vibe.spectra.evidence.comb import CombRequest


@dataclass(frozen=True, slots=True, kw_only=True)
class FoldRequest:
    """A body's frame on which a tone's impacts are laid: its order, how often per turn it may show, and how many equal
    parts it carries, 0 where that is not known."""

    tone: str
    order: float
    meetings: int
    parts: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class AnalysisRequest:
    """What somebody wants to know of a capture. Orders count per input turn."""

    range_hz: tuple[float, float]
    nominal_hz: float
    speed_orders: tuple[float, ...]
    """Lines that any sound machine of the kind makes, for finding its speed."""
    combs: tuple[CombRequest, ...]
    folds: tuple[FoldRequest, ...]
    benign: tuple[tuple[float, int], ...]
    """(order, harmonics) of families that benign sources own in the envelope."""
    lines: tuple[tuple[str, float], ...]
    """(name, order) read in the velocity spectrum."""
    lines_hz: tuple[tuple[str, float, float], ...]
    """(name, frequency with the input at rest, order by which it changes as the input turns: mostly 0) of lines that do
    not follow the shaft as its harmonics do."""
    moved_orders: tuple[float, ...] = ()
    """Lines at which a mesh that cancels at its own place is seen, for finding a speed that the others do not show."""
    fixed_speed_hz: float | None = None
    """A speed noted with the capture: a hypothesis that the signal may correct within the range."""
    settled_hz: float | None = None
    """Of several speeds that the lines allow, the one at which the machine's own families were found."""
    surroundings: Surroundings = field(default_factory=Surroundings)
    traced: bool = False
    """Whether what a later capture is compared with is wanted too."""
