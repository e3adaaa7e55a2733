"""A drive's page with its history: levels, tones, spectra and what was done, as far as the store remembers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from markupsafe import Markup

from vibe import __version__
from vibe.core.errors import OutputError
from vibe.core.records.alarms import Alarm, Exceedance, SeriesState
from vibe.core.records.history import Event, SeriesKey
from vibe.core.records.history_view import ShownDrive, ShownSeries
from vibe.report import history_words as said
from vibe.report.drawing import history_data, history_marks, history_plots
from vibe.report.pages import shell as pages
from vibe.report.words import sentence_case
from vibe.storage.files import safe_name, write_whole
from vibe.storage.regular import refuse_links_out

DRIVES, ALARMS, ASSETS = "drives", "alarms", "assets"
_FIRST = 6
"""Series that are offered ahead of all others."""
_MOVED_DB = 3.0
"""A series that has grown by so much is worth a picture at first sight: twice the power (our choice)."""
_QUIET_MEASURES = ("speed", "load")


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesRow:
    """A series as the table shows it; ``point`` is given where a new one begins."""

    place: int
    point: str | None
    where: str
    name: str
    spark: Markup
    latest: str
    usual: str
    change: str
    trend: str


def drive_page_name(tag: str) -> str:
    """Where the page of a drive lies, seen from the folder of the pages."""
    return f"{DRIVES}/{safe_name(tag)}.html"


def alarm_page_name(alarm: str) -> str:
    """Where the page of an alarm lies, seen from the folder of the pages."""
    return f"{ALARMS}/{safe_name(alarm)}.html"


def write_history(shown: ShownDrive, out: Path, *, force: bool = False, queue: str | None = None) -> tuple[Path, ...]:
    """Write ``drives/<safe tag>.html`` in ``out`` and the scripts that it needs in ``assets``.

    ``queue``: where the queue lies, seen from the page, if there is one.

    Raises:
        OutputError: the page is there already and ``force`` is not given, or it cannot be written.
    """
    path = out / drive_page_name(shown.tag)
    if path.exists() and not force:
        raise OutputError(f"{path} exists already; give --force to replace it, or another --out")
    refuse_links_out(out, DRIVES)
    text = render_history(shown, queue=queue)
    history_plots.write_scripts(out / ASSETS)
    return (write_whole(path, text, force=force),)


def render_history(shown: ShownDrive, *, queue: str | None = None) -> str:
    """The page as text."""
    most = most_moved(shown)
    chosen = history_data.choices(shown.series, most)
    exceedances = [e for alarm in shown.alarms for e in alarm.exceedances if e.key.drive == shown.tag]
    tone = next((a.finding.tone for a in shown.alarms if a.finding is not None and a.finding.tone), None)
    first = [name for alarm in shown.alarms if alarm.kind == "fault" for name in (alarm.cause, *alarm.names)]
    return pages.render(
        "history.html.j2", shown=shown, queue=queue, facts=_facts(shown),
        alarms=[(alarm, f"../{alarm_page_name(alarm.id)}") for alarm in shown.alarms] if queue else [],
        trend=trend_view(chosen, shown.events, exceedances, shown.alarms),
        tones=tones_view(shown, first), viewer=viewer_view(shown, tone), rows=_rows(chosen, shown.alarms),
        **shell(),
    )  # fmt: skip


def shell() -> dict[str, Any]:
    """What every page of a history is given."""
    return {
        "history_style": Markup((pages.TEMPLATES / "history.css").read_text(encoding="utf-8")),
        "kind_sign": history_marks.kind_sign,
        "pattern_defs": history_marks.pattern_defs,
        "scripts": [f"../{ASSETS}/{name}" for name in history_plots.scripts()],
        "software": f"vibe {__version__}",
    }


def most_moved(shown: ShownDrive) -> list[SeriesKey]:
    """Levels and tones in the order in which they moved, those of a fault first; else the velocity, as people ask."""
    faults = [alarm for alarm in shown.alarms if alarm.kind == "fault"]

    def apart(one: ShownSeries) -> bool:
        return not any(said.belongs(one.series.key, alarm) for alarm in faults)

    # What is steady scatters; only with a fault its own series are shown all the same.
    moved = [
        one for one in shown.series
        if history_data.grown(one) >= _MOVED_DB and one.state is not None
        and (one.state.state != "steady" or not apart(one))
    ]  # fmt: skip
    moved.sort(key=lambda one: (apart(one), -history_data.grown(one)))
    keys = [one.series.key for one in moved[:_FIRST]]
    return keys or [one.series.key for one in shown.series if one.series.key.measure == "velocity_rms"][:2]


# ── the parts that pages share ────────────────────────────────────────────────────────────────────────────────────


def trend_view(
    chosen: Sequence[tuple[Any, history_data.Choice]],
    events: Sequence[Event],
    exceedances: Sequence[Exceedance],
    alarms: Sequence[Alarm] = (),
) -> dict[str, Any] | None:
    """What the picture of levels needs; None without a series."""
    if not chosen:
        return None
    return {
        "choices": [choice for _, choice in chosen],
        "figure": Markup(history_plots.figure_json("levels")),
        "data": Markup(history_plots.in_page(history_data.trend_data(chosen, events, exceedances, alarms))),
    }


def tones_view(shown: ShownDrive, first: Sequence[str] = ()) -> dict[str, Any] | None:
    """What the picture of tones needs; None where no tone has a history."""
    data = history_data.tones_data(shown, first)
    if data is None:
        return None
    return {
        "figure": Markup(history_plots.figure_json("tones" if data["log"] else "tones in dB")),
        "data": Markup(history_plots.in_page(data)),
        "more": data["more"],
    }


def viewer_view(shown: ShownDrive, tone: str | None = None) -> dict[str, Any] | None:
    """What the viewer of spectra needs; None without a spectrum."""
    if not shown.captures:
        return None
    damage = any(one.damage for one in shown.tones if one.id == tone)
    kinds = {spectrum.kind for one in shown.captures for spectrum in one.spectra}
    start = history_data.viewer_start(shown, tone, impacts=damage and "envelope" in kinds)
    data = history_data.viewer_data(shown, start)
    return {
        "labels": [capture["label"] for capture in data["captures"]],
        "points": data["points"],
        "tones": history_data.tone_groups(shown),
        "figure": Markup(history_plots.figure_json("spectra")),
        "data": Markup(history_plots.in_page(data)),
    }


# ── facts and the table of series ─────────────────────────────────────────────────────────────────────────────────


def _facts(shown: ShownDrive) -> list[tuple[str, str, str]]:
    last = "" if shown.last is None else f"the last on {said.day(shown.last)}"
    first = "not known" if shown.first is None else said.day(shown.first)
    anew = [event for event in shown.events if event.new_baseline]
    facts = [
        ("State of the last capture", sentence_case(shown.state), "from this capture alone, without history"),
        ("Captures", str(shown.kept), f"{shown.accepted} accepted, {last}" if last else ""),
        ("Known since", first, ""),
        (
            "Baseline", "the first captures" if not anew else f"since {said.day(anew[-1].at)}",
            "" if not anew else said.event_name(anew[-1]),
        ),
    ]  # fmt: skip
    by_key = {one.series.key: one for one in shown.series}
    most = next((by_key[key] for key in most_moved(shown)), None)
    if most is not None and most.state is not None and most.state.change_db is not None:
        change = most.state.change_db
        where = said.place_name(most.series.key.point)
        facts.append(
            (
                "Largest change",
                said.signed_db(change),
                f"{said.series_name(most.series.key)}, {where}, at same speed and load",
            )
        )
    return facts


def _course(state: SeriesState, alarms: Sequence[Alarm]) -> str:
    along = said.follows(state, alarms)
    return f"{said.course_of(state)}, along with {along}" if along else said.course_of(state)


def _rows(chosen: Sequence[tuple[Any, history_data.Choice]], alarms: Sequence[Alarm]) -> list[SeriesRow]:
    order = sorted(
        range(len(chosen)),
        key=lambda n: (
            chosen[n][1].key.measure in _QUIET_MEASURES, chosen[n][1].key.point, *said.by_measure(chosen[n][1].key),
        ),
    )  # fmt: skip
    rows: list[SeriesRow] = []
    last: str | None = None
    for place in order:
        one, choice = chosen[place]
        series, state, where = one.series, one.state, sentence_case(said.place_name(choice.key.point))
        alarm = None
        if state is not None:
            alarm = next((limit.value for limit in state.limits if limit.kind == "alarm"), None)
        rows.append(
            SeriesRow(
                place=place, point=where if where != last else None, where=where, name=said.series_name(choice.key),
                spark=history_marks.spark(series.time_s, series.value, alarm, width=120, height=26),
                latest=said.with_unit(float(series.value[-1]), series.unit),
                usual="" if state is None or state.usual is None else said.with_unit(state.usual, series.unit),
                change="" if state is None or state.change_db is None else said.signed_db(state.change_db),
                trend="" if state is None else sentence_case(_course(state, alarms)),
            )
        )  # fmt: skip
        last = where
    return rows
