"""A case as a list shows it: all that a row, the strip below the list, search and filters need, in plain values."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any, Literal, Self

CaseList = Literal["new", "work", "waiting", "overdue", "blind"]
"""Where an open case stands; every one is on exactly one of these lists. ``blind``: it cannot be judged."""
LISTS: dict[CaseList, str] = {
    "new": "New", "work": "In work", "waiting": "Waiting", "overdue": "Overdue", "blind": "Cannot be judged",
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class CaseShare:
    """One owner's part of a change [dB], and its share of the whole where that can be said."""

    owner: str
    db: float
    share: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class CaseRow:
    """One open case. Times are ISO 8601, "" where there are none.

    ``parts`` add up and ``factor`` multiplies to the urgency. ``course`` is the series that changed most, dB over what
    is usual, oldest first, and ``limit_db`` its alarm limit. ``seen`` changes whenever there is something new to know
    before one decides: the newest record, the urgency, the latest capture.
    """

    site: str
    id: str
    drives: tuple[str, ...]
    name: str
    kind: str
    list: CaseList
    state: str
    urgency: float
    parts: tuple[tuple[str, float], ...]
    factor: float
    title: str
    sentence: str
    advice: str
    due: str
    measured: str
    owner: str
    marks: tuple[str, ...]
    since: str
    opened: str
    severity: str
    sure: str
    why: str
    change: str
    shares: tuple[CaseShare, ...]
    course: tuple[float, ...]
    course_of: str
    limit_db: float | None
    seen: str
    due_is: str = ""
    """``measure again`` where that is all that is asked for by ``due``; else all that is to be done is."""

    @property
    def drive(self) -> str:
        return self.drives[0]

    @property
    def grave(self) -> bool:
        """Whether it may not be decided together with others."""
        return self.state == "act" or self.severity == "severe"

    @property
    def sought(self) -> str:
        """Text in which a search looks."""
        words = (*self.drives, self.name, self.site, self.title, self.advice, self.owner, self.kind, self.id)
        return " ".join(words).casefold()

    def plain(self) -> dict[str, Any]:
        """As JSON keeps it."""
        return asdict(self)

    @classmethod
    def of_plain(cls, kept: dict[str, Any]) -> Self:
        """A row as JSON kept it. Raises: KeyError, TypeError, ValueError: it is no row of this version."""
        shares = tuple(CaseShare(**one) for one in kept["shares"])
        parts = tuple((str(name), float(amount)) for name, amount in kept["parts"])
        lists = {name: tuple(kept[name]) for name in ("drives", "marks", "course")}
        return cls(**(kept | lists | {"shares": shares, "parts": parts}))
