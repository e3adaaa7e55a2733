"""The desk as a program that answers requests: which address is answered by whom."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route

from vibe.core.errors import VibeError
from vibe.desk import rendering
from vibe.desk.context import Desk, desk_of, refused
from vibe.desk.guard import Guard, TooMuchError, too_much

Handler = Callable[..., Any]


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
    from vibe.desk.pages import case, decide, drive, evidence, imports, inbox, jobs, rules, since, today

    readers: list[tuple[str, Handler]] = []
    writers: list[tuple[str, Handler]] = []
    modules = (today, case, decide, drive, since, evidence, imports, inbox, rules, jobs)
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
