"""What a run is about, before it begins: recipe, route, drives, settings and captures, read and checked."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from vibe import __version__
from vibe.core.errors import CallError, ConfigError
from vibe.flow.capture_folder import CaptureHeader, Gathered, RouteReader, Search, gathered, look_at
from vibe.flow.file_hash import file_hash
from vibe.flow.route.readings import reading_hash, readings_of
from vibe.flow.run.earlier_run import EarlierRun, earlier_run
from vibe.flow.settings import load_settings, share_dir

if TYPE_CHECKING:
    from vibe.core.drive import Drive
    from vibe.core.route.readings import RoundReadings
    from vibe.core.route.recipe import Recipe
    from vibe.core.route.route import Route
    from vibe.flow.jobs.executor import JobExecutor

FEWEST_FOR_MANY = 32
"""A process takes some seconds to start; fewer files are looked at by then."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plant:
    """What a run is about: a recipe, read and checked."""

    recipe: Recipe
    drives: dict[str, Drive]
    files: dict[str, Path]
    folder: Path
    limits: Path | None
    route: Route | None
    route_path: Path | None
    earlier: EarlierRun | None
    readings: RoundReadings | None = None
    readings_path: Path | None = None


def plant_of(
    recipe_path: Path, captures: Path | None, out: Path | None, earlier: Path | None, readings: Path | None = None
) -> tuple[Plant, Path]:
    """A recipe, and the folder that its run writes to.

    Raises:
        ConfigError: the recipe, its route, a drive file or a settings file is wrong. CallError: it cannot be run.
    """
    from vibe.ingest import load_drive, load_recipe, load_route

    recipe = load_recipe(recipe_path)
    base = recipe_path.resolve().parent
    if recipe.kind != "route":
        raise CallError(
            f"{recipe_path}: recipes of kind {recipe.kind!r} cannot be run by this version; kind 'route' can"
        )
    route_path = None if recipe.route is None else base / recipe.route
    route = None if route_path is None else load_route(route_path)
    files = _drive_files(recipe, base, route, route_path)
    limits = None if recipe.limits is None else base / recipe.limits
    load_settings(limits)  # What is wrong with them is wrong for every drive.
    target = out or recipe.out
    before = earlier or recipe.earlier
    if before is not None and before.resolve() == target.resolve():
        raise CallError(f"{target}: the earlier run would be replaced by this one; name another --out")
    drives = {tag: load_drive(path) for tag, path in files.items()}
    noted = readings or recipe.readings
    plant = Plant(
        recipe=recipe, drives=drives, files=files,
        readings=None if noted is None else readings_of(noted, drives, route), readings_path=noted,
        folder=captures or base / recipe.captures, limits=limits, route=route, route_path=route_path,
        earlier=None if before is None else earlier_run(before),
    )  # fmt: skip
    return plant, target


def _drive_files(recipe: Recipe, base: Path, route: Route | None, route_path: Path | None) -> dict[str, Path]:
    """Drive files by tag: those of the route's stops, in the order of the walk, then those of the recipe."""
    from vibe.ingest import drive_files, load_drive, route_drives

    files = {} if route is None or route_path is None else route_drives(route, route_path)
    known = {path.resolve() for path in files.values()}
    for path in drive_files([base / pattern for pattern in recipe.drives]) if recipe.drives else ():
        if path.resolve() in known:
            continue
        tag = load_drive(path).tag
        if tag in files:
            raise ConfigError(f"drive {tag!r} is described twice, here and in {files[tag]}", path=path)
        files[tag] = path
    folded: dict[str, str] = {}
    for tag, path in files.items():
        # Many file systems know no case: one of the two reports would be lost.
        near = folded.setdefault(tag.casefold(), tag)
        if near != tag:
            raise ConfigError(
                f"the tags {tag!r} and {near!r} differ in case only; {near!r} is in {files[near]}", path=path
            )
    return files


def captures_of(
    plant: Plant, target: Path, search: Search, executor: JobExecutor, look: Callable[..., CaptureHeader]
) -> Gathered:
    """The captures in its folder, to its drives; many are looked at by ``executor``, which is asked for ``look``.

    Raises:
        CallError: there is none.
    """
    from vibe.flow.jobs.executor import ENDED_READING, TRY_AGAIN, WorkerDied
    from vibe.storage.files import writable

    found = round_files(plant, target)
    if not found:
        raise CallError(f"{plant.folder} holds no capture in a known format")
    if not executor.is_many or len(found) < FEWEST_FOR_MANY:
        return gathered(look_at(path, search) for path in found)
    looks = executor.each(look, found)
    return gathered(
        CaptureHeader(path=path, unused=f"{writable(path.name)}: {ENDED_READING}; {TRY_AGAIN}")
        if isinstance(one, WorkerDied)
        else one
        for path, one in zip(found, looks, strict=True)
    )


def round_files(plant: Plant, target: Path) -> list[Path]:
    """All that looks like a capture in its folder."""
    from vibe.ingest import find_captures

    # Earlier pages below the folder of captures (drives.csv is one of them) are no captures.
    return [path for path in find_captures(plant.folder) if not _is_page(path, target)]


def search_of(plant: Plant) -> Search:
    """What its captures are asked for."""
    return Search(tags=frozenset(plant.files), reader=reader_of(plant), readings=plant.readings)


def reader_of(plant: Plant) -> RouteReader | None:
    """How its captures are read; None where there is no route."""
    return None if plant.route is None else RouteReader(plant.folder, plant.route, plant.readings)


def _is_page(path: Path, target: Path) -> bool:
    """Whether a file that looks like a capture is one of the pages in ``target``."""
    where, pages = path.parent.resolve(), target.resolve()
    return path.name == "drives.csv" if where == pages else where.is_relative_to(pages)


def settings_hashes(plant: Plant, pdf: bool) -> dict[str, str]:
    """What every report of a run depends on."""
    configs = share_dir() / "configs"
    made_from = {"vibe": __version__, "pdf": "yes" if pdf else "no"}
    made_from["limits.toml"] = file_hash(plant.limits or configs / "limits.toml")
    for name in ("judgement.toml", "diagnosis.toml"):
        made_from[name] = file_hash(configs / name)
    if plant.route_path is not None:
        made_from["the route file"] = file_hash(plant.route_path)
    return made_from


def drive_hashes(plant: Plant, tag: str, captures: Iterable[Mapping[Path, str]]) -> dict[str, str]:
    """What the report of one drive depends on besides: ``captures`` holds the hashes of the files of each. A file's
    place says, on a route, what it is."""
    from vibe.ingest.config.drive_file import neighbour_files

    made_from = {"the drive file": file_hash(plant.files[tag])}
    for name, path in neighbour_files(plant.drives[tag], plant.files[tag]).items():
        made_from[f"the drive file of neighbour {name}"] = file_hash(path)
    for files in captures:
        for file, content in files.items():
            made_from[os.fsencode(file.relative_to(plant.folder)).decode("utf-8", "replace")] = content
    return made_from | reading_hash(plant.readings, tag)
