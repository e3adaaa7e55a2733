"""Which part of a drive a figure speaks of, in words, when it is not like that of the other drives."""

from __future__ import annotations

import re

from vibe.core.population import FigureKey

_PARTS = {
    "mesh": "mesh of lobes and ring pins, stage {0}: pitch errors, fit, or discs that are not alike",
    "lobe": "lobes of the discs, stage {0}: one that is damaged, or pitch errors",
    "ring_pin": "ring pins, stage {0}: one that is damaged, or pitch errors of the ring",
    "output_pin_pass": "output pins, stage {0}: spacing errors of pins or holes",
    "output_pin": "output pins, their rollers or holes, stage {0}",
    "output_roller": "rollers on the output pins, stage {0}",
    "ring_roller": "rollers on the ring pins, stage {0}",
    "hunting": "one lobe and one ring pin that meet, stage {0}",
    "output": "output shaft of stage {0}: unbalance, runout or its seat",
}
_MEASURES = {
    "velocity_rms": "shaft lines and mesh together: its tones tell which",
    "acceleration_rms": "mesh and bearings together: its tones tell which",
    "acceleration_peak": "hits of bearings, pins or lobes: its tones tell which",
    "crest_factor": "hits of bearings, pins or lobes: its tones tell which",
    "kurtosis": "hits of bearings, pins or lobes: its tones tell which",
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
        return (
            _PARTS[match[2]].format(match[1])
            if match[2] in _PARTS
            else f"{match[2].replace('_', ' ')}, stage {match[1]}"
        )
    if subject.startswith("input."):
        return "input shaft: unbalance, coupling or alignment"
    if subject.startswith("motor"):
        return "motor or its supply"
    return None
