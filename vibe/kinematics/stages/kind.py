"""What the kinematics know of a kind of stage."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import Generic, TypeVar

from vibe.core.stages import StageForm
from vibe.core.tones import Phasing, Tone
from vibe.kinematics.relations import ZERO, Linkage, Speeds

Form = TypeVar("Form", bound=StageForm)


def _no_phasing(_stage: StageForm, _name: str, _speeds: Speeds) -> tuple[Phasing, ...]:
    return ()


@dataclass(frozen=True, slots=True, kw_only=True)
class StageKind(Generic[Form]):
    """A kind of stage: its bodies and how they are tied to each other, and the tones of its parts.

    ``name`` is that of the stage (``stage1``), ``feed`` the body that drives it, ``slip`` the share of travel that a
    belt loses, up to ``most_slip``; a stage whose counts settle the ratio has none.
    """

    form: type[Form]
    link: Callable[[Form, str, str, Fraction], Linkage]
    tones: Callable[[Form, str, Speeds], Iterator[Tone]]
    phasing: Callable[[Form, str, Speeds], tuple[Phasing, ...]] = _no_phasing
    most_slip: Fraction = ZERO
