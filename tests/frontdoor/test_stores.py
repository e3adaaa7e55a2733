"""A store gives back what was put into it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

import vibe

FIRST = datetime(2026, 3, 9, 8, tzinfo=UTC)


@pytest.fixture(scope="module")
def captures(drive: vibe.Drive) -> list[vibe.Capture]:
    return [
        vibe.simulate(drive, damage, seed=n, machine_seed=1, duration_s=4.0, measured_at=FIRST + timedelta(days=30 * n))
        for n, damage in enumerate([(), ("stage1.lobe:3",)])
    ]


@pytest.fixture(scope="module")
def folder(captures: list[vibe.Capture], drive: vibe.Drive, tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("history") / "store"
    with vibe.open_store(place, create=True) as store:
        assert store.add(captures, drive) == 2
        assert store.add(captures, drive) == 0  # a second delivery changes nothing
    return place


def test_captures_come_back_sample_by_sample(folder: Path, captures: list[vibe.Capture]) -> None:
    with vibe.open_store(folder) as store:
        kept = store.captures("TH-02")
        assert kept.to_frame()["id"].to_list() == [capture.sha256 for capture in captures]
        for row, capture in zip(kept, captures, strict=True):
            again = store.read(row.id)
            assert (again.drive, again.measured_at) == (capture.drive, capture.measured_at)
            assert again.channel_names == capture.channel_names
            for mine, theirs in zip(again.channels, capture.channels, strict=True):
                assert np.array_equal(mine.samples, theirs.samples)
        later = store.captures(since=FIRST + timedelta(days=1))
        assert [row.id for row in later] == [captures[1].sha256]


def test_levels_are_those_of_the_reports(folder: Path, captures: list[vibe.Capture], drive: vibe.Drive) -> None:
    with vibe.open_store(folder) as store:
        levels = store.levels("TH-02", point="input side radial", measure="velocity_rms").to_frame()
        points = set(store.levels("TH-02").to_frame()["point"])
        impacts = store.series("TH-02", measure="hit_over_floor", subject="stage1.lobe")
    assert levels["time"].dt.tz is not None
    assert levels["unit"].unique().tolist() == ["mm/s"]
    for value, capture in zip(levels["value"], captures, strict=True):
        reported = vibe.diagnose(capture, drive).levels
        own = [row.value for row in reported if (row.point, row.measure) == ("input side radial", "velocity_rms")]
        assert value == pytest.approx(own[0], rel=1e-3)
    assert points == {"input side radial", "output side radial"}
    assert impacts[1].value > impacts[0].value + 6.0


def test_the_damaged_one_has_a_finding_and_the_sound_one_has_none(folder: Path, captures: list[vibe.Capture]) -> None:
    with vibe.open_store(folder) as store:
        found = store.findings("TH-02").to_frame()
        assert set(found["capture"]) == {captures[1].sha256}
        assert "stage1.lobe" in found["component"].to_list()
        assert found["weak_sign"].dtype == bool
        assert store.drives()[0].captures == 2
        assert "TH-02" in store._repr_html_()


def test_a_drive_from_keywords_is_kept_as_a_file(folder: Path) -> None:
    from vibe.history.store.store import Store

    with Store.open(folder) as store:
        text = store.drive_toml("TH-02")
    assert text is not None
    assert "ring_pins = 18" in text


def test_what_a_store_cannot_do_is_refused(folder: Path, drive: vibe.Drive, tmp_path: Path) -> None:
    with pytest.raises(vibe.CallError, match="holds no history"):
        vibe.open_store(tmp_path)
    with vibe.open_store(folder) as store:
        with pytest.raises(vibe.CallError, match="holds no drive 'TH-99'"):
            store.levels("TH-99")
        with pytest.raises(vibe.CallError, match="holds no capture"):
            store.read("00" * 32)
        with pytest.raises(vibe.CallError, match="offset from UTC"):
            store.captures(since=datetime(2026, 3, 9))
        with pytest.raises(vibe.CaptureError, match="when it was measured"):
            store.add(vibe.simulate(drive, seed=9, duration_s=1.0), drive)
