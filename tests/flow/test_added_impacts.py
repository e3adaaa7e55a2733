"""A trial with impacts added to a capture says what a whole diagnosis of that capture says, for less work."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from tests.studies.fleet import settings
from vibe.core.capture import Capture
from vibe.core.drive import Drive
from vibe.core.tones import ToneTable
from vibe.flow.commissioning.shown_sizes import is_damage, with_impacts
from vibe.flow.diagnose.added_impacts import findings_with, first_look
from vibe.flow.diagnose.capture_diagnosis import CaptureDiagnosis, diagnose_samples
from vibe.flow.settings import share_dir, tones_of
from vibe.synth.conditions import Conditions
from vibe.synth.simulate import simulate

TONES = ("bearing.eccentric bearing.outer_race", "stage1.lobe")
FAINT_M_S2, CLEAR_M_S2 = 0.05, 4.0


@cache
def bare() -> tuple[Drive, ToneTable, Capture, CaptureDiagnosis]:
    """A sound drive's capture, and what is said of it."""
    drive, table = tones_of(share_dir() / "configs" / "acceptance" / "sample_drive.toml")
    capture = simulate(drive, [], seed=11, conditions=Conditions(duration_s=6.0, load_percent=100.0))
    return drive, table, capture, diagnose_samples(capture, drive, table, settings())


@pytest.mark.parametrize(("tone", "size"), [(TONES[0], FAINT_M_S2), (TONES[0], CLEAR_M_S2), (TONES[1], CLEAR_M_S2)])
def test_a_trial_finds_what_a_whole_diagnosis_finds(tone: str, size: float) -> None:
    drive, table, capture, plain = bare()
    assert plain.reading is not None
    assert not any(is_damage(one, table) for one in plain.findings)
    look = first_look(capture, plain, drive, table)
    assert look.request is not None
    loud = with_impacts(capture, plain, table.tone(tone), size, seed=3, third=1)
    assert loud is not None
    whole = [one for one in diagnose_samples(loud, drive, table, settings()).findings if is_damage(one, table)]
    trial = [one for one in findings_with(loud, look, tone, drive, table, settings()) if is_damage(one, table)]
    assert bool(whole) == bool(trial) == (size == CLEAR_M_S2)
    assert [one.component for one in trial] == [one.component for one in whole]
    for one, other in zip(trial, whole, strict=True):
        assert abs(one.probability - other.probability) < 0.05


def test_what_a_trial_adds_is_not_in_the_bare_capture() -> None:
    drive, table, capture, plain = bare()
    before = [channel.samples.copy() for channel in capture.channels]
    look = first_look(capture, plain, drive, table)
    loud = with_impacts(capture, plain, table.tone(TONES[0]), CLEAR_M_S2, seed=3, third=1)
    assert loud is not None
    findings_with(loud, look, TONES[0], drive, table, settings())
    assert not any(is_damage(one, table) for one in findings_with(capture, look, TONES[0], drive, table, settings()))
    assert all(np.array_equal(old, new.samples) for old, new in zip(before, capture.channels, strict=True))
