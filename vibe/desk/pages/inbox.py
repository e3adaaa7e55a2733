"""``/inbox``: a watched folder, from which captures are judged as they come."""

from __future__ import annotations

from typing import TYPE_CHECKING

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response

from vibe.desk.context import desk_of, page, words_of

if TYPE_CHECKING:
    pass


def inbox(request: Request) -> Response:
    """What the watched folder does."""
    watched = desk_of(request).inbox
    doing = None if watched is None else watched.status
    return page(request, "inbox.html.j2", here="inbox", watched=watched, doing=doing)


def act(request: Request, form: FormData) -> Response:
    """Stop, begin again, look once more at what was not taken, or say which site a capture is of."""
    watched = desk_of(request).inbox
    if watched is None:
        return PlainTextResponse("No folder is watched: start the desk with --inbox DIR.", 422)
    if words_of(form, "do") == "choose":
        watched.choose(words_of(form, "file"), words_of(form, "site"))
    {"stop": watched.stop, "start": watched.start, "retry": watched.retry}.get(words_of(form, "do"), lambda: None)()
    return RedirectResponse("/inbox", 303)


READS = [("/inbox", inbox)]
CHANGES = [("/inbox/act", act)]
