"""The list of cases as one address asks for it: which list, which filters, which words, which order, which page."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any
from urllib.parse import urlencode

from vibe.core.records.case_row import LISTS, CaseRow

PAGE = 100
"""Rows of a page: three screens, and 40 kB."""
SORTS: dict[str, tuple[str, Callable[[CaseRow], Any]]] = {
    "urgency": ("descending", lambda row: (-row.urgency, row.drive)),
    "drive": ("ascending", lambda row: (row.drive, -row.urgency)),
    "site": ("ascending", lambda row: (row.site, -row.urgency, row.drive)),
    "due": ("ascending", lambda row: (row.due or "9", -row.urgency, row.drive)),
    "measured": ("ascending", lambda row: (row.measured, -row.urgency, row.drive)),
    "owner": ("ascending", lambda row: (row.owner.casefold() or "\uffff", -row.urgency, row.drive)),
}
KINDS = {
    "fault": "fault", "growth": "growth without a finding", "load or speed": "load or speed", "sensor": "sensor",
    "common": "common to several drives", "repaired": "before a repair", "scatter": "usual scatter",
    "not measured": "not measured", "not judged": "cannot be judged",
}  # fmt: skip
NOBODY = "nobody"
FACETS: dict[str, tuple[str, Callable[[CaseRow], str]]] = {
    "site": ("Site", lambda row: row.site),
    "state": ("State", lambda row: row.state),
    "owner": ("Owner", lambda row: row.owner or NOBODY),
    "kind": ("Cause", lambda row: KINDS.get(row.kind, row.kind)),
}
_STATE_ORDER = {"act": 0, "plan": 1, "watch": 2, "unknown": 3, "sound": 4}


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedList:
    """What an address asks for. ``at`` is the row under the cursor, as site and number in one."""

    list: str = "new"
    q: str = ""
    sort: str = "urgency"
    page: int = 1
    at: str = ""
    chosen: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    @property
    def narrowed(self) -> bool:
        """Whether words or filters leave some rows of the list out."""
        return bool(self.q or any(self.chosen.values()))

    def address(self, **changes: Any) -> str:
        """The address of this view with ``changes``; what is as usual is not said."""
        one = replace(self, **changes)
        said: list[tuple[str, str]] = [] if one.list == "new" else [("list", one.list)]
        said += [(name, value) for name in FACETS for value in one.chosen.get(name, ())]
        for name, value, usual in (("q", one.q, ""), ("sort", one.sort, "urgency"), ("at", one.at, "")):
            if value != usual:
                said.append((name, value))
        if one.page > 1:
            said.append(("page", str(one.page)))
        return "/?" + urlencode(said) if said else "/"


def asked(pairs: Iterable[tuple[str, str]]) -> AskedList:
    """What an address asks for; what makes no sense in it is left out, never an error."""
    given: dict[str, list[str]] = {}
    for name, value in pairs:
        given.setdefault(name, []).append(value[:200])

    def one(name: str) -> str:
        return given.get(name, [""])[-1]

    page = one("page")
    return AskedList(
        list=one("list") if one("list") in (*LISTS, "all") else "new", q=" ".join(one("q").split()),
        sort=one("sort") if one("sort") in SORTS else "urgency",
        page=int(page) if page.isascii() and page.isdigit() and 0 < len(page) < 7 else 1, at=one("at"),
        chosen={name: tuple(dict.fromkeys(given[name])) for name in FACETS if given.get(name)},
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class ListCount:
    """A list with how many cases are on it, and how many of these are in state act."""

    name: str
    words: str
    count: int
    act: int


@dataclass(frozen=True, slots=True, kw_only=True)
class FacetCount:
    """One value of a filter, and how many rows it would show; the filter's own choice is left out of the count."""

    value: str
    count: int
    chosen: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class TodayView:
    """A page of the list. ``found`` are all rows that fit, ``rows`` those of this page; ``hidden_act`` counts cases in
    state act that the filters leave out."""

    asked: AskedList
    lists: tuple[ListCount, ...]
    facets: Mapping[str, tuple[FacetCount, ...]]
    of: int
    found: tuple[CaseRow, ...]
    rows: tuple[CaseRow, ...]
    first: int
    pages: int
    hidden_act: int
    at: CaseRow | None


def key_of(row: CaseRow) -> str:
    """A row's name within all sites."""
    return f"{row.site}/{row.id}"


def view_of(rows: Sequence[CaseRow], wanted: AskedList) -> TodayView:
    """The page of all open cases that ``wanted`` asks for."""
    on = {name: [row for row in rows if row.list == name] for name in LISTS}
    lists = [
        ListCount(name=name, words=words, count=len(on[name]), act=sum(row.state == "act" for row in on[name]))
        for name, words in LISTS.items()
    ]
    act = sum(one.act for one in lists)
    lists.append(ListCount(name="all", words="All open", count=len(rows), act=act))
    of = list(rows) if wanted.list == "all" else on[wanted.list]  # type: ignore[index]
    words = wanted.q.casefold().split()
    matching = [row for row in of if all(word in row.sought for word in words)] if words else of
    fits = {
        name: [get(row) in wanted.chosen[name] for row in matching] if wanted.chosen.get(name) else None
        for name, (_, get) in FACETS.items()
    }
    found = _passing(matching, [mask for mask in fits.values() if mask is not None])
    facets = {
        name: _counts(
            _passing(matching, [mask for other, mask in fits.items() if mask is not None and other != name]),
            of, get, wanted.chosen.get(name, ()), name,
        )
        for name, (_, get) in FACETS.items()
    }  # fmt: skip
    found.sort(key=SORTS[wanted.sort][1])
    pages = max(1, -(-len(found) // PAGE))
    page = min(wanted.page, pages)
    shown = found[(page - 1) * PAGE : page * PAGE]
    at = next((row for row in shown if key_of(row) == wanted.at), shown[0] if shown else None)
    hidden = sum(row.state == "act" for row in of) - sum(row.state == "act" for row in found)
    return TodayView(
        asked=replace(wanted, page=page), lists=tuple(lists), facets=facets, of=len(of), found=tuple(found),
        rows=tuple(shown), first=(page - 1) * PAGE + 1, pages=pages, hidden_act=hidden, at=at,
    )  # fmt: skip


def _passing(rows: Sequence[CaseRow], masks: Sequence[Sequence[bool]]) -> list[CaseRow]:
    if not masks:
        return list(rows)
    return [row for row, *keeps in zip(rows, *masks, strict=True) if all(keeps)]


def _counts(
    rows: Sequence[CaseRow], of: Sequence[CaseRow], get: Callable[[CaseRow], str], chosen: tuple[str, ...], name: str
) -> tuple[FacetCount, ...]:
    counts = Counter(map(get, rows))
    for value in (*chosen, *map(get, of)):
        counts.setdefault(value, 0)

    def order(item: tuple[str, int]) -> tuple[int, int, str]:
        return (_STATE_ORDER.get(item[0], 9) if name == "state" else 0, -item[1], item[0])

    return tuple(
        FacetCount(value=value, count=count, chosen=value in chosen)
        for value, count in sorted(counts.items(), key=order)
    )


def together(rows: Sequence[CaseRow]) -> str:
    """Why these rows cannot be decided together; "" where they can."""
    kinds = {row.kind for row in rows}
    grave = sum(row.grave for row in rows)
    if len(kinds) > 1:
        return "they have different causes"
    if grave:
        return f"{grave} {'is' if grave == 1 else 'are'} severe or in state act and must be decided alone"
    if kinds & {"not judged", "not measured"}:
        return "nothing that was not seen is decided by the dozen"
    return ""
