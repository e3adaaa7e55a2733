"""Forms that put something on record: decide, note, assign, take back; alone or several cases at once."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack, closing
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, RedirectResponse, Response

from vibe.core.errors import CallError
from vibe.desk import rendering
from vibe.desk.context import desk_of, frame, name_of, page, words_of
from vibe.desk.pages.case import asked_row, panel_values, values_of
from vibe.desk.today import together
from vibe.desk.words import case_address, day
from vibe.flow.cases.decide import (
    CLOSES,
    OFFERED,
    DecisionDraft,
    DecisionOutcome,
    assign_together,
    record_decision,
    record_note,
    record_together,
    seen_of,
    withdraw,
)

if TYPE_CHECKING:
    from vibe.core.records.case_row import CaseRow
    from vibe.core.records.history import Decision
    from vibe.flow.cases.stores import Store

_KEPT_ANSWERS = 2000
"""Answers by their request's number, so that one sent twice decides once (our choice: days of work)."""
_MOST_TOGETHER = 200
"""Cases that one decision may cover (our choice: a screen holds fewer)."""


def draft_of(request: Request, form: FormData) -> DecisionDraft:
    """The draft that a form brings; a proxy's name goes before whatever the form says."""
    said = name_of(request) or words_of(form, "by")
    return DecisionDraft(
        verdict=words_of(form, "as"), because=words_of(form, "because"), by=said, owner=words_of(form, "owner"),
        due=words_of(form, "due"), work_order=words_of(form, "order"), twice=words_of(form, "twice"),
        seen=words_of(form, "seen"), after_all=words_of(form, "after_all"),
    )  # fmt: skip


def store_of(request: Request, row: CaseRow) -> Store:
    """The store of a case, open."""
    return desk_of(request).sites.opened(row.site)


def decide(request: Request, form: FormData) -> Response:
    """One decision about one case."""
    desk = desk_of(request)
    said = words_of(form, "nonce")
    nonce = f"{request.scope['session']} {said}"
    if said and (kept := desk.answers.get(nonce)) is not None:
        return _answer(request, *kept)
    row, draft = asked_row(request), draft_of(request, form)
    with closing(store_of(request, row)) as store:
        outcome = record_decision(store, row, desk_of(request).sites.detail(row), draft)
        decisions = store.decisions(row.id)
    if outcome.recorded is None:
        return _refused(request, row, draft, outcome)
    done = shown_after(row, decisions)
    _show(request, done, row)
    words = f"Recorded: {row.drive}, {OFFERED[draft.verdict][0].lower()}"
    words += "." if draft.verdict in CLOSES else f", {draft.owner.strip() or 'nobody'}, due {day(draft.due)}."
    if len(desk.answers) > _KEPT_ANSWERS:
        desk.answers.clear()
    desk.answers[nonce] = kept = (row, words, outcome.recorded.number or 0)
    return _answer(request, *kept)


def _answer(request: Request, row: CaseRow, words: str, number: int) -> Response:
    address = case_address(row)
    if request.headers.get("x-part"):
        closed = desk_of(request).sites.row(row.site, row.id) is None
        return JSONResponse(
            {"words": words, "record": number, "undo": f"{address}/withdraw", "closed": closed}, status_code=201
        )
    open_still = desk_of(request).sites.row(row.site, row.id) is not None
    return RedirectResponse(address if open_still else "/", 303)


def _refused(request: Request, row: CaseRow, draft: DecisionDraft, outcome: DecisionOutcome) -> Response:
    """The panel with every word that was typed, and what is wrong, or what came meanwhile."""
    status = 409 if outcome.clash else 422
    said = {
        "wrong": outcome.wrong,
        "clash": outcome.clash,
        "clash_seen": outcome.clash_seen,
        "ask_twice": outcome.ask_twice,
    }
    values = values_of(request, row, draft, **said)
    if request.headers.get("x-part"):
        return Response(
            rendering.render("panel.html.j2", **frame(request, ""), **values), status, media_type="text/html"
        )
    return page(request, "case.html.j2", here="", status=status, **values)


def shown_after(row: CaseRow, decisions: Sequence[Decision]) -> CaseRow | None:
    """A row as a record of now leaves it, until its drive is judged anew; None where that closes the case."""
    from vibe.flow.cases.decide import standing_decisions
    from vibe.flow.cases.rows import list_after, owner_of

    held = standing_decisions(decisions)
    last = held[-1] if held else None
    if last is not None and last.verdict in CLOSES:
        return None
    due = None if last is None else last.ask_again
    return replace(
        row, list=list_after(row, decisions), owner=owner_of(decisions),
        due="" if due is None else due.date().isoformat(), due_is="",
        marks=tuple(mark for mark in row.marks if mark != "back") if last is not None else row.marks,
        seen=seen_of(decisions, row.urgency, row.state),
    )  # fmt: skip


def _show(request: Request, done: CaseRow | None, row: CaseRow) -> None:
    sites = desk_of(request).sites
    if done is None:
        sites.drop(row)
    else:
        sites.put(done)


def note(request: Request, form: FormData) -> Response:
    """Words for the record of a case."""
    row = asked_row(request)
    by = name_of(request) or words_of(form, "by")
    with closing(store_of(request, row)) as store:
        made = record_note(store, row, desk_of(request).sites.detail(row), words=words_of(form, "text"), by=by)
        decisions = store.decisions(row.id)
    if isinstance(made, str):
        return PlainTextResponse(made, 422)
    _show(request, shown_after(row, decisions), row)
    return _said(request, row, "Noted. The case stays where it is.", 201)


def assign(request: Request, form: FormData) -> Response:
    """Who has one case in hand."""
    row = asked_row(request)
    return _assigned(request, [row], words_of(form, "owner"))


def assign_all(request: Request, form: FormData) -> Response:
    """Who has several cases in hand: the one who asks."""
    return _assigned(request, _rows(request, form), words_of(form, "owner"))


def _assigned(request: Request, rows: Sequence[CaseRow], owner: str) -> Response:
    by = name_of(request)
    owner = owner.strip() or by
    why = _all(
        request, rows, [row.seen for row in rows],
        lambda stores, cases: assign_together(stores, cases, owner=owner, by=by),
    )  # fmt: skip
    if why:
        return PlainTextResponse(why, 422)
    which = rows[0].drive if len(rows) == 1 else f"{len(rows)} cases"
    return _said(request, rows[0] if len(rows) == 1 else None, f"Assigned to {owner}: {which}.", 201)


def _all(
    request: Request, rows: Sequence[CaseRow], seen: Sequence[str],
    record: Callable[[Mapping[str, Store], Sequence[tuple[CaseRow, Mapping[str, Any], str]]], str],
) -> str:  # fmt: skip
    """Something about all of these cases or none, and the rows as they are then; a sentence where none was recorded."""
    sites = desk_of(request).sites
    with ExitStack() as held:
        stores = {name: held.enter_context(closing(sites.opened(name))) for name in {row.site for row in rows}}
        cases = [(row, sites.detail(row), was) for row, was in zip(rows, seen, strict=True)]
        if why := record(stores, cases):
            return why
        decisions = [stores[row.site].decisions(row.id) for row in rows]
    for row, made in zip(rows, decisions, strict=True):
        _show(request, shown_after(row, made), row)
    return ""


def take_back(request: Request, form: FormData) -> Response:
    """Undo, within its time."""
    desk = desk_of(request)
    site, name = request.path_params["site"], request.path_params["case"]
    row = desk.sites.row(site, name) or desk.sites.dropped.get(f"{site}/{name}")
    number = words_of(form, "record")
    if row is None or not (number.isascii() and number.isdigit() and len(number) < 12):
        return PlainTextResponse("There is no such record of this case.", 409)
    detail = desk.sites.detail(row)
    with closing(store_of(request, row)) as store:
        made = withdraw(store, row, detail, number=int(number), by=name_of(request) or words_of(form, "by"))
        decisions = store.decisions(row.id)
    if isinstance(made, str):
        return PlainTextResponse(made, 409)
    done = shown_after(row, decisions)
    if done is not None:
        desk.sites.put(done)
    return _said(request, row, "Taken back. Both stay on record.", 201)


def _said(request: Request, row: CaseRow | None, words: str, status: int) -> Response:
    if request.headers.get("x-part"):
        return PlainTextResponse(words, status)
    return RedirectResponse("/" if row is None else case_address(row), 303)


# ── several at once ───────────────────────────────────────────────────────────────────────────────────────────────


def _rows(request: Request, form: Any) -> list[CaseRow]:
    """The open cases that a form names. Raises: CallError: none, or more than a person can mean."""
    sites = desk_of(request).sites
    wanted = list(dict.fromkeys(str(one) for one in form.getlist("case")))
    if not wanted or len(wanted) > _MOST_TOGETHER:
        raise CallError(f"choose 1 to {_MOST_TOGETHER} cases")
    rows = []
    for key in wanted:
        site, _, name = key.rpartition("/")
        row = sites.row(site, name)
        if row is None:
            raise CallError(f"there is no open case {name[:40]!r} at {site[:40]!r}")
        rows.append(row)
    return rows


def decide_form(request: Request) -> Response:
    """One form for several cases of one cause."""
    rows = _rows(request, request.query_params)
    if (why := together(rows)) and len(rows) > 1:
        raise CallError(f"these {len(rows)} cases cannot be decided together: {why}")
    return page(request, "together.html.j2", here="", **_together_values(request, rows))


def _together_values(request: Request, rows: Sequence[CaseRow], draft: DecisionDraft | None = None) -> dict[str, Any]:
    me = name_of(request)
    values = panel_values(rows[0], (), me, draft)
    if draft is None:  # each row has a work order and a record of its own: nothing is taken over from the first
        values["draft"] = replace(values["draft"], owner=me, work_order="", seen="")
    return {**values, "rows": rows, "row": rows[0], "case_link": case_address}


def decide_together(request: Request, form: FormData) -> Response:
    """One decision about several cases: all, or none where one of them is not as it was shown."""
    rows, draft = _rows(request, form), draft_of(request, form)
    seen = [str(one) for one in form.getlist("seen")]
    if (why := together(rows)) and len(rows) > 1:
        return PlainTextResponse(f"These {len(rows)} cases cannot be decided together: {why}.", 422)
    if len(seen) != len(rows) or any(row.seen != was for row, was in zip(rows, seen, strict=True)):
        return PlainTextResponse(
            "One of these cases changed meanwhile; nothing was recorded. Load the page again.", 409
        )
    from vibe.desk.sites import now
    from vibe.flow.cases.decide import checked_fields

    wrong = checked_fields(rows[0], draft, now().astimezone().date())
    if wrong:
        values = {**_together_values(request, rows, draft), "wrong": wrong}
        return page(request, "together.html.j2", here="", status=422, **values)
    why = _all(request, rows, seen, lambda stores, cases: record_together(stores, cases, draft))
    if why:
        return PlainTextResponse(why, 409)
    return RedirectResponse("/", 303)


READS = [("/decide", decide_form)]
CHANGES = [
    ("/case/{site}/{case}/decide", decide), ("/case/{site}/{case}/note", note), ("/case/{site}/{case}/assign", assign),
    ("/case/{site}/{case}/withdraw", take_back), ("/assign", assign_all), ("/decide", decide_together),
]  # fmt: skip
