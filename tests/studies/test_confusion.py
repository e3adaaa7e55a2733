"""Faults alone and together are named right: the short version of ``confusion.py``."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from tests.studies.confusion import (
    COLUMNS,
    INSIDE_ROWS,
    MACHINE,
    OUTSIDE_ROWS,
    Named,
    Planted,
    blames_reducer,
    campaign,
    cause_is_named,
    column_of,
    is_right,
    matrix,
    name_it,
    only_outside,
    plant,
    row_of,
    summary,
)
from tests.studies.fleet import FLEET
from vibe.core.health import Finding
from vibe.synth.machine.damage import Damage

SEED = 2000
"""Not among those of the full study."""


def finding(tone: str | None, component: str, defect: str = "local damage", alike: tuple[str, ...] = ()) -> Finding:
    return Finding(
        tone=tone, component=component, defect=defect, probability=0.9, false_alarm_probability=1e-5,
        severity="moderate", why="", advice="", cannot_be_told_from=list(alike),
    )  # fmt: skip


LOBE = Planted(tag="ratio-17", seed=1, of="", causes=("lobe or output pin",), damage=(Damage("stage1.lobe"),))
OUTER = Planted(
    tag="ratio-17", seed=1, of="", causes=("outer race",), damage=(Damage("bearing.output bearing.outer_race"),)
)


@pytest.mark.parametrize(
    ("planted", "said", "right", "column"),
    [
        (LOBE, finding("stage1.output_pin", "stage1.output_pin", alike=("stage1.lobe",)), True, "lobe or output pin"),
        (LOBE, finding("stage1.output_pin", "stage1.output_pin"), False, "lobe or output pin"),
        (LOBE, finding("stage1.ring_pin", "stage1.ring_pins"), False, "ring pin"),
        (LOBE, finding(None, "input.shaft", "unbalance"), False, "unbalance"),
        (OUTER, finding("bearing.output bearing.outer_race", "bearing.output bearing.outer_race"), True, "outer race"),
        (OUTER, finding("bearing.output bearing.inner_race", "bearing.output bearing.inner_race"), False, "inner race"),
        (OUTER, finding("bearing.input bearing.outer_race", "bearing.input bearing.outer_race"), False,
         "another bearing"),
        (OUTER, finding(None, "bearing.output bearing"), True, "bearing, untold"),
        (OUTER, finding(None, "bearing.input bearing"), False, "another bearing"),
    ],
)  # fmt: skip
def test_what_counts_as_right_and_where_it_goes(planted: Planted, said: Finding, right: bool, column: str) -> None:
    assert is_right(said, planted) is right
    assert column_of(said, planted) == column
    assert column in COLUMNS


def test_only_parts_of_the_reducer_count_as_blamed() -> None:
    assert blames_reducer(finding("stage1.mesh", "stage1.mesh", "wear"))
    assert blames_reducer(finding(None, "bearing.input bearing"))
    assert not any(blames_reducer(finding(None, name)) for name in ("sensor", "motor", "input.shaft", "foundation"))


def test_two_faults_are_asked_for_one_by_one() -> None:
    planted = plant("ratio-17", 5, ("outer race", "unbalance"), of="confusion")
    assert planted is not None
    stated = (finding(None, "input.shaft", "unbalance"),)
    one = Named(planted=planted, findings=stated, speed_right=True)
    assert [cause_is_named(one, i) for i in (0, 1)] == [False, True]
    assert only_outside(one) is False


def test_the_study_plants_every_row_on_every_drive_that_has_it() -> None:
    work = campaign(8, SEED)
    rows = {planted.causes[0] for planted in work if len(planted.causes) == 1}
    assert rows == {*INSIDE_ROWS, *OUTSIDE_ROWS}
    assert {planted.tag for planted in work if planted.causes == ("tooth",)} == {"rv"}
    assert {planted.tag for planted in work if planted.causes == ("ring pin",)} == set(FLEET)


def _named(work: Sequence[Planted]) -> list[Named]:
    return [name_it(planted) for planted in work]


def test_faults_outside_are_named_and_not_blamed_on_the_reducer() -> None:
    """Two in a hundred may be blamed: of five none is with 90 %."""
    work = [row_of((cause,), 8, SEED)[i] for i, cause in enumerate(OUTSIDE_ROWS[:5])]
    named = _named(work)
    blamed = [one for one in named if any(blames_reducer(f) for f in one.findings)]
    assert blamed == []
    assert len(matrix(named)) == 1 + len(INSIDE_ROWS) + len(OUTSIDE_ROWS)
    assert summary(named)[0]["captures"] == 5


@pytest.mark.slow
def test_nothing_outside_is_blamed_on_the_reducer_above_two_in_a_hundred() -> None:
    """Where 2 % is kept, eight or more of 128 are blamed with a chance of 0.4 %."""
    work = [planted for cause in OUTSIDE_ROWS for planted in row_of((cause,), 16, SEED)]
    assert sum(any(blames_reducer(f) for f in one.findings) for one in _named(work)) <= 7


@pytest.mark.slow
def test_what_is_planted_is_named_first() -> None:
    """Clear damage of the commonest kinds and clear machine faults: three of four at the least."""
    work = [p for cause in (*MACHINE, "outer race", "inner race", "ring pin") for p in row_of((cause,), 8, SEED)]
    named = _named(work)
    right = [one for one in named if one.findings and is_right(one.findings[0], one.planted)]
    assert len(right) >= 0.75 * len(named)
