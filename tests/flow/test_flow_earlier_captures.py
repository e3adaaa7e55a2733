"""A capture compared with earlier ones of the same drive: what grew is damage, what was always there is not, silence is
asked about."""

from __future__ import annotations

import json
import shutil
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

from tests.studies.fleet import FLEET, settings, tones
from vibe.core.capture import Capture
from vibe.core.comb_history import PastCapture
from vibe.core.errors import CallError
from vibe.core.records.history import Event
from vibe.flow import capture_folder
from vibe.flow.diagnose.capture_diagnosis import CaptureDiagnosis, diagnose_samples
from vibe.flow.diagnose.drive_diagnosis import drive_report_from, drive_report_of
from vibe.flow.diagnose.earlier_captures import accepted, alike, growths
from vibe.flow.diagnose.earlier_diagnoses import from_folder, kept_files, kept_pasts
from vibe.flow.history.bulk_import import Delivery, keep_files
from vibe.flow.run.run import run_recipe
from vibe.history.store.maintenance import verify
from vibe.history.store.store import Store
from vibe.synth.conditions import Conditions
from vibe.synth.machine.damage import Damage
from vibe.synth.simulate import simulate
from vibe.synth.writers import write_capture

TAG, POINTS = "ratio-29", ("input side radial", "output side radial")
DRIVE = FLEET[TAG]
RACE, PIN = "bearing.input bearing.inner_race", "stage1.ring_pin"
FILE = """\
tag = "ratio-29"
[input]
speed_rpm = 970.0
speed_range_rpm = [940.9, 999.1]
power_kw = 4.0
[motor]
poles = 6
line_hz = 50.0
[[stage]]
kind = "cycloidal"
lobes = 29
ring_pins = 30
output_pins = 10
discs = 2
fixed = "ring"
"""
BEARING = """\
[[bearing]]
name = "{name}"
inner = "{inner}"
outer = "{outer}"
elements = {elements}
element_diameter_mm = {element_diameter_mm}
pitch_diameter_mm = {pitch_diameter_mm}
"""
FIRST_DAY = datetime(2026, 3, 1, 8, 0, tzinfo=UTC)


@cache
def capture(seed: int, *damage: Damage, **conditions: Any) -> Capture:
    """The same machine again, on the day of its seed; made once for all tests, which do not change it."""
    fixed = {"duration_s": 6.0, "sample_rate_hz": 12_800.0, "machine_seed": 5, "points": POINTS}
    fixed |= {"speed_rpm": 966.0 + seed % 7}
    when = FIRST_DAY + timedelta(days=seed)
    return simulate(DRIVE, damage, seed=seed, conditions=Conditions(**{**fixed, "measured_at": when, **conditions}))


def judged(one: Capture, earlier: Sequence[PastCapture] = ()) -> CaptureDiagnosis:
    return diagnose_samples(one, DRIVE, tones(TAG), settings(), earlier=earlier, traced=True)


def quieter(one: Capture, factor: float) -> Capture:
    channels = tuple(replace(c, samples=c.samples * np.float32(factor), step=None) for c in one.channels)
    return replace(one, channels=channels)


@pytest.fixture(scope="module")
def sound() -> list[PastCapture]:
    """What six sound captures leave."""
    return accepted([judged(capture(100 + k)) for k in range(6)])


def test_damage_too_faint_for_the_floor_is_found_by_its_growth(sound: list[PastCapture]) -> None:
    faint = capture(113, Damage(RACE, 0.115, 0))
    assert judged(faint).findings == []
    [finding] = judged(faint, sound).findings
    assert finding.component.startswith("bearing.input bearing")
    assert finding.growth_db is not None
    assert finding.growth_db > 1.0
    assert finding.severity == "slight"
    assert "above those of its own six earlier captures, which scatter by 0." in finding.why
    assert any(item.kind == "past" for item in finding.evidence)


def test_what_sound_bearings_may_show_is_surer_where_it_grew(sound: list[PastCapture]) -> None:
    faint = capture(110, Damage(RACE, 0.125, 0))
    assert judged(faint).findings[0].damage_probability < 0.5
    assert judged(faint, sound).findings[0].damage_probability > 0.9


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
    assert judged(capture(113, Damage(RACE, 0.115, 0)), sound[:3]).growths == {}


def test_another_gain_is_no_growth(sound: list[PastCapture]) -> None:
    result = judged(quieter(capture(110), 0.5), sound)
    assert result.findings == []
    assert min(growth.chance for growth in result.growths.values()) > 1e-3


def test_other_speeds_and_loads_are_not_compared(sound: list[PastCapture]) -> None:
    now = sound[0]
    faster, loaded = replace(now, speed_hz=1.06 * now.speed_hz), replace(now, load_percent=75.0 + 16.0)
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
    health = drive_report_from(DRIVE, tones(TAG), [result], settings()).health
    assert health.state == "unknown"
    assert "20 dB or so below" in health.state_rule
    assert "Check that the drive is loaded" in health.do_by
    assert all(any("20 dB below that of 6 earlier captures" in remark for remark in c.remarks) for c in health.captures)


@pytest.mark.parametrize("change", ["ten decibels", "no load"])
def test_a_lower_load_is_not_asked_about(change: str, sound: list[PastCapture]) -> None:
    one = quieter(capture(111), 10 ** (-10 / 20)) if change == "ten decibels" else capture(111, load_percent=15.0)
    result = judged(one, sound)
    assert result.not_detected is None
    assert not any("earlier captures" in remark for remark in result.report.remarks)


def test_one_sensor_that_came_off_is_named_and_the_other_still_judges(sound: list[PastCapture]) -> None:
    one = capture(111)
    first = replace(one.channels[0], samples=one.channels[0].samples * np.float32(0.05), step=None)
    result = judged(replace(one, channels=(first, *one.channels[1:])), sound)
    assert result.not_detected is None
    assert [q.channel for q in result.quality if q.verdict == "rejected"] == [POINTS[0]]


def test_a_folder_of_earlier_captures_serves_and_what_does_not_fit_is_said(tmp_path: Path) -> None:
    folder = tmp_path / "earlier"
    folder.mkdir()
    for k in range(4):
        write_capture(capture(100 + k), folder / f"{k}.h5")
    write_capture(replace(capture(104), drive="another"), folder / "other.h5")
    (folder / "broken.h5").write_bytes(b"no capture")
    now = tmp_path / "now.h5"
    write_capture(capture(113, Damage(RACE, 0.115, 0)), now)
    past, remarks = from_folder(folder, DRIVE, tones(TAG), settings())
    assert len(past) == 4
    assert [remark.split(",")[0] for remark in remarks] == ["broken.h5"]
    health = drive_report_of(DRIVE, tones(TAG), [now], settings(), earlier=past).health
    assert health.state != "sound"
    assert drive_report_of(DRIVE, tones(TAG), [now], settings()).health.state == "sound"
    several = [*sorted(folder.glob("[0-3].h5")), now]
    assert drive_report_of(DRIVE, tones(TAG), several, settings()).health.state == health.state


def test_no_such_folder_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(CallError, match="no folder of captures"):
        from_folder(tmp_path / "gone", DRIVE, tones(TAG), settings())


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A history of five sound captures and the drive's file next to it."""
    folder = tmp_path_factory.mktemp("kept")
    bearings = "".join(
        BEARING.format(**bearing.model_dump()) + (f'load = "{bearing.load}"\n' if bearing.load else "")
        for bearing in DRIVE.bearing
    )
    (folder / "drive.toml").write_text(FILE + bearings, encoding="utf-8")
    (folder / "first").mkdir()
    for k in range(5):
        write_capture(capture(100 + k), folder / "first" / f"{k}.h5")
    delivered(folder / "first", folder)
    return folder


def delivered(captures: Path, folder: Path) -> None:
    with Store.open(folder / "history", create=True) as store:
        outcome = keep_files(
            sorted(captures.iterdir()), Delivery.of(captures, drive=folder / "drive.toml"), store, workers=1
        )
    assert outcome.refused == ()


def stated(store: Path, number: int) -> dict[str, Any]:
    """The report of the capture of a day, as it was kept."""
    with Store.open(store) as opened:
        [one] = [c for c in opened.captures(DRIVE.tag) if c.measured_at == FIRST_DAY + timedelta(days=number)]
        return json.loads(opened.health(one.content))


def copied(kept: Path, folder: Path) -> Path:
    return Path(shutil.copytree(kept, folder / "copy"))


def test_a_history_serves_as_the_past_without_a_look_at_old_samples(
    kept: Path, sound: list[PastCapture], monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(path: Path) -> Capture:
        raise AssertionError(f"{path} was read")

    monkeypatch.setattr(capture_folder, "plain_reader", refuse)
    past, remarks = from_folder(kept / "history", DRIVE, tones(TAG), settings())
    assert len(past) == 5
    assert remarks == []
    faint = capture(113, Damage(RACE, 0.115, 0))
    [finding] = judged(faint, past).findings
    [same] = judged(faint, sound[:5]).findings
    assert finding.component == same.component
    assert finding.growth_db == pytest.approx(same.growth_db, abs=0.4)


def test_what_is_added_to_a_history_is_judged_next_to_what_is_there(kept: Path, tmp_path: Path) -> None:
    folder = copied(kept, tmp_path)
    (folder / "second").mkdir()
    write_capture(capture(113, Damage(RACE, 0.115, 0)), folder / "second" / "faint.h5")
    write_capture(capture(111), folder / "second" / "sound.h5")
    write_capture(quieter(capture(112), 0.1), folder / "second" / "silent.h5")
    delivered(folder / "second", folder)
    [finding] = stated(folder / "history", 113)["findings"]
    assert finding["growth_db"] > 1.0
    assert stated(folder / "history", 111)["findings"] == []
    assert stated(folder / "history", 112)["state"] == "unknown"
    with Store.open(folder / "history") as store:
        assert verify(store).wrong == ()


def test_a_part_that_was_changed_has_no_past(kept: Path, tmp_path: Path) -> None:
    folder = copied(kept, tmp_path)
    with Store.open(folder / "history") as store:
        changed = FIRST_DAY + timedelta(days=102, hours=1)
        store.add_event(Event(drive=DRIVE.tag, at=changed, kind="bearing change"))
        assert len(kept_files(store, DRIVE.tag, settings())) == 2


def test_captures_that_an_older_program_kept_are_read_again(kept: Path, tmp_path: Path) -> None:
    folder = copied(kept, tmp_path)
    files = sorted((folder / "history").glob("captures/*/*.h5"))
    for path in files[:3]:
        with h5py.File(path, "r+") as file:
            del file["past"]
    assert len(kept_pasts(files)) == 2
    assert len(from_folder(folder / "history", DRIVE, tones(TAG), settings())[0]) == 5


def test_a_run_compares_with_a_history(kept: Path, tmp_path: Path) -> None:
    folder = copied(kept, tmp_path)
    (folder / "now").mkdir()
    write_capture(capture(113, Damage(RACE, 0.115, 0)), folder / "now" / "faint.h5")
    recipe = 'kind = "route"\ntitle = "A round"\ndrives = ["drive.toml"]\ncaptures = "now"\npdf = false\n'
    (folder / "round.toml").write_text(recipe, encoding="utf-8")
    [alone] = run_recipe(folder / "round.toml", out=tmp_path / "alone", workers=1).rows
    [next_to] = run_recipe(
        folder / "round.toml", out=tmp_path / "beside", workers=1, store=folder / "history"
    ).rows  # fmt: skip
    assert alone.top_finding is None
    assert next_to.top_finding is not None


def test_scores_are_compared_with_those_at_any_load_as_well(sound: list[PastCapture]) -> None:
    """A comb that stood as high at another load has not grown, though at this load it never did."""
    now, rules = sound[0], settings().diagnosis.past
    assert now.trace is not None
    tone = now.trace.tones[0]

    def scored(one: PastCapture, score: float, load: float) -> PastCapture:
        assert one.trace is not None
        scores = (score, *one.trace.scores[1:])
        return replace(one, load_percent=load, trace=replace(one.trace, scores=scores))

    grown = scored(now, 40.0, 50.0)
    at_this_load = [scored(one, 9.0 + k % 3, 50.0) for k, one in enumerate(sound[1:7])]
    loud, low = ([scored(one, score, 90.0) for one in sound[1:4]] for score in (45.0, 9.0))
    assert growths(grown, [*at_this_load, *low], rules)[tone].surprise < 1e-4
    assert growths(grown, [*at_this_load, *loud], rules)[tone].surprise > 0.01
    assert growths(grown, [*at_this_load, *loud], rules)[tone].captures == len(at_this_load)
