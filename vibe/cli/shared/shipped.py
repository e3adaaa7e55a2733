"""Files that come with the program can be named from anywhere as the guide names them: ``configs/...``, a recipe by its
bare name. What lies in the working folder under the same name goes first."""

from __future__ import annotations

from pathlib import Path
from typing import TypeVar

from vibe.core.errors import CallError
from vibe.flow import settings

FOLDERS = ("configs", "pipelines", "sample_signals")
WRITTEN = {"out", "store", "json"}
"""Options that name what is written."""
RECIPES = "pipelines"
V = TypeVar("V")


def with_shipped(given: dict[str, V]) -> tuple[dict[str, V], str]:
    """The arguments of a command, those replaced that are not in the working folder and come with the program; and a
    sentence about them, empty where there are none."""
    found: dict[str, Path] = {}
    replaced = {name: value if name in WRITTEN else _replaced(value, found) for name, value in given.items()}
    names = ", ".join(list(found)[:3]) + (f" and {len(found) - 3} more" if len(found) > 3 else "")
    return replaced, f"note: not in this folder, so the one that comes with vibe is taken: {names}" if found else ""


def _replaced(value: V, found: dict[str, Path]) -> V:
    if isinstance(value, list):
        return [_replaced(one, found) for one in value]  # type: ignore[return-value]
    if not isinstance(value, str | Path):
        return value
    own = Path(value)
    if own.is_absolute() or len(own.parts) < 1 or own.parts[0] not in FOLDERS or ".." in own.parts:
        return value
    if _there(Path(), own):
        return value
    try:
        share = settings.share_dir()
    except CallError:  # an installation without them
        return value
    if not _there(share, own):
        return value
    found[str(value)] = share / own
    return type(value)(str(share / own)) if isinstance(value, str) else share / own  # type: ignore[return-value]


def _there(base: Path, name: Path) -> bool:
    try:
        if any(sign in str(name) for sign in "*?["):
            return any(True for _ in base.glob(str(name)))
        return (base / name).exists()
    except (OSError, ValueError):
        return False


def recipe_files() -> dict[str, Path]:
    """The recipes that come with the program, by their bare names."""
    return {path.stem: path for path in sorted((settings.share_dir() / RECIPES).glob("*.toml"))}


def recipe_named(recipe: Path) -> tuple[Path, bool, str]:
    """The file that a recipe's name means, whether it is one of the program's own, and a sentence where two could be
    meant.

    Raises:
        CallError: there is none.
    """
    shipped = recipe_files()
    bare = recipe.name.removesuffix(".toml") if len(recipe.parts) == 1 else ""
    here = [one for one in (recipe, recipe.with_name(f"{recipe.name}.toml")) if one.is_file()]
    if here:
        two = bare in shipped and here[0].resolve() != shipped[bare].resolve()
        note = f"note: {here[0]} of this folder is run, not the recipe {bare!r} that comes with vibe" if two else ""
        return here[0], here[0].resolve() in {path.resolve() for path in shipped.values()}, note
    if bare in shipped:
        return shipped[bare], True, ""
    if recipe.exists() or not bare:
        return recipe, False, ""  # whoever reads it says what is wrong with it
    import difflib

    near = difflib.get_close_matches(bare.lower(), shipped, n=1, cutoff=0.5)
    hint = f"; did you mean {near[0]!r}?" if near else ""
    raise CallError(
        f"{recipe}: there is no such file here, and no recipe of that name comes with vibe ({', '.join(shipped)}){hint}"
    )


def recipe_captures(recipe: Path) -> Path | None:
    """Where the captures of one of the program's own recipes are when none are named; None: where the recipe says.

    Its own folder lies next to the program, where nobody collects: the same name in the working folder is meant.

    Raises:
        CallError: there is none either.
    """
    from vibe.ingest import load_recipe

    read = load_recipe(recipe)
    if read.kind == "alarms" or read.captures.exists():
        return None
    said = Path(*[part for part in _written(recipe).parts if part != ".."])
    if said.exists():
        return said
    raise CallError(
        f"the recipe {recipe.stem!r} that comes with vibe needs the folder of your captures: --captures DIR"
    )


def _written(recipe: Path) -> Path:
    """``captures`` as the recipe has it."""
    import tomllib

    return Path(tomllib.loads(recipe.read_text(encoding="utf-8"))["captures"])


def recipe_rows() -> list[list[str]]:
    """Name, kind and title of the program's own recipes, and what their first lines say of them."""
    from vibe.ingest import load_recipe

    rows = []
    for name, path in recipe_files().items():
        read = load_recipe(path)
        lines = [line[1:].strip() for line in path.read_text(encoding="utf-8").splitlines() if line.startswith("#")]
        about = " ".join(lines[: lines.index("") if "" in lines else None])
        rows.append([name, read.kind, read.title, about])
    return rows
