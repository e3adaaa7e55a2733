"""``vibe schema``."""

from __future__ import annotations

import json
from enum import StrEnum
from typing import Annotated

import typer


class Which(StrEnum):
    """A form that has a schema."""

    health = "health"
    drive = "drive"
    recipe = "recipe"
    route = "route"
    readings = "readings"
    requirements = "requirements"
    commissioning = "commissioning"


def schema(
    which: Annotated[
        Which,
        typer.Argument(
            metavar="|".join(Which),
            help="The form: a report, a drive file, a recipe, a route, readings of a round, requirements, or a "
            "commissioning set.",
        ),
    ],
) -> None:
    """Print the JSON schema of a form."""
    from pydantic.json_schema import GenerateJsonSchema

    if which is Which.health:
        from vibe.core.health import Health

        described = Health.model_json_schema(by_alias=True, mode="serialization")
    elif which is Which.drive:
        from vibe.core.drive import Drive

        described = Drive.model_json_schema()
    elif which is Which.route:
        from vibe.core.route.route import Route

        described = Route.model_json_schema()
    elif which is Which.readings:
        from vibe.core.route.readings import ReadingsFile

        described = ReadingsFile.model_json_schema()
    elif which is Which.requirements:
        from vibe.core.records.acceptance import Requirements

        described = Requirements.model_json_schema()
    elif which is Which.commissioning:
        from vibe.core.records.acceptance import CommissioningSet

        described = CommissioningSet.model_json_schema()
    else:
        from vibe.core.route.recipe import Recipe

        described = Recipe.model_json_schema()
    print(json.dumps({"$schema": GenerateJsonSchema.schema_dialect} | described, indent=1, ensure_ascii=False))
