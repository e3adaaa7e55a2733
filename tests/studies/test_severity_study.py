"""The severity study in short: what was found stays found, named and as sure, and its severity never falls."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.studies.detection import Mixer, conditions_of
from tests.studies.fleet import FLEET, judged, settings
from tests.studies.severity import RANK, Step, calmer, due_days, fallen, finding_of, grown, lost, table, weakened
from vibe.core.health import State
from vibe.health.state.instruction import instruction
from vibe.synth.machine.damage import Damage
from vibe.synth.simulate import simulate

DUE: dict[State, int] = {"sound": 90, "watch": 14, "plan": 7, "act": 2, "unknown": 7}


def step(found: bool, severity: str, probability: float = 0.95, state: State = "act", due: int | None = None) -> Step:
    return Step(
        drive="d", kind="k", seed=1, size_db=0.0, peak_m_s2=1.0, found=found, first=found, severity=severity,
        probability=probability, hit_m_s2=None, hit_over_floor_db=None, blocked_by="", state=state,
        due_days=DUE[state] if due is None else due,
    )  # fmt: skip


def test_the_study_sees_what_is_lost_and_what_falls() -> None:
    never, slight, severe = step(False, ""), step(True, "slight"), step(True, "severe")
    assert lost([never, slight, severe]) == []
    assert lost([never, slight, never]) == [never]
    assert fallen([never, slight, severe]) == []
    assert fallen([slight, severe, slight]) == [slight]


def test_the_study_sees_what_is_well_less_sure_than_at_a_smaller_size() -> None:
    sure, open_, even, low = (step(True, "severe", probability) for probability in (0.95, 0.85, 0.6, 0.3))
    assert weakened([low, even, sure]) == []
    assert weakened([sure, open_]) == []  # By a tenth, though across a bound.
    assert weakened([sure, even, sure, low]) == [even, low]
    assert weakened([even, low]) == [low]
    assert weakened([open_, even]) == []  # By a quarter, but across no bound.
    assert weakened([sure, step(False, "", 0.0)]) == []  # That is lost.
    (row,) = table([[low, sure, even]])
    assert (row["less sure"], row["severity fell"], row["lost again"]) == (1, 0, 0)


def test_the_study_sees_a_calmer_state_and_a_later_date() -> None:
    sound, watch, plan, act, unknown = (step(True, "severe", state=state) for state in DUE)
    assert calmer([sound, unknown, watch, plan, act]) == []  # Nobody knew before.
    assert calmer([act, plan]) == [plan]
    assert calmer([watch, unknown, plan]) == [unknown]
    late = step(True, "severe", state="plan", due=20)
    assert calmer([watch, late]) == [late]
    (row,) = table([[act, plan]])
    assert row["calmer"] == 1


def test_the_study_reads_when_something_is_due_first() -> None:
    """Of each state's own words, in the order of their gravity."""
    due = {state: due_days(instruction(state, settings().judgement).what) for state in DUE}
    assert due == DUE
    with pytest.raises(ValueError, match="no days"):
        due_days("Inspect it.")


@pytest.mark.parametrize(
    ("tag", "kind", "faintest_db"),
    [
        pytest.param("ratio-17", "stage1.lobe", -6.0, marks=pytest.mark.slow),
        ("ratio-17", "stage1.output_pin", 30.0),
        ("two-stage", "stage2.ring_pin", 42.0),
        pytest.param("ratio-17", "bearing.output bearing.rolling_element", 6.0, marks=pytest.mark.slow),
        pytest.param("ratio-6", "stage1.lobe", 18.0, marks=pytest.mark.slow),
        pytest.param("two-stage", "bearing.input bearing.outer_race", 24.0, marks=pytest.mark.slow),
        pytest.param("ratio-29", "stage1.output_pin", 30.0, marks=pytest.mark.slow),
        pytest.param("rv", "bearing.eccentric bearing.outer_race", 24.0, marks=pytest.mark.slow),
    ],
)
def test_more_damage_never_means_less(tag: str, kind: str, faintest_db: float) -> None:
    """Cases that were lost or fell once: a place where the deepest band never comes to rest, combs that owned their
    decoys, one of them so slow that its lines pass for those of all else; impacts that were cut to one height, a row of
    teeth made of a lobe's own lines, a second machine made of the feet of a race's lines, outside combs made of a pin's
    side lines and of a race's."""
    steps = list(grown(tag, kind, 1001, faintest_db=faintest_db))
    assert len(steps) >= 2
    assert all(one.found for one in steps)
    assert fallen(steps) == []
    assert weakened(steps) == []
    assert calmer(steps) == []


CAGE, PAST_INNER = "bearing.input bearing.cage", "bearing.input bearing.cage_past_inner"
ELEMENT = "bearing.eccentric bearing.rolling_element"


@pytest.mark.parametrize("kind", [CAGE, PAST_INNER, ELEMENT])
def test_a_cage_that_strikes_and_an_element_at_its_multiple_are_each_named_where_they_are_damaged(kind: str) -> None:
    """The elements of one bearing spin 6.00 times a turn of the other's cage, or 4.00 times what it turns past its
    inner ring. All lines that stand decide, and not the comb that scores highest: a cage's were lost from 6 dB on."""
    step = next(grown("ratio-17", kind, 50_000, faintest_db=8.0))
    assert step.found
    assert step.first


def test_a_capture_a_twentieth_as_loud_has_a_lower_severity_and_its_sound_twin_none() -> None:
    drive, kind, seed = FLEET["ratio-29"], "stage1.ring_pin", 1001
    sound = simulate(drive, seed=seed, conditions=conditions_of(seed))
    loud = Mixer.of(drive, Damage(kind), seed, sound).capture(6.0)
    faint = replace(
        loud,
        channels=tuple(
            replace(channel, samples=0.05 * channel.samples, full_scale=0.05 * (channel.full_scale or 1.0))
            for channel in loud.channels
        ),
    )
    found = [finding_of(judged(capture, drive), kind) for capture in (loud, faint)]
    severe, slight = (RANK[finding.severity] for finding in found if finding is not None)
    assert slight < severe
    assert judged(sound, drive).findings == []
