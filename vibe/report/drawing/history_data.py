"""What the scripts of a history's pages are given: series with their limits, events, spectra. Places of labels too."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from vibe.core.records.alarms import Alarm, Exceedance, LimitLine, SeriesState
from vibe.core.records.history import Event, Series, SeriesKey
from vibe.core.records.history_view import ShownCapture, ShownDrive, ShownSeries
from vibe.report import history_words as said
from vibe.report.drawing.history_plots import TONE_STYLES, spectrum_data
from vibe.report.drawing.thinning import extremes
from vibe.report.words import component, number, printable, sentence_case, unit

MOST_POINTS = 1500
"""Of a series; more are thinned to their extremes."""
_FRAME_PX, _LABEL_PX, _FRAME_WIDTH_PX, _CHAR_PX = 250.0, 15.0, 640.0, 7.0
"""A picture of a trend as most screens show it: what labels are placed by."""
_IN_VIEW = 2.2
"""Limits so many times above the highest value are reported in words: drawn, they would flatten what is to be seen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """A series as a drop-down list offers it."""

    group: str
    name: str
    key: SeriesKey


def choices(series: Sequence[ShownSeries], first: Sequence[SeriesKey] = ()) -> list[tuple[ShownSeries, Choice]]:
    """Series in groups by point, levels before tones; those of ``first`` in a group of their own, in that order."""
    by_key = {one.series.key: one for one in series}
    ahead = [key for key in first if key in by_key]
    rest = sorted((key for key in by_key if key not in ahead), key=lambda key: (key.point, *said.by_measure(key)))
    found = []
    for key in ahead:
        name = said.series_name(key)
        found.append(
            (by_key[key], Choice(group="Largest change", name=f"{name}, {said.place_name(key.point)}", key=key))
        )
    for key in rest:
        group = sentence_case(said.place_name(key.point))
        found.append((by_key[key], Choice(group=group, name=said.series_name(key), key=key)))
    return found


def trend_data(
    chosen: Sequence[tuple[ShownSeries, Choice]],
    events: Sequence[Event],
    exceedances: Sequence[Exceedance] = (),
    alarms: Sequence[Alarm] = (),
) -> dict[str, Any]:
    """All series that a list offers, for the script that draws the one that is chosen."""
    beyond: dict[SeriesKey, set[str]] = {}
    for e in exceedances:
        if e.content:
            beyond.setdefault(e.key, set()).add(e.content)
    times = [float(one.series.time_s[end]) for one, _ in chosen for end in (0, -1)]
    moments = [1000.0 * t for t in times] + [1000.0 * event.at.timestamp() for event in events]
    first, last = (min(moments), max(moments)) if moments else (0.0, 1.0)
    room = 0.03 * (last - first) or 86_400_000.0
    return {
        "span": [first - room, last + room],
        "events": events_data(events, first - room, last + room),
        "series": [
            _series(one, choice, beyond.get(choice.key, set()), said.follows(one.state, alarms))
            for one, choice in chosen
        ],
    }


def _series(one: ShownSeries, choice: Choice, beyond: set[str], along: str) -> dict[str, Any]:
    series, state = one.series, one.state
    keep = extremes(series.value, MOST_POINTS // 2)
    value, accepted = series.value[keep], series.accepted[keep]
    top, bottom = float(value.max()), float(value.min())
    drawn, above = _limits(state, top)
    reach = [top, *(limit.value for limit in drawn)]
    low = 0.0 if bottom >= 0 else 1.1 * bottom
    high = 1.16 * max(reach) if max(reach) > 0 else 1.0
    return {
        "name": f"{choice.name}, {said.place_name(choice.key.point)}" if choice.key.point not in choice.name
        else choice.name,
        "subject": choice.key.subject,
        "axis": f"{said.series_name(choice.key)}{f' [{unit(series.unit)}]' if series.unit else ''}",
        "unit": unit(series.unit),
        "x": [round(1000.0 * t) for t in series.time_s[keep].tolist()],
        "y": [float(f"{v:.4g}") for v in value.tolist()],
        "good": [int(ok) for ok in accepted.tolist()],
        "beyond": [n for n, place in enumerate(keep.tolist()) if series.content[place] in beyond],
        "range": [low, high],
        "usual": None if state is None else state.usual,
        "limits": _placed(drawn, low, high),
        "limit_rows": [
            {"name": said.limit_name(limit), "value": said.with_unit(limit.value, series.unit),
             "low": "" if limit.low is None else said.with_unit(limit.low, series.unit),
             "because": printable(limit.because), "source": limit.source, "above": limit in above}
            for limit in (() if state is None else state.limits)
        ],
        "words": trend_words(state, along),
    }  # fmt: skip


def _limits(state: SeriesState | None, top: float) -> tuple[list[LimitLine], list[LimitLine]]:
    """Limits that are drawn, and those too far above for that."""
    every = [] if state is None else list(state.limits)
    drawn = [limit for limit in every if limit.value <= _IN_VIEW * top]
    return drawn, [limit for limit in every if limit not in drawn]


def _placed(limits: Sequence[LimitLine], low: float, high: float) -> list[dict[str, Any]]:
    """Limits with how far [px] their name is moved so that none lies on another; near ones of a source share a name."""

    def place(limit: LimitLine) -> float:
        return (limit.value - low) / (high - low) * _FRAME_PX

    ordered = sorted(limits, key=lambda one: (one.value, one.kind))
    rows: list[dict[str, Any]] = []
    last = float("-inf")
    named: set[int] = set()
    for place_, limit in enumerate(ordered):
        near = [
            n for n, other in enumerate(ordered)
            if n not in named and other.source == limit.source and 0 <= place(other) - place(limit) < _LABEL_PX
        ]  # fmt: skip
        text, moved = "", 0.0
        if place_ not in named:
            named.update(near)
            kinds = " and ".join(dict.fromkeys(ordered[n].kind for n in near))
            text = f"{kinds} · {limit.source}{' (by analogy)' if limit.by_analogy else ''}"
            top = place(ordered[near[-1]])
            shown = max(top + 3.0, last + _LABEL_PX)
            last, moved = shown, place(limit) - shown
        rows.append(
            {"source": limit.source, "kind": limit.kind, "y": limit.value, "low": limit.low, "off": moved, "text": text}
        )
    return rows


def trend_words(state: SeriesState | None, along: str = "") -> str:
    """What a trend says, in a sentence or two. ``along``: the damage of another part that this series follows."""
    if state is None:
        return "No limits are set for this series."
    text = sentence_case(said.course_of(state))
    if state.change_db is not None:
        interval = said.interval(state.change_low_db, state.change_high_db)
        text += f": {said.signed_db(state.change_db)}{interval} since the baseline, at same speed and load"
    text += "."
    if state.shift_db is not None and abs(state.shift_db) >= 1.0:
        text += f" Speed and load make {said.signed_db(state.shift_db)} of the reading."
    if state.slope_db_per_month is not None and state.state == "growing":
        text += f" It grows by {number(state.slope_db_per_month, 2)} dB a month."
    if along:
        text += f" Nothing is found at this part: {along} leaves traces here."
    return f"{text} To {state.target}: {state.time_words}."


def events_data(events: Sequence[Event], first: float, last: float) -> list[dict[str, Any]]:
    """Events with the row and side of their names, so that near ones do not lie on one another."""
    free = [float("-inf")] * 3
    found = []
    scale = _FRAME_WIDTH_PX / (last - first)
    for event in sorted(events, key=lambda one: one.at):
        at = 1000.0 * event.at.timestamp()
        width = (len(event.kind) + 1) * _CHAR_PX
        left = (at - first) * scale
        before = left + width > _FRAME_WIDTH_PX
        start = left - width if before else left
        row = next((number for number, end in enumerate(free) if start > end), None)
        if row is not None:
            free[row] = start + width + 4
        found.append(
            {"x": at, "anew": event.new_baseline, "row": row, "text": event.kind, "before": before,
             "said": f"{said.day(event.at)}: {said.event_name(event)}"}
        )  # fmt: skip
    return found


# ── tones against time ────────────────────────────────────────────────────────────────────────────────────────────


def tones_data(shown: ShownDrive, first: Sequence[str] = ()) -> dict[str, Any] | None:
    """The tones of ``first`` and those that grew most, as many as can be distinguished; None where none has a
    history."""
    for measure, label, log in (
        ("hit", "Impact amplitude [m/s²]", True), ("hit_over_floor", "Impact level above band mean [dB]", False),
    ):  # fmt: skip
        found = [
            one for one in shown.series
            if one.series.key.measure == measure and (one.series.value > 0).sum() >= 2
        ]  # fmt: skip
        if not found:
            continue
        ahead = {name: place for place, name in reversed(list(enumerate(first)))}
        found.sort(key=lambda one: (ahead.get(one.series.key.subject, len(first)), -grown(one)))
        rows = [_tone(one.series, log) for one in found[: len(TONE_STYLES)]]
        times = [t for row in rows for t in (row["x"][0], row["x"][-1])]
        values = [v for row in rows for v in row["y"]]
        room = 0.02 * (max(times) - min(times)) or 86_400_000.0
        span = (min(times) - room, max(times) + room)
        low, high = min(values), max(values)
        return {
            "tones": rows, "label": label, "log": log, "x": span, "more": len(found) - len(rows),
            "y": (low / 1.4, high * 2.5) if log else (min(low, 0.0) - 0.05 * abs(high), 1.2 * max(high, 1.0)),
            "events": events_data(shown.events, *span),
        }  # fmt: skip
    return None


def _tone(series: Series, log: bool) -> dict[str, Any]:
    keep = extremes(series.value, MOST_POINTS // 2)
    keep = keep[series.value[keep] > 0] if log else keep
    return {
        "name": sentence_case(said.subject_name(series.key.subject)),
        "x": [round(1000.0 * t) for t in series.time_s[keep].tolist()],
        "y": [float(f"{v:.4g}") for v in series.value[keep].tolist()],
    }


def grown(one: ShownSeries) -> float:
    """How far a series rose, at same speed and load where that is known [dB]."""
    if one.state is not None and one.state.change_db is not None:
        return one.state.change_db
    return float("-inf")


# ── spectra ───────────────────────────────────────────────────────────────────────────────────────────────────────


def viewer_data(shown: ShownDrive, start: Mapping[str, Any]) -> dict[str, Any]:
    """Captures, points and tones for the script that shows spectra; ``start`` says what it shows first."""
    points = sorted({spectrum.point for one in shown.captures for spectrum in one.spectra})
    return {
        "points": points,
        "captures": [
            {
                "label": capture_label(one), "at": round(1000.0 * one.at.timestamp()), "why": one.why,
                "speed": one.speed_hz,
                "spectra": [spectrum_data(spectrum) for spectrum in one.spectra],
            }
            for one in shown.captures
        ],
        "tones": [
            {"name": tone.id, "order": tone.order, "spacing": tone.spacing, "slip": tone.slip} for tone in shown.tones
        ],
        "start": dict(start),
    }  # fmt: skip


def viewer_start(shown: ShownDrive, tone: str | None = None, impacts: bool = False) -> dict[str, Any]:
    """What the viewer shows first: now over before, the tone that matters, impacts in the envelope."""
    places = {one.content: place for place, one in enumerate(shown.captures)}
    latest = len(shown.captures) - 1
    a = places.get(shown.now or "", latest)
    b = places.get(shown.before or "", 0)
    known = [one.id for one in shown.tones]
    kinds = {spectrum.kind for one in shown.captures for spectrum in one.spectra}
    kind = "envelope" if impacts else "velocity" if "velocity" in kinds else "acceleration"
    return {
        "a": a, "b": b if b != a else -1, "kind": kind, "scale": "dB" if impacts else "linear",
        "axis": "order" if impacts else "Hz", "tone": known.index(tone) if tone in known else -1,
    }  # fmt: skip


def capture_label(one: ShownCapture) -> str:
    """A capture as a drop-down list names it."""
    parts = [said.day(one.at), f"{one.at:%H:%M}"]
    speed = "" if one.speed_hz is None else f", {60 * one.speed_hz:.0f} r/min"
    load = "" if one.load_percent is None else f", {one.load_percent:.0f} % load"
    return f"{' '.join(parts)} · {one.why}{speed}{load}"


def tone_groups(shown: ShownDrive) -> list[tuple[str, list[tuple[int, str]]]]:
    """Tones as a list offers them: damage, then what every drive makes."""
    groups: dict[str, list[tuple[int, str]]] = {"Damage shows here": [], "Every drive makes these": []}
    for place, tone in enumerate(shown.tones):
        name = f"{sentence_case(printable(component(tone.id)))} · order {number(tone.order, 5)}"
        groups["Damage shows here" if tone.damage else "Every drive makes these"].append((place, name))
    return [(group, entries) for group, entries in groups.items() if entries]
