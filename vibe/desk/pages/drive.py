"""``/drive``: all drives; one drive with its life, cases, levels, captures, tones; and what was done to it."""

from __future__ import annotations

from contextlib import closing
from typing import TYPE_CHECKING, Any

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response

from vibe.core.errors import CallError, ConfigError
from vibe.desk.context import desk_of, name_of, page, words_of
from vibe.desk.words import case_address, drive_address, moment

if TYPE_CHECKING:
    from vibe.desk.sites import Sites
    from vibe.flow.cases.stores import Store

_MOST_DRIVES = 300
"""Drives that are listed to jump to (our choice)."""
_FIRST_CAPTURES = 12
"""Captures that are listed before all are asked for (our choice: a year of monthly rounds)."""
EVENT_KINDS = ("repair", "bearing change", "realignment", "grease", "new drive", "other")


def drive(request: Request) -> Response:
    """One drive; without a tag, the list of all."""
    tag, site = request.query_params.get("tag", ""), request.query_params.get("site", "")
    if not tag:
        return page(request, "drives.html.j2", here="drive", **fleet_values(desk_of(request).sites, _asked(request)))
    return page(request, "drive.html.j2", here="drive", **values_of(request, site, tag))


def _asked(request: Request) -> str:
    return " ".join(request.query_params.get("q", "").split())[:200]


def fleet_values(sites: Sites, q: str) -> dict[str, Any]:
    """Drives of all sites that fit some words."""
    words = q.casefold().split()
    cases: dict[tuple[str, str], int] = {}
    for row in sites.rows():
        for tag in row.drives:
            cases[row.site, tag] = cases.get((row.site, tag), 0) + 1
    found = [
        (one.name, drive, cases.get((one.name, drive.tag), 0))
        for one in sites.stores if one.judged is not None for drive in one.judged.fleet
        if all(word in f"{drive.tag} {drive.name} {one.name} {drive.state}".casefold() for word in words)
    ]  # fmt: skip
    return {"q": q, "found": found[:_MOST_DRIVES], "count": len(found)}


def values_of(request: Request, site: str, tag: str, **more: Any) -> dict[str, Any]:
    """What the page of a drive needs; ``more`` is what came of a form."""
    sites = desk_of(request).sites
    with closing(sites.opened(site)) as store:
        return drive_values_of(sites, store, site, tag) | {"every": "all" in request.query_params} | more


def drive_values_of(sites: Sites, store: Store, site: str, tag: str) -> dict[str, Any]:
    """What is shown of a drive, whoever looks."""
    from vibe.flow.cases.drive_view import drive_values, tone_rows
    from vibe.flow.desk.drive_versions import drive_versions

    known = drive_values(store, tag)
    rows = sites.rows_of(site, tag)
    open_ones = {row.id for row in rows}
    closed = [one for one in known["closed"] if one["id"] not in open_ones]
    return {
        "site": site, "drive": known, "rows": rows, "closed_cases": closed, "every": False,
        "tones": tone_rows(store, tag, known["speed_hz"]),
        "first_captures": _FIRST_CAPTURES, "case_link": case_address, "event_kinds": EVENT_KINDS, "wrong": {},
        "said": {},

        "text": known["toml"] or "", "checked": None, "file_wrong": "", "versions": drive_versions(store, tag),
        "shown": {"site": site, "drive": tag, "life": _life(known, rows, closed)},
    }  # fmt: skip


def _life(known: dict[str, Any], rows: Any, closed: list[dict[str, Any]]) -> dict[str, Any]:
    def seconds(text: str | None) -> float | None:
        at = moment(text or "")
        return None if at is None else at.timestamp()

    return {
        "captures": [
            {"t": seconds(one["at"]), "speed": None if one["speed_rpm"] is None else one["speed_rpm"] / 60,
             "good": one["kept"] != "rejected"}
            for one in reversed(known["captures"])
        ],
        "events": [{"t": seconds(one["at"]), "what": one["note"] or one["kind"]} for one in known["events"]],
        "cases": [
            *({"lane": _lane(row.title), "what": row.title, "from": seconds(row.since), "to": None, "open": True}
              for row in rows),
            *({"lane": _lane(one["title"]), "what": one["title"], "from": seconds(one["since"] or one["opened"]),
               "to": seconds(one["closed"]) or seconds(one["opened"]), "open": False} for one in closed),
        ][:6],
    }  # fmt: skip


def _lane(title: str) -> str:
    """The first words of a title, as many as fit in front of a lane."""
    words = title.split(",")[0].split(":")[0]
    return words if len(words) <= 16 else words[:15].rstrip() + "…"


def levels(request: Request) -> Response:
    """Levels of a drive with limits, worked out now; a part of its page."""
    from vibe.flow.cases.drive_view import level_values

    site, tag = request.query_params.get("site", ""), request.query_params.get("tag", "")
    with closing(desk_of(request).sites.opened(site)) as store:
        return page(request, "levels.html.j2", here="drive", levels=level_values(store, tag))


def event(request: Request, form: FormData) -> Response:
    """What was done to a drive; a repair closes what was confirmed."""
    from vibe.flow.cases.drive_view import record_event

    site, tag = words_of(form, "site"), words_of(form, "tag")
    said = {name: words_of(form, name) for name in ("kind", "day", "note", "by")}
    with closing(desk_of(request).sites.opened(site)) as store:
        if not any(drive.tag == tag for drive in store.drives()):
            return PlainTextResponse(f"There is no drive {tag[:80]!r} at this site.", 404)
        wrong = record_event(
            store, tag, kind=said["kind"], day=said["day"], note=said["note"], by=name_of(request) or said["by"],
            new_baseline=words_of(form, "new_baseline") == "yes",
        )  # fmt: skip
    if wrong:
        values = values_of(request, site, tag, wrong=wrong, said=said)
        return page(request, "drive.html.j2", here="drive", status=422, **values)
    desk_of(request).sites.wake()
    return RedirectResponse(drive_address(site, tag), 303)


def file(request: Request, form: FormData) -> Response:
    """A new version of a drive's file: first checked and shown, then, sent once more, kept."""
    from vibe.flow.desk.drive_versions import check_drive, save_drive

    site, tag, text = words_of(form, "site"), words_of(form, "tag"), words_of(form, "text")
    with closing(desk_of(request).sites.opened(site)) as store:
        if not any(drive.tag == tag for drive in store.drives()):
            return PlainTextResponse(f"There is no drive {tag[:80]!r} at this site.", 404)
        try:
            if words_of(form, "checked") == text and text:
                save_drive(store, tag, text)
                desk_of(request).sites.wake()
                return RedirectResponse(drive_address(site, tag) + "#file", 303)
            checked = check_drive(store, tag, text)
        except (ConfigError, CallError) as error:
            values = values_of(request, site, tag, text=text, file_wrong=str(error))
            return page(request, "drive.html.j2", here="drive", status=422, **values)
    values = values_of(request, site, tag, text=text, checked=checked)
    return page(request, "drive.html.j2", here="drive", **values)


READS = [("/drive", drive), ("/drive/levels", levels)]
CHANGES = [("/drive/event", event), ("/drive/file", file)]
