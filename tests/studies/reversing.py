"""Robot joints that swing to and fro: is a crank bearing's outer race found, and is a sound joint left alone?

``python -m tests.studies.reversing``. Captures of 24 s of 120° output moves, made by code of their own
(``tests/worlds/reversing.py``), sound and with impacts of several sizes; with the motor's encoder, signed pulses, plain
pulses, and none. Next to that what a plain recipe shows: the envelope's line at the tone, at the moves' mean speed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tests.studies.fleet import spread_out
from tests.studies.page import Clock, options, write_table
from tests.worlds.reversing import Sensor, joint, outer_race_order, plain_recipe_db
from tests.worlds.trial import health_from

SIZES_M_S2 = (0.0, 2.0, 4.0, 8.0)
SENSORS: tuple[Sensor, ...] = ("angle", "signed pulses", "tachometer", "none")
FOUND_FROM = 0.5
MEAN_HZ = 27.0
"""Mean speed of the moves, where the report states none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Swung:
    """What was said of one capture."""

    sensor: str
    hit_m_s2: float
    state: str
    named: str
    """The surest finding on a part of the drive, "" when none is likelier than not."""
    remarks: tuple[str, ...]
    reasons: tuple[str, ...]
    remedies: tuple[str, ...]
    plain_db: float


def trial(work: tuple[int, Sensor, float]) -> Swung:
    """One capture, through files and all of the program's steps."""
    number, sensor, size = work
    case = joint(number, hit_m_s2=size, sensor=sensor)
    health = health_from(case)
    parts = [f for f in health.findings if f.component.startswith(("stage", "bearing")) and f.probability >= FOUND_FROM]
    channels = [channel for capture in health.captures for channel in capture.channels]
    assert health.speed is not None
    mean_hz = health.speed.input_hz or MEAN_HZ
    return Swung(
        sensor=sensor, hit_m_s2=size, state=health.state,
        named=(parts[0].tone or parts[0].component) if parts else "",
        remarks=tuple(remark for capture in health.captures for remark in capture.remarks),
        reasons=tuple(reason for channel in channels for reason in channel.reasons),
        remedies=tuple(remedy for channel in channels for remedy in channel.remedies),
        plain_db=plain_recipe_db(case, outer_race_order(number), mean_hz),
    )  # fmt: skip


def rows(found: Sequence[Swung]) -> list[dict[str, object]]:
    """One row per sensor and size of the impacts."""
    table: list[dict[str, object]] = []
    for sensor in SENSORS:
        for size in SIZES_M_S2:
            own = [one for one in found if (one.sensor, one.hit_m_s2) == (sensor, size)]
            if own:
                right = sum(one.named == "bearing.crank bearing.outer_race" for one in own)
                table.append({
                    "sensor": sensor, "hits m/s2": size, "captures": len(own), "outer race named": right,
                    "another part named": sum(one.named != "" for one in own) - right,
                    "unknown": sum(one.state == "unknown" for one in own),
                    "plain recipe, median dB": round(float(np.median([one.plain_db for one in own])), 1),
                })  # fmt: skip
    return table


def main() -> None:
    chosen = options(__doc__ or "", count=6, counts="joints of each sensor and size")
    clock = Clock()
    work = [(chosen.seed + n, sensor, size) for sensor in SENSORS for size in SIZES_M_S2 for n in range(chosen.count)]
    table = rows(list(spread_out(trial, work, workers=chosen.workers)))
    for row in table:
        print("  ".join(f"{key} {value}" for key, value in row.items()))
    print(write_table(chosen.out, "reversing", table))
    print(f"took {clock}")


if __name__ == "__main__":
    main()
