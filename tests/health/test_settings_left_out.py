"""A plant's own file that leaves a newer setting out is judged as the shipped file says."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import MISSING, fields
from pathlib import Path

import pytest
from pydantic import BaseModel

from vibe.diagnosis.severity_scale import SeverityScale
from vibe.flow.settings import Settings
from vibe.health.acceptance.uncertainty import MeasurementPractice
from vibe.ingest import load_model


def left_out(form: BaseModel, place: str = "") -> Iterator[tuple[str, object, object]]:
    """Each setting that has a default: its place, what the form holds, and what it would hold without it."""
    for name, field in type(form).model_fields.items():
        held = getattr(form, name)
        if not field.is_required() and name != "source":
            yield f"{place}{name}", held, field.get_default(call_default_factory=True, validated_data={})
        if isinstance(held, BaseModel):
            yield from left_out(held, f"{place}{name}.")


def plain(value: object) -> object:
    return value.model_dump(exclude={"source"}) if isinstance(value, BaseModel) else value


@pytest.fixture(scope="module")
def practice(repository: Path) -> MeasurementPractice:
    return load_model(repository / "configs" / "acceptance" / "measurement.toml", MeasurementPractice)


def test_what_is_left_out_is_as_the_shipped_files_have_it(settings: Settings, practice: MeasurementPractice) -> None:
    forms = [settings.diagnosis, settings.judgement, settings.limits, practice]
    numbers = [
        (place, held, default)
        for form in forms
        for place, held, default in left_out(form)
        if isinstance(default, int | float | tuple) or place.endswith("steady")
    ]
    assert len(numbers) >= 20
    assert [(place, plain(held)) for place, held, _ in numbers] == [
        (place, plain(default)) for place, _, default in numbers
    ]


def test_the_scale_of_severity_is_that_of_the_shipped_rules(settings: Settings) -> None:
    bounds = settings.judgement.severity
    scale = {one.name: one.default for one in fields(SeverityScale) if one.default is not MISSING}
    assert scale == {name: getattr(bounds, name) for name in scale}
