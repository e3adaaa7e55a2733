"""What the page of a drive shows: facts, captures, cases that were, levels and their limits, tones, its file."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Any, cast, get_args

from vibe.core.errors import CallError

if TYPE_CHECKING:
    from vibe.core.records.history import EventKind
    from vibe.history.store.store import Store


def drive_values(store: Store, tag: str) -> dict[str, Any]:
    """Facts of a drive in plain values and words. Raises: CallError: the store knows no such drive."""
    from vibe.flow.desk.stored_signal import kinematics_of
    from vibe.report.words import ratio_text

    captures, events, toml = store.captures(tag), store.events(tag), store.drive_toml(tag)
    if not captures and toml is None:
        raise CallError(f"there is no drive {tag[:80]!r} at this site")
    drive, table = kinematics_of(store, tag) or (None, None)
    good = [one for one in captures if one.kept != "rejected"]
    accepted = [one for one in captures if one.kept == "accepted"]
    last = captures[-1] if captures else None
    speed = next((one.speed_hz for one in reversed(good) if one.speed_hz), None)
    anew = [event for event in events if event.new_baseline]
    return {
        "tag": tag, "name": "" if drive is None else drive.name, "toml": toml,
        "state": "unknown" if last is None else last.state,
        "last": None if last is None else last.measured_at.isoformat(),
        "count": len(captures), "accepted": len(accepted), "rejected": len(captures) - len(good),
        "ratio": None if table is None or not table.ratio else ratio_text(table.ratio),
        "speed_hz": speed, "nameplate_rpm": None if drive is None else drive.input.speed_rpm,
        "baseline": anew[-1].at.isoformat() if anew else captures[0].measured_at.isoformat() if captures else None,
        "baseline_by": (anew[-1].note or anew[-1].kind) if anew else "the first captures" if captures else None,
        "captures": [
            {"at": one.measured_at.isoformat(), "content": one.content, "kept": one.kept, "state": one.state,
             "speed_rpm": None if one.speed_hz is None else one.speed_hz * 60, "load": one.load_percent,
             "length_s": one.duration_s, "file": one.file, "waveform": one.waveform}
            for one in reversed(captures)
        ],
        "events": [
            {"at": event.at.isoformat(), "kind": event.kind, "note": event.note, "by": event.by,
             "new_baseline": event.new_baseline}
            for event in events
        ],
        "closed": _closed(store, tag),
    }  # fmt: skip


def _closed(store: Store, tag: str) -> list[dict[str, Any]]:
    """Cases of a drive that the store remembers, with their last decision."""
    from vibe.health.alarms.case_state import SAID, standing_decisions

    found = []
    for alarm in store.alarms(open_only=False):
        if alarm.drive != tag:
            continue
        try:
            facts = json.loads(alarm.facts)
        except ValueError:
            facts = {}
        held = standing_decisions(store.decisions(alarm.id))
        last = held[-1] if held else None
        found.append(
            {"id": alarm.id, "title": str(facts.get("title", alarm.cause)), "since": str(facts.get("since", "")),
             "opened": alarm.opened_at.isoformat(), "kind": str(facts.get("kind", "")),
             "closed": None if alarm.closed_at is None else alarm.closed_at.isoformat(),
             "decided": "" if last is None else f"{SAID[last.verdict]}, {last.by}"}
        )  # fmt: skip
    return found


def level_values(store: Store, tag: str) -> list[dict[str, Any]]:
    """Series of a drive with their limits, the source of each, and how many captures it would have raised since the
    baseline. Worked out now, a tenth of a second: what its sisters say is taken from the latest judgement."""
    from vibe.flow.cases.judged import kept_notes
    from vibe.flow.history.drive_facts import Gatherer
    from vibe.flow.settings import load_alarm_rules, load_settings, share_dir
    from vibe.history.settings import HistorySettings
    from vibe.ingest import load_model
    from vibe.report import history_words as said

    kinds = store.kinds()
    gatherer = Gatherer(
        store=store, history=load_model(share_dir() / "configs" / "history.toml", HistorySettings),
        limits=load_settings().limits, rules=load_alarm_rules(),
    )  # fmt: skip
    kind = kinds.get(tag, "")
    case = gatherer.case(tag, kind, (), kept_notes(store.folder, kind))
    found = []
    for state in sorted(case.series, key=lambda one: said.by_measure(one.key)):
        values = store.series(state.key)
        epoch_s = float("-inf") if case.epoch is None else case.epoch.timestamp()
        recent = [v for v, t in zip(values.value.tolist(), values.time_s.tolist(), strict=True) if t >= epoch_s]
        found.append(
            {
                "id": "|".join((state.key.point, state.key.measure, state.key.subject)),
                "name": f"{said.series_name(state.key)}, {said.place_name(state.key.point)}",
                "value": said.with_unit(state.value, state.unit), "usual": state.usual,
                "change": said.signed_db(state.change_db), "course": said.course(state.state),
                "limits": [
                    {"kind": line.kind, "value": line.value, "words": said.with_unit(line.value, state.unit),
                     "source": line.source + (", by analogy" if line.by_analogy else ""),
                     "because": said.plain(line.because),
                     "raised": sum(value > line.value for value in recent)}
                    for line in state.limits
                ],
            }
        )  # fmt: skip
    return found


def record_event(
    store: Store, tag: str, *, kind: str, day: str, note: str, by: str, new_baseline: bool, now: datetime | None = None
) -> dict[str, str]:
    """Record what was done to a drive; what is wrong by field, nothing where it was recorded."""
    from vibe.core.records.history import Event
    from vibe.core.records.history import EventKind as Kinds

    now = now or datetime.now(UTC)
    wrong: dict[str, str] = {}
    if kind not in get_args(Kinds):
        wrong["kind"] = "Choose one."
    if not by.strip():
        wrong["by"] = "Say who reports it."
    if len(note) > 2000:
        wrong["note"] = "Too long for a record."
    at = now
    try:
        said = date.fromisoformat(day)
    except ValueError:
        wrong["day"] = "Choose a day."
    else:
        today = now.astimezone().date()
        if said > today:
            wrong["day"] = "After today: record it when it is done."
        elif said < today:
            at = datetime(said.year, said.month, said.day, 12, tzinfo=now.astimezone().tzinfo)
    if wrong:
        return wrong
    store.add_event(
        Event(
            drive=tag, at=at, kind=cast("EventKind", kind), note=note.strip(), by=by.strip(), new_baseline=new_baseline
        )
    )
    return {}


def tone_rows(store: Store, tag: str, speed_hz: float | None) -> Sequence[dict[str, Any]]:
    """Tones of a drive at the speed that was found, else at that of the nameplate."""
    from vibe.flow.desk.stored_signal import kinematics_of
    from vibe.report.words import component, sentence_case

    known = kinematics_of(store, tag)
    if known is None:
        return ()
    drive, table = known
    hz = speed_hz or drive.input.speed_rpm / 60
    return [
        {"name": sentence_case(component(tone.id)), "id": tone.id, "order": tone.order,
         "exact": None if tone.order_exact is None else str(tone.order_exact), "hz": tone.order * hz if hz else None}
        for tone in sorted(table.tones, key=lambda one: (one.order, one.id))
    ]  # fmt: skip
