"""Machines around a sound drive accuse no part of it: the short version of ``surroundings.py``."""

from __future__ import annotations

import pytest

from tests.studies.fleet import FLEET
from tests.studies.surroundings import (
    DAMAGED,
    DECLARED,
    NEXT_TO,
    Stated,
    Work,
    damage_of,
    from_world,
    names_of,
    rows_of,
    scored,
    surroundings_of,
    tell,
    work_of,
)
from tests.worlds.trial import Answer
from vibe.core.health import Finding, Health, SpeedReport
from vibe.synth.machine.damage import Damage
from vibe.synth.surroundings.surroundings import KINDS

SEED = 2000
"""Not among those of the full study."""


def report(state: str, *findings: Finding) -> Health:
    return Health.model_validate(
        {
            "drive": "T", "state": state, "state_rule": "", "sentence": "", "do_by": "", "captures": [],
            "speed": SpeedReport(input_hz=None, uncertainty_hz=None, method=None), "findings": list(findings),
            "levels": [], "not_observable": [], "cautions": [], "software": "",
        }
    )  # fmt: skip


def finding(component: str, probability: float = 0.9, alike: tuple[str, ...] = ()) -> Finding:
    return Finding(
        tone=component, component=component, defect="local damage", probability=probability,
        false_alarm_probability=1e-5, severity="moderate", why="", advice="", cannot_be_told_from=list(alike),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("truth", "health", "right"),
    [
        ("sound", report("sound"), True),
        ("sound", report("unknown"), False),
        ("sound", report("act", finding("stage1.lobe")), False),
        ("sound", report("watch", finding("stage1.lobe", 0.3)), True),
        ("sound", report("plan", finding("foundation")), True),
        ("unusable", report("unknown"), True),
        ("unusable", report("sound"), False),
        ("damaged", report("plan", finding("stage1.lobe")), True),
        ("damaged", report("plan", finding("stage1.output_pin", alike=("stage1.lobe",))), True),
        ("damaged", report("plan", finding("stage1.ring_pin")), False),
        ("damaged", report("sound"), False),
    ],
)
def test_what_counts_as_right(truth: str, health: Health, right: bool) -> None:
    work = Work(kind="chain", truth=truth, tag="ratio-17", seed=1)  # type: ignore[arg-type]
    assert scored(work, health, names_of(Damage("stage1.lobe"))).right is right


def test_a_bearing_whose_element_is_left_open_is_right_and_a_bore_speaks_as_lobe() -> None:
    assert "bearing.b" in names_of(Damage("bearing.b.cage"))
    assert names_of(Damage("stage1.disc_bore")) == {"stage1.lobe", "stage1.output_pin"}


def test_a_cage_is_named_by_its_own_tone_whatever_it_strikes() -> None:
    assert "bearing.b.cage" in names_of(Damage("bearing.b.cage_past_housing"))
    assert "bearing.b.cage" not in names_of(Damage("bearing.b.outer_race"))


def test_rows_are_summed_by_truth() -> None:
    def stated(kind: str, right: bool, state: str, accused: str = "") -> Stated:
        return Stated(
            world="fleet", kind=kind, truth="sound", name="", right=right, state=state, accused=accused,
            probability=None, outside=0,
        )  # fmt: skip

    rows = rows_of(
        [stated("chain", False, "act", "stage1.lobe"), stated("chain", True, "sound"), stated("fan", True, "sound")]
    )
    counts = {row["kind"]: (row["captures"], row["right"], row["accused"], row["act"]) for row in rows}
    assert counts == {"chain": (2, 1, 1, 1), "fan": (1, 1, 0, 0), "all": (3, 2, 1, 1)}


def test_an_answer_of_an_outside_world_is_read() -> None:
    answer = Answer(
        name="a", kind="chain", truth="sound", right=False, state="act", why="bearing.b.cage: because", probability=0.9,
        speed_error=None, speed_sigmas=None,
    )  # fmt: skip
    assert from_world("riverside", answer).accused == "bearing.b.cage"


def test_every_kind_meets_every_drive_and_damage_is_the_same_with_and_without() -> None:
    works = work_of(len(FLEET), SEED)
    assert {(w.kind, w.tag) for w in works if w.truth == "sound"} >= {(kind, tag) for kind in KINDS for tag in FLEET}
    assert {w.kind for w in works if w.truth == "unusable"} == {"alone", *NEXT_TO}
    alone, next_to = (next(w for w in works if w.kind == kind) for kind in DAMAGED)
    assert surroundings_of(alone) == ()
    assert surroundings_of(next_to)
    same = Work(kind=next_to.kind, truth="damaged", tag=alone.tag, seed=alone.seed)
    assert damage_of(alone) == damage_of(same) != ()


def _accused(kind: str, count: int) -> list[Stated]:
    works = [work for work in work_of(count, SEED) if work.kind == kind and work.truth == "sound"]
    return [one for one in map(tell, works) if one.accused]


@pytest.mark.parametrize("kind", ["inverter", "rotor slots", "process shocks"])
def test_what_follows_no_shaft_accuses_nobody(kind: str) -> None:
    assert _accused(kind, 3) == []


def test_a_declared_chain_accuses_nobody() -> None:
    assert _accused(DECLARED, 3) == []


def test_a_chain_that_nobody_declared_accuses_nobody() -> None:
    assert _accused("chain", 4) == []
