"""Drives under the file of another ratio, under their own, and sound drives that are hard to hear."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.studies.fleet import settings
from tests.worlds import brookside, fenside, hillside, lakeside, misfiled
from tests.worlds.bench import make, sisters
from tests.worlds.case import WorldCase
from tests.worlds.trial import health_from, scored
from vibe.flow.diagnose.capture_diagnosis import diagnose_capture
from vibe.flow.settings import tones_of

MIXED_UP = (
    40,  # 40 pins under a file of 120
    44,  # a speed at which the lobes of 26 pins pass for those of 22
    1008,  # few pins, and a bearing of the file where the drive has lines
)


@pytest.mark.parametrize("number", MIXED_UP)
def test_of_another_ratio_nothing_is_said(number: int) -> None:
    answer = scored(case := misfiled.case(number), health_from(case))
    assert answer.right, answer


@pytest.mark.parametrize("number", MIXED_UP)
def test_the_same_under_its_own_file_is_judged(number: int) -> None:
    answer = scored(case := misfiled.rightly(number), health_from(case))
    assert answer.right, answer


@pytest.mark.parametrize(
    ("make_case", "number"),
    [
        pytest.param(misfiled.case, 207, id="14 pins under a file of 7, whose output pins pass at 14"),
        pytest.param(lakeside.case, 53, id="43 pins under a file of 44 at a speed wrong by 0.05 %"),
    ],
)
@pytest.mark.slow
def test_of_counts_whose_lines_fall_on_those_of_the_file_nothing_is_said(
    make_case: Callable[[int], WorldCase], number: int
) -> None:
    answer = scored(case := make_case(number), health_from(case))
    assert answer.right, answer


@pytest.mark.slow
@pytest.mark.parametrize(
    ("make_case", "number"),
    [
        pytest.param(hillside.case, 63, id="a ring that turns, next to a rack"),
        pytest.param(fenside.case, 93, id="a mesh above the band, and many multiples of the shaft"),
        pytest.param(brookside.case, 23, id="pins' pass without a rotor's own lines"),
    ],
)
def test_a_sound_drive_is_judged_whose_mesh_says_little(make_case: Callable[[int], WorldCase], number: int) -> None:
    answer = scored(case := make_case(number), health_from(case))
    assert answer.truth == "sound"
    assert answer.right, answer


@pytest.mark.parametrize(
    "number",
    [
        17,  # spur wheels in front that the file leaves out
        26,  # a mesh above the band that the recorder passes
    ],
)
def test_a_sound_drive_is_judged(number: int) -> None:
    answer = scored(case := hillside.case(number), health_from(case))
    assert answer.truth == "sound"
    assert answer.right, answer


@pytest.mark.parametrize(("cut", "jitter"), [(0, 0.0), (7, 0.0), (1, 1e-7)])
def test_no_sample_decides_what_is_said_of_another_ratio(cut: int, jitter: float) -> None:
    """18 lobes under the file of 17: at one speed the shaft's lines fit, at another the lobes', and so the mesh."""
    case = lakeside.case(4)
    noise = np.random.default_rng(1)
    rows = {
        name: (row + jitter * np.std(row) * noise.standard_normal(row.size))[: row.size - cut].astype(np.float32)
        for name, row in case.channels.items()
    }
    answer = scored(case, health_from(replace(case, channels=rows)))
    assert answer.right, answer


def test_what_a_compressor_next_to_a_drive_at_rest_makes_is_no_damage_of_that_drive() -> None:
    answer = scored(case := hillside.case(42), health_from(case))
    assert answer.kind == "idle by compressor"
    assert answer.right, answer


def test_pitch_errors_louder_than_the_mesh_do_not_hide_a_drive_of_the_bench(tmp_path: Path) -> None:
    """Two like discs half a turn apart: every second multiple of the shaft stands, as meshes of few pins would."""
    make(replace(sisters(2)[1], captures=1), tmp_path / "T2")
    drive, table = tones_of(tmp_path / "T2" / "drive.toml")
    found = diagnose_capture(tmp_path / "T2" / "captures" / "rated 1.h5", drive, table, settings())
    assert found.not_detected is None
    assert (found.heard_probability or 0.0) > 0.95
