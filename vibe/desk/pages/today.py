"""``/``: the list of cases, its strip, its CSV, and what is newer."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from vibe.desk import rendering
from vibe.desk.context import desk_of, frame, page
from vibe.desk.today import FACETS, SORTS, TodayView, asked, key_of, view_of
from vibe.desk.words import case_address

if TYPE_CHECKING:
    from collections.abc import Callable

    from vibe.core.records.case_row import CaseRow

_COLUMNS = (
    "site", "id", "drives", "name", "urgency", "state", "list", "kind", "title", "to_do", "due", "measured", "owner",
    "since", "probability", "severity", "change",
)  # fmt: skip


def today(request: Request) -> Response:
    """The list as the address asks for it."""
    view = view_of(desk_of(request).sites.rows(), asked(request.query_params.multi_items()))
    if request.headers.get("x-part") == "strip":
        return _strip(request, view)
    template = "today_part.html.j2" if request.headers.get("x-part") else "today.html.j2"
    return page(request, template, here="today", **values_of(view))


def values_of(view: TodayView) -> dict[str, Any]:
    """What the template of a list needs."""
    return {
        "view": view, "sorts": SORTS, "facet_words": {name: words for name, (words, _) in FACETS.items()},
        "list_words": next(one.words for one in view.lists if one.name == view.asked.list),
        "today": datetime.now().date().isoformat(), "case_link": case_address,
        "list_address": _list_address(view), "page_address": lambda number: view.asked.address(page=number, at=""),
    }  # fmt: skip


def _list_address(view: TodayView) -> Callable[[str], str]:
    """Another list keeps the words and the order, and drops filters: nothing is hidden by a choice made elsewhere."""
    bare = replace(view.asked, q="", chosen={}, page=1, at="")
    return lambda name: bare.address(list=name)


def _strip(request: Request, view: TodayView) -> Response:
    text = "" if view.at is None else rendering.render("strip.html.j2", row=view.at, **frame(request, "today"))
    return Response(text, media_type="text/html")


def cases_csv(request: Request) -> Response:
    """The whole list that the address asks for, as a table."""
    from vibe.storage.csv_table import csv_text

    view = view_of(desk_of(request).sites.rows(), asked(request.query_params.multi_items()))
    text = csv_text(_COLUMNS, [_cells(row) for row in view.found])
    return Response(
        text.encode("utf-8"), media_type="text/csv; charset=utf-8",
        headers={"content-disposition": 'attachment; filename="cases.csv"'},
    )  # fmt: skip


def _cells(row: CaseRow) -> list[str | float]:
    return [
        row.site, row.id, " ".join(row.drives), row.name, round(row.urgency, 1), row.state, row.list, row.kind,
        row.title,
        row.advice, row.due, row.measured, row.owner, row.since, row.sure, row.severity, row.change,
    ]  # fmt: skip


def news(request: Request) -> Response:
    """What changed since the page was drawn: ``since`` is its ``rev``, ``here`` the case that it shows, if any."""
    sites = desk_of(request).sites
    since, here = request.query_params.get("since", ""), request.query_params.get("here", "")
    before = int(since) if since.isascii() and since.isdigit() and len(since) < 12 else sites.rev
    keys = {key_of(row) for row in sites.rows()}
    changed = [key for key, rev in sites.changed_at.items() if rev > before and key in keys]
    return JSONResponse(
        {
            "rev": sites.rev, "captures": sites.captures, "cases": len(changed), "judging": sites.judging,
            "far": sites.progress, "waiting": sites.waiting,
            "here": here in changed if here else None,
        }
    )  # fmt: skip


READS = [("/", today), ("/cases.csv", cases_csv), ("/api/news", news)]
