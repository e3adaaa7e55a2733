"""What a technician takes along on a route: a sheet to print, its copies for programs, and folders for the captures."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from vibe import __version__
from vibe.core.errors import OutputError
from vibe.core.route.route_plan import RoutePlan, StopPlan
from vibe.report import words
from vibe.report.pages import shell
from vibe.report.pages.phone_sheet import READINGS_FILE, readings_csv
from vibe.report.pages.route_sheet_data import ROUND, route_sheet, stop_folders
from vibe.report.printing.pdf import make_pdf
from vibe.storage.csv_table import csv_text
from vibe.storage.files import check_folder, remove_older, staged, write_whole
from vibe.storage.regular import refuse_links_out

SCHEMA = "vibe.route_plan/1"
FOLDER_FILE = "folder.toml"


@dataclass(frozen=True, slots=True, kw_only=True)
class RouteFiles:
    """What was written; ``pdf`` None when there is none, and then ``remarks`` says why."""

    html: Path
    pdf: Path | None
    csv: Path
    json: Path
    readings: Path
    further: tuple[Path, ...]
    round: Path
    folders: tuple[Path, ...]
    """One for each stop, in the order of the walk."""
    remarks: tuple[str, ...] = ()


def write_route_plan(
    plan: RoutePlan,
    folder: Path,
    *,
    force: bool,
    cautions: Sequence[str],
    pdf: bool = True,
    further: Mapping[str, str] | None = None,
) -> RouteFiles:
    """Write ``plan.html``, ``plan.pdf``, ``plan.csv``, ``plan.json`` and ``round/<drive>/folder.toml`` into ``folder``.

    All is made and written next to its place before the first file takes it. A ``folder.toml`` that is there is kept
    even with ``force``, and so is ``readings.csv``: speed and load may stand in it. ``further``: more files, by name.

    Raises:
        OutputError: one of them is there already and ``force`` is not given, or the folder cannot be written.
    """
    folders = stop_folders(plan)
    texts: dict[str, str] = {f"{ROUND}/{folders[stop.drive]}/{FOLDER_FILE}": folder_file(stop) for stop in plan.stops}
    texts[READINGS_FILE] = readings_csv(plan)
    refuse_links_out(folder, ROUND, *(f"{ROUND}/{name}" for name in folders.values()))
    for name in ("plan.html", "plan.pdf", "plan.csv", "plan.json", *(further or {}), *texts):
        if (folder / name).exists() and not force:
            raise OutputError(f"{folder / name} exists already; give --force to replace it, or another --out")
    kept = [name for name in texts if (folder / name).exists()]
    check_folder(folder)
    page = route_html(plan, cautions)
    printed = make_pdf(page) if pdf else None
    contents: dict[str, str | bytes] = {name: text for name, text in texts.items() if name not in kept}
    contents |= {"plan.csv": route_csv(plan), "plan.json": route_json(plan), "plan.html": page}
    contents |= further or {}
    if printed is not None and printed.content is not None:
        contents["plan.pdf"] = printed.content
    _write_together(folder, contents, force=force)
    has_pdf = "plan.pdf" in contents
    if not has_pdf:
        remove_older(folder / "plan.pdf")
    remarks = [printed.remark] if printed is not None and printed.remark else []
    if kept:
        there = f"{kept[0]} and {len(kept) - 1} more like it were" if len(kept) > 1 else f"{kept[0]} was"
        remarks.append(f"{there} there already and kept, with what is noted in it")
    return RouteFiles(
        html=folder / "plan.html",
        pdf=folder / "plan.pdf" if has_pdf else None,
        csv=folder / "plan.csv",
        json=folder / "plan.json",
        readings=folder / READINGS_FILE,
        further=tuple(folder / name for name in further or {}),
        round=folder / ROUND,
        folders=tuple(folder / ROUND / folders[stop.drive] for stop in plan.stops),
        remarks=tuple(remarks),
    )


def _write_together(folder: Path, contents: dict[str, str | bytes], *, force: bool) -> None:
    """Write all files next to their places, then move them there one after the other.

    Raises:
        OutputError: the folder cannot be written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with staged(folder, "plan") as stage:
            for name, content in contents.items():
                write_whole(stage / name, content)
            for name in contents:
                target = folder / name
                if target.exists() and not force:
                    raise OutputError(f"{target} exists already; give --force to replace it, or another --out")
                target.parent.mkdir(parents=True, exist_ok=True)
                (stage / name).replace(target)
    except OSError as error:
        check_folder(folder)
        raise OutputError(f"cannot write {folder}: {error.strerror or error}") from error


def folder_file(stop: StopPlan) -> str:
    """The TOML file that supports all captures of its folder: the drive's tag, and room for speed and load."""
    low, high = stop.speed_range_rpm
    heading = words.printable(f"{stop.drive}, {stop.name}" if stop.name else stop.drive)
    lines = [f"# {heading}", "# Put this drive's captures of one round here. This file applies to all of them."]
    # A JSON string without control characters is a TOML string too.
    lines += ["", f"drive = {json.dumps(stop.drive, ensure_ascii=False)}"]
    if stop.note:
        lines += ["", "# Write what was read, and take away the sign in front:"]
    if "speed" in stop.note:
        lines.append(f"# speed_rpm = {stop.speed_rpm:g}   # of the input; expect {low:.0f} to {high:.0f} r/min")
    if "load" in stop.note:
        lines.append("# load_percent = 100   # of the rated load")
    return "\n".join(lines) + "\n"


def route_csv(plan: RoutePlan) -> str:
    """One line for each point, in the order of the walk."""
    header = [
        "stop", "drive", "name", "where", "point", "place", "axis", "quantity", "in_use", "sample_rate_hz",
        "duration_s", "captures", "samples", "sensor_range_m_s2", "sensor_range_g", "mounting", "good_to_hz",
        "better_mounting", "loses", "speed_rpm", "lowest_rpm", "highest_rpm", "note", "folder", "out_of_use",
        "reasons", "files",
    ]  # fmt: skip
    folders = stop_folders(plan)
    return csv_text(
        header,
        [
            (
                number, stop.drive, stop.name, stop.where, point.name, point.place, point.axis, point.quantity,
                "yes" if point.in_use else "no", point.sample_rate_hz, point.duration_s, point.captures, point.samples,
                point.sensor_range_m_s2, _rounded(point.sensor_range_g),
                point.mounting if point.quantity == "acceleration" else None, _rounded(point.good_to_hz),
                point.better_mounting, "; ".join(point.loses), stop.speed_rpm, *map(_rounded, stop.speed_range_rpm),
                " ".join(stop.note), f"{ROUND}/{folders[stop.drive]}", point.out_of_use, " | ".join(point.reasons),
                " | ".join(file.path for file in stop.files if point.name in file.points),
            )
            for number, stop in enumerate(plan.stops, start=1)
            for point in stop.points
        ],
    )  # fmt: skip


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 1)


def route_json(plan: RoutePlan) -> str:
    """The plan with all its fields, and the folder of each stop."""
    record = asdict(plan)
    folders = stop_folders(plan)
    for stop in record["stops"]:
        stop["folder"] = f"{ROUND}/{folders[stop['drive']]}"
    record["budget"]["total_s"] = plan.budget.total_s
    whole = {"schema": SCHEMA, **record, "software": f"vibe {__version__}"}
    return json.dumps(whole, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def route_html(plan: RoutePlan, cautions: Sequence[str]) -> str:
    """The sheet as a page without scripts."""
    return shell.render("route_plan.html.j2", sheet=route_sheet(plan, cautions))
