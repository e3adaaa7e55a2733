"""The sample history of a water works as a store to practise on: made once, found again afterwards."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path

_WEEKS = 104
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
    from vibe.flow.history.bulk_import import Delivery, keep_files
    from vibe.flow.samples.years import make_years
    from vibe.history.store.store import Store
    from vibe.ingest import find_captures
    from vibe.ingest.tables.maintenance_log import load_events
    from vibe.storage.files import write_whole

    store, done = out / "history", out / "made.txt"
    if done.is_file():
        return store
    say(f"The sample history is made once, in {out}: two years of 14 drives, which takes some minutes.")
    spec = write_whole(out / "years.toml", _until_today(), force=True)
    made = make_years(out / "years", spec=spec, workers=workers, force=(out / "years").exists(), progress=progress)
    captures = tuple(find_captures(made.folder))
    delivery = Delivery.of(made.folder, drives=(str(made.drives / "*.toml"),))
    with Store.open(store, create=True) as opened:
        outcome = keep_files(captures, delivery, opened, workers=workers, progress=progress)
        opened.add_events(load_events(made.events))
    done.write_text(f"{outcome.added + outcome.there} captures\n", encoding="utf-8")
    return store


def _until_today() -> str:
    """What happens in the sample years, moved by whole weeks so that the last round was this week's: a desk on which
    nothing was measured for months would show that and nothing else."""
    from vibe.flow.settings import share_dir

    text = (share_dir() / "sample_signals" / "years.toml").read_text(encoding="utf-8")
    today = date.today()
    first = today - timedelta(days=today.weekday(), weeks=_WEEKS - 1)
    moved, count = re.subn(r"(?m)^first = [\d-]+$", f"first = {first.isoformat()}", text)
    if count != 1:
        raise ValueError("the sample years have no first day")
    return moved
