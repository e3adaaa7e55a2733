"""The sample history of a water works as a store to practise on: made once, found again afterwards."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

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

    store, done = out / "history", out / "made.txt"
    if done.is_file():
        return store
    say(f"The sample history is made once, in {out}: two years of 14 drives, which takes some minutes.")
    made = make_years(out / "years", workers=workers, force=(out / "years").exists(), progress=progress)
    captures = tuple(find_captures(made.folder))
    delivery = Delivery.of(made.folder, drives=(str(made.drives / "*.toml"),))
    with Store.open(store, create=True) as opened:
        outcome = keep_files(captures, delivery, opened, workers=workers, progress=progress)
        opened.add_events(load_events(made.events))
    done.write_text(f"{outcome.added + outcome.there} captures\n", encoding="utf-8")
    return store
