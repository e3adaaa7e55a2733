"""Recipe files."""

from __future__ import annotations

from pathlib import Path

from vibe.core.route.recipe import Recipe
from vibe.ingest.config.toml_file import load_model


def load_recipe(path: Path) -> Recipe:
    """The recipe that ``path`` describes, its ``drives``, ``captures``, ``route``, ``readings`` and ``limits`` made
    absolute.

    They are relative to the folder of the recipe file; ``out`` and ``earlier`` stay relative to where the command runs,
    so that a recipe that came with the installation never writes into it.

    Raises:
        ConfigError: with file, line, field and the nearest known key.
    """
    recipe = load_model(path, Recipe)
    base = path.resolve().parent
    return recipe.model_copy(
        update={
            "drives": [str(base / pattern) for pattern in recipe.drives],
            "captures": base / recipe.captures,
            "limits": None if recipe.limits is None else base / recipe.limits,
            "route": None if recipe.route is None else base / recipe.route,
            "readings": None if recipe.readings is None else base / recipe.readings,
        }
    )
