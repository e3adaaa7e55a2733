"""``/import``: files that are dropped are looked at first, then taken in."""

from __future__ import annotations

import shutil
from contextlib import closing
from typing import TYPE_CHECKING

from starlette.datastructures import FormData, UploadFile
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response

from vibe.core.errors import CallError
from vibe.desk.context import desk_of, name_of, page, started, words_of

if TYPE_CHECKING:
    from vibe.desk.context import Desk
    from vibe.flow.desk.background import JobControl
    from vibe.flow.desk.import_preview import ImportPreview
    from vibe.flow.desk.uploads import UploadBatch

COLUMNS = {
    "exceedances": ("tag", "point", "time", "measure", "value", "limit", "unit"),
    "events": ("drive", "at", "kind", "note", "by"),
}
"""What may be in a column, by the kind of a list."""
_FREE_SPACE = 1 << 30
"""Bytes that stay free on the disk, 1 GiB: the store's own change is copied aside first (our choice)."""


def choose(request: Request) -> Response:
    """Where files are dropped, and drops that wait."""
    from vibe.flow.desk.uploads import batches

    sites = desk_of(request).sites
    waiting = [(one.name, batch) for one in sites.stores for batch in batches(one.folder)]
    return page(request, "import.html.j2", here="import", waiting=waiting)


def receive(request: Request, form: FormData) -> Response:
    """Files that were dropped: put aside, and looked at."""
    from vibe.flow.desk.uploads import new_batch

    files = [one for one in form.getlist("file") if isinstance(one, UploadFile) and one.filename]
    if not files:
        return PlainTextResponse("No file was chosen.", 422)
    site = words_of(form, "site")
    store = desk_of(request).sites.store(site)
    size = sum(one.size or 0 for one in files)
    if shutil.disk_usage(store.folder).free < size + _FREE_SPACE:
        return PlainTextResponse(f"The disk of {site} is nearly full: nothing was taken.", 507)
    batch = new_batch(store.folder)
    try:
        for one in files:
            with batch.place(one.filename or "file").open("wb") as target:
                shutil.copyfileobj(one.file, target)
    except BaseException:
        batch.discard()
        raise
    return _look(desk_of(request), site, batch)


def preview(request: Request) -> Response:
    """What the files of a drop are."""
    desk = desk_of(request)
    site, batch = _batch(request)
    found = desk.previews.get(batch.id)
    if found is None:
        return _look(desk, site, batch)
    judged = desk.sites.store(site).judged
    tags = [] if judged is None else [drive.tag for drive in judged.fleet]
    return page(request, "preview.html.j2", here="import", site=site, preview=found, columns=COLUMNS, tags=tags[:2000])


def _batch(request: Request) -> tuple[str, UploadBatch]:
    from vibe.flow.desk.uploads import batch_of

    site = request.path_params["site"]
    return site, batch_of(desk_of(request).sites.store(site).folder, request.path_params["batch"])


def _look(desk: Desk, site: str, batch: UploadBatch, *, only: str | None = None, zone: str | None = None) -> Response:
    """Begin to look at a drop; who waits sees how far it is."""
    from vibe.flow.cases.stores import opened
    from vibe.flow.desk.import_preview import preview_import

    def work(control: JobControl) -> ImportPreview:
        with closing(opened(batch.store)) as store:
            found = preview_import(store, batch, only=only, time_zone=zone, progress=control.step)
        desk.previews[batch.id] = found
        return found

    return started(desk, f"Looking at {len(batch.names())} files", work, f"/import/{site}/{batch.id}")


def again(request: Request, form: FormData) -> Response:
    """Look once more: another drive for captures that do not say theirs, another time zone."""
    site, batch = _batch(request)
    return _look(
        desk_of(request), site, batch, only=words_of(form, "only").strip() or None,
        zone=words_of(form, "time_zone").strip() or None,
    )  # fmt: skip


def columns(request: Request, form: FormData) -> Response:
    """Which column of a table is what; remembered for tables like it."""
    from vibe.core.records.column_map import ColumnMap
    from vibe.flow.cases.stores import opened
    from vibe.flow.desk.import_preview import say_columns

    desk = desk_of(request)
    site, batch = _batch(request)
    kind = words_of(form, "kind")
    if kind not in COLUMNS:
        raise CallError("say what the list holds: exceedances or events")
    said = {what: words_of(form, f"column {what}") for what in COLUMNS[kind]}
    made = ColumnMap(
        columns={what: header for what, header in said.items() if header},
        time_zone=words_of(form, "time_zone").strip() or None,
        unit=words_of(form, "unit").strip(),
    )  # fmt: skip
    with closing(opened(batch.store)) as store:
        say_columns(store, batch, words_of(form, "file"), kind, made)  # type: ignore[arg-type]
    before = desk.previews.pop(batch.id, None)
    return _look(desk, site, batch, only=before.only if before else None, zone=before.time_zone if before else None)


def take(request: Request, _form: FormData) -> Response:
    """Take in what matches; the rest stays in the drop."""
    from vibe.flow.cases.stores import opened
    from vibe.flow.desk.import_take import take_import

    desk = desk_of(request)
    site, batch = _batch(request)
    before = desk.previews.pop(batch.id, None)
    by = name_of(request)

    def work(control: JobControl) -> str:
        with closing(opened(batch.store)) as store:
            outcome = take_import(
                store, batch, only=before.only if before else None, time_zone=before.time_zone if before else None,
                workers=1, by=by, progress=control.step,
            )  # fmt: skip
        desk.said_once[batch.id] = outcome
        desk.sites.wake()
        return outcome.sentence

    return started(desk, f"Taking in {len(batch.names())} files", work, f"/import/{site}/{batch.id}/taken")


def taken(request: Request) -> Response:
    """What came of a drop."""
    outcome = desk_of(request).said_once.get(request.path_params["batch"])
    if outcome is None:
        return RedirectResponse("/import", 303)
    return page(request, "taken.html.j2", here="import", outcome=outcome)


def discard(request: Request, _form: FormData) -> Response:
    """Throw a drop away; the files were copies."""
    _, batch = _batch(request)
    batch.discard()
    return RedirectResponse("/import", 303)


READS = [("/import", choose), ("/import/{site}/{batch}", preview), ("/import/{site}/{batch}/taken", taken)]
CHANGES = [
    ("/import", receive), ("/import/{site}/{batch}/again", again), ("/import/{site}/{batch}/columns", columns),
    ("/import/{site}/{batch}/take", take), ("/import/{site}/{batch}/discard", discard),
]  # fmt: skip
