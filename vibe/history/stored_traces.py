"""What a kept capture leaves for later ones, next to its samples and smaller: two arrays of bytes in its file."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibe.core.comb_history import PastCapture, Trace, TraceBand
from vibe.core.evidence import Level, Line

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
        "levels": [asdict(level) for level in past.levels],
        "lines": [asdict(line) for line in past.lines],
    }
    levels = np.zeros((0, 0, 0), dtype=np.uint8)
    if trace is not None:
        levels = trace.levels
        said["trace"] = {
            "tones": trace.tones,
            "bands": [asdict(band) for band in trace.bands],
            "surest": trace.surest,
            "scores": trace.scores,
            "turns": trace.turns,
            "quiet_scores": trace.quiet_scores,
        }
    return {"levels": levels, "said": np.frombuffer(json.dumps(said, ensure_ascii=False).encode("utf-8"), np.uint8)}


def past_from(arrays: Mapping[str, NDArray[np.uint8]]) -> PastCapture | None:
    """The same from its arrays; None where it is of another form.

    Raises:
        KeyError, TypeError, ValueError: the arrays are damaged.
    """
    said = json.loads(arrays["said"].tobytes().decode("utf-8"))
    if said["form"] != FORM:
        return None
    stored, trace = said.get("trace"), None
    if stored is not None:
        bands = tuple(TraceBand(**{**band, "channels": tuple(band["channels"])}) for band in stored["bands"])
        trace = Trace(
            tones=tuple(stored["tones"]), bands=bands, levels=arrays["levels"], surest=tuple(stored["surest"]),
            scores=tuple(stored["scores"]), turns=stored["turns"],
            quiet_scores=tuple(tuple(look) for look in stored.get("quiet_scores", ())),
        )  # fmt: skip
        if trace.levels.shape[:2] != (len(trace.tones), len(bands)):
            raise ValueError("its traces have another shape than is said")
    return PastCapture(
        sha256=said["sha256"],
        measured_at=None if said["measured_at"] is None else datetime.fromisoformat(said["measured_at"]),
        speed_hz=said["speed_hz"],
        load_percent=said["load_percent"],
        trace=trace,
        levels=tuple(
            Level(**{**level, "band_hz": None if level["band_hz"] is None else tuple(level["band_hz"])})
            for level in said["levels"]
        ),
        lines=tuple(Line(**line) for line in said["lines"]),
    )
