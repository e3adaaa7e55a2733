"""One page for a whole run: every drive, gravest first, and the same as CSV and JSON."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any
from urllib.parse import quote

from vibe import __version__
from vibe.core.route.round_check import Missing, RoundCounts
from vibe.core.route.run_notes import Retake
from vibe.report.change_words import SinceView, in_words, tally
from vibe.report.pages import shell
from vibe.report.run_rows import IndexRow as IndexRow
from vibe.report.run_rows import gravest_first as gravest_first
from vibe.report.run_rows import index_row as index_row
from vibe.report.run_rows import refuse_existing_run as refuse_existing_run
from vibe.report.words import STATE_RANK
from vibe.storage.csv_table import csv_text
from vibe.storage.files import write_whole

RUN_SCHEMA = "vibe.run/1"


@dataclass(frozen=True, slots=True, kw_only=True)
class IndexFiles:
    """The run's own files."""

    html: Path
    csv: Path
    json: Path


@dataclass(frozen=True, slots=True, kw_only=True)
class Again:
    """The points of one drive that are to be taken again, or that nobody took."""

    drive: str
    link: str | None
    lines: tuple[Any, ...]


def write_index(
    rows: Sequence[IndexRow],
    folder: Path,
    *,
    title: str,
    captures_without_drive: Sequence[str],
    drives_without_capture: Sequence[str],
    force: bool,
    on_route: bool = False,
    not_visited: Sequence[Missing] = (),
    retakes: Sequence[Retake] = (),
    remarks: Sequence[str] = (),
    of_round: RoundCounts | None = None,
    likeness: Mapping[str, Mapping[str, Sequence[float | None]]] | None = None,
) -> IndexFiles:
    """Write ``index.html``, ``drives.csv`` and ``run.json`` into ``folder``.

    ``on_route``: the run has a route, so that ``not_visited`` says what is missing and ``captures_without_drive`` holds
    what belongs to no stop. ``of_round``: how far the round is by the check; ``likeness``: signatures of its points, by
    drive and point, for the next run to be compared with.

    Raises:
        OutputError: one of them is there already and ``force`` is not given, or the folder cannot be written.
    """
    html_path, csv_path, json_path = folder / "index.html", folder / "drives.csv", folder / "run.json"
    if not force:
        refuse_existing_run(folder)
    ordered = gravest_first(rows)
    counts = Counter(row.state for row in ordered)
    links = [_links(row, folder) for row in ordered]
    since = [in_words(row) for row in ordered]
    own_page = {row.tag: link.get("HTML") for row, link in zip(ordered, links, strict=True)}
    places = {row.tag: place for place, row in enumerate(ordered)}
    page = shell.render(
        "index.html.j2",
        title=title,
        rows=list(zip(ordered, links, since, strict=True)),
        counts=[(state, counts[state]) for state in sorted(counts, key=STATE_RANK.__getitem__)],
        compared=any(one is not None for one in since),
        changed=tally(ordered),
        again=_grouped([one for one in retakes if one.verdict != "limited"], own_page, places),
        limited=_grouped([one for one in retakes if one.verdict == "limited"], own_page, places),
        on_route=on_route,
        check=None if of_round is None else of_round.in_words,
        not_visited=_in_walking_order(not_visited, own_page),
        captures_without_drive=list(captures_without_drive),
        drives_without_capture=[] if on_route else list(drives_without_capture),
        remarks=list(remarks),
        software=f"vibe {__version__}",
    )
    table = csv_text(
        [
            "drive", "name", "state", "finding", "probability", "action", "due", "sentence", "captures", "report",
            "remarks",
            "state_before", "changes", "first_due",
        ],
        [
            (
                row.tag, row.name, row.state, row.top_finding, row.probability, row.do_by, row.due, row.sentence,
                row.captures,
                link.get("HTML"), " | ".join((*row.remarks, *row.noticed)),
                None if row.changes is None else row.changes.state_before, None if shown is None else shown.as_text,
                row.first_due,
            )
            for row, link, shown in zip(ordered, links, since, strict=True)
        ],
    )  # fmt: skip
    record = {
        "schema": RUN_SCHEMA,
        "title": title,
        "drives": [_drive_record(row, link, shown) for row, link, shown in zip(ordered, links, since, strict=True)],
        "captures_without_drive": list(captures_without_drive),
        "drives_without_capture": list(drives_without_capture),
        "retakes": [asdict(one) for one in retakes],
        "not_visited": [
            {"drive": one.drive, "point": one.point, "what": one.what, "where": one.remedy} for one in not_visited
        ]
        if on_route
        else None,
        "check": None
        if of_round is None
        else {**asdict(of_round), "needed": of_round.needed, "text": of_round.in_words},
        "point_likeness_db": dict(likeness or {}),
        "remarks": list(remarks),
        "software": f"vibe {__version__}",
    }
    write_whole(csv_path, table, force=force)
    write_whole(json_path, json.dumps(record, indent=1, ensure_ascii=False, allow_nan=False) + "\n", force=force)
    write_whole(html_path, page, force=force)
    return IndexFiles(html=html_path, csv=csv_path, json=json_path)


def _drive_record(row: IndexRow, links: dict[str, str], since: SinceView | None) -> dict[str, Any]:
    return {
        "drive": row.tag,
        "name": row.name,
        "state": row.state,
        "sentence": row.sentence,
        "do_by": row.do_by,
        "due": row.due,
        "first_due": row.first_due,
        "top_finding": row.top_finding,
        "probability": row.probability,
        "captures": row.captures,
        "files": {kind.lower(): link for kind, link in links.items()},
        "remarks": [*row.remarks, *row.noticed],
        "changes": None if row.changes is None else asdict(row.changes),
        "since": None if since is None else since.as_text,
    }


def _grouped(retakes: Sequence[Retake], pages_of: dict[str, str | None], places: dict[str, int]) -> list[Again]:
    """By drive, in the order of the page."""
    drives = sorted(dict.fromkeys(one.drive for one in retakes), key=lambda tag: places.get(tag, len(places)))
    return [
        Again(drive=tag, link=pages_of.get(tag), lines=tuple(one for one in retakes if one.drive == tag))
        for tag in drives
    ]


def _in_walking_order(missing: Sequence[Missing], pages_of: dict[str, str | None]) -> list[Again]:
    return [
        Again(drive=tag, link=pages_of.get(tag), lines=tuple(one for one in missing if one.drive == tag))
        for tag in dict.fromkeys(one.drive for one in missing)
    ]


def _links(row: IndexRow, folder: Path) -> dict[str, str]:
    """Relative addresses of a drive's files, by kind."""
    if row.files is None:
        return {}
    named = {"HTML": row.files.html, "PDF": row.files.pdf, "JSON": row.files.json}
    return {
        kind: quote(path.relative_to(folder).as_posix() if path.is_relative_to(folder) else path.resolve().as_posix())
        for kind, path in named.items()
        if path is not None
    }
