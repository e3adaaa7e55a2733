"""What was read at a stop, laid upon the captures of its drive.

The nearest word wins: a capture's own sidecar is of that capture alone, so it goes before the readings of the
round; these go before ``folder.toml`` and before what the logger wrote. Where two differ, a remark says so.
"""

from __future__ import annotations

from dataclasses import replace
from math import isclose
from typing import Literal

from vibe.core.capture import Capture
from vibe.core.route.readings import RoundReadings
from vibe.ingest.config.sidecar import folder_sidecar, own_sidecar

SAME = 1e-3
"""Nearer than this two readings are one, rounded differently (our choice)."""
_Key = Literal["speed_rpm", "load_percent"]
_WORDS: dict[_Key, tuple[str, str]] = {"speed_rpm": ("speed", "r/min"), "load_percent": ("load", "%")}


def with_readings(capture: Capture, readings: RoundReadings | None) -> Capture:
    """``capture`` with the speed and load that were read at its stop, and remarks: on what else was read there, and
    where sidecar, folder or logger say otherwise.

    Raises:
        CaptureError: its sidecar is wrong.
    """
    read = None if readings is None else readings.of(capture.drive)
    if readings is None or read is None:
        return capture
    own, folder = own_sidecar(capture.source), folder_sidecar(capture.source)
    remarks = list(capture.remarks)
    taken: dict[_Key, float | None] = {"speed_rpm": capture.speed_rpm, "load_percent": capture.load_percent}
    for key, (name, unit) in _WORDS.items():
        noted: float | None = getattr(read, key)
        if noted is None:
            continue
        in_own: float | None = None if own is None else getattr(own, key)
        if in_own is None:
            taken[key] = noted
        before: float | None = in_own if in_own is not None else getattr(capture, key)
        if before is None or isclose(before, noted, rel_tol=SAME):
            continue
        if in_own is not None:
            where, who = "its sidecar", "the sidecar, which belongs to this capture alone, is taken"
        else:
            by_folder = folder is not None and getattr(folder, key) is not None
            where, who = "its folder.toml" if by_folder else "the file itself", f"{readings.file} is taken"
        remarks.append(f"{name}: {noted:g} {unit} in {readings.file}, {before:g} {unit} in {where}; {who}")
    if read.other_readings:
        remarks.append(f"read at the stop: {read.other_readings}")
    return replace(
        capture, speed_rpm=taken["speed_rpm"], load_percent=taken["load_percent"],
        remarks=tuple(dict.fromkeys(remarks)),
    )  # fmt: skip
