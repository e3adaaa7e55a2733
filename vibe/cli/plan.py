"""``vibe plan``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vibe.cli.shared.options import Force, Out

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from vibe.core.route.route_plan import PointPlan, RoutePlan
    from vibe.core.tones import CapturePlan

_NAMES = ["drive", "sample_rate_hz", "duration_s", "captures", "sensor_range_m_s2", "resolution_hz", "shows"]
_TITLES = [
    "drive",
    "rate [Hz]",
    "length [s]",
    "captures",
    "range [m/s²]",
    "resolution [Hz]",
    "tones shown",
    "not shown",
]
_POINT_NAMES = [
    "stop", "drive", "point", "sample_rate_hz", "duration_s", "captures", "sensor_range_m_s2", "mounting", "shows",
    "remark",
]  # fmt: skip
_POINT_TITLES = [
    "stop", "drive", "point", "rate [Hz]", "length [s]", "captures", "range [m/s²]", "mounting", "tones shown",
    "remark",
]  # fmt: skip


def plan(
    drives: Annotated[
        list[str],
        typer.Argument(
            metavar="DRIVE.toml...", help="Drive files, or folders that hold them; or one route.", show_default=False
        ),
    ],
    out: Out = None,
    pdf: Annotated[bool, typer.Option("--pdf/--no-pdf", help="With --out: print the sheet to PDF too.")] = True,
    force: Force = False,
) -> None:
    """Capture settings for drives or a route.

    What they cannot show is named too. With --out, a sheet to take along is written; for a route also folders that
    wait for the captures.
    """
    from vibe.cli.shared import output
    from vibe.cli.shared.paths import check_folder
    from vibe.flow.route.plan import plan_drives, the_route_in
    from vibe.health.state.cautions import plan_cautions
    from vibe.ingest import drive_files

    check_folder(out)
    paths = drive_files([Path(name) for name in drives])
    route = the_route_in(paths)
    if route is not None:
        _plan_route(route, out, pdf=pdf, force=force)
        return
    outcome = plan_drives(paths, out, force, pdf=pdf)
    if output.for_people():
        _draw(outcome.plans)
    else:
        output.show_rows([*_NAMES, "cannot_show", "mounting"], [_cells(one, named=True) for one in outcome.plans])
    for caution in plan_cautions():
        output.note(f"caution: {caution}")
    for remark in outcome.remarks:
        output.note(f"note: {remark}")
    output.show_files(outcome.files)


def _cells(one: CapturePlan, *, named: bool) -> list[str]:
    """One drive's settings; ``named``: with the tones that stay unseen, for programs."""
    from vibe.report.words import number

    unseen = [tone.tone for tone in one.visibility if not tone.seen]
    cells = [
        one.drive, f"{one.sample_rate_hz:g}", f"{one.duration_s:g}", f"{one.captures}", f"{one.sensor_range_m_s2:g}",
        number(one.resolution_hz), f"{len(one.visibility) - len(unseen)}",
    ]  # fmt: skip
    return [*cells, "; ".join(unseen), one.mounting] if named else [*cells, f"{len(unseen)}"]


def _draw(plans: Sequence[CapturePlan]) -> None:
    """The settings as a table, then what stays unseen; with one drive also why the settings are so, as in the sheet."""
    from vibe.cli.shared import output

    output.show_rows(_NAMES, [_cells(one, named=False) for one in plans], titles=_TITLES)
    for one in plans:
        output.show_facts(
            [
                (one.drive, f"mounting: {one.mounting}"),
                *((one.drive, reason) for reason in one.reasons if len(plans) == 1),
                *(
                    (
                        one.drive,
                        f"cannot show {tone.tone}: {tone.why}" + (f"; needs {tone.needs}" if tone.needs else ""),
                    )
                    for tone in one.visibility
                    if not tone.seen
                ),
            ]
        )


def _plan_route(route: Path, out: Path | None, *, pdf: bool, force: bool) -> None:
    from vibe.cli.shared import output
    from vibe.flow.route.plan import plan_route
    from vibe.health.state.cautions import plan_cautions

    outcome = plan_route(route, out, force, pdf=pdf)
    output.show_rows(_POINT_NAMES, list(_point_rows(outcome.plan)), titles=_POINT_TITLES)
    output.show_facts(_budget(outcome.plan))
    for caution in plan_cautions():
        output.note(f"caution: {caution}")
    for remark in outcome.remarks:
        output.note(f"note: {remark}")
    output.show_files(outcome.files)
    if outcome.folders:
        output.note(f"captures go into the {len(outcome.folders)} folders of {outcome.folders[0].parent}")


def _point_rows(plan: RoutePlan) -> Iterator[list[str]]:
    for number, stop in enumerate(plan.stops, start=1):
        seen = {view.tone for view in stop.plan.visibility if view.seen}
        for point in stop.points:
            vibration = point.quantity == "acceleration"
            yield [
                f"{number}", stop.drive, point.name, f"{point.sample_rate_hz:g}", f"{point.duration_s:g}",
                f"{point.captures}",
                "" if point.sensor_range_m_s2 is None else f"{point.sensor_range_m_s2:g}",
                point.mounting if vibration else "pulse sensor",
                f"{len(seen - set(point.loses))}" if vibration and point.in_use else "", _remark(point),
            ]  # fmt: skip


def _remark(point: PointPlan) -> str:
    if point.out_of_use:
        return f"out of use: {point.out_of_use}"
    return "" if point.better_mounting is None else f"better: {point.better_mounting}"


def _budget(plan: RoutePlan) -> list[tuple[str, str]]:
    """The time of the walk by what it is spent on, in hours and minutes."""
    from vibe.report.pages.route_sheet_data import hours

    times = plan.budget
    return [
        ("start", hours(times.start_s)),
        ("walking", hours(times.walking_s)),
        ("mounting", hours(times.mounting_s)),
        ("capturing", hours(times.capturing_s)),
        ("noting", hours(times.noting_s)),
        ("repeats", hours(times.repeats_s)),
        ("in all", f"{hours(times.total_s)} h, the way back not counted"),
    ]
