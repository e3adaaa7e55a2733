"""The page of a type: who stands apart, what drifts, how far drives scatter; and the same as CSV and JSON."""

from __future__ import annotations

import json
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from vibe.core.errors import OutputError
from vibe.core.records.population import POPULATION_SCHEMA, FigureKey, FigureSpread, Population
from vibe.report import history_words, words
from vibe.report.drawing.population_charts import drift_picture, spread_picture
from vibe.report.pages import shell
from vibe.storage.csv_table import csv_text
from vibe.storage.files import write_whole

FILES = ("population.html", "population.csv", "outliers.csv", "population.json")
MOST_ROWS = 200
"""Rows of a table on the page; the CSV files have all."""
MOST_SPREADS, MOST_DRIFTS = 20, 4
"""Pictures of spreads and of drifts on the page (our choice)."""


def write_population(found: Population, folder: Path, *, force: bool = False) -> tuple[Path, ...]:
    """Write ``population.html``, ``population.csv`` (figures), ``outliers.csv`` and ``population.json``.

    Raises:
        OutputError: one of them is there already and ``force`` is not given, or the folder cannot be written.
    """
    if not force:
        for name in FILES:
            if (folder / name).exists():
                raise OutputError(f"{folder / name} exists already; give --force to replace it, or another --out")
    texts = (page(found), figures_csv(found), outliers_csv(found), as_json(found))
    return tuple(write_whole(folder / name, text, force=force) for name, text in zip(FILES, texts, strict=True))


def page(found: Population) -> str:
    """The page as HTML, whole in itself."""
    shown_figures = [one for one in found.figures if one.tolerance is not None or one.spread is not None]
    moving = [one for one in shown_figures if one.drift.state not in ("steady", "cannot be told yet")]
    spreads = shown_figures[:MOST_SPREADS]
    return shell.render(
        "population.html.j2",
        found=found,
        gist=gist(found),
        period=_period(found),
        outliers=[(one, label(one.figure), with_unit(one.value, one.figure)) for one in found.outliers[:MOST_ROWS]],
        expected=[with_unit(one.expected, one.figure) for one in found.outliers[:MOST_ROWS]],
        figures=[(one, label(one.figure), _interval(one), _drift(one)) for one in found.figures[:MOST_ROWS]],
        moving=[(label(one.figure), _drift(one), shell.data_uri(drift_picture(one))) for one in moving[:MOST_DRIFTS]],
        more_moving=max(len(moving) - MOST_DRIFTS, 0),
        picture=shell.data_uri(spread_picture(spreads, found.outliers, label)) if spreads else None,
        pictured=len(spreads),
        shown_figures=len(shown_figures),
        most=MOST_ROWS,
    )


def gist(found: Population) -> str:
    """What the page says, in one sentence or two."""
    serials = {one.serial for one in found.outliers}
    drifting = [one for one in found.figures if one.drift.state not in ("steady", "cannot be told yet")]
    none_known = all(one.method == "cannot be told" for one in found.figures)
    if none_known:
        return "The spread of these drives is not determined: there are too few, or their figures do not differ."
    first = f"{_count(len(serials), 'drive')} of {found.drives} stand{'s' if len(serials) == 1 else ''} apart"
    if not serials:
        first = f"None of {found.drives} drives stands apart"
    timed = any(one.drift.state != "cannot be told yet" for one in found.figures)
    second = f"{_count(len(drifting), 'figure')} moved with time" if timed else "drift with time not determined"
    if timed and not drifting:
        second = "no figure moved with time"
    return f"{first}; {second}."


def label(key: FigureKey) -> str:
    """A figure's name in plain words."""
    parts = [key.measure.replace("_", " ")]
    if key.subject:
        name, times, harmonic = key.subject.partition(" × ")
        parts.append(words.component(name) + (f", harmonic {harmonic}" if times else ""))
    if key.point:
        parts.append(f"at {key.point}")
    return words.sentence_case(", ".join(parts))


def with_unit(value: float, key: FigureKey) -> str:
    """A value with its unit."""
    return f"{words.number(value)} {words.unit(key.unit)}".strip()


def figures_csv(found: Population) -> str:
    """One row per figure."""
    header = [
        "measure", "point", "subject", "unit", "drives", "least", "q05", "q25", "median", "q75", "q95", "greatest",
        "tolerance_low", "tolerance_high", "method", "outliers", "drift", "drift_per_month", "drift_low", "drift_high",
        "drift_unit", "note",
    ]  # fmt: skip
    rows = [
        (
            one.figure.measure, one.figure.point, one.figure.subject, one.figure.unit, one.n,
            *(one.quantiles or (None,) * 7), *(one.tolerance or (None, None)), one.method, one.outliers,
            one.drift.state, one.drift.per_month, one.drift.low, one.drift.high,
            "dB" if one.scale == "dB" else one.figure.unit, one.note,
        )
        for one in found.figures
    ]  # fmt: skip
    return csv_text(header, rows)


def outliers_csv(found: Population) -> str:
    """One row per outlier."""
    header = [
        "serial", "file", "measure", "point", "subject", "unit", "value", "expected", "spreads", "chance", "points_to",
    ]  # fmt: skip
    rows = [
        (
            one.serial, one.file, one.figure.measure, one.figure.point, one.figure.subject, one.figure.unit, one.value,
            one.expected, one.spreads, one.chance, one.points_to,
        )
        for one in found.outliers
    ]  # fmt: skip
    return csv_text(header, rows)


def as_json(found: Population) -> str:
    """All of it but the dots of the pictures."""
    record: dict[str, Any] = {"schema": POPULATION_SCHEMA, **asdict(found)}
    for figure in record["figures"]:
        del figure["strip"]
    return json.dumps(record, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _count(count: int, what: str) -> str:
    return f"1 {what}" if count == 1 else f"{count} {what}s"


def _interval(one: FigureSpread) -> str:
    if one.tolerance is None:
        return "not determined"
    low, high = (words.number(end) for end in one.tolerance)
    return f"{low} to {high} {words.unit(one.figure.unit)}".strip()


def _drift(one: FigureSpread) -> str:
    drift = one.drift
    if drift.state in ("cannot be told yet", "steady"):
        return history_words.course(drift.state)
    unit = "dB" if one.scale == "dB" else words.unit(one.figure.unit)
    rate = ""
    if drift.state in ("growing", "falling") and drift.per_month is not None:
        ends = [words.number(end, 2) for end in (drift.low, drift.high)]
        rate = f", {words.number(drift.per_month, 2)} {unit} a month ({ends[0]} to {ends[1]})"
    since = f" from {_date(drift.changes[-1][0])} on" if drift.changes else ""
    return f"{drift.state}: {drift.note}{rate}{since}"


def _period(found: Population) -> str:
    if found.first_s is None or found.last_s is None:
        return words.NOT_KNOWN
    return f"{_date(found.first_s)} to {_date(found.last_s)}"


def _date(time_s: float) -> str:
    return datetime.fromtimestamp(time_s, UTC).date().isoformat()
