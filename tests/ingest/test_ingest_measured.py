"""Verdicts on captures of real machines."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from vibe.core.capture import Capture, ChannelQuality
from vibe.ingest import assess, find_captures, read_capture


def judged(capture: Capture, speed_hz: float) -> dict[str, ChannelQuality]:
    return {channel.name: assess(channel, speed_hz=speed_hz) for channel in capture.channels}


def test_the_stopped_machine_is_called_stopped(open_data: Path) -> None:
    qualities = judged(read_capture(open_data / "ims" / "2004.02.19.06.22.39.h5"), 33.33)
    assert len(qualities) == 4
    for quality in qualities.values():
        assert quality.verdict == "rejected"
        assert quality.reasons[0].code == "not_running"
        assert quality.reasons[0].text.startswith("machine not running")


@pytest.mark.parametrize("every", [3, pytest.param(1, marks=pytest.mark.slow)])
def test_no_running_machine_is_rejected_and_no_sound_one_limited(open_data: Path, every: int) -> None:
    with (open_data / "truth.csv").open(encoding="utf-8") as stream:
        truth = {row["file"]: row for row in csv.DictReader(stream)}
    seen = 0
    for folder in ("cwru", "mfpt", "uestc", "ims"):
        for path in list(find_captures(open_data / folder))[::every]:
            row = truth[path.relative_to(open_data).as_posix()]
            if row["defect"] == "machine stopped":
                continue
            for name, quality in judged(read_capture(path), float(row["shaft_hz"])).items():
                seen += 1
                assert quality.verdict != "rejected", (path, name, quality.reasons)
                stated = {reason.code for reason in quality.reasons if reason.verdict == "limited"}
                # Damage is impulsive; only cut peaks, a floor that swamps velocity, one rig's rectifier limit these.
                assert stated <= {"clipped", "ski_slope", "rectifier_lines"}, (path, name, stated)
                if row["defect"].startswith("none"):
                    assert not stated, (path, name, stated)
    assert seen > 90 // every - 4


@pytest.mark.parametrize(("name", "clipped"), [("236_2", True), ("130_0", False), ("258_0", False), ("197_0", False)])
def test_a_record_that_others_found_clipped(open_data: Path, name: str, clipped: bool) -> None:
    """Smith & Randall, MSSP 64-65 (2015) 100-131, table 3, list record 236 of the drive end as clipped."""
    capture = read_capture(open_data / "cwru" / "de12k" / f"{name}.h5")
    quality = judged(capture, 29.5)["drive_end"]
    assert ("clipped" in {reason.code for reason in quality.reasons}) == clipped
