"""``/rules``: how the rules did by what people decided, and what a changed limit would have raised."""

from __future__ import annotations

from contextlib import closing
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from starlette.requests import Request
from starlette.responses import Response

from vibe.core.errors import CallError
from vibe.desk.context import desk_of, page, started
from vibe.desk.pages.evidence import number
from vibe.desk.today import KINDS

if TYPE_CHECKING:
    from vibe.flow.desk.background import JobControl

MEASURES = {
    "velocity_rms": "velocity r.m.s.", "acceleration_rms": "acceleration r.m.s.",
    "acceleration_rms_high": "acceleration r.m.s., high band", "acceleration_peak": "acceleration peak",
    "kurtosis_typical": "kurtosis, typical of short pieces", "hit": "impacts",
    "hit_over_floor": "impact level above band mean",
}  # fmt: skip
"""Measures that are held against limits."""
SOURCES = {"ISO rules": "ISO rules", "this drive": "each drive's own past", "sister drives": "sister drives"}
"""Where limits come from, in words that hold for all drives of a store."""


def rules(request: Request) -> Response:
    """The record of a year, and the form of a trial."""
    return page(request, "rules.html.j2", here="rules", **_values(request))


def _values(request: Request, **more: Any) -> dict[str, Any]:
    from vibe.flow.desk.rules import KINDS as LIMIT_KINDS
    from vibe.flow.desk.rules import rule_record

    sites = desk_of(request).sites
    asked = request.query_params
    site = asked.get("site", "") or sites.stores[0].name
    with closing(sites.opened(site)) as store:
        record = rule_record(store)
    tried = {
        "source": asked.get("source", "this drive"), "kind": asked.get("kind", "alarm"),
        "measure": asked.get("measure", "acceleration_rms"), "shift": asked.get("shift", "3"),
    }  # fmt: skip
    return {
        "site": site, "record": record, "sources": SOURCES, "limit_kinds": LIMIT_KINDS, "measures": MEASURES,
        "kind_words": KINDS, "tried": tried, "trial": None,
    } | more  # fmt: skip


def try_it(request: Request) -> Response:
    """A limit moved, on the last year; worked out first where it was not yet. Nothing is saved."""
    from vibe.flow.desk.rules import try_limit

    desk = desk_of(request)
    asked = request.query_params
    site, shift = asked.get("site", "") or desk.sites.stores[0].name, number(request, "shift")
    one = desk.sites.store(site)
    if shift is None:
        raise CallError("say by how many dB the limit is moved: 3 is higher, −3 lower")
    source, kind, measure = asked.get("source", ""), asked.get("kind", "alarm"), asked.get("measure", "")
    key = ("trial", site, source, kind, measure, shift, one.judged.stamp if one.judged else "")
    if (trial := desk.worked.get(key)) is not None:
        return page(request, "rules.html.j2", here="rules", **_values(request, trial=trial))

    def work(control: JobControl) -> Any:
        with closing(desk.sites.opened(one.name)) as store:
            desk.worked[key] = made = try_limit(
                store,
                source=source,  # type: ignore[arg-type]
                measure=measure,
                kind=kind,
                shift_db=shift,
                progress=control.step,
            )
        return made

    said = {"site": site, "source": source, "kind": kind, "measure": measure, "shift": f"{shift:g}"}
    return started(
        desk,
        f"Trying {kind} limits for {MEASURES.get(measure, measure)} moved by {shift:+g} dB",
        work,
        f"/rules/try?{urlencode(said)}#trial",
    )


READS = [("/rules", rules), ("/rules/try", try_it)]
