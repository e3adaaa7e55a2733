"""The sample history of a water works as a store to practise on: made once, found again afterwards."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date, datetime, timedelta
from pathlib import Path

_WEEKS, _EVERY = 104, 4
"""Two years, and a round every four weeks."""
_MONTHLY = tuple(week for week in range(_WEEKS) if (_WEEKS - 1 - week) % _EVERY == 0)
"""The last week is one of a round."""
_FIRST, _LAST, _BETWEEN = 6, 4, 5
"""Rounds that are made at first and at last, and one in how many between."""
ROUNDS = frozenset(
    (*_MONTHLY[:_FIRST], *_MONTHLY[_FIRST:-_LAST:_BETWEEN], *_MONTHLY[-_LAST:], *range(_WEEKS - 5, _WEEKS))
)
"""Weeks of the rounds that are made: enough at first for a baseline and at last for a trend, a few in between. All of
them would show the same cases and take more than twice as long."""
_STALE_DAYS = 45
"""A monthly round that was left out once (our choice)."""
SITE = "Alder Brook"
"""Of the water works; no such place is meant."""
FOLDER = Path("vibe-desk-practice")
"""In the folder where the command is typed, as the reports of ``vibe demo`` are."""


def practice_store(
    *, out: Path = FOLDER, workers: int | None = None, say: Callable[[str], None],
    progress: Callable[[int, int, str], None] | None = None,
) -> Path:  # fmt: skip
    """The store; what an interrupted call has left is completed.

    Raises:
        CallError, OutputError: the folder holds other things, or cannot be written.
    """
    from vibe.flow.cases.judged import judge
    from vibe.flow.history.bulk_import import Delivery, keep_files
    from vibe.flow.samples.years import make_years
    from vibe.history.store.layout import name_site
    from vibe.history.store.store import Store
    from vibe.ingest import find_captures
    from vibe.ingest.tables.maintenance_log import load_events
    from vibe.storage.files import write_whole

    store, done, spec = out / "history", out / "made.txt", out / "years.toml"
    if done.is_file():
        days = (datetime.now() - datetime.fromtimestamp(done.stat().st_mtime)).days
        if days > _STALE_DAYS:
            say(f"The sample history in {out} was made {days} days ago, and nobody measured since; for a new one "
                "remove that folder.")  # fmt: skip
        return store
    say(f"The sample history is made once, in {out}: rounds of two years on 14 drives. This takes a minute or two.")
    if not spec.is_file():  # one that was interrupted keeps its dates
        write_whole(spec, _until_today())
    made = make_years(
        out / "years", spec=spec, weeks=ROUNDS, workers=workers, force=(out / "years").exists(), progress=progress
    )
    captures = tuple(find_captures(made.folder))
    delivery = Delivery.of(made.folder, drives=(str(made.drives / "*.toml"),))
    with Store.open(store, create=True) as opened:
        outcome = keep_files(captures, delivery, opened, workers=workers, progress=progress)
        opened.add_events(load_events(made.events))
    judge(store, name_site(store, SITE), progress=progress)  # so that the desk opens with something to see
    done.write_text(f"{outcome.added + outcome.there} captures\n", encoding="utf-8")
    return store


def _until_today() -> str:
    """What happens in the sample years, moved by whole weeks so that the last round was this week's, on Mondays last
    week's, for that of the day may be ahead. Where nothing was measured for months a desk shows that alone."""
    from vibe.flow.settings import share_dir

    text = (share_dir() / "sample_signals" / "years.toml").read_text(encoding="utf-8")
    last = date.today() - timedelta(days=1)
    first = last - timedelta(days=last.weekday(), weeks=_WEEKS - 1)
    moved, count = re.subn(r"(?m)^first = [\d-]+$", f"first = {first.isoformat()}", text)
    if count != 1:
        raise ValueError("the sample years have no first day")
    return moved
