"""``/job/ID``: how far long work is, and a button to stop it."""

from __future__ import annotations

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response

from vibe.desk.context import desk_of, page


def job(request: Request) -> Response:
    """A job as it stands; with ``X-Part`` as JSON."""
    desk = desk_of(request)
    one = desk.board.view(request.path_params["job"])
    following = desk.after_jobs.get(one.id, "/")
    if request.headers.get("x-part"):
        return JSONResponse(
            {"state": one.state, "done": one.done, "of": one.of, "message": one.message, "next": following,
             "stopping": one.stopping, "over": one.is_over}
        )  # fmt: skip
    if one.is_over and one.state == "done":
        return RedirectResponse(following, 303)
    return page(request, "job.html.j2", here="", job=one, back="/" + following.strip("/").split("/")[0].split("?")[0])


def stop(request: Request, _form: FormData) -> Response:
    """Ask a job to stop at its next step."""
    one = desk_of(request).board.stop(request.path_params["job"])
    return RedirectResponse(f"/job/{one.id}", 303)


READS = [("/job/{job}", job)]
CHANGES = [("/job/{job}/stop", stop)]
