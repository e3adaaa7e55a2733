"""What may be asked of a stored capture, and how it is refused."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import isfinite
from typing import TYPE_CHECKING, Literal, TypeVar

from vibe.core.errors import CallError

if TYPE_CHECKING:
    from vibe.spectra.plots.on_demand import Window

T = TypeVar("T")
Kind = Literal["acceleration", "velocity", "envelope"]
Axis = Literal["Hz", "order"]
KINDS: tuple[Kind, ...] = ("acceleration", "velocity", "envelope")
AXES: tuple[Axis, ...] = ("Hz", "order")
WINDOWS: tuple[Window, ...] = ("hann", "rectangular", "flat top")
MOST_CELLS = 4000
"""Of a spectrum or waveform: as many as a screen can show twice over."""
Pair = tuple[float | None, float | None]
"""From and to; None where it is not said."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedSpectrum:
    """What somebody wants to see of a point of a capture: ``band_hz`` of an envelope, ``shown`` in the unit of the
    axis, ``part_s`` of the capture, at most ``most`` cells."""

    point: str
    kind: Kind
    axis: Axis
    window: Window = "hann"
    band_hz: Pair = (None, None)
    shown: Pair = (None, None)
    part_s: Pair = (None, None)
    most: int = MOST_CELLS

    @property
    def needs_samples(self) -> bool:
        """Whether what was kept with the samples will not do."""
        return self.kind == "envelope" and (self.axis == "Hz" or any(edge is not None for edge in self.band_hz))


def refuse_unknown(what: str, said: str, there: Sequence[str]) -> None:
    """Raises: CallError where ``said`` is not one of those that are ``there``."""
    if said not in there:
        raise CallError(f"{said[:40]!r} is no {what}; there are {', '.join(there)}")


def refuse_infinite(*numbers: float | None) -> None:
    """Raises: CallError where one of the numbers is none."""
    for number in numbers:
        if number is not None and not isfinite(number):
            raise CallError(f"{number} is not a number that can be asked for")


def worked_out(make: Callable[[], T]) -> T:
    """What cannot be worked out because of what was asked, as a sentence for whoever asked."""
    try:
        return make()
    except ValueError as error:
        raise CallError(str(error)) from None
