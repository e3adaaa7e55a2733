"""What everything that users write is made from, and the bounds of its numbers."""

from __future__ import annotations

from fractions import Fraction
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
Length = Annotated[float, Field(ge=0.01, le=100_000, allow_inf_nan=False)]
"""mm. Bounds of lengths, speeds and orders are those of any machine; they keep slips of the decimal point out."""


class StrictModel(BaseModel):
    """Strict, frozen, and refusing what it does not know."""

    # Built when first used: most commands need few of the forms.
    model_config = ConfigDict(
        strict=True, frozen=True, extra="forbid", allow_inf_nan=False, populate_by_name=True, defer_build=True
    )


def exact(value: float) -> Fraction:
    """The decimal that a person wrote, as an exact fraction (0.1 -> 1/10)."""
    return Fraction(repr(value)) if isinstance(value, float) else Fraction(value)
