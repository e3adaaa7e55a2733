"""What came of a run: the page for all drives, and what else must be said."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from vibe.core.errors import OutputError
from vibe.flow.capture_folder import Gathered
from vibe.flow.run.earlier_run import since
from vibe.flow.run.field_verdicts import FieldVerdicts
from vibe.flow.run.outcome import DriveResult, RunOutcome
from vibe.flow.run.places import without_places
from vibe.flow.run.preparation import Plant
from vibe.flow.run.visits import not_visited
from vibe.flow.settings import load_settings

if TYPE_CHECKING:
    from vibe.core.health import Health
    from vibe.core.route.round_check import Missing
    from vibe.core.route.run_notes import Retake
    from vibe.report.run_rows import IndexRow


NO_VERDICTS = FieldVerdicts()


@dataclass(slots=True)
class _Compared:
    rows: list[IndexRow] = field(default_factory=list)
    reports: dict[str, Health] = field(default_factory=dict)
    said: list[str] = field(default_factory=list)


def summed_up(
    plant: Plant,
    gathered: Gathered,
    results: Sequence[DriveResult],
    target: Path,
    *,
    force: bool,
    kept: tuple[str, ...] = (),
    verdicts: FieldVerdicts = NO_VERDICTS,
) -> RunOutcome:
    """Write the page for all drives; ``kept`` were finished by an interrupted run.

    Raises:
        OutputError: the page cannot be written.
    """
    from vibe.health.state.repeat_measurements import retakes
    from vibe.report.pages.index_page import write_index

    failures = {result.row.tag: result.failure for result in results if result.failure is not None}
    folders = [target, plant.folder, *{path.parent for path in plant.files.values()}]
    compared = _compared(plant, gathered, [_placeless(result.row, folders) for result in results])
    gathered = replace(gathered, unused=[without_places(text, folders) for text in gathered.unused])
    missing: list[Missing] = []
    if plant.route is not None:
        missing = not_visited(plant.route, compared.reports, failures)
    stops = {stop.drive for stop in plant.route.stop} if plant.route is not None else set()
    without = [tag for tag in plant.files if tag not in gathered.by_drive]
    back = verdicts.retakes()
    files = write_index(
        compared.rows, target, title=plant.recipe.title, captures_without_drive=gathered.unused,
        drives_without_capture=without, force=force, on_route=plant.route is not None, not_visited=missing,
        retakes=_together(back, [one for report in compared.reports.values() for one in retakes(report)]),
        remarks=compared.said, of_round=None if verdicts.call is None else verdicts.call.counts,
        likeness=verdicts.likeness,
    )  # fmt: skip
    noticed = dict.fromkeys(text for row in compared.rows for text in row.noticed)
    said = [
        *([] if plant.readings is None else plant.readings.remarks),
        *gathered.unused,
        *noticed,
        *compared.said,
        *failures.values(),
    ]
    said += [f"{tag}: no capture was found" for tag in without if tag not in stops]
    said += _of_files(compared.rows)
    if missing:
        said.append(_not_visited_in_words(missing))
    if verdicts.call is not None:
        said.append(f"check: {verdicts.call.counts.in_words}")
    for what, some in (
        ("to repeat", [one for one in back if one.verdict != "unreadable"]),
        ("cannot be read", [one for one in back if one.verdict == "unreadable"]),
    ):
        if some:
            said.append(
                f"{what}: {_named(list(dict.fromkeys(f'{one.drive} {one.point or one.file}' for one in some)))}"
            )
    return RunOutcome(
        rows=tuple(compared.rows),
        index=files.html,
        remarks=tuple(said),
        rejected=any(result.bad for result in results) or bool(gathered.unused) or bool(back),
        acting=any(row.state == "act" for row in compared.rows),
        failures=tuple(failures.values()),
        defect=any(result.defect for result in results),
        kept=kept,
    )


def _compared(plant: Plant, gathered: Gathered, rows: Sequence[IndexRow]) -> _Compared:
    """Rows with what was noticed while the captures were gathered, and with what changed since last time."""
    from vibe.core.health import Health

    compared = _Compared()
    formerly = {} if plant.route is None else {stop.drive: stop.formerly for stop in plant.route.stop}
    limits = load_settings(plant.limits).limits
    if plant.earlier is not None:
        compared.said += plant.earlier.remarks
    for given in rows:
        row = replace(given, noticed=(*gathered.remarks.get(given.tag, ()), *given.noticed))
        if row.files is not None:
            report = Health.model_validate_json(_read_back(row.files.json))
            compared.reports[row.tag] = report
            if plant.earlier is not None and not plant.earlier.remarks:
                found = since(plant.earlier, report, plant.drives[row.tag], formerly.get(row.tag, ()), limits)
                row = replace(row, changes=found.changes, since=found.note)
                compared.said += [f"{row.tag}: {found.note}"] if found.failed else []
        compared.rows.append(row)
    return compared


def _of_files(rows: Sequence[IndexRow]) -> list[str]:
    """What went wrong with the pages themselves, such as a PDF that could not be drawn, once for all drives."""
    where: dict[str, list[str]] = {}
    for row in rows:
        for remark in row.files.remarks if row.files is not None else ():
            where.setdefault(remark, []).append(row.tag)
    return [
        f"{', '.join(tags[:6])}{f' and {len(tags) - 6} more' if len(tags) > 6 else ''}: {remark}"
        for remark, tags in where.items()
    ]


def _placeless(row: IndexRow, folders: Sequence[Path]) -> IndexRow:
    """A row as it may stand on a page that is handed on."""
    return replace(
        row,
        remarks=tuple(without_places(text, folders) for text in row.remarks),
        noticed=tuple(without_places(text, folders) for text in row.noticed),
    )


def _read_back(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise OutputError(
            f"{path} was written and cannot be read any more ({(error.strerror or str(error)).lower()}): somebody "
            "changes that folder; run again"
        ) from error


def _not_visited_in_words(missing: Sequence[Missing]) -> str:
    drives = [one.drive for one in missing if one.point is None]
    points = [f"{one.drive} {one.point}" for one in missing if one.point is not None]
    return f"not visited: {_named([*drives, *points])}"


def _named(names: Sequence[str]) -> str:
    more = f" and {len(names) - 6} more" if len(names) > 6 else ""
    return f"{', '.join(names[:6])}{more}"


def _together(back: Sequence[Retake], limits: Sequence[Retake]) -> list[Retake]:
    """What the check sends back, and what else reports say of points."""
    known = {(one.drive, (one.point or one.file).casefold()) for one in back}
    known |= {(one.drive, one.file.casefold()) for one in back if one.verdict == "unreadable"}
    return [*back, *(one for one in limits if (one.drive, (one.point or one.file).casefold()) not in known)]
