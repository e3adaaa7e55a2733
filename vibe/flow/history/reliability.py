"""Hours and failures of drives, and the bearings in them, into what may be promised."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from vibe import __version__
from vibe.core.errors import CallError, ConfigError

if TYPE_CHECKING:
    from vibe.core.drive import Drive
    from vibe.core.records.reliability import Life, RatingLife, ReliabilityStatement
    from vibe.history.store.store import Store

CONSTANT = (
    "Mean time between failures: failures come at a constant rate, drives are alike and fail independently of one "
    "another, and a repaired one is as good as its sisters. Observation ended at times that no failure chose."
)
AGES = "Weibull: a drive is as good as new after each failure; lives that had not ended count as suspended."
RATING = (
    "Rating life: ISO 281, basic, 90 % reliability; fatigue alone, clean and well lubricated, at the stated load and "
    "the nominal speed throughout. Speed is that of the rings against each other."
)
EVIDENCE = "This is evidence from hours that were run. It is no guarantee, and says nothing of any one drive."


def reliability_of_store(
    store_path: Path, *, drives: Sequence[Drive] | None = None, confidence: float = 0.9, duty: float | None = None,
    failures: Sequence[str] = (), new_at_first: bool = False,
) -> ReliabilityStatement:  # fmt: skip
    """From a store: all of its drives, or those whose files are given.

    Raises:
        CallError: there is no store, it holds none of the drives, or running hours cannot be determined.
    """
    from typing import get_args

    from vibe.core.records.history import EventKind
    from vibe.history.running_hours import FAILURES, lives_of
    from vibe.history.store.store import Store

    kinds = tuple(failures) or FAILURES
    if unknown := [kind for kind in kinds if kind not in get_args(EventKind)]:
        raise CallError(f"{unknown[0]!r} is no kind of event; there are {', '.join(get_args(EventKind))}")
    _checked(confidence, duty)
    with Store.open(store_path) as store:
        kept = [drive.tag for drive in store.drives()]
        tags = kept if drives is None else [drive.tag for drive in drives if drive.tag in kept]
        if not tags:
            raise CallError(f"{store_path} holds nothing of these drives; `vibe history list` names all there are")
        lives, remarks = lives_of(store, tags, failures=kinds, duty=duty, new_at_first=new_at_first)
        absent = [] if drives is None else [drive.tag for drive in drives if drive.tag not in kept]
        if absent:
            remarks.append(f"nothing is kept of {', '.join(absent[:5])}{' and others' if len(absent) > 5 else ''}")
        known, wrong = (list(drives), []) if drives is not None else _drives_of(store, tags)
    said = [
        "Running hours: those of counters where they are kept"
        + (f", else calendar time times {duty:g}, as stated." if duty is not None else "."),
        f"A failure is an event of kind {', '.join(kinds)} after the first capture; events within one day are one.",
        "Drives are observed from their first capture, or the new drive before it, to their last capture or failure."
        + (" All were new at their first capture, as stated." if new_at_first else ""),
    ]
    return _promise(lives, known, confidence, said, [*remarks, *wrong], len(tags))


def reliability_of_table(
    path: Path, *, drives: Sequence[Drive] = (), confidence: float = 0.9, until_failure: bool = False
) -> ReliabilityStatement:
    """From a CSV file of lives. ``until_failure``: observation ended with the last failure, as a test may do.

    Raises:
        CallError: it cannot be read, a row is wrong, or no failure could have ended it.
    """
    from vibe.history.running_hours import read_lives

    _checked(confidence, None)
    lives = read_lives(path)
    said = [f"Running hours and failures are those of {path.name}; one line is one life."]
    if until_failure and not any(life.failed for life in lives):
        raise CallError(f"{path} holds no failure, so none has ended the observation: leave --until-failure out")
    count = len({life.drive for life in lives})
    return _promise(lives, drives, confidence, said, [], count, until_failure=until_failure)


def write_reliability(found: ReliabilityStatement, out: Path, *, force: bool = False) -> tuple[Path, ...]:
    """``promise.html`` and ``promise.json``.

    Raises:
        OutputError: one of them is there already and ``force`` is not given, or cannot be written.
    """
    from vibe.report.pages.reliability_page import write_reliability as write

    return write(found, out, force=force)


def _promise(
    lives: Sequence[Life], drives: Sequence[Drive], confidence: float, said: list[str], remarks: list[str], count: int,
    *, until_failure: bool = False,
) -> ReliabilityStatement:  # fmt: skip
    from vibe.core.records.reliability import ReliabilityStatement
    from vibe.history.statistics.reliability import mean_time_between_failures, weibull_lives

    mean_time = mean_time_between_failures(
        sum(life.hours for life in lives), sum(life.failed for life in lives), confidence, until_failure=until_failure
    )
    weibull, note = weibull_lives(lives, confidence)
    unaged = len({life.drive for life in lives if not life.age_known})
    if unaged:
        remarks = [
            *remarks,
            f"the age of {unaged} drives at their first capture is not known: their hours count, their first lives do "
            "not enter the Weibull (if they were new then, say --new-at-first)",
        ]
    ratings = _ratings(drives)
    return ReliabilityStatement(
        drives=count, mean_time=mean_time, weibull=weibull, weibull_note=note, lives=tuple(lives), ratings=ratings,
        assumptions=(*said, CONSTANT, AGES, *([RATING] if ratings else []), EVIDENCE), remarks=tuple(remarks),
        software=f"vibe {__version__}",
    )  # fmt: skip


def _checked(confidence: float, duty: float | None) -> None:
    if not 0.5 <= confidence < 1.0:
        raise CallError(f"--confidence {confidence:g} must lie from 0.5 to below 1, for example 0.9")
    if duty is not None and not 0.0 < duty <= 1.0:
        raise CallError(f"--duty {duty:g} must lie above 0 and up to 1: the share of the time that drives run")


def _drives_of(store: Store, tags: Sequence[str]) -> tuple[list[Drive], list[str]]:
    """Drives from the files that the store keeps, and what is wrong with those that cannot be used."""
    from pydantic import ValidationError

    from vibe.core.drive import Drive

    found, wrong = [], []
    for tag in tags:
        text = store.drive_toml(tag)
        if not text:
            continue
        try:
            found.append(Drive.model_validate(tomllib.loads(text)))
        except (ValidationError, ValueError):
            wrong.append(f"the drive file of {tag} in the store is of another version; its bearings are left out")
    return found, wrong


def _ratings(drives: Sequence[Drive]) -> tuple[RatingLife, ...]:
    """Bearings of all drives; those that are alike in all that counts stand once, named by the first and how many."""
    from vibe.kinematics.rating_life import rating_lives

    alike: dict[RatingLife, list[str]] = {}
    for drive in drives:
        try:
            for rating in rating_lives(drive):
                alike.setdefault(replace(rating, drive=""), []).append(drive.tag)
        except ConfigError as error:
            raise ConfigError(f"{drive.tag}: {error}") from error
    return tuple(
        replace(rating, drive=tags[0] if len(tags) == 1 else f"{tags[0]} and {len(tags) - 1} of the same kind")
        for rating, tags in alike.items()
    )
