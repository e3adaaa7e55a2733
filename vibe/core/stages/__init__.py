"""Kinds of stage: what a drive file may say of each, one file a kind. Every file of this folder is read."""

from __future__ import annotations

from importlib import import_module
from pkgutil import iter_modules
from typing import TYPE_CHECKING, Annotated, Any, Union

from pydantic import Field, GetCoreSchemaHandler
from pydantic_core import CoreSchema

from vibe.core.stages.form import FORMS, PartWords, StageForm, stage_form

__all__ = ["FORMS", "PartWords", "Stage", "StageForm", "stage_form"]

for _file in iter_modules(__path__):
    import_module(f"{__name__}.{_file.name}")


class _OfItsKind:
    """Which form a table is read by is said by its ``kind``."""

    @classmethod
    def __get_pydantic_core_schema__(cls, _source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        forms = tuple(dict.fromkeys(FORMS.values()))
        return handler.generate_schema(Annotated[Union[forms], Field(discriminator="kind")])  # noqa: UP007


if TYPE_CHECKING:
    Stage = StageForm
else:
    Stage = Annotated[StageForm, _OfItsKind]
