"""Which part of a drive a figure concerns, in words, when it is not like that of the other drives."""

from __future__ import annotations

import re

from vibe.core.labels import part_words
from vibe.core.records.population import FigureKey

_MEASURES = {
    "velocity_rms": "shaft lines and mesh together: its tones show which",
    "acceleration_rms": "mesh and bearings together: its tones show which",
    "acceleration_peak": "impacts of bearings, pins or lobes: its tones show which",
    "crest_factor": "impacts of bearings, pins or lobes: its tones show which",
    "kurtosis": "impacts of bearings, pins or lobes: its tones show which",
    "temperature": "friction, preload or oil, or the way it was taken",
    "speed": "slip of the motor, its load, or the line",
}
LOW = "lower than its sisters: look at the sensor, its seat and the load first; "


def points_to(key: FigureKey, *, high: bool) -> str:
    """The part that causes such a figure; a value that is too low is first of all doubtful."""
    part = _part(key.subject) or _MEASURES.get(key.measure) or "no part alone"
    return part if high else LOW + part


def _part(subject: str) -> str | None:
    if match := re.match(r"bearing\.(.+?)\.(outer_race|inner_race|rolling_element|cage\w*)\b", subject):
        name = match[1] if "bearing" in match[1].lower() else f"bearing {match[1]}"
        return f"{match[2].replace('_', ' ')} of the {name}"
    if match := re.match(r"stage(\d+)\.([a-z_]+)", subject):
        suspect = part_words(match[2]).suspect
        return suspect.format(match[1]) if suspect else f"{match[2].replace('_', ' ')}, stage {match[1]}"
    if subject.startswith("input."):
        return "input shaft: unbalance, coupling or alignment"
    if subject.startswith("motor"):
        return "motor or its supply"
    return None
