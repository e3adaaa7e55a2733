"""``vibe alarms since`` and ``vibe alarms columns``: what changed, and how another system's lists are read."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vibe.core.errors import CallError

if TYPE_CHECKING:
    from vibe.core.records.column_map import ColumnMap

_Store = Annotated[Path, typer.Option("--store", metavar="DIR", help="Folder of the history.", show_default=False)]
_FIELDS = ("tag", "point", "time", "measure", "value", "limit", "unit")


def since(
    then: Annotated[str, typer.Argument(metavar="DATE", help="The day to compare with.", show_default=False)],
    store: Annotated[
        list[Path],
        typer.Option(
            "--store",
            metavar="DIR",
            show_default=False,
            help="Folder of a history. May be repeated: what changed at several sites.",
        ),
    ],
    at: Annotated[str | None, typer.Option("--at", metavar="DATE", help="The later day; today unless given.")] = None,
) -> None:
    """What changed since a day, each case seen with what was known then.

    New, graver, calmer, gone, and what was not measured: what merely was not seen is never gone.
    """
    from vibe.cli.shared import output
    from vibe.cli.shared.moments import moment
    from vibe.cli.shared.progress import Waiting
    from vibe.cli.shared.stores import sites_of
    from vibe.flow.desk.since import changes_since
    from vibe.history.store.store import Store

    now = None if at is None else moment(at, "--at")
    views = []
    for site, folder in sites_of(store):
        with Store.open(folder) as opened, Waiting() as waiting:
            views.append((site, changes_since(opened, moment(then, "DATE"), now, progress=waiting)))

    def number(urgency: float | None) -> str:
        return "" if urgency is None else f"{urgency:.1f}"

    several = len(views) > 1
    output.show_rows(
        ["change", "drive", "id", "then", "now", "title", "why", *(["site"] if several else [])],
        [
            [
                row.group, row.drive, row.case, number(row.then), number(row.now), row.title, row.why,
                *([site] if several else []),
            ]
            for site, view in views for row in view.rows
        ],
    )  # fmt: skip
    for site, view in views:
        lead = f"{site}: " if several else ""
        for remark in view.remarks:
            output.note(f"note: {lead}{remark}")
        if not view.rows:
            output.note(f"{lead}nothing changed between {view.then:%Y-%m-%d} and {view.now:%Y-%m-%d}")


def columns(
    table: Annotated[Path, typer.Argument(metavar="FILE.csv", help="A list of another system.", show_default=False)],
    store: _Store,
    column: Annotated[
        list[str] | None,
        typer.Option(
            "--column", metavar="WHAT=HEADER", help=f"Which column is what: {', '.join(_FIELDS)}. May be repeated."
        ),
    ] = None,
    fixed: Annotated[
        list[str] | None,
        typer.Option("--fixed", metavar="WHAT=WORD", help="True of every row, where no column says it."),
    ] = None,
    unit: Annotated[str, typer.Option("--unit", metavar="UNIT", help="Of values that come without one.")] = "",
    time_zone: Annotated[
        str | None, typer.Option("--time-zone", metavar="ZONE", help="Of times without an offset from UTC.")
    ] = None,
) -> None:
    """Say once which column of another system's list is what; lists with the same header are read so from then on.

    Without --column and --fixed it shows what is understood.
    """
    from vibe.cli.shared import output
    from vibe.core.records.column_map import ColumnMap
    from vibe.flow.alarms.columns import remember_columns, remembered_columns, table_head
    from vibe.history.store.store import Store
    from vibe.ingest.tables.exceedances import read_exceedances

    with Store.open(store):
        head = table_head(table)
    kept = remembered_columns(store, head.source)
    said: ColumnMap | None = None if kept is None else kept[1]
    if column or fixed or unit or time_zone:
        said = ColumnMap(
            columns=_pairs(column, "--column"), fixed=_pairs(fixed, "--fixed"), unit=unit, time_zone=time_zone
        )
        read = read_exceedances(table, columns=said)
        remember_columns(store, head, "exceedances", said)
        output.note(f"{len(read.rows)} of {head.rows} rows can be read so")
        for left in read.bad[:3]:
            output.note(f"line {left.line} left out: {left.why}")
    else:
        output.note(f"its columns: {', '.join(head.header)}")
    known = said or ColumnMap()
    output.show_rows(
        ["what", "column", "first row"],
        [
            [what, header or (f"(always {word})" if word else ""), _first(head.header, head.first_rows, header)]
            for what in _FIELDS
            for word in [known.fixed.get(what, "")]
            for header in [known.columns.get(what) or ("" if word else head.guessed.get(what, ""))]
        ],
    )


def _pairs(words: list[str] | None, option: str) -> dict[str, str]:
    found = {}
    for word in words or ():
        what, sign, value = word.partition("=")
        if not sign or what not in _FIELDS or not value.strip():
            raise CallError(f"{option} {word!r}: write WHAT=NAME, WHAT being one of {', '.join(_FIELDS)}")
        found[what] = value.strip()
    return found


def _first(header: tuple[str, ...], rows: tuple[tuple[str, ...], ...], name: str) -> str:
    place = header.index(name) if name in header else -1
    return rows[0][place] if rows and 0 <= place < len(rows[0]) else ""
