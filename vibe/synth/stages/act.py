"""What a simulated stage of a kind does: how its bodies turn, what of it can be damaged, what forces it makes."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Generic, TypeVar

from vibe.core.stages import StageForm
from vibe.synth.machine.damage import Damage, ImpactTrain

if TYPE_CHECKING:
    from vibe.synth.machine.forces import Smooth
    from vibe.synth.scene import Scene

Form = TypeVar("Form", bound=StageForm)
Maker = Callable[["Scene", Damage, int, Form], list[ImpactTrain]]
"""Impacts of a damage in the stage of that number."""
Wear = Mapping[str, float]
"""Extent of wear by the last name of a tone (``mesh``); what is not named is not worn."""


@dataclass(frozen=True, slots=True)
class Breakable(Generic[Form]):
    """A part that can be damaged: how many of it the stage has, and the impacts that one makes."""

    count: int
    impacts: Maker[Form]


@dataclass(frozen=True, slots=True, kw_only=True)
class StageAct(Generic[Form]):
    """A kind of stage in motion, from rolling contact; nothing here comes from a table of orders.

    ``turns``: signed turns of every body for a given speed of what drives the stage, by its last name.
    """

    form: type[Form]
    turns: Callable[[Form, float], dict[str, float]]
    parts: Callable[[Form], Mapping[str, Breakable[Any]]]
    """By the last name of the damage (``lobe`` of ``stage1.lobe``)."""
    wears: Callable[[Form], tuple[str, ...]]
    """What can wear as a whole."""
    force: Callable[[Scene, int, Form, Wear, Smooth], None]
    """Adds the smooth forces of the stage of that number."""
    carried: tuple[str, ...] = ()
    """Bodies that the carrier takes round."""
