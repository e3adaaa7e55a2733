"""The desk as a program that answers requests: which address is answered by whom."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Any

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, Response
from starlette.routing import Route

from vibe.core.errors import VibeError
from vibe.desk import rendering
from vibe.desk.guard import Guard, Keys, Proxy, TooMuchError, too_much
from vibe.desk.words import drive_address
from vibe.flow.desk.background import JobBoard

if TYPE_CHECKING:
    from vibe.desk.inbox_page import WatchedFolder
    from vibe.desk.sites import Sites
    from vibe.flow.desk.import_preview import ImportPreview

Handler = Callable[..., Any]
SCREENS = (
    ("today", "/", "Today"), ("since", "/since", "Since"), ("drive", "/drive", "Drives"),
    ("import", "/import", "Import"),
    ("inbox", "/inbox", "Inbox"), ("rules", "/rules", "Rules"),
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Desk:
    """What all pages share. ``by`` is in whose name is decided where no proxy says it."""

    sites: Sites
    keys: Keys
    by: str
    read_only: bool = False
    proxy: Proxy | None = None
    inbox: WatchedFolder | None = None
    board: JobBoard = field(default_factory=JobBoard)
    after_jobs: dict[str, str] = field(default_factory=dict)
    """Where a job leads when it is done."""
    previews: dict[str, ImportPreview] = field(default_factory=dict)
    worked: dict[Any, Any] = field(default_factory=dict)
    """What was worked out for pages: comparisons and trials, by what they were asked."""
    said_once: dict[str, Any] = field(default_factory=dict)
    """What came of imports."""
    answers: dict[str, Any] = field(default_factory=dict)
    """First answers of forms, by their nonce: one that is sent twice is recorded once."""


def desk_of(request: Request) -> Desk:
    """The desk that a request is for."""
    desk: Desk = request.app.state.desk
    return desk


def name_of(request: Request) -> str:
    """In whose name this request decides; "" where nobody has said it."""
    return str(request.scope.get("user") or desk_of(request).by)


def page(request: Request, template: str, *, here: str, status: int = 200, **values: Any) -> HTMLResponse:
    """A page of the desk, or with ``X-Part`` only its changing block."""
    return HTMLResponse(rendering.render(template, **frame(request, here), **values), status)


def frame(request: Request, here: str) -> dict[str, Any]:
    """What the head of each page says."""
    desk = desk_of(request)
    return {
        "sites": desk.sites, "here": here, "me": name_of(request), "read_only": desk.read_only, "live": True,
        "part": bool(request.headers.get("x-part")), "token": request.scope.get("token", ""), "root": "/",
        "static": f"/static/{rendering.static_hash()}", "screens": SCREENS,
        "drives_link": "/drive", "now_day": datetime.now().date().isoformat(), "drive_link": drive_address,
        "list_link": lambda name: "/" if name == "new" else f"/?list={name}",
    }  # fmt: skip


def changing(handler: Handler) -> Handler:
    """A handler of a form: it is called with the form once its token fits the session."""

    async def checked(request: Request) -> Response:
        from starlette.concurrency import run_in_threadpool

        async with request.form(max_files=5000, max_fields=1000) as form:
            given = request.headers.get("x-token") or form.get("token")
            fits = isinstance(given, str) and desk_of(request).keys.fits(request.scope["session"], given)
            if not fits:
                return PlainTextResponse("This form is of another session: load the page again.", 403)
            answer: Response = await run_in_threadpool(handler, request, form)
            return answer

    return checked


def desk_app(desk: Desk) -> Guard:
    """The program behind its guard, which sees every answer, those to defects too. With ``read_only`` no address that
    changes anything exists."""
    from vibe.desk import (
        case_page,
        decide,
        drive_page,
        evidence,
        imports,
        inbox_page,
        jobs_page,
        rules_page,
        since_page,
        today_page,
    )

    readers: list[tuple[str, Handler]] = []
    writers: list[tuple[str, Handler]] = []
    modules = (
        today_page, case_page, decide, drive_page, since_page, evidence, imports, inbox_page, rules_page, jobs_page
    )  # fmt: skip
    for module in modules:
        readers += getattr(module, "READS", ())
        writers += getattr(module, "CHANGES", ())
    routes = [Route(path, handler, methods=["GET"]) for path, handler in readers]
    if not desk.read_only:
        routes += [Route(path, changing(handler), methods=["POST"]) for path, handler in writers]
    routes.append(Route("/static/{version}/{name}", static, methods=["GET"]))
    app = Starlette(
        routes=routes,
        exception_handlers={
            HTTPException: _refused, VibeError: _sentence, TooMuchError: _too_much, Exception: _defect
        },
    )  # fmt: skip
    app.state.desk = desk
    return Guard(app, keys=desk.keys, proxy=desk.proxy)


def static(request: Request) -> Response:
    """A script or style sheet; names are looked up, never joined to a path."""
    name = request.path_params["name"]
    known = {path.name: path for path in rendering.STATIC.iterdir() if path.is_file()}
    if request.path_params["version"] != rendering.static_hash() or name not in known:
        return PlainTextResponse("There is nothing at this address.", 404)
    kind = {".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml"}.get(known[name].suffix, "text/plain")
    headers = {"cache-control": "private, max-age=31536000, immutable"}
    return Response(known[name].read_bytes(), media_type=f"{kind}; charset=utf-8", headers=headers)


def refused(request: Request, sentence: str, status: int) -> Response:
    """One sentence, on a page where a page was asked for."""
    if request.headers.get("x-part") or request.url.path.startswith("/api/"):
        return PlainTextResponse(sentence, status)
    return page(request, "sentence.html.j2", here="", status=status, sentence=sentence)


async def _refused(request: Request, error: Exception) -> Response:
    status = error.status_code if isinstance(error, HTTPException) else 500
    said = {404: "There is nothing at this address.", 405: "Nothing is changed at this address."}
    detail = error.detail if isinstance(error, HTTPException) else ""
    return refused(request, said.get(status, detail), status)


async def _sentence(request: Request, error: Exception) -> Response:
    return refused(request, f"{error}.".replace("..", "."), 404 if "there is no" in str(error) else 422)


async def _too_much(request: Request, _: Exception) -> Response:
    return too_much(request.scope)


async def _defect(_: Request, error: Exception) -> Response:
    from vibe.core.errors import defect

    return PlainTextResponse(defect(error), 500)
