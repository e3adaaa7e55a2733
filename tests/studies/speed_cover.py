"""Does the stated uncertainty of the speed cover the truth, by every method? ``python -m tests.studies.speed_cover``.

Captures of drives whose speed stands, wanders, ramps or cycles with the load, made by code of their own
(``tests/worlds/speeds.py``): with a pulse sensor, from the vibration alone, with a speed noted up to 1 % wrong where
no line stands out, and with the plate alone. The truth is the mean speed over the capture.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from tests.studies.fleet import spread_out
from tests.studies.page import Clock, options, write_table
from tests.worlds.case import WorldCase
from tests.worlds.speeds import MOTIONS, Motion, speed_case
from tests.worlds.trial import tones_in
from vibe.core.capture import Channel
from vibe.core.evidence import SpeedEstimate
from vibe.flow.diagnose.tone_requests import analysis_request_of
from vibe.spectra.segment import _speed

Method = Literal["pulses", "signal", "noted", "plate"]
METHODS: tuple[Method, ...] = ("pulses", "signal", "noted", "plate")


@dataclass(frozen=True, slots=True, kw_only=True)
class Covered:
    """One capture: relative error and standard uncertainty of its speed, and by which method it was had."""

    kind: str
    motion: str
    method: str
    error: float
    sigma: float

    @property
    def sigmas(self) -> float:
        return abs(self.error) / self.sigma


def speed_said(case: WorldCase) -> SpeedEstimate:
    """The speed of a world's capture, as the whole analysis has it."""
    drive, table = tones_in(case)
    noted = None if case.noted_rpm is None else case.noted_rpm / 60.0
    low, high = drive.input.speed_range_hz
    analysis_request = analysis_request_of(
        drive, table, set(), noted_hz=noted if noted and low <= noted <= high else None
    )
    rows = [(samples - samples.mean(), case.sample_rate_hz) for samples in case.channels.values()]
    pulses = None
    if case.pulses is not None:
        pulses = Channel(
            name="pulses", samples=case.pulses, sample_rate_hz=case.sample_rate_hz, quantity="tachometer",
            recorded_unit="V", pulses_per_rev=case.pulses_per_rev,
        )  # fmt: skip
    return _speed(rows, pulses, analysis_request, rows[0][0].size / case.sample_rate_hz)[1]


def trial(work: tuple[int, Motion, Method]) -> Covered:
    """One capture of a kind and motion, its speed as the whole analysis has it."""
    number, motion, method = work
    case = speed_case(number, motion, pulses=method == "pulses", detected=method in ("pulses", "signal"),
                      noted=method == "noted")  # fmt: skip
    estimate = speed_said(case)
    assert case.speed_hz is not None
    assert estimate.uncertainty_hz is not None
    return Covered(
        kind=method, motion=motion, method=estimate.method,
        error=estimate.input_hz / case.speed_hz - 1, sigma=estimate.uncertainty_hz / case.speed_hz,
    )  # fmt: skip


def trials(count: int, methods: Sequence[Method] = METHODS, *, first: int = 0, workers: int = 1) -> list[Covered]:
    """``count`` captures by each method, motions taken in turn."""
    work = [(first + number, MOTIONS[number % len(MOTIONS)], method) for method in methods for number in range(count)]
    return list(spread_out(trial, work, workers=workers))


def rows(found: Sequence[Covered]) -> list[dict[str, object]]:
    """One row per method and motion, and one per method."""
    table: list[dict[str, object]] = []
    for kind in dict.fromkeys(one.kind for one in found):
        for motion in (*MOTIONS, "all"):
            own = [one for one in found if one.kind == kind and motion in (one.motion, "all")]
            if not own:
                continue
            sigmas = np.array([one.sigmas for one in own])
            table.append({
                "speed from": kind, "motion": motion, "captures": len(own),
                "within 1 sigma": f"{100 * np.mean(sigmas <= 1):.0f} %",
                "within 2 sigma": f"{100 * np.mean(sigmas <= 2):.0f} %",
                "within 3 sigma": f"{100 * np.mean(sigmas <= 3):.0f} %",
                "median error": f"{100 * np.median([abs(one.error) for one in own]):.4f} %",
                "median sigma": f"{100 * np.median([one.sigma for one in own]):.4f} %",
                "taken by": ", ".join(sorted({one.method for one in own})),
            })  # fmt: skip
    return table


def main() -> None:
    chosen = options(__doc__ or "", count=48, counts="captures by each method")
    clock = Clock()
    table = rows(trials(chosen.count, first=chosen.seed, workers=chosen.workers))
    for row in table:
        print("  ".join(f"{key} {value}" for key, value in row.items()))
    print(write_table(chosen.out, "speed_cover", table))
    print(f"took {clock}")


if __name__ == "__main__":
    main()
