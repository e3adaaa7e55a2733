"""What may be promised of drives, as words, a page and JSON: evidence with its assumptions."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict
from math import ceil, floor, log10
from pathlib import Path
from typing import Any

from vibe.core.errors import OutputError
from vibe.core.records.reliability import PROMISE_SCHEMA, Interval, ReliabilityStatement
from vibe.report import words
from vibe.report.pages import shell
from vibe.storage.files import write_whole

FILES = ("promise.html", "promise.json")


def write_reliability(found: ReliabilityStatement, folder: Path, *, force: bool = False) -> tuple[Path, ...]:
    """Write ``promise.html`` and ``promise.json``.

    Raises:
        OutputError: one of them is there already and ``force`` is not given, or the folder cannot be written.
    """
    if not force:
        for name in FILES:
            if (folder / name).exists():
                raise OutputError(f"{folder / name} exists already; give --force to replace it, or another --out")
    texts = (page(found), as_json(found))
    return tuple(write_whole(folder / name, text, force=force) for name, text in zip(FILES, texts, strict=True))


def page(found: ReliabilityStatement) -> str:
    """The page as HTML, whole in itself."""
    return shell.render("promise.html.j2", found=found, facts=facts(found), ratings=rating_rows(found))


def facts(found: ReliabilityStatement) -> list[tuple[str, str]]:
    """What is reported, as label and sentence."""
    mean = found.mean_time
    failures = "no failure" if not mean.failures else f"{mean.failures} failure{'' if mean.failures == 1 else 's'}"
    drives = "1 drive" if found.drives == 1 else f"{found.drives} drives"
    rows = [("seen", f"{_hours(mean.exposure_hours)} of {drives}, {failures}")]
    if mean.lower_hours is None:
        rows.append(("mean time between failures", "not determined: no running hours are recorded"))
    else:
        rows.append((
            "mean time between failures",
            f"at least {_hours(mean.lower_hours, towards=floor)}, with {100 * mean.confidence:g} % confidence; "
            + (f"estimate {_hours(mean.estimate_hours)}" if mean.estimate_hours else "no estimate without a failure"),
        ))  # fmt: skip
    if found.weibull is None:
        rows.append(("Weibull", found.weibull_note))
    else:
        weibull, sure = found.weibull, f"{100 * found.weibull.confidence:g} % confidence"
        rows += [
            ("Weibull shape", f"{_interval(weibull.shape, '')} ({sure}): {found.weibull_note}"),
            ("Weibull scale", f"{_interval(weibull.scale, 'h')}, from {weibull.failures} failures and "
                              f"{weibull.suspended} lives that had not ended"),
            ("B10", f"{_interval(weibull.b10, 'h')}: the life that 10 % do not reach"),
        ]  # fmt: skip
    return rows


def rating_rows(found: ReliabilityStatement) -> list[tuple[str, ...]]:
    """Bearings: drive, bearing, type, C, P, relative speed, L10h, note."""
    return [
        (
            one.drive, one.bearing, one.type or words.NOT_KNOWN, _known(one.dynamic_rating_kn, "kN"),
            _known(one.equivalent_load_kn, "kN"), f"{words.number(one.relative_speed_rpm, 4)} r/min",
            words.NOT_KNOWN if one.l10_hours is None else _hours(one.l10_hours, towards=floor), one.note,
        )
        for one in found.ratings
    ]  # fmt: skip


def as_json(found: ReliabilityStatement) -> str:
    """All of it."""
    record: dict[str, Any] = {"schema": PROMISE_SCHEMA, **asdict(found)}
    return json.dumps(record, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _hours(hours: float, *, towards: Callable[[float], int] = round) -> str:
    """Three digits are more than such figures are worth. A bound goes ``towards`` its safe side."""
    plain = f"{rounded(hours, towards):,.0f}".replace(",", "\u202f") if hours >= 100 else words.number(hours)
    return f"{plain} h"


def rounded(value: float, towards: Callable[[float], int]) -> float:
    """Three digits of a value, rounded ``towards`` one side; a value that has no more stays itself."""
    if value <= 0:
        return value
    near = float(f"{value:.3g}")
    if abs(near / value - 1) < 1e-9:
        return near
    step = 10.0 ** (floor(log10(value)) - 2)
    return float(f"{towards(value / step) * step:.3g}")


def _known(value: float | None, what: str) -> str:
    return words.NOT_KNOWN if value is None else f"{words.number(value)} {what}"


def _interval(one: Interval, what: str) -> str:
    middle = f"{words.number(one.value)} {what}".strip()
    ends = [
        words.number(rounded(end, towards)) if end is not None else "no bound"
        for end, towards in ((one.low, floor), (one.high, ceil))
    ]
    return f"{middle} ({ends[0]} to {ends[1]})"
