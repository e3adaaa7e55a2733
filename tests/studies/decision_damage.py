"""Damage of every kind to a store's database, its journal of decisions, or both: what comes back, what is said.

``python -m tests.studies.decision_damage --count 60``. Nothing may be lost where one of the two is whole, and nothing
silently where neither is.
"""

from __future__ import annotations

import argparse
import random
import shutil
import tempfile
from collections import Counter
from datetime import timedelta
from pathlib import Path

from tests.history.kept_captures import START, channels, record
from tests.history.test_kept_for_good import random_harm
from vibe.core.records.history import Decision, Event
from vibe.history.decision_joining import acknowledge, open_losses
from vibe.history.decision_journal import JOURNAL
from vibe.history.store.maintenance import verify
from vibe.history.store.recovery import repaired
from vibe.history.store.schema import DATABASE
from vibe.history.store.store import Store

HARMED = {"database": (DATABASE,), "journal": (JOURNAL,), "both": (DATABASE, JOURNAL)}


def made(folder: Path) -> None:
    """A store of three captures, forty decisions and eight events."""
    with Store.open(folder, create=True) as store:
        for number in range(3):
            store.add(record(number, values=10), channels(number, 64))
        store.put_alarm("a", "TH-01", "lobe", START, "{}")
        for number in range(40):
            because = f"{number} " + "x" * 100
            store.decide(Decision(alarm="a", verdict="sensor", because=because, by="R. Roe", at=START))
            if number % 5 == 0:
                store.add_event(Event(drive="TH-01", at=START + timedelta(days=number), kind="grease"))


def outcome(whole: Path, place: Path, names: tuple[str, ...], seed: int) -> str:
    """What became of one copy that was harmed and repaired."""
    shutil.copytree(whole, place)
    rng = random.Random(seed)
    for name in names:
        random_harm(place / name, rng)
    repaired(place)
    with Store.open(whole) as before, Store.open(place) as after:
        same = (before.decisions(), before.events()) == (after.decisions(), after.events())
        said = bool(open_losses(after))
        acknowledge(after, "study")
        wrong = verify(after).wrong
    shutil.rmtree(place)
    if wrong:
        return f"still wrong: {wrong[0].what}"
    return ("all back" if same else "some lost") + (", said that some may be lost" if said else "")


def run(count: int, seed: int = 1) -> dict[str, Counter[str]]:
    """Outcomes of ``count`` damages of each kind of place."""
    with tempfile.TemporaryDirectory() as name:
        whole = Path(name) / "whole"
        made(whole)
        return {
            what: Counter(outcome(whole, Path(name) / "harmed", names, seed + number) for number in range(count))
            for what, names in HARMED.items()
        }


def bad(outcomes: dict[str, Counter[str]]) -> list[str]:
    """What may not be: losses where one of the two was whole, and silent ones."""
    fine = {"all back", "all back, said that some may be lost"}
    allowed = {"database": fine, "journal": fine, "both": fine | {"some lost, said that some may be lost"}}
    return [f"{what}: {one}" for what, found in outcomes.items() for one in found if one not in allowed[what]]


def main() -> None:
    """Print a table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    outcomes = run(given.count, given.seed)
    print("| damaged | outcome | of |\n|---|---|---|")
    for what, found in outcomes.items():
        for one, count in found.most_common():
            print(f"| {what} | {one} | {count} of {given.count} |")
    for one in bad(outcomes):
        print(f"BAD {one}")


if __name__ == "__main__":
    main()
