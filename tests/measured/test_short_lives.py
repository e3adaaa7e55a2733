"""Two bearings run to failure, recorded a tenth of a second at a time: no capture can be diagnosed, and the queue asks
for action all the same before the end, from levels alone (PRONOSTIA rig; Nectoux et al., IEEE PHM 2012)."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import h5py
import numpy as np
import pytest

import vibe
from tests.open_data import OPEN_DATA
from vibe.core.drive import Drive
from vibe.flow.alarms.queue import evaluate_alarms
from vibe.flow.history.capture_record import keep
from vibe.flow.settings import load_alarm_rules, load_settings
from vibe.history.store.store import Store
from vibe.kinematics.tone_table import tone_table

BEGIN = datetime(2024, 1, 1, tzinfo=UTC)
HOURS = 4.0
"""Ten seconds of the rig count as so many hours, so that a life is months of a drive."""


def rig(tag: str) -> Drive:
    return Drive.model_validate(
        {
            "tag": tag, "input": {"speed_rpm": 1800, "speed_range_rpm": [1750, 1850], "power_kw": 0.25},
            "bearing": [
                {"name": "test bearing", "inner": "input", "outer": "housing", "elements": 13,
                 "element_diameter_mm": 3.5, "pitch_diameter_mm": 25.6, "contact_angle_deg": 0.0}
            ],
        }
    )  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("name", ["Bearing1_1", "Bearing2_1"])
def test_the_end_of_a_measured_life_is_in_state_act_from_short_captures(name: str, tmp_path: Path) -> None:
    path = OPEN_DATA / "femto" / f"{name}.h5"
    if not path.is_file():
        pytest.skip(f"{path} is not there: VIBE_OPEN_DATA says where measured captures lie")
    with h5py.File(path) as file:
        samples, number = file["acceleration"][:].astype(np.float64), file["snapshot_number"][:]
        rate = float(file.attrs["sample_rate_hz"])
    drive, settings = rig(name), load_settings()
    with Store.open(tmp_path / "history", create=True) as store:
        for place, taken in enumerate(number):
            capture = vibe.Capture.from_arrays(
                {"horizontal": samples[place, :, 0], "vertical": samples[place, :, 1]}, sample_rate_hz=rate, unit="g",
                drive=name, measured_at=BEGIN + timedelta(hours=HOURS * float(taken)),
            )  # fmt: skip
            keep(capture, drive, tone_table(drive), settings, store)
        assert {one.kept for one in store.captures()} == {"rejected"}
        first, last = (BEGIN + timedelta(hours=HOURS * float(number[end])) for end in (0, -1))
        urgency = {}
        for part in (0.2, 1.0):
            queue = evaluate_alarms(store, at=first + part * (last - first)).queue
            urgency[part] = max(alarm.urgency.total for alarm in queue.alarms)
    act = load_alarm_rules().queue.act_from
    assert urgency[0.2] < act / 2
    assert urgency[1.0] >= act
