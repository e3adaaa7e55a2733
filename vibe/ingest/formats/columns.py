"""Named columns (CSV, Parquet, NPZ, MAT) to raw channels: header words, and the sample rate from a time column."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibe.core.errors import CaptureError
from vibe.ingest.claims import check_channels
from vibe.ingest.raw_rows import RawCapture, RawChannel
from vibe.storage.files import writable

_HEADER = re.compile(r"^\s*(?P<name>.*?)\s*[\[(]\s*(?P<unit>[^\])]*?)\s*[\])]\s*$")
_TIME = re.compile(r"^\s*(time|t)(?:\s*[\[(_ ]\s*(?P<unit>s|sec|seconds|ms|us|µs)\s*[\])]?)?\s*$", re.IGNORECASE)
_SECONDS = {"s": 1.0, "sec": 1.0, "seconds": 1.0, "ms": 1e-3, "us": 1e-6, "µs": 1e-6}
"""Seconds in a unit of time, as headers write it."""

EXPORT_ANEW = "Correct the first line of the file, or export it from the logger anew; no new capture is needed."
_LONGEST_HEADER = 40
"""Characters of a header that may be a column of times (our choice: "time [seconds]" has 14)."""
_LONGEST_NAME = 500
"""Signs of a column's header in which a unit is looked for: the patterns take the square of it."""

_JITTER = 0.25
"""Largest departure of a time stamp from an even grid, in sampling steps, that is called even (common practice)."""
_FEWEST_ROWS = 64
"""Rows that show an even grid; fewer are no capture (our choice)."""
_ROWS_AT_ONCE = 1 << 16
"""Rows that are looked at together: long columns take no memory of their own."""
_MOST_GAPS = 0.1
"""Largest share of missing rows that is filled with NaN."""

_TEXT_KEYS = ("drive", "measured_at")
_NUMBER_KEYS = ("speed_rpm", "load_percent")


def split_unit(header: str) -> tuple[str, str | None]:
    """``"bearing [m/s^2]"`` -> ``("bearing", "m/s^2")``."""
    match = _HEADER.match(header) if len(header) <= _LONGEST_NAME else None
    # Digits in brackets are the place of a row in an array, ``acc[1]``, not a unit.
    if match and match["name"] and not match["unit"].isdigit():
        return match["name"], match["unit"] or None
    return header.strip(), None


def time_unit(header: str) -> float | None:
    """Seconds per unit of a time column, None where the header names something else.

    A unit of time in brackets is enough, in whatever language the name is: no vibration is measured in seconds.
    """
    if len(header) > _LONGEST_HEADER:
        return None
    match = _TIME.match(header)
    if match is not None:
        return _SECONDS[(match["unit"] or "s").lower()]
    bracketed = _HEADER.match(header)
    return None if bracketed is None else _SECONDS.get(bracketed["unit"].strip().lower())


@dataclass(frozen=True, eq=False)
class Clock:
    """What a time column says: the rate, and where each row belongs (None: rows follow each other without gap)."""

    rate_hz: float
    places: NDArray[np.int64] | None
    remark: str | None


def read_clock(time_s: NDArray[np.float64], path: Path) -> Clock:
    """Sample rate of a time column that is even, or even but for missing rows.

    Raises:
        CaptureError: times missing, standing still, running backwards, or uneven.
    """
    count = time_s.size
    if count < 3:
        raise CaptureError(f"holds {count} rows: too few to know the sample rate", path=path)
    if not np.isfinite(time_s).all():
        row = int(np.flatnonzero(~np.isfinite(time_s))[0]) + 1
        raise CaptureError(f"the time column has no number in row {row} of the data", path=path)
    steps = np.diff(time_s)
    span = float(time_s[-1] - time_s[0])
    if (steps < 0).any() or span <= 0:
        row = int(np.flatnonzero(steps < 0)[0]) + 2 if (steps < 0).any() else 2
        raise CaptureError(f"the time column runs backwards or stands still at row {row} of the data", path=path)
    mean = span / (count - 1)
    off = np.abs(time_s - time_s[0] - mean * np.arange(count)).max()
    # Times written with few digits come in steps of the last digit, which may exceed the sampling step.
    digit = _last_digit(steps, time_s)
    coarse = digit >= mean and bool((np.abs(steps / digit - np.rint(steps / digit)) < 1e-3).all())
    if off <= _JITTER * mean or (coarse and off <= 1.01 * digit):
        remark = None if not coarse else "time stamps are coarser than the sampling step: the mean rate is taken"
        return Clock(_rounded(1.0 / mean, 2 * digit / span), None, remark)
    usual = float(np.median(steps))
    jumps = np.rint(steps / usual).astype(np.int64) if usual > 0 else np.zeros(count - 1, dtype=np.int64)
    if (jumps >= 1).all():
        # Counted step by step: the median step is too rough to lay a long grid with.
        places = np.concatenate(([0], np.cumsum(jumps)))
        step = span / int(places[-1])
        missing = int(places[-1]) + 1 - count
        even = np.abs(time_s - time_s[0] - places * step).max() <= _JITTER * step
        if even and 0 < missing <= _MOST_GAPS * count:
            remark = f"{missing:,} rows are missing in the time column: their samples count as missing"
            return Clock(_rounded(1.0 / step, 2 * digit / span), places, remark)
    raise CaptureError(f"the time column is not even: steps from {steps.min():.4g} s to {steps.max():.4g} s", path=path)


def _last_digit(steps: NDArray[np.float64], time_s: NDArray[np.float64]) -> float:
    """Grain of the time stamps [s]: the smallest difference between two different steps."""
    floor = 16 * float(np.spacing(np.abs(time_s).max()))
    some = np.unique(steps[: 1 << 16])
    grains = np.diff(some)
    grains = grains[grains > floor]
    return float(grains.min()) if grains.size else floor


def _rises_evenly(values: NDArray[Any]) -> bool:
    """As a count of rows or a time without a unit does, and no vibration."""
    if values.dtype.kind not in "iuf" or values.size < _FEWEST_ROWS:
        return False
    first, last = float(values[0]), float(values[-1])
    mean = (last - first) / (values.size - 1)
    if not mean > 0:
        return False
    for start in range(0, values.size, _ROWS_AT_ONCE):
        piece = values[start : start + _ROWS_AT_ONCE].astype(np.float64)
        if not np.abs(piece - first - mean * np.arange(start, start + piece.size)).max() <= mean:
            return False
    return True


def _rounded(rate_hz: float, relative: float) -> float:
    """The whole number of hertz, where the time stamps cannot give the rate from it."""
    whole = round(rate_hz)
    return float(whole) if whole > 0 and abs(rate_hz / whole - 1) <= max(relative, 1e-9) else rate_hz


def raw_from_columns(
    columns: Sequence[tuple[str, NDArray[Any]]],
    said: Mapping[str, Any],
    path: Path,
    *,
    remarks: Sequence[str] = (),
    about: Mapping[str, Mapping[str, Any]] | None = None,
) -> RawCapture:
    """Raw capture of columns with header words.

    ``said`` holds what the file says of itself (``drive``, ``sample_rate_hz``, ``unit`` …), ``about`` the same per
    column. A time column sets the rate; a stated ``sample_rate_hz`` that agrees is taken as the more exact.

    Raises:
        CaptureError: no column besides time, or an uneven time column.
    """
    check_channels(len(columns), path)
    notes = list(remarks)
    rate = number(said.get("sample_rate_hz"))
    places = None
    rows: list[tuple[str, NDArray[Any]]] = []
    timed = False
    for header, values in columns:
        seconds = time_unit(header)
        if seconds is None or timed:
            rows.append((header, values))
            continue
        timed = True
        clock = read_clock(values.astype(np.float64) * seconds, path)
        places = clock.places
        notes += [clock.remark] if clock.remark else []
        if rate is not None and abs(clock.rate_hz / rate - 1) > 1e-3:
            notes.append(f"the file states {rate:g} Hz, its time column {clock.rate_hz:g} Hz: the column is taken")
            rate = None
        rate = clock.rate_hz if rate is None else rate
    if rate is None and rows and _rises_evenly(rows[0][1]):
        name = repr(writable(rows[0][0])[:60])
        raise CaptureError(
            f"no sample rate: the column {name} rises evenly as a time does, but does not say its unit",
            path=path,
            remedy=f"Call it time_s (or time_ms) in the first line, or write sample_rate_hz into {path.name}.toml; no "
            "new capture is needed.",
        )
    if not rows:
        raise CaptureError("holds no column of samples", path=path, remedy=EXPORT_ANEW)
    channels = []
    for header, values in rows:
        name, unit = split_unit(header)
        own = (about or {}).get(header, {})
        if values.dtype.kind not in "iufb":
            channels.append(RawChannel(name=name, samples=np.empty(0), trouble="holds no numbers"))
            continue
        if places is not None and places.size == values.size:
            spread = np.full(int(places[-1]) + 1, np.nan)
            spread[places] = values
            values = spread
        channels.append(
            RawChannel(
                name=name,
                samples=values,
                sample_rate_hz=number(own.get("sample_rate_hz")) or rate,
                unit=text(own.get("unit")) or unit or text(said.get("unit")),
                quantity=text(own.get("quantity")) or ("tachometer" if name.lower().startswith("tacho") else None),
                scale=number(own.get("scale")),
                offset=number(own.get("offset")),
                sensitivity_mv_per_g=number(own.get("sensitivity_mv_per_g", said.get("sensitivity_mv_per_g"))),
                pulses_per_rev=number(own.get("pulses_per_rev", said.get("pulses_per_rev"))),
                axis=text(own.get("axis")),
                full_scale=number(own.get("full_scale")),
            )
        )
    return RawCapture(
        channels=channels,
        remarks=tuple(notes),
        **{key: text(said.get(key)) for key in _TEXT_KEYS},  # type: ignore[arg-type]
        **{key: number(said.get(key)) for key in _NUMBER_KEYS},  # type: ignore[arg-type]
    )


def text(value: object) -> str | None:
    """Text out of what a file holds as text, None for nothing."""
    if isinstance(value, np.ndarray) and value.size == 1:
        value = value.reshape(-1)[0]
    if isinstance(value, bytes):
        value = value.decode("utf-8", errors="replace")
    return writable(str(value)).strip() or None if isinstance(value, (str, np.str_)) else None


def number(value: object) -> float | None:
    """A number out of what a file holds as one (text with digits too), None for anything else."""
    if isinstance(value, np.ndarray) and value.size == 1:
        value = value.reshape(-1)[0]
    if isinstance(value, (str, bytes)):
        try:
            return float(value)
        except ValueError:
            return None
    if isinstance(value, (int, float, np.integer, np.floating)) and not isinstance(value, bool):
        return float(value)
    return None
