"""What a speed sensor's cable puts on a vibration channel accuses no part; a blow of the same height does."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.quality.good_recordings import MACHINES, Floats, Rig
from tests.quality.spoilt_recordings import other_channel
from vibe.core.capture import Capture, Channel
from vibe.flow.diagnose.capture_diagnosis import CaptureDiagnosis, diagnose_samples
from vibe.flow.settings import load_settings
from vibe.ingest import load_drive
from vibe.kinematics.tone_table import tone_table

RATE_HZ = 25_600.0


def diagnosed(
    tmp_path: Path, spoil: Callable[[Rig, Floats, float], Floats], strength: float, *, second: bool = False
) -> CaptureDiagnosis:
    """A sound drive; ``second``: with a second channel that nothing leaks into."""
    own = Rig(replace(MACHINES[0], damage=""), RATE_HZ, 10.0, np.random.default_rng([6, 0, 2]))
    clean = own.drive(size=2.0)
    rows = {"input side": spoil(own, clean, strength)} | ({"output side": clean} if second else {})
    channels = tuple(
        Channel(name=name, samples=row.astype(np.float32), sample_rate_hz=RATE_HZ, recorded_unit="m/s^2",
                quantity="acceleration")
        for name, row in rows.items()
    )  # fmt: skip
    (tmp_path / "drive.toml").write_text(own.machine.to_toml())
    drive = load_drive(tmp_path / "drive.toml")
    capture = Capture(source=Path("capture.h5"), channels=channels, sha256="0" * 64, drive=drive.tag)
    return diagnose_samples(capture, drive, tone_table(drive), load_settings())


def struck(rig: Rig, x: Floats, strength: float) -> Floats:
    """With a blow at every turn."""
    blow = rig.strike(rig.crossings(rig.turns, 0.3), 1.0, rig.new_path())
    return np.asarray(x + strength * np.std(x) * blow / np.abs(blow).max())


@pytest.mark.parametrize("second", [False, True])
def test_leaking_pulses_question_the_channel_and_accuse_nobody(tmp_path: Path, *, second: bool) -> None:
    found = diagnosed(tmp_path, other_channel, 0.4, second=second)
    assert "pulses_leak" in [reason.code for reason in found.quality[0].reasons]
    assert [finding for finding in found.findings if finding.component.startswith("stage")] == []
    # What the other channel says is kept.
    assert (found.reading is not None) is second


def test_a_blow_at_every_turn_is_a_part_of_the_drive(tmp_path: Path) -> None:
    found = diagnosed(tmp_path, struck, 1.0)
    assert found.quality[0].reasons == ()
    assert "stage1.ring_pin" in [finding.tone for finding in found.findings]
