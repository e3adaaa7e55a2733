"""Does the drive run? Asked at the drive as the analysis asks it, so that a round finds out while someone stands there.

A drive that stands still is not silent: machines nearby send their lines through steel and concrete, and sensor and
recorder add noise. What a running one makes are its own lines, at one speed; where these are plain already the gate of
the analysis need not be asked.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from vibe.flow.diagnose.capture_diagnosis import diagnose_samples

if TYPE_CHECKING:
    from vibe.core.capture import Capture, Channel, Reason
    from vibe.core.drive import Drive
    from vibe.core.tones import ToneTable
    from vibe.flow.settings import Settings
    from vibe.spectra.identity.recognition import Candidate, Recognition

PLAIN = 45.0
"""Log odds of the lines above the shaft's own from which on the drive is detected. Of captures that show nothing of the
drive, made by generators of others (``tests/worlds``), 27 reach 40 at most; two thirds of those of running ones lie
above 45."""
LONGEST_TURNS, LONGEST_S = 500.0, 20.0
"""Turns and seconds that are asked: five times what the gate needs; longer ones make it slower and no surer."""
NOISE_M_S2 = 0.05
"""R.m.s. that sensors reach without a machine (``ingest/quality/thresholds.py``, ``quiet_m_s2``)."""
QUIET_M_S2 = 0.3
"""R.m.s. below which a level is no sign of running: the quietest running machine at hand (open laboratory rigs)."""


def not_running(
    capture: Capture,
    fit: Sequence[Channel],
    drive: Drive,
    table: ToneTable,
    found: Recognition | None,
    settings: Settings,
    others: Mapping[str, Candidate],
) -> Reason | None:
    """Why the channels ``fit`` of ``capture`` show nothing of ``drive``; None where it is detected, or where another
    reason concerns whose lines these are. ``found``: what recognition says of them.

    Few lines at the level of a sensor's noise are no proof, nor at a speed outside the range those at a level that no
    running machine has: lines of others fit some speed or other. With pulses of its own the capture is limited only: it
    turns, and another try would show no more of it.
    """
    from vibe.spectra.speed.standstill import loudest

    if found is None or (found.verdict == "fits" and found.inside.mesh >= PLAIN):
        return None
    asked = drive
    if found.verdict == "other speed" and found.speed is not None:
        asked = _with_speed(drive, found.speed.input_hz)
    level = loudest([channel.samples for channel in fit])
    pulsed = capture.tachometer is not None and found.speed is not None and found.speed.method == "tachometer"
    if not pulsed and level < (NOISE_M_S2 if asked is drive else QUIET_M_S2):
        return at_rest(drive, level)
    if found.verdict == "other drive":
        return None
    judged = diagnose_samples(_beginning(capture, fit, drive), asked, table, settings, others)
    reason = judged.not_detected
    if reason is None or reason.code != "not_heard":
        return None
    if pulsed:
        return replace(reason, verdict="limited")
    if reason.verdict == "rejected" and (level < QUIET_M_S2 or not found.inside.sure):
        return at_rest(drive, level)
    return reason


def at_rest(drive: Drive, level_m_s2: float) -> Reason:
    """No line of the drive at any speed of its range."""
    from vibe.core.capture import Reason

    low, high = (60 * edge for edge in drive.input.speed_range_hz)
    return Reason(
        code="at_rest",
        text=f"no sign that {drive.tag} runs: none of its own lines stands out at any speed from {low:.0f} to "
        f"{high:.0f} r/min; noise and machines nearby explain the {level_m_s2:.2g} m/s² r.m.s.",
        remedy="Start it, or wait until it runs under load, and repeat the measurement. If it did run, check that this "
        "is its measuring point, then cable, sensor, sample rate and the ratio in the drive file.",
        verdict="rejected",
    )


def _with_speed(drive: Drive, input_hz: float) -> Drive:
    """The same drive, its range widened to take in a speed that was found."""
    low, high = drive.input.speed_range_hz
    wide = [60 * min(low, 0.995 * input_hz), 60 * max(high, 1.005 * input_hz)]
    return drive.model_copy(update={"input": drive.input.model_copy(update={"speed_range_rpm": wide})})


def _beginning(capture: Capture, fit: Sequence[Channel], drive: Drive) -> Capture:
    """As much of a capture as the gate needs."""
    length_s = max(LONGEST_S, LONGEST_TURNS / drive.input.speed_hz)
    turning = [channel for channel in capture.channels if channel not in capture.vibration]
    channels = [
        replace(channel, samples=channel.samples[: round(length_s * channel.sample_rate_hz)])
        for channel in (*fit, *turning)
    ]
    return replace(capture, channels=tuple(channels), longer=None, speed_rpm=None)
