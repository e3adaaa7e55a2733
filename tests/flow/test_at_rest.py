"""A drive that stands among machines that run, without a pulse sensor: sent back on the spot; quiet drives that run
are not. Captures by code that knows nothing of the program (``tests/worlds/walk.py``)."""

from __future__ import annotations

from pathlib import Path

import h5py
import numpy as np
import pytest

from tests.worlds.walk import POINTS, Machine, Visit, machine, visit
from vibe.core.route.round_check import Completeness, PointSeen
from vibe.flow.route.round import Round

SECONDS = 10.0
QUIETEST = (1, 17)
"""Machines of the walk below 0.2 m/s² r.m.s."""


def write(one: Visit, tag: str, path: Path, *, noted_rpm: float | None = None) -> None:
    path.parent.mkdir(parents=True)
    with h5py.File(path, "w") as file:
        file.attrs["drive"] = tag
        if noted_rpm is not None:
            file.attrs["speed_rpm"] = noted_rpm
        for name, samples in one.channels.items():
            data = file.create_dataset(f"channels/{name}", data=np.asarray(samples, dtype=np.float32))
            data.attrs.update(sample_rate_hz=one.rate_hz, unit="m/s^2", quantity="acceleration")


def checked(one: Machine, taken: Visit, folder: Path, *, earlier: bool = False) -> Completeness:
    (folder / "drive.toml").write_text(one.toml(), encoding="utf-8")
    (folder / "route.toml").write_text(one.route(), encoding="utf-8")
    # What a technician notes by habit must not make a standing drive run.
    write(taken, one.tag, folder / "now" / "b.h5", noted_rpm=one.rpm)
    if earlier:
        write(visit(one, 0, SECONDS), one.tag, folder / "before" / "a.h5")
    return Round.of(folder / "route.toml", folder / "now", folder / "before" if earlier else None).checked(workers=1)


def points(call: Completeness) -> list[PointSeen]:
    (file,) = call.files
    assert [point.point for point in file.points] == list(POINTS)
    return list(file.points)


@pytest.mark.parametrize("seed", QUIETEST)
def test_a_quiet_drive_that_runs_is_accepted(seed: int, tmp_path: Path) -> None:
    one = machine(seed)
    for point in points(checked(one, visit(one, 1, SECONDS), tmp_path, earlier=True)):
        assert {reason.code for reason in point.reasons if reason.verdict != "usable"} <= {"noted_speed"}


@pytest.mark.parametrize("seed", [0, 17])
def test_a_drive_that_stands_is_sent_back_in_its_own_words(seed: int, tmp_path: Path) -> None:
    one = machine(seed)
    for point in points(checked(one, visit(one, 3, SECONDS, runs=False), tmp_path)):
        assert point.verdict == "retake"
        (reason,) = point.reasons
        assert reason.code == "at_rest"
        assert f"no sign that {one.tag} runs" in reason.text
        assert "wait until it runs" in reason.remedy
        assert "range" not in reason.remedy


def test_a_level_that_fell_is_noticed_against_the_earlier_round(tmp_path: Path) -> None:
    """Its neighbour has as many vanes as the drive has pins, so that lines alone do not settle it."""
    one = machine(19)
    taken = points(checked(one, visit(one, 3, SECONDS, runs=False), tmp_path, earlier=True))
    assert any(reason.code == "fallen" and "22 dB below" in reason.text for point in taken for reason in point.reasons)
