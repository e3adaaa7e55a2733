"""A capture beside earlier ones of the same drive: what grew is damage, what was always there is not, silence is asked
about."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.studies.fleet import FLEET, settings, tones
from vibe.core.capture import Capture
from vibe.core.errors import CallError
from vibe.core.past import PastCapture
from vibe.flow.judging import Judged, judge_samples
from vibe.flow.keeping import keep
from vibe.flow.past import accepted, alike, from_folder
from vibe.flow.reporting import dossier_from, dossier_of
from vibe.history.store import Store
from vibe.synth.conditions import Conditions
from vibe.synth.damage import Damage
from vibe.synth.simulate import simulate
from vibe.synth.writers import write_capture

TAG, POINTS = "ratio-29", ("input side radial", "output side radial")
DRIVE = FLEET[TAG]
RACE, PIN = "bearing.input bearing.inner_race", "stage1.ring_pin"
FIRST_DAY = datetime(2026, 3, 1, 8, 0, tzinfo=UTC)


def capture(seed: int, *damage: Damage, **conditions: Any) -> Capture:
    """The same machine again, on the day of its seed."""
    fixed = {"duration_s": 6.0, "sample_rate_hz": 12_800.0, "machine_seed": 5, "points": POINTS}
    fixed |= {"speed_rpm": 966.0 + seed % 7}
    when = FIRST_DAY + timedelta(days=seed)
    return simulate(DRIVE, damage, seed=seed, conditions=Conditions(**{**fixed, "measured_at": when, **conditions}))


def judged(one: Capture, earlier: Sequence[PastCapture] = ()) -> Judged:
    return judge_samples(one, DRIVE, tones(TAG), settings(), earlier=earlier, traced=True)


def quieter(one: Capture, factor: float) -> Capture:
    channels = tuple(replace(c, samples=c.samples * np.float32(factor), step=None) for c in one.channels)
    return replace(one, channels=channels)


@pytest.fixture(scope="module")
def sound() -> list[PastCapture]:
    """What six sound captures leave."""
    return accepted([judged(capture(100 + k)) for k in range(6)])


def test_damage_too_faint_for_the_floor_is_found_by_its_growth(sound: list[PastCapture]) -> None:
    faint = capture(110, Damage(RACE, 0.14, 0))
    assert judged(faint).findings == []
    [finding] = judged(faint, sound).findings
    assert finding.component.startswith("bearing.input bearing")
    assert finding.growth_db is not None
    assert finding.growth_db > 1.0
    assert finding.severity == "slight"
    assert "above those of its own six earlier captures, which scatter by 0." in finding.why
    assert any(item.kind == "past" for item in finding.evidence)


def test_their_sound_twin_is_quiet(sound: list[PastCapture]) -> None:
    result = judged(capture(110), sound)
    assert result.findings == []
    assert len(result.growths) > 10


def test_damage_that_was_always_there_is_still_named_and_said_not_to_have_grown() -> None:
    damage = Damage(RACE, 0.5, 0)
    before = accepted([judged(capture(200 + k, damage)) for k in range(4)])
    finding = judged(capture(210, damage), before).findings[0]
    assert finding.component.startswith("bearing.input bearing")
    assert finding.growth_db is None
    assert "as in its own four earlier captures" in finding.why


def test_three_earlier_captures_tell_no_growth(sound: list[PastCapture]) -> None:
    assert judged(capture(110, Damage(RACE, 0.14, 0)), sound[:3]).growths == {}


def test_another_gain_is_no_growth(sound: list[PastCapture]) -> None:
    result = judged(quieter(capture(110), 0.5), sound)
    assert result.findings == []
    assert min(growth.chance for growth in result.growths.values()) > 1e-3


def test_other_speeds_and_loads_are_not_compared(sound: list[PastCapture]) -> None:
    now = sound[0]
    faster, loaded = replace(now, speed_hz=1.03 * now.speed_hz), replace(now, load_percent=75.0 + 16.0)
    near, unknown = replace(now, load_percent=80.0), replace(now, load_percent=None)
    kept = alike(replace(now, load_percent=75.0), [faster, loaded, near, unknown], settings().diagnosis.past)
    assert kept == [near, unknown]


def test_later_captures_and_the_capture_itself_are_no_past(sound: list[PastCapture]) -> None:
    first = capture(99)
    assert judged(first, sound).growths == {}
    again = capture(105)
    assert next(iter(judged(again, sound).growths.values())).captures == 5


def test_a_fall_of_twenty_decibels_makes_the_state_unknown_and_says_what_to_check(sound: list[PastCapture]) -> None:
    result = judged(quieter(capture(111), 0.1), sound)
    health = dossier_from(DRIVE, tones(TAG), [result], settings()).health
    assert health.state == "unknown"
    assert "20 dB or so below" in health.state_rule
    assert "Check that the drive is loaded" in health.do_by
    assert all(any("20 dB below that of 6 earlier captures" in remark for remark in c.remarks) for c in health.captures)


@pytest.mark.parametrize("change", ["ten decibels", "no load"])
def test_a_lower_load_is_not_asked_about(change: str, sound: list[PastCapture]) -> None:
    one = quieter(capture(111), 10 ** (-10 / 20)) if change == "ten decibels" else capture(111, load_percent=15.0)
    result = judged(one, sound)
    assert result.unheard is None
    assert not any("earlier captures" in remark for remark in result.remarks)


def test_one_sensor_that_came_off_is_named_and_the_other_still_judges(sound: list[PastCapture]) -> None:
    one = capture(111)
    first = replace(one.channels[0], samples=one.channels[0].samples * np.float32(0.05), step=None)
    result = judged(replace(one, channels=(first, *one.channels[1:])), sound)
    assert result.unheard is None
    assert [q.channel for q in result.quality if q.verdict == "rejected"] == [POINTS[0]]


def test_a_folder_of_earlier_captures_serves_and_what_does_not_fit_is_said(tmp_path: Path) -> None:
    folder = tmp_path / "earlier"
    folder.mkdir()
    for k in range(4):
        write_capture(capture(100 + k), folder / f"{k}.h5")
    write_capture(replace(capture(104), drive="another"), folder / "other.h5")
    (folder / "broken.h5").write_bytes(b"no capture")
    now = tmp_path / "now.h5"
    write_capture(capture(110, Damage(RACE, 0.14, 0)), now)
    past, remarks = from_folder(folder, DRIVE, tones(TAG), settings())
    assert len(past) == 4
    assert [remark.split(",")[0] for remark in remarks] == ["broken.h5"]
    health = dossier_of(DRIVE, tones(TAG), [now], settings(), earlier=past).health
    assert health.state != "sound"
    assert dossier_of(DRIVE, tones(TAG), [now], settings()).health.state == "sound"
    several = [*sorted(folder.glob("[0-3].h5")), now]
    assert dossier_of(DRIVE, tones(TAG), several, settings()).health.state == health.state


def test_no_such_folder_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(CallError, match="no folder of captures"):
        from_folder(tmp_path / "gone", DRIVE, tones(TAG), settings())


def test_a_history_serves_as_the_past(tmp_path: Path) -> None:
    with Store.open(tmp_path / "history", create=True) as store:
        for k in range(4):
            path = tmp_path / f"{k}.h5"
            write_capture(capture(100 + k), path)
            keep(path, DRIVE, tones(TAG), settings(), store)
    past, remarks = from_folder(tmp_path / "history", DRIVE, tones(TAG), settings())
    assert len(past) == 4
    assert remarks == []
    assert judged(capture(110), past).growths
