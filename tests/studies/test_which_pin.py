"""The short form of the study: clear damage on a few drives, and the study's own truth."""

from __future__ import annotations

import numpy as np
import pytest

from tests.studies.fleet import FLEET, life
from tests.studies.which_pin import (
    DRIVES,
    KINDS,
    Outcome,
    Work,
    off,
    parts_per_body,
    sound_trial,
    tabulated,
    trial,
    true_place,
    works,
)
from vibe.synth.impacts import part_count
from vibe.synth.simulate import Damage, events

SIZE = 0.8
"""Twice to four times what is just found on these drives."""


@pytest.mark.parametrize("kind", KINDS)
def test_the_truth_is_where_the_simulated_impacts_fall(kind: str) -> None:
    """Impacts of a known part, laid on its frame by the simulation's own speeds, fall on the place that is called
    true."""
    drive, conditions = FLEET["ratio-17"], life(4, of="which pin", speed_wander=0.0, speed_drift=0.0)
    part = part_count(drive, f"stage1.{kind}") - 2
    struck = events(drive, [Damage(f"stage1.{kind}", 1.0, part)], seed=4, conditions=conditions)
    from vibe.synth.scene import set_scene

    motion = set_scene(drive, 4, conditions).motion
    first_pulse = np.ceil(motion.input_turns[np.searchsorted(motion.time_s, 0.0)])
    past = motion.rate("stage1.eccentric") - motion.rate("stage1.disc" if kind != "ring_pin" else "stage1.ring")
    train = next(iter(struck.values()))
    turns = past * (np.interp(train, motion.time_s, motion.input_turns) - first_pulse)
    away = (turns - true_place("ratio-17", kind, part, 4, conditions) + 0.5) % 1.0 - 0.5
    assert train.size > 100
    assert abs(float(np.median(away))) * parts_per_body("ratio-17", kind) < 0.05


@pytest.mark.parametrize(
    ("drive", "kind"), [("ratio-29", "ring_pin"), ("ratio-17", "output_pin"), ("ratio-59", "lobe")]
)
def test_with_a_pulse_the_right_part_is_named(drive: str, kind: str) -> None:
    outcome = trial(Work(seed=11, drive=drive, kind=kind, size=SIZE, pulse=True))
    assert outcome.found
    assert outcome.named in ("right", "pair")
    assert outcome.absolute is not None
    assert abs(round(outcome.absolute)) <= (1 if drive == "ratio-59" else 0)
    assert outcome.after_known is not None
    assert round(outcome.after_known) == 0


def test_without_a_pulse_the_distance_of_two_damaged_parts_is_right() -> None:
    outcome = trial(Work(seed=12, drive="ratio-29", kind="lobe", size=SIZE, pulse=False))
    assert outcome.distance is not None
    assert round(outcome.distance) == 0


def test_an_output_pin_met_by_all_discs_is_distinguished_from_a_lobe_and_a_bore_is_not() -> None:
    pin = trial(Work(seed=13, drive="ratio-29", kind="output_pin", size=2 * SIZE, pulse=True))
    bore = trial(Work(seed=13, drive="ratio-29", kind="disc_bore", size=2 * SIZE, pulse=True))
    assert pin.named == "right"
    assert bore.named == "pair"


def test_places_of_sound_drives_do_not_stand_out() -> None:
    chances = [p for tag in DRIVES[1:4] for p in sound_trial(Work(seed=14, drive=tag, kind="", size=0.0, pulse=False))]
    assert len(chances) >= 3
    assert min(chances) > 1e-3


def test_shares_are_counted_over_what_was_found() -> None:
    def outcome(found: bool, error: float | None) -> Outcome:
        work = Work(seed=0, drive="ratio-6", kind="lobe", size=1.0, pulse=True)
        named = "right" if found else "none"
        return Outcome(work=work, found=found, passed_place=found, named=named, absolute=error, after_known=error)

    rows = tabulated([outcome(True, 0.2), outcome(True, 1.4), outcome(True, None), outcome(False, 3.0)])
    shares = {(r["drive"], r["kind"], r["measure"]): r["share"] for r in rows if r["question"] == "with a pulse"}
    assert shares["ratio-6", "all", "found"] == 0.75
    assert shares["all", "lobe", "absolute: right part"] == pytest.approx(1 / 3, abs=1e-3)
    assert shares["all", "all", "absolute: within one part"] == pytest.approx(2 / 3, abs=1e-3)


def test_work_is_even_over_drives_and_kinds() -> None:
    sizes = {(tag, kind): 0.2 for tag in DRIVES for kind in KINDS}
    asked = works(8, 1000, sizes)
    assert len(asked) == 8 * len(DRIVES) * 2
    assert {sum(w.kind == kind for w in asked) for kind in KINDS} == {len(asked) // 4}
    assert all(w.size == 0.4 for w in asked)
    assert off(0.9) == pytest.approx(-0.1)
