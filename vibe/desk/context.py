"""What all pages of a desk share: its stores, who asks, and the frame around each page."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Any

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response

from vibe.desk import rendering
from vibe.desk.guard import Keys, Proxy
from vibe.desk.words import drive_address
from vibe.flow.desk.background import JobBoard

if TYPE_CHECKING:
    from vibe.desk.sites import Sites
    from vibe.desk.watched import WatchedFolder
    from vibe.flow.desk.import_preview import ImportPreview

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
        "inbox_wants": "" if desk.inbox is None else desk.inbox.wants,
        "drives_link": "/drive", "now_day": datetime.now().date().isoformat(), "drive_link": drive_address,
        "list_link": lambda name: "/" if name == "new" else f"/?list={name}",
    }  # fmt: skip


def refused(request: Request, sentence: str, status: int) -> Response:
    """One sentence, on a page where a page was asked for."""
    if request.headers.get("x-part") or request.url.path.startswith("/api/"):
        return PlainTextResponse(sentence, status)
    return page(request, "sentence.html.j2", here="", status=status, sentence=sentence)


def words_of(form: FormData, name: str) -> str:
    """A text field of a form; a file in its place counts as nothing."""
    value = form.get(name)
    return value.replace("\r\n", "\n") if isinstance(value, str) else ""


def started(desk: Desk, title: str, work: Any, following: str) -> Response:
    """Begin work; to the page that it leads to where it is done at once, else to that of the job."""
    # Who loads a page again while its work is under way joins it.
    before = next(
        (one for one in desk.board.views() if not one.is_over and desk.after_jobs.get(one.id) == following), None
    )
    one = before or desk.board.start(title, work)
    desk.after_jobs[one.id] = following
    one = desk.board.wait(one.id, timeout_s=0.4)
    return RedirectResponse(following if one.state == "done" else f"/job/{one.id}", 303)
