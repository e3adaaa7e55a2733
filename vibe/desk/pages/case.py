"""``/case/SITE/ID``: the evidence behind a row, and the panel in which it is decided."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import closing
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import Response

from vibe.core.errors import CallError
from vibe.core.records.case_row import LISTS
from vibe.desk.context import desk_of, name_of, page
from vibe.desk.today import KINDS, SORTS
from vibe.desk.words import case_address, moment
from vibe.flow.cases.decide import OFFERED, DecisionDraft, offered

if TYPE_CHECKING:
    from vibe.core.records.case_row import CaseRow
    from vibe.core.records.history import Decision, Event
    from vibe.desk.sites import Sites
    from vibe.flow.cases.stores import Store

PARTS = (
    ("changed", "What changed"), ("trend", "Trend"), ("spectra", "Before and after"), ("turn", "One turn"),
    ("cascade", "Over time"), ("sisters", "Sisters"), ("record", "Record"),
)  # fmt: skip
_CASCADE = 24
"""Captures of the picture over time: more lines than that hide one another."""


def case(request: Request) -> Response:
    """The page of one open case."""
    row = asked_row(request)
    return page(request, "case.html.j2", here="", **values_of(request, row))


def asked_row(request: Request) -> CaseRow:
    """The open case that an address names. Raises: CallError where there is none."""
    site, name = request.path_params["site"], request.path_params["case"]
    row = desk_of(request).sites.row(site, name)
    if row is None and desk_of(request).sites.store(site).judged is None:
        raise CallError(f"{site} is being judged for the first time: load the page again in a moment")
    if row is None:
        raise CallError(f"there is no open case {name[:40]!r} at {site[:40]!r}: it was closed, or the number is wrong")
    return row


def values_of(request: Request, row: CaseRow, draft: DecisionDraft | None = None, **panel: Any) -> dict[str, Any]:
    """What the template of a case needs; ``panel`` is what came of a draft."""
    sites = desk_of(request).sites
    with closing(sites.opened(row.site)) as store:
        values = case_values(sites, row, store)
    return {**values, **panel_values(row, values["decisions"], name_of(request), draft), **panel}


def case_values(sites: Sites, row: CaseRow, store: Store) -> dict[str, Any]:
    """What is shown of a case, whoever looks."""
    from vibe.desk.pages.evidence import captures_of, tones_of

    detail = sites.detail(row)
    on_list = sorted((one for one in sites.rows() if one.list == row.list), key=SORTS["urgency"][1])
    place = next((i for i, one in enumerate(on_list) if (one.site, one.id) == (row.site, row.id)), 0)
    captures = captures_of(store, row.drive)
    decisions = store.decisions(row.id)
    now = _chosen(captures, detail.get("now"))
    before = _chosen(captures, detail.get("before"), now)
    tones = tones_of(store, row.drive)
    tone = next((one for one in tones if one["id"] == detail.get("tone")), None)
    blind = row.kind in ("not judged", "not measured")
    parts = PARTS if not blind else (("record", "Record"),)
    return {
        "row": row, "detail": detail, "decisions": decisions, "place": place, "on_list": len(on_list),
        "previous": on_list[place - 1] if place else None,
        "following": on_list[place + 1] if place + 1 < len(on_list) else None,
        "list_words": LISTS[row.list], "kind_words": KINDS.get(row.kind, row.kind), "case_link": case_address,
        "captures": captures, "now": now, "before": before, "tones": tones, "tone": tone, "blind": blind,
        "changed": sorted(detail.get("changed", ()), key=_most_first),
        "parts": parts, "record": record_of(row, decisions, store.events(row.drive)),
        "shown": {
            "site": row.site, "drive": row.drive, "point": detail.get("point", ""), "tones": tones, "tone": tone,
            "limits": detail.get("limits", {}), "usual": detail.get("usual", {}),
            "now": now, "before": before, "cascade": _over_time(captures, now, before),
            "since": row.since, "name": f"{row.drive}_{row.id}",
        },
    }  # fmt: skip


def _most_first(change: dict[str, Any]) -> float:
    """Sorting key: the point with the greatest part of a change comes first."""
    return -max((abs(one["db"]) for one in change["rows"]), default=0.0)


def _chosen(captures: Sequence[dict[str, Any]], content: str | None, but: dict[str, Any] | None = None) -> Any:
    """The capture that a judgement names; where there is none, the latest accepted one (of others than ``but``)."""
    named = next((one for one in captures if content and one["content"] == content), None)
    if named is not None or but is not None:
        return named
    good = [one for one in captures if one["kept"] != "rejected"]
    return next(iter(good or captures), None)


def _over_time(captures: Sequence[dict[str, Any]], *always: dict[str, Any] | None) -> list[str]:
    """Contents of captures spread over the time, those that are compared among them."""
    good = [one for one in captures if one["kept"] != "rejected"]
    if len(good) > _CASCADE:
        good = [good[round(i * (len(good) - 1) / (_CASCADE - 1))] for i in range(_CASCADE)]
    contents = dict.fromkeys(one["content"] for one in (*always, *good) if one is not None)
    return list(contents)


def record_of(row: CaseRow, decisions: Sequence[Decision], events: Sequence[Event]) -> list[dict[str, str]]:
    """All that was decided, noted and done, latest first."""
    from vibe.flow.cases.decide import SAID

    back = {one.withdraws: one for one in decisions if one.withdraws is not None}
    rows = []
    for one in decisions:
        if one.verdict == "withdrawn":
            continue
        what = {"note": "Noted", "assigned": f"Assigned to {one.owner}"}.get(
            one.verdict, f"Decided: {SAID[one.verdict]}"
        )
        if one.verdict not in ("note", "assigned"):
            what += f", {one.owner}" if one.owner else ""
            what += f", due {one.ask_again.date().isoformat()}" if one.ask_again else ""
        if one.number in back:
            what += f" (taken back at {back[one.number].at.astimezone():%H:%M})"
        why = "" if one.verdict == "assigned" else one.because
        rows.append({"at": one.at.isoformat(), "by": one.by, "what": what, "why": why, "order": one.work_order})
    rows += [
        {"at": event.at.isoformat(), "by": event.by or "–", "what": event.kind[:1].upper() + event.kind[1:],
         "why": event.note + (" A new baseline began." if event.new_baseline else ""), "order": ""}
        for event in events
    ]  # fmt: skip
    rows.append({"at": row.since, "by": "vibe", "what": "Case began", "why": row.title, "order": ""})
    far = moment("1970-01-01T00:00:00+00:00")
    return sorted(rows, key=lambda one: moment(one["at"]) or far, reverse=True)  # type: ignore[arg-type,return-value]


def panel_values(row: CaseRow, decisions: Sequence[Decision], me: str, draft: DecisionDraft | None) -> dict[str, Any]:
    """What the panel needs: the decision that holds, the draft as it stands, people who may have it in hand."""
    import secrets
    from datetime import datetime, timedelta

    from vibe.flow.cases.decide import SAID, standing_decisions

    held = standing_decisions(decisions)
    today = datetime.now().date()
    if draft is None:
        words = f"{row.drive}{f' {row.name}' if row.name else ''}, {row.site}: {row.title}. {row.advice}"
        due = row.due if row.due >= today.isoformat() else (today + timedelta(days=7)).isoformat()
        draft = DecisionDraft(owner=row.owner or me, due=due, work_order=words, seen=row.seen, by=me)
    return {
        "draft": draft, "wrong": {}, "clash": "", "clash_seen": "", "ask_twice": False, "today": today.isoformat(),
        "offered": [(name, *OFFERED[name]) for name in offered(row)], "standing": held[-1] if held else None,
        "said": SAID, "nonce": secrets.token_urlsafe(12),
        "people": list(dict.fromkeys(
            name for name in (me, row.owner, *(n for one in reversed(decisions) for n in (one.owner, one.by))) if name
        )),
    }  # fmt: skip


READS = [("/case/{site}/{case}", case)]
