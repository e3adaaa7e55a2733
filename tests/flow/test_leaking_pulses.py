"""What a speed sensor's cable puts on a vibration channel accuses no part; a blow of the same height does."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING, cast

import numpy as np
import pytest

from tests.diagnosis.diagnosis_values import POINT, comb
from tests.quality.good_recordings import MACHINES, Floats, Rig
from tests.quality.spoilt_recordings import other_channel
from vibe.core.capture import Capture, Channel
from vibe.core.health import Finding
from vibe.diagnosis.alternatives.outside_machines import WITHOUT_RINGING
from vibe.flow.diagnose.capture_diagnosis import CaptureDiagnosis, diagnose_samples
from vibe.flow.diagnose.recognition import doubted_pulses
from vibe.flow.settings import load_settings
from vibe.ingest import load_drive
from vibe.ingest.quality.checks.pulses import leak
from vibe.kinematics.tone_table import tone_table

if TYPE_CHECKING:
    from vibe.spectra.signal_analysis import SignalAnalysis

RATE_HZ = 25_600.0


def diagnosed(
    tmp_path: Path,
    spoil: Callable[[Rig, Floats, float], Floats],
    strength: float,
    *,
    second: bool = False,
    sensor: bool = False,
) -> CaptureDiagnosis:
    """A sound drive; ``second``: with a second channel that nothing leaks into; ``sensor``: with the speed sensor's."""
    own = Rig(replace(MACHINES[0], damage=""), RATE_HZ, 10.0, np.random.default_rng([6, 0, 2]))
    clean = own.drive(size=2.0)
    rows = {"input side": spoil(own, clean, strength)} | ({"output side": clean} if second else {})
    channels = tuple(
        Channel(name=name, samples=row.astype(np.float32), sample_rate_hz=RATE_HZ, recorded_unit="m/s^2",
                quantity="acceleration")
        for name, row in rows.items()
    )  # fmt: skip
    if sensor:
        mark = (np.mod(own.turns, 1.0) < 0.1).astype(np.float32)
        channels += (
            Channel(name="pulses", samples=mark, sample_rate_hz=RATE_HZ, recorded_unit="V", quantity="tachometer",
                    pulses_per_rev=1.0),
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
    """Where a speed sensor is recorded, or another channel is left to judge by."""
    found = diagnosed(tmp_path, other_channel, 0.4, second=second, sensor=not second)
    assert "pulses_leak" in [reason.code for reason in found.quality[0].reasons]
    assert [finding for finding in found.findings if finding.component.startswith("stage")] == []
    # What the other channel says is kept.
    assert (found.reading is not None) is second


def test_without_a_speed_sensor_the_only_channel_is_kept_and_no_part_is_surely_meant(tmp_path: Path) -> None:
    """A brake that rubs at every turn makes no other lines."""
    found = diagnosed(tmp_path, other_channel, 0.4)
    assert found.reading is not None
    assert found.quality[0].verdict != "rejected"
    (pin,) = [finding for finding in found.findings if finding.tone == "stage1.ring_pin"]
    assert 0 < pin.probability <= WITHOUT_RINGING
    assert "something that rubs, or electrical pulses, once a turn" in pin.cannot_be_told_from
    assert "something may rub once a turn (brake, guard, seal), or a speed sensor's pulses leak" in pin.why


def test_a_blow_at_every_turn_is_a_part_of_the_drive(tmp_path: Path) -> None:
    found = diagnosed(tmp_path, struck, 1.0)
    assert found.quality[0].reasons == ()
    (pin,) = [finding for finding in found.findings if finding.tone == "stage1.ring_pin"]
    assert "rings" not in pin.why


def test_only_what_comes_with_the_turn_is_doubted() -> None:
    """A bearing's comb of a channel with pulses is its own; so is what the pulses' channel does not show."""
    reading = cast("SignalAnalysis", SimpleNamespace(law=SimpleNamespace(total_turns=400.0)))
    tones = {"stage1.ring_pin": 1.0, "bearing.input.outer_race": 3.004, "stage1.output_pin": 2.0}
    combs = {tone: comb(tone, order, 1e-9, 8.0) for tone, order in tones.items()}
    combs["stage1.output_pin"] = replace(combs["stage1.output_pin"], channels=("elsewhere",))
    findings = [
        Finding(tone=tone, component=tone, defect="local damage", probability=0.9, false_alarm_probability=1e-9,
                severity="moderate", why="Impacts.", advice="Inspect it.")
        for tone in tones
    ]  # fmt: skip
    pin, bearing, output_pin = doubted_pulses(findings, combs, reading, {POINT: leak()})
    assert pin.probability == pytest.approx(0.9 * WITHOUT_RINGING)
    assert [bearing, output_pin] == findings[1:]
