"""A drive of the same type that the drive file declares, from the file to the report."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from tests.cli.calls import Vibe
from tests.studies.twins import pair_of
from tests.worlds.case import WorldCase
from tests.worlds.trial import written
from tests.worlds.twins import pair_case

NUMBER = 2039
"""A drive that stands alone, an outer race of it damaged on which the load stands still: 5 s."""
NEIGHBOUR = '\n[[neighbour]]\nname = "thickener 2"\ndrive = "second.toml"\n'


@pytest.fixture(scope="module")
def case() -> WorldCase:
    pair = pair_of(NUMBER)
    assert (pair.whose, pair.part) == ("alone", "outer_race")
    return pair_case(pair, NUMBER)


def report(vibe: Vibe, case: WorldCase, folder: Path, second: str, *more: str) -> dict[str, Any]:
    """``health.json`` of the drive, with a neighbour of drive file ``second`` declared."""
    drive, capture = written(case, folder)
    (folder / "second.toml").write_text(second, encoding="utf-8")
    drive.write_text(case.drive_toml + NEIGHBOUR, encoding="utf-8")
    answer = vibe("diagnose", capture, "--drive", drive, "--json", "-", *more)
    assert answer.status == 0, answer.err
    health: dict[str, Any] = json.loads(answer.out)
    return health


def finding_of(health: dict[str, Any], case: WorldCase) -> dict[str, Any]:
    found: dict[str, Any] = next(one for one in health["findings"] if one["tone"] in case.damaged)
    return found


def test_a_race_that_may_be_a_declared_drives_is_watched_and_names_it(
    vibe: Vibe, case: WorldCase, tmp_path: Path
) -> None:
    """Nothing in the capture shows the other drive, nor whose race it is."""
    pages = tmp_path / "pages"
    second = case.drive_toml.replace(case.name, "B-2")
    health = report(vibe, case, tmp_path, second, "--out", str(pages), "--no-pdf")
    finding = finding_of(health, case)
    assert 0.5 < finding["probability"] < 0.9
    assert "thickener 2" in finding["other_machine"]
    assert health["state"] == "watch"
    page = next(pages.rglob("*.html")).read_text(encoding="utf-8")
    assert "the same part of thickener 2, a machine of the same kind that is declared next to it" in page


def test_a_race_next_to_a_declared_drive_of_another_ratio_is_this_drives(
    vibe: Vibe, case: WorldCase, tmp_path: Path
) -> None:
    second = case.drive_toml.replace("ring_pins = ", "ring_pins = 1", 1).replace("lobes = ", "lobes = 1", 1)
    health = report(vibe, case, tmp_path, second.replace(case.name, "B-2"))
    finding = finding_of(health, case)
    assert finding["probability"] > 0.95
    assert finding["other_machine"] is None
    assert health["state"] in ("plan", "act")
