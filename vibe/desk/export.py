"""The desk as files: the same pages from the same templates, without forms, with the numbers of their pictures inside.

They open from a disk, without a server. Pictures of A and B, the trend, the turn and the course over time come along;
what else a desk can draw, it draws from stored samples, and these stay where they are.
"""

from __future__ import annotations

import base64
import json
import re
from collections.abc import Callable, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from vibe.core.errors import CallError, CaptureError, VibeError
from vibe.core.records.case_row import LISTS
from vibe.desk import rendering
from vibe.desk.today import AskedList, view_of

if TYPE_CHECKING:
    from vibe.core.records.case_row import CaseRow
    from vibe.desk.sites import Sites
    from vibe.flow.cases.stores import Store

_CELLS = 1500
"""Of an inlined spectrum: what a picture shows, 8 kB as text."""
_MOST_CASES = 500
"""Cases with a page of their own, most urgent first; all are in the lists."""
_STATIC = ("desk.css", "desk.js", "draw.js", "case.js", "drive.js", "icon.svg")


@dataclass(frozen=True, slots=True, kw_only=True)
class ExportPlace:
    """Names of the files of an export. ``cases`` and ``drives`` are those that have a page."""

    cases: frozenset[tuple[str, str]]
    drives: frozenset[tuple[str, str]]

    def case(self, row: CaseRow) -> str:
        """The page of a case, or that of its list."""
        return f"case-{_plain(row.site)}-{_plain(row.id)}.html" if (row.site, row.id) in self.cases else "index.html"

    def drive(self, site: str, tag: str) -> str:
        """The page of a drive; the list of drives where it has none."""
        return f"drive-{_plain(site)}-{_plain(tag)}.html" if (site, tag) in self.drives else "drives.html"


def export_pages(
    stores: Sequence[Path], out: Path, *, force: bool = False, say: Callable[[str], None]
) -> tuple[Path, ...]:
    """Write all lists, the cases, and the drives that have one, into ``out``.

    Raises:
        CallError: a store is none. OutputError: a page is there already and ``force`` is not given.
    """
    from vibe.core.errors import OutputError
    from vibe.desk.sites import Sites
    from vibe.flow.cases.stores import opened
    from vibe.storage.files import check_folder, write_whole

    check_folder(out)
    if (out / "index.html").exists() and not force:
        raise OutputError(f"{out / 'index.html'} exists already; give --force to replace it, or another --export")
    sites = Sites(stores, apart=False)
    sites.refresh()
    troubles = [one.trouble for one in sites.stores if one.trouble]
    if troubles:
        raise CallError(troubles[0])
    rows = sorted(sites.rows(), key=lambda row: (-row.urgency, row.drive))
    pictured = rows[:_MOST_CASES]
    if len(pictured) < len(rows):
        say(f"{len(rows) - len(pictured)} cases beyond the {_MOST_CASES} most urgent stand in the lists alone")
    place = ExportPlace(
        cases=frozenset((row.site, row.id) for row in pictured),
        drives=frozenset((row.site, tag) for row in pictured for tag in row.drives),
    )
    files = []

    def write(name: str, text: str) -> None:
        files.append(write_whole(out / name, text, force=True))

    files += [
        write_whole(out / "static" / name, (rendering.STATIC / name).read_bytes(), force=True) for name in _STATIC
    ]
    for name, text in _lists(sites, place):
        write(name, text)
    write("drives.html", _drives(sites, place))
    for one in sites.stores:
        with closing(opened(one.folder)) as store:
            for row in (row for row in pictured if row.site == one.name):
                write(place.case(row), _case(sites, row, store, place))
            for site, tag in sorted(place.drives):
                if site == one.name:
                    with suppress(CallError):  # a case may name a drive that only another system knows
                        write(place.drive(site, tag), _drive(sites, site, tag, store, place))
    return tuple(files)


def _frame(sites: Sites, here: str, place: ExportPlace) -> dict[str, Any]:
    from datetime import datetime

    return {
        "sites": sites, "here": here, "me": "", "read_only": True, "live": False, "part": False, "token": "",
        "root": "index.html", "static": "static", "screens": (
            ("today", "index.html", "Today"), ("drive", "drives.html", "Drives")
        ),
        "drives_link": "drives.html", "now_day": datetime.now().date().isoformat(), "drive_link": place.drive,
        "list_link": lambda name: _list_name(name, 1), "case_link": place.case,
    }  # fmt: skip


def _list_name(name: str, number: int) -> str:
    stem = "index" if name == "new" else f"list-{name}"
    return f"{stem}.html" if number == 1 else f"{stem}-{number}.html"


def _lists(sites: Sites, place: ExportPlace) -> list[tuple[str, str]]:
    from vibe.desk.pages.today import values_of

    found = []
    for name in (*LISTS, "all"):
        number, pages = 1, 1
        while number <= pages:
            view = view_of(sites.rows(), AskedList(list=name, page=number))
            pages = view.pages
            values = values_of(view) | {
                "list_address": lambda other: _list_name(other, 1), "case_link": place.case,
                "page_address": partial(_list_name, name),
            }  # fmt: skip
            text = rendering.render("today.html.j2", **(values | _frame(sites, "today", place)))
            found.append((_list_name(name, number), text))
            number += 1
    return found


def _drives(sites: Sites, place: ExportPlace) -> str:
    from vibe.desk.pages.drive import fleet_values

    return rendering.render("drives.html.j2", **(fleet_values(sites, "") | _frame(sites, "drive", place)))


def _case(sites: Sites, row: CaseRow, store: Store, place: ExportPlace) -> str:
    from vibe.desk.pages.case import case_values

    values = case_values(sites, row, store)
    shown = values["shown"]
    pictures = [] if values["blind"] or not values["captures"] else _pictures(store, shown, values["detail"])
    # Only what comes along can be chosen.
    kept = [one for one in (values["now"], values["before"]) if one is not None]
    have = {one["id"] for one in values["detail"].get("series", ())}
    pictures += [_series(store, row.drive, name) for name in have]
    values |= {"captures": kept, "inlined": Markup("").join(filter(None, pictures))}
    return rendering.render("export_case.html.j2", **(values | _frame(sites, "", place)))


def _pictures(store: Store, shown: dict[str, Any], detail: dict[str, Any]) -> list[Markup]:
    from vibe.desk.pages.evidence import points_values
    from vibe.flow.evidence import cascades, spectra, turns, waveforms

    point = str(detail.get("point", ""))
    made: list[Markup] = []
    for one in (shown["now"], shown["before"]):
        if one is None:
            continue
        content = one["content"]
        with suppress(CallError, CaptureError):
            values = points_values(store, content)
            names = [p["name"] for p in values["points"]]
            point = point if point in names else (names or [""])[0]
            values["points"] = [p for p in values["points"] if p["name"] == point]
            made.append(_json(f"points:{content}", values))
            for kind in ("envelope", "acceleration", "velocity"):
                for axis in ("order", "Hz"):
                    with suppress(CallError, CaptureError):
                        rows = spectra.spectrum(store, content, point, kind=kind, axis=axis, most=_CELLS)
                        made.append(_rows(f"{kind}:{axis}:{content}", rows))
            with suppress(CallError, CaptureError):
                made.append(_rows(f"waveform:order:{content}", waveforms.waveform(store, content, point, to_s=0.5)))
                made.append(_rows(f"waveform:Hz:{content}", waveforms.waveform(store, content, point, to_s=0.5)))
    if shown["tone"] and shown["now"]:
        with suppress(VibeError):
            made.append(_rows("turn", turns.turn(store, shown["now"]["content"], point, shown["tone"]["id"])))
    if shown["cascade"]:
        with suppress(VibeError):
            made.append(
                _rows("cascade", cascades.cascade(store, shown["cascade"], point, kind="envelope", axis="order"))
            )
    return made


def _series(store: Store, drive: str, name: str) -> Markup:
    from vibe.desk.pages.evidence import series_values
    from vibe.flow.evidence import series

    point, measure, subject = name.split("|")
    try:
        return _json(f"series:{name}", series_values(series.series(store, drive, point, measure, subject)))
    except CallError:
        return Markup("")


def _drive(sites: Sites, site: str, tag: str, store: Store, place: ExportPlace) -> str:
    from vibe.desk.pages.drive import drive_values_of
    from vibe.flow.cases.drive_view import level_values

    values = drive_values_of(sites, store, site, tag)
    levels = level_values(store, tag)
    pictures = [_series(store, tag, one["id"]) for one in levels]
    values |= {"levels": levels, "inlined": Markup("").join(pictures)}
    return rendering.render("export_drive.html.j2", **(values | _frame(sites, "drive", place)))


def _json(key: str, values: Any) -> Markup:
    return Markup('<template data-rows="{}">{}</template>').format(key, json.dumps(values))


def _rows(key: str, rows: Any) -> Markup:
    from vibe.desk.pages.evidence import said_of

    text = base64.b64encode(rows.values.astype("<f4").tobytes()).decode("ascii")
    return Markup('<template data-rows="{}" data-said="{}">{}</template>').format(key, json.dumps(said_of(rows)), text)


def _plain(name: str) -> str:
    """A part of a file's name: letters, digits, dots and dashes; what else there is becomes its number."""
    return re.sub(r"[^A-Za-z0-9.-]", lambda found: f"_{ord(found[0]):x}_", name)
