"""A store into pages: what a drive did over the years, and the pictures behind each alarm."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from vibe.core.errors import CallError, CaptureError, ConfigError

if TYPE_CHECKING:
    from vibe.core.records.alarm_case import DriveCase
    from vibe.core.records.alarms import Alarm, Queue
    from vibe.core.records.history import ArchivedSpectrum, SeriesKey, StoredCapture
    from vibe.core.records.history_view import ShownCapture, ShownDrive, ShownSeries, ShownTone
    from vibe.history.store.decisions import DecisionBook

MOST_CELLS = 1_250_000
"""Cells of all spectra of a page: two bytes each, a third more as text, some 3.4 MB."""
MOST_CAPTURES = 100
"""Captures whose spectra one page may hold (our choice: eight years of monthly rounds)."""
_ALARM_CAPTURES = 8
"""Of these at most as many because a limit was exceeded then (our choice)."""
MOST_PICTURED = 200
"""Rows of a queue that get pages of their own; what is less urgent stands in the queue alone."""


def write_history_page(
    tag: str, store_path: Path, out: Path, *, force: bool = False, at: datetime | None = None
) -> tuple[Path, ...]:
    """The page of one drive with its history.

    Raises:
        CallError: there is no store, or it holds no capture of the drive. OutputError: the page is there already and
            ``force`` is not given, or it cannot be written.
    """
    from vibe.flow.history.drive_facts import Gatherer
    from vibe.flow.settings import load_alarm_rules, load_settings, share_dir
    from vibe.history.settings import HistorySettings
    from vibe.history.store.store import Store
    from vibe.ingest import load_model
    from vibe.report.pages.history_page import write_history

    at = at or datetime.now(UTC)
    with Store.open(store_path) as opened:
        store = opened.as_of(at)
        kept = next((drive for drive in store.drives() if drive.tag == tag), None)
        if kept is None or not kept.captures:
            raise CallError(f"{store_path} holds no capture of a drive {tag!r}")
        gatherer = Gatherer(
            store=store, history=load_model(share_dir() / "configs" / "history.toml", HistorySettings),
            limits=load_settings().limits, rules=load_alarm_rules(),
        )  # fmt: skip
        case = gatherer.case(tag, kept.kind, ())
        shown = shown_drive(store, case, at=at)
    return write_history(shown, out, force=force)


def write_pages(
    queue: Queue, cases: Sequence[DriveCase], store_path: Path, out: Path, *, title: str = "The queue",
    force: bool = False,
) -> tuple[Path, ...]:  # fmt: skip
    """The queue, a page behind each of its alarms, and one for each drive that has one.

    Raises:
        OutputError: a page is there already and ``force`` is not given, or it cannot be written.
    """
    from vibe.core.records.history_view import ShownAlarm
    from vibe.history.store.store import Store
    from vibe.report.pages.history_page import write_history
    from vibe.report.pages.queue_page import write_queue_pages

    by_tag = {case.tag: case for case in cases}
    pictured = queue.alarms[:MOST_PICTURED]
    tags = list(dict.fromkeys(tag for alarm in pictured for tag in alarm.drives if tag in by_tag))
    with Store.open(store_path) as opened:
        store = opened.as_of(queue.at)
        shown = {}
        for alarm in pictured:
            case = by_tag.get(alarm.drive)
            pictures = None if case is None else shown_alarm(store, case, alarm, at=queue.at)
            shown[alarm.id] = ShownAlarm(alarm=alarm, pictures=pictures)
        # A drive's page goes first: the queue must not point at what is not there.
        for tag in tags:
            own = tuple(alarm for alarm in pictured if tag in alarm.drives)
            write_history(
                shown_drive(store, by_tag[tag], alarms=own, at=queue.at), out, force=force, queue="../queue.html"
            )
    return write_queue_pages(queue, out, shown=shown, drive_pages=tags, title=title, force=force)


# ── what belongs to a drive ───────────────────────────────────────────────────────────────────────────────────────


def shown_drive(store: DecisionBook, case: DriveCase, *, at: datetime, alarms: Sequence[Alarm] = ()) -> ShownDrive:
    """A drive with all of its series, and the spectra of as many captures as a page can carry."""
    named = {content for alarm in alarms for content in _contents(alarm)}
    kept = store.captures(case.tag)
    chosen, remarks = _chosen(kept, case, named, store)
    return _shown(store, case, store.keys(case.tag), chosen, at=at, alarms=alarms, remarks=remarks)


def shown_alarm(store: DecisionBook, case: DriveCase, alarm: Alarm, *, at: datetime) -> ShownDrive:
    """What belongs to one alarm: its series, and the captures before and now among a few in between."""
    names = {alarm.cause, *alarm.names}
    keys = [key for key in alarm.pictures.series if key.drive == case.tag]
    keys += [
        key for key in store.keys(case.tag)
        if key not in keys and (key.measure in ("hit", "hit_over_floor") or key.subject in names)
    ]  # fmt: skip
    wanted = {content: why for content, why in (
        (alarm.pictures.before, "before"),
        (alarm.pictures.now, "then")) if content}  # fmt: skip
    for exceedance in sorted(alarm.exceedances, key=lambda e: e.at, reverse=True):
        if exceedance.content and len(wanted) < _ALARM_CAPTURES:
            wanted.setdefault(exceedance.content, "beyond a limit")
    every = store.captures(case.tag)
    if alarm.pictures.now == case.now and case.now is not None:
        # The latest accepted one; a younger one that was not accepted may be shown as well.
        youngest = max((c for c in every if c.content in wanted), key=lambda c: c.time_s)
        wanted[case.now] = "now" if youngest.content == case.now else "latest accepted"
    chosen = [(c, wanted[c.content]) for c in every if c.content in wanted]
    return _shown(
        store, case, keys, _with_spectra(store, chosen), at=at, alarms=(alarm,), before=alarm.pictures.before,
        now=alarm.pictures.now,
    )  # fmt: skip


def _shown(
    store: DecisionBook, case: DriveCase, keys: Sequence[SeriesKey], captures: Sequence[ShownCapture], *, at: datetime,
    alarms: Sequence[Alarm], remarks: Sequence[str] = (), before: str | None = None, now: str | None = None,
) -> ShownDrive:  # fmt: skip
    from vibe.core.records.history_view import ShownDrive, ShownSeries

    states = {state.key: state for state in case.series}
    kept = next(drive for drive in store.drives() if drive.tag == case.tag)
    series: list[ShownSeries] = []
    for key in keys:
        found = store.series(key)
        if found.content:
            series.append(ShownSeries(series=found, state=states.get(key)))
    return ShownDrive(
        tag=case.tag, name=case.name, state=kept.state, at=at, kept=kept.captures, accepted=kept.accepted,
        first=kept.first, last=kept.last, series=tuple(series), captures=tuple(captures), events=case.events,
        tones=tuple(_tones(store, case.tag)), alarms=tuple(alarms), remarks=tuple(remarks),
        before=before if now else case.before, now=now or case.now,
    )  # fmt: skip


def _tones(store: DecisionBook, tag: str) -> list[ShownTone]:
    """Orders at which a cursor may be put; none where the drive's file is missing or of another version."""
    from pydantic import ValidationError

    from vibe.core.drive import Drive
    from vibe.core.records.history_view import ShownTone
    from vibe.kinematics.tone_table import tone_table

    text = store.drive_toml(tag)
    if not text:
        return []
    try:
        table = tone_table(Drive.model_validate(tomllib.loads(text)))
    except (ValidationError, ValueError, ConfigError):
        return []
    return [
        ShownTone(
            id=tone.id, order=tone.order, spacing=tone.sidebands[0].order if tone.sidebands else None,
            damage=tone.damage, slip=max(tone.slip),
        )
        for tone in table.tones
    ]  # fmt: skip


# ── which captures a page carries ─────────────────────────────────────────────────────────────────────────────────


def _contents(alarm: Alarm) -> set[str]:
    found = {e.content for e in alarm.exceedances if e.content}
    return found | {content for content in (alarm.pictures.before, alarm.pictures.now) if content}


def _chosen(
    kept: Sequence[StoredCapture], case: DriveCase, named: set[str], store: DecisionBook
) -> tuple[list[ShownCapture], list[str]]:
    """First of the baseline, the latest, those of alarms, and others evenly spaced, until the page is full."""
    ranked = ranked_captures(kept, case.epoch, case.before, named, MOST_CAPTURES)
    cells = 0
    found: list[ShownCapture] = []
    for one in _with_spectra(store, ranked, cap=MOST_CELLS):
        cells += sum(spectrum.top.size for spectrum in one.spectra)
        if cells > MOST_CELLS and found:
            break
        found.append(one)
    remarks = []
    if len(found) < len(kept):
        remarks.append(
            f"This page carries the spectra of {len(found)} of {len(kept)} captures: the first of each baseline, the "
            "latest, those of alarms, and others evenly spaced. The rest had no spectra or stay in the store."
        )
    return sorted(found, key=lambda one: one.at), remarks


def ranked_captures(
    kept: Sequence[StoredCapture], epoch: datetime | None, before: str | None, named: set[str], most: int
) -> list[tuple[StoredCapture, str]]:
    """Captures in the order in which they are worth a place, and why; at most ``most``. ``before`` is one of the
    baseline that is like the latest."""
    good = [c for c in kept if c.kept != "rejected"]
    if not good:
        return []
    since = [c for c in good if epoch is None or (c.measured_at >= epoch and c.kept == "accepted")]
    wanted: dict[str, str] = {good[-1].content: "latest"}
    if any(c.content == before for c in good):
        wanted.setdefault(str(before), "of the baseline, like the latest")
    if since:
        wanted.setdefault(since[0].content, "first of the baseline")
    wanted.setdefault(good[0].content, "first of all")
    for capture in reversed(good):
        if capture.content in named:
            wanted.setdefault(capture.content, "of an alarm")
    spare = max(most - len(wanted), 0)
    for capture in _evenly([c for c in good if c.content not in wanted], spare):
        wanted[capture.content] = "in between"
    by_content = {c.content: c for c in good}
    return [(by_content[content], why) for content, why in list(wanted.items())[:most]]


def _evenly(captures: Sequence[StoredCapture], most: int) -> list[StoredCapture]:
    """At most ``most`` of them, every half first, so that whatever is cut off leaves an even spacing behind."""
    if not captures or most <= 0:
        return []
    size = len(captures)
    picks: dict[int, None] = {}
    parts = 2
    while len(picks) < min(most, size) and parts <= 4 * size:
        for number in range(1, parts):
            picks.setdefault(number * size // parts if number * size // parts < size else size - 1)
        parts *= 2
    for place in range(size):
        picks.setdefault(place)
    return [captures[place] for place in list(picks)[:most]]


def _with_spectra(
    store: DecisionBook, captures: Sequence[tuple[StoredCapture, str]], cap: int | None = None
) -> list[ShownCapture]:
    """Captures with their spectra; those whose file is lost or held none are left out."""
    from vibe.core.records.history_view import ShownCapture

    found, cells = [], 0
    for capture, why in captures:
        spectra = _spectra(store, capture.content)
        if not spectra:
            continue
        found.append(
            ShownCapture(
                content=capture.content, at=capture.measured_at, file=capture.file, state=capture.state,
                speed_hz=capture.speed_hz, load_percent=capture.load_percent, why=why, spectra=spectra,
            )
        )  # fmt: skip
        cells += sum(spectrum.top.size for spectrum in spectra)
        if cap is not None and cells > cap:
            break
    return found


def _spectra(store: DecisionBook, content: str) -> tuple[ArchivedSpectrum, ...]:
    try:
        return store.spectra(content)
    except CaptureError:
        return ()
