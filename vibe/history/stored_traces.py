"""What a kept capture leaves for later ones, next to its samples and smaller: two arrays of bytes in its file."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import fields
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibe.core.comb_history import PLACES, PastCapture, Trace, TraceBand
from vibe.core.evidence import Level, Line
from vibe.storage.json_text import json_value

_MOST = 1e12
"""More than any score, speed or number of turns; squares of it can still be added up (our choice, wide)."""
FORM = 1
"""Raised when traces come to mean something else: those of another form are not compared with."""


def arrays_of(past: PastCapture) -> dict[str, NDArray[np.uint8]]:
    """The arrays by name: ``levels`` (tones, bands, places), without any where there is no trace; and ``said``, all
    else as JSON in UTF-8."""
    trace = past.trace
    said: dict[str, Any] = {
        "form": FORM,
        "sha256": past.sha256,
        "measured_at": None if past.measured_at is None else past.measured_at.isoformat(),
        "speed_hz": past.speed_hz,
        "load_percent": past.load_percent,
        "levels": [_said(level) for level in past.levels],
        "lines": [_said(line) for line in past.lines],
    }
    levels = np.zeros((0, 0, 0), dtype=np.uint8)
    if trace is not None:
        levels = trace.levels
        said["trace"] = {
            "tones": trace.tones,
            "bands": [_said(band) for band in trace.bands],
            "surest": trace.surest,
            "scores": trace.scores,
            "turns": trace.turns,
            "quiet_scores": trace.quiet_scores,
        }
    return {"levels": levels, "said": np.frombuffer(json.dumps(said, ensure_ascii=False).encode("utf-8"), np.uint8)}


def _said(value: Level | Line | TraceBand) -> dict[str, Any]:
    """Its fields: all of them plain."""
    return {field.name: getattr(value, field.name) for field in fields(value)}


def past_from(arrays: Mapping[str, NDArray[np.uint8]]) -> PastCapture | None:
    """The same from its arrays; None where it is of another form. What is not of the kind that is computed with later
    is damage: whoever handed over a store may have signed it too.

    Raises:
        KeyError, TypeError, ValueError, AttributeError, OverflowError: the arrays are damaged.
    """
    said = json_value(arrays["said"].tobytes())
    if said["form"] != FORM:
        return None
    stored, trace = said.get("trace"), None
    if stored is not None:
        trace = Trace(
            tones=tuple(_word(name) for name in stored["tones"]),
            bands=tuple(
                TraceBand(
                    channels=tuple(_word(name) for name in band["channels"]),
                    low_hz=_number(band["low_hz"]),
                    high_hz=_number(band["high_hz"]),
                )
                for band in stored["bands"]
            ),
            levels=arrays["levels"],
            surest=tuple(int(_number(place)) for place in stored["surest"]),
            scores=tuple(_bounded(score) for score in stored["scores"]),
            turns=_above_zero(stored["turns"]),
            quiet_scores=tuple(
                tuple(None if score is None else _bounded(score) for score in look)
                for look in stored.get("quiet_scores", ())
            ),
        )
        _check_shape(trace)
    measured_at = None if said["measured_at"] is None else datetime.fromisoformat(said["measured_at"])
    return PastCapture(
        sha256=_word(said["sha256"]),
        measured_at=measured_at,
        speed_hz=_above_zero(said["speed_hz"]),
        load_percent=None if said["load_percent"] is None else _number(said["load_percent"]),
        trace=trace,
        levels=tuple(_level(level) for level in said["levels"]),
        lines=tuple(_line(line) for line in said["lines"]),
    )


def _level(said: Mapping[str, Any]) -> Level:
    band_hz = said["band_hz"]
    if band_hz is not None:
        low_hz, high_hz = band_hz
        band_hz = _number(low_hz), _number(high_hz)
    return Level(
        point=_word(said["point"]), measure=_word(said["measure"]), value=_number(said["value"]),
        unit=_word(said["unit"]), band_hz=band_hz,
    )  # fmt: skip


def _line(said: Mapping[str, Any]) -> Line:
    checked: dict[str, Any] = {
        key: _word(value) if key in ("name", "channel") else _number(value) for key, value in said.items()
    }
    return Line(**checked)


def _check_shape(trace: Trace) -> None:
    tones, bands = len(trace.tones), len(trace.bands)
    if trace.levels.dtype != np.uint8 or trace.levels.shape != (tones, bands, PLACES):
        raise ValueError("its traces have another shape than is said")
    each = {len(trace.surest), len(trace.scores), *(len(look) for look in trace.quiet_scores)}
    if each != {tones} or not all(-1 <= place < bands for place in trace.surest):
        raise ValueError("its traces have another number of scores than of tones")


def _word(said: Any) -> str:
    if not isinstance(said, str):
        raise ValueError("a name in its past is no text")  # noqa: TRY004 (damage, as all that is wrong here)
    return said


def _number(said: Any) -> float:
    if isinstance(said, bool) or not isinstance(said, int | float):
        raise ValueError("a number in its past is none")  # noqa: TRY004
    return float(said)


def _bounded(said: Any) -> float:
    number = _number(said)
    if not abs(number) <= _MOST:
        raise ValueError("a number in its past cannot be")
    return number


def _above_zero(said: Any) -> float:
    number = _bounded(said)
    if number <= 0:
        raise ValueError("a speed or length in its past is not above zero")
    return number
