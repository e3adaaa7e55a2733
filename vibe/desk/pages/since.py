"""``/since``: what changed between two dates, each seen with what was known then."""

from __future__ import annotations

from contextlib import closing
from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import Response

from vibe.desk.context import Desk, desk_of, page, started
from vibe.desk.words import moment

if TYPE_CHECKING:
    from collections.abc import Callable

    from vibe.flow.desk.background import JobControl

GROUPS = {
    "new": ("New", "Cases that did not exist at the earlier date."),
    "graver": ("Graver", "Urgency rose by 5 or more, or the state is worse."),
    "calmer": ("Calmer", "Urgency fell by 5 or more, and an accepted capture says so."),
    "gone": ("Gone", "Closed by a repair, a decision or its end. Never by silence."),
    "not measured": ("Not measured", "No accepted capture between the two dates, or it cannot be judged."),
}
_FIRST = 8
"""Rows of a list before the rest is asked for (our choice)."""
_KEPT = 20
"""Questions whose answers are kept (our choice)."""


def presets(last: date) -> list[tuple[str, str]]:
    """Usual steps back from a day, and their words."""
    working = last - timedelta(days=3 if last.weekday() == 0 else 1)
    steps = [
        (last - timedelta(days=1), "yesterday"), (working, "last working day"), (last - timedelta(days=7), "a week"),
        (last - timedelta(days=30), "a month"), (last - timedelta(days=91), "3 months"),
        (last - timedelta(days=365), "a year"),
    ]  # fmt: skip
    return [(day.isoformat(), words) for day, words in steps]


def since(request: Request) -> Response:
    """The comparison that the address asks for; worked out first where it was not yet."""
    desk = desk_of(request)
    today = datetime.now().date()
    asked = request.query_params
    begin, end, site = asked.get("from", ""), asked.get("to", "") or today.isoformat(), asked.get("site", "")
    stores = [one for one in desk.sites.stores if not site or one.name == site]
    values: dict[str, Any] = {
        "begin": begin, "end": end, "site": site, "presets": presets(today), "groups": GROUPS, "first": _FIRST,
        "every": asked.get("all", ""), "wrong": "", "found": None, "address": _address,
    }  # fmt: skip
    if not begin:
        values["begin"] = (today - timedelta(days=7)).isoformat()
        return page(request, "since.html.j2", here="since", **values)
    try:
        then, until = date.fromisoformat(begin), date.fromisoformat(end)
    except ValueError:
        return _said(request, values, "This is no day of the calendar: write 2026-03-09.")
    if then >= until:
        return _said(request, values, "The second date must come after the first.")
    if until > today:
        return _said(
            request, values, f"{end} has not come yet. The last capture is of {desk.sites.measured[:10] or 'no day'}."
        )
    if not stores:
        return _said(request, values, f"There is no site {site[:40]!r}.")
    key = ("since", begin, end, site, *(one.judged.stamp if one.judged else "" for one in stores))
    found = desk.worked.get(key)
    if found is None:
        return _work(desk, key, stores, then, until, site)
    return page(request, "since.html.j2", here="since", **(values | {"found": found}))


def _said(request: Request, values: dict[str, Any], sentence: str) -> Response:
    return page(request, "since.html.j2", here="since", status=422, **(values | {"wrong": sentence}))


def _address(begin: str, end: str, site: str, group: str = "") -> str:
    from urllib.parse import urlencode

    said = {"from": begin, "to": end, "site": site, "all": group}
    return "/since?" + urlencode({name: value for name, value in said.items() if value})


def _work(desk: Desk, key: Any, stores: Any, then: date, until: date, site: str) -> Response:
    from vibe.flow.desk.since import changes_since

    zone = datetime.now().astimezone().tzinfo
    today = datetime.now().date()
    begin = datetime.combine(then, time(23, 59, 59), zone)
    # Today is as of this minute, every other day as of its end.
    end = datetime.now().astimezone() if until == today else datetime.combine(until, time(23, 59, 59), zone)

    def work(control: JobControl) -> dict[str, Any]:
        rows: dict[str, list[Any]] = {name: [] for name in GROUPS}
        remarks: list[str] = []
        for number, one in enumerate(stores):
            with closing(desk.sites.opened(one.name)) as store:
                view = changes_since(
                    store, begin, end,
                    progress=_nth(control, number, len(stores)),
                )  # fmt: skip
            for name in GROUPS:
                rows[name] += [(one.name, row) for row in view.of(name)]  # type: ignore[arg-type]
            remarks += [f"{one.name}: {remark}" if len(stores) > 1 else remark for remark in view.remarks]
        for found in rows.values():
            found.sort(key=lambda pair: -(pair[1].now if pair[1].now is not None else pair[1].then or 0.0))
        made = {"rows": rows, "remarks": remarks, "count": len({(s, r.drive) for g in rows.values() for s, r in g})}
        if len(desk.worked) > _KEPT:
            desk.worked.clear()
        desk.worked[key] = made
        return made

    return started(desk, f"Comparing {then.isoformat()} with {until.isoformat()}", work,
                   _address(then.isoformat(), until.isoformat(), site))  # fmt: skip


def _nth(control: JobControl, number: int, count: int) -> Callable[[int, int, str], None]:
    """Progress of one of several stores."""
    return lambda done, of, what: control.step(number * of + done, count * of, what)


def since_csv(request: Request) -> Response:
    """One group of a comparison that was worked out, as a table."""
    from vibe.storage.csv_table import csv_text

    desk = desk_of(request)
    asked = request.query_params
    begin, end, site, group = (asked.get(name, "") for name in ("from", "to", "site", "group"))
    found = next((v for k, v in reversed(desk.worked.items()) if k[:4] == ("since", begin, end, site)), None)
    rows = [] if found is None else found["rows"].get(group, [])
    text = csv_text(
        ("site", "drive", "case", "title", "was", "is", "why", "measured"),
        [
            (s, r.drive, r.case, r.title, r.then, r.now, r.why, "" if r.last is None else r.last.isoformat())
            for s, r in rows
        ],
    )
    headers = {"content-disposition": f'attachment; filename="since_{moment(begin) and begin}.csv"'}
    return Response(text.encode(), media_type="text/csv; charset=utf-8", headers=headers)


READS = [("/since", since), ("/since.csv", since_csv)]
