"""Recordings that are judged segment by segment, as files."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.studies.fleet import FLEET
from vibe.core.capture import Capture, Channel
from vibe.flow.diagnose.capture_diagnosis import CaptureDiagnosis, diagnose_capture
from vibe.flow.route.capture_check import check_files
from vibe.flow.settings import load_settings
from vibe.ingest import capture_builder
from vibe.ingest.formats.hdf5_writer import write_hdf5
from vibe.kinematics.tone_table import tone_table
from vibe.synth.simulate import Conditions, parse_damage, simulate

DRIVE = FLEET["ratio-17"]
CONDITIONS = Conditions(duration_s=36.0, sample_rate_hz=12_800.0, machine_seed=7)


@pytest.fixture(autouse=True)
def _segments_of_twelve_seconds(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(capture_builder, "SEGMENT_SAMPLES", 2 * 12 * 12_800)


@pytest.fixture(scope="module")
def damaged() -> Capture:
    return simulate(DRIVE, [parse_damage("stage1.ring_pin")], seed=77, conditions=CONDITIONS)


def spoilt(capture: Capture, change: str) -> Capture:
    """The capture with its last twelve seconds spoilt on the first channel."""
    first, *others = capture.channels
    samples = first.samples.copy()
    late = samples[-12 * 12_800 :]
    if change == "clipped":
        np.clip(late, -1.5 * samples.std(), 1.5 * samples.std(), out=late)
    else:
        late[:] = 0.0
    changed: Channel = replace(first, samples=samples)
    return replace(capture, channels=(changed, *others))


def judged(capture: Capture, path: Path) -> CaptureDiagnosis:
    write_hdf5(capture, path)
    steps: list[tuple[int, int]] = []
    result = diagnose_capture(path, DRIVE, tone_table(DRIVE), load_settings(), tell=lambda *step: steps.append(step))
    # Three segments are looked at twice: for their quality, then for what they say.
    assert [done for done, _ in steps] == sorted(done for done, _ in steps)
    assert {total for _, total in steps} == {6}
    return result


def test_damage_is_found_over_segments_and_its_twin_is_silent(damaged: Capture, tmp_path: Path) -> None:
    sound = simulate(DRIVE, seed=78, conditions=replace(CONDITIONS, pitch_errors=2.0))
    found, silent = judged(damaged, tmp_path / "damaged.h5"), judged(sound, tmp_path / "sound.h5")
    assert [one.component for one in found.findings] == ["stage1.ring_pin"]
    assert silent.findings == []
    for one in (found, silent):
        assert one.report.error is None
        assert one.report.duration_s == pytest.approx(36.0)


def test_what_is_bad_for_a_while_is_left_out_and_said(damaged: Capture, tmp_path: Path) -> None:
    result = judged(spoilt(damaged, "dead"), tmp_path / "late.h5")
    assert [one.component for one in result.findings] == ["stage1.ring_pin", "sensor"]
    assert any("1 of 3 segments of 12 s are left out" in remark for remark in result.report.remarks)
    assert result.quality[0].verdict == "limited"
    assert "in 1 of 3 segments" in result.quality[0].reasons[0].text


def test_check_looks_at_all_of_it(damaged: Capture, tmp_path: Path) -> None:
    paths = [tmp_path / "good.h5", tmp_path / "late.h5"]
    write_hdf5(damaged, paths[0])
    write_hdf5(spoilt(damaged, "clipped"), paths[1])
    good, late = check_files(paths, None)
    assert good.quality[0].verdict == "usable"
    assert any(reason.code == "clipped" for reason in late.quality[0].reasons)


def test_files_are_checked_in_processes_as_in_one(tmp_path: Path) -> None:
    short = simulate(DRIVE, seed=79, conditions=replace(CONDITIONS, duration_s=5.0))
    paths = [tmp_path / name for name in ("a.h5", "b.h5", "none.h5")]
    for path in paths[:2]:
        write_hdf5(short, path)
    assert check_files(paths, None, workers=2) == check_files(paths, None, workers=1)
