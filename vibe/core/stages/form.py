"""What a drive file may say of a stage: the form that all kinds share, and the list of kinds."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar, TypeVar, get_args

from vibe.core.strict import Positive, StrictModel


@dataclass(frozen=True, slots=True, kw_only=True)
class PartWords:
    """A part of a stage as people say it. What is None is said with the part's own name."""

    name: str | None = None
    """In a table, before ", stage 1": "lobe of the disc"."""
    one: str | None = None
    """In a sentence, before " in stage 1": "a lobe of the cycloidal disc"."""
    every: str | None = None
    """All of them, before " of stage 1": "the lobes"."""
    suspect: str | None = None
    """What is looked at when its level is not like that of sister drives; ``{0}`` is the stage's number."""


class StageForm(StrictModel):
    """One stage. A kind of stage adds its keys and checks, and names its ``kind`` by a ``Literal``."""

    kind: str
    ratio: Positive | None = None
    parts: ClassVar[Mapping[str, PartWords]] = {}
    """Words for its parts, by the last name of their tones (``lobe`` of ``stage1.lobe``)."""


FORMS: dict[str, type[StageForm]] = {}
"""Every kind that a drive file may name, in the order in which they are offered."""

Form = TypeVar("Form", bound=StageForm)


def stage_form(form: type[Form]) -> type[Form]:
    """Class decorator: a drive file may name this kind of stage."""
    for kind in get_args(form.model_fields["kind"].annotation):
        FORMS[kind] = form
    return form
