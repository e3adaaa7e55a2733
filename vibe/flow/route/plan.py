"""Capture settings, before anybody leaves for the drives."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from vibe.core.errors import CallError, ConfigError
from vibe.flow.settings import tones_of

if TYPE_CHECKING:
    from vibe.core.drive import Drive
    from vibe.core.route.route_plan import RoutePlan
    from vibe.core.tones import CapturePlan, ToneTable


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanOutcome:
    """Capture plans and the sheets written."""

    plans: tuple[CapturePlan, ...]
    files: tuple[Path, ...]
    remarks: tuple[str, ...] = ()


def plan_drives(drive_paths: Sequence[Path], out: Path | None, force: bool, *, pdf: bool | None = None) -> PlanOutcome:
    """Capture plans, and a printable sheet when ``out`` is given (with its PDF unless ``pdf`` says no)."""
    return plan_of([tones_of(path) for path in drive_paths], out, force, pdf=pdf)


def plan_of(
    pairs: Sequence[tuple[Drive, ToneTable]], out: Path | None, force: bool, *, pdf: bool | None = None
) -> PlanOutcome:
    """As ``plan_drives``, of drives that were read already.

    Raises:
        OutputError: a file is there already and ``force`` is not given, or the folder cannot be written.
    """
    from vibe.health.state.cautions import plan_cautions
    from vibe.kinematics.planning.capture_plan import capture_plan
    from vibe.report.pages.plan_sheet import write_plan_sheet

    plans = tuple(capture_plan(drive, table) for drive, table in pairs)
    if out is None:
        return PlanOutcome(plans=plans, files=())
    names = {drive.tag: drive.name for drive, _ in pairs}
    sheet = write_plan_sheet(plans, out, force=force, names=names, cautions=plan_cautions(), pdf=pdf is not False)
    files = tuple(file for file in (sheet.html, sheet.pdf, sheet.csv, sheet.json) if file is not None)
    return PlanOutcome(plans=plans, files=files, remarks=sheet.remarks)


@dataclass(frozen=True, slots=True, kw_only=True)
class RoutePlanOutcome:
    """A route's plan, the files written, and the folders that wait for captures."""

    plan: RoutePlan
    files: tuple[Path, ...] = ()
    folders: tuple[Path, ...] = ()
    remarks: tuple[str, ...] = ()


def the_route_in(paths: Sequence[Path]) -> Path | None:
    """The route file among what was named; None: there are drives only.

    Raises:
        CallError: a route together with anything else.
    """
    route = next((path for path in paths if is_route(path)), None)
    if route is not None and len(paths) > 1:
        raise CallError(f"{route} is a route: plan it by itself, it names its drives")
    return route


def is_route(path: Path) -> bool:
    """Whether the file has stops. One that cannot be read has none: whoever loads it says what is wrong."""
    from vibe.storage.toml_text import toml_tables

    try:
        return path.is_file() and "stop" in toml_tables(path)
    except (ConfigError, OSError):
        return False


def route_plan_of(route_path: Path) -> RoutePlan:
    """The settings of every point of a route, without writing anything.

    Raises:
        ConfigError: the route or one of its drives is wrong.
    """
    from dataclasses import replace

    from vibe.ingest.route.file_names import file_names
    from vibe.ingest.route.route_file import load_route, route_drives
    from vibe.kinematics.planning.route_settings import route_plan, stop_plan

    route = load_route(route_path)
    drives = route_drives(route, route_path)
    stops = [
        replace(stop_plan(*tones_of(drives[stop.drive]), stop, route), files=file_names(route, stop))
        for stop in route.stop
    ]
    return route_plan(route, stops)


def plan_route(route_path: Path, out: Path | None, force: bool, *, pdf: bool | None = None) -> RoutePlanOutcome:
    """The plan of a route; with ``out`` the sheet to print, its copies for programs, and folders for the captures.

    Raises:
        ConfigError: the route or one of its drives is wrong.
        OutputError: a file is there already and ``force`` is not given, or the folder cannot be written.
    """
    from vibe.health.state.cautions import plan_cautions
    from vibe.report.pages.phone_sheet import phone_html
    from vibe.report.pages.route_sheet import write_route_plan

    plan = route_plan_of(route_path)
    if out is None:
        return RoutePlanOutcome(plan=plan)
    cautions = plan_cautions()
    phone = {"phone.html": phone_html(plan, cautions)}
    written = write_route_plan(plan, out, force=force, cautions=cautions, pdf=pdf is not False, further=phone)
    made = (written.html, written.pdf, *written.further, written.readings, written.csv, written.json)
    files = tuple(file for file in made if file is not None)
    return RoutePlanOutcome(plan=plan, files=files, folders=written.folders, remarks=written.remarks)
