"""A round checked in the field: each planted fault of collecting is named with its remedy, its healthy twin is not."""

from __future__ import annotations

import os
import shutil
import tomllib
from collections.abc import Iterator
from itertools import islice
from pathlib import Path

import numpy as np
import pytest
from scipy.io import wavfile

from tests.made_once import made_once
from vibe.core.route.round_check import Completeness, FileSeen, PointSeen
from vibe.flow.route import field_check
from vibe.flow.route import round as rounds
from vibe.flow.route.field_check import FieldJob, FieldResult
from vibe.flow.route.round import Round, WatchResult
from vibe.flow.samples.route_round import make_practice
from vibe.spectra.identity.point_likeness import Signature
from vibe.synth.samples.collecting_faults import SAMPLE_FAULTS
from vibe.synth.samples.route_round import NEEDS_IN_MAY

ROOT = Path(__file__).resolve().parents[2]
ROUTE = ROOT / "configs" / "routes" / "water_works.toml"
TAGS = ("LS-01", "SC-01", "AE-01", "AE-02", "TH-02", "SM-01", "SM-02", "DP-01", "BF-01", "FT-01")
LONG = ("TH-01", "SP-02", "CS-01", "SP-01")
"""Drives of the practice round whose captures take longest to make. ``test_one_plan`` tries one that is too short, and
``ingest/test_field_rules`` what needs no samples: a missing point, a slow shaft, a speed noted wrongly."""


@pytest.fixture(scope="module")
def practice(tmp_path_factory: pytest.TempPathFactory) -> Path:
    def make(folder: Path) -> Path:
        make_practice(folder, only=TAGS, months=("february", "march"), workers=1)
        return folder

    return made_once(tmp_path_factory, "practice", make)


def of_later(folder: Path, month: str) -> dict[str, tuple[str, str, str]]:
    """What a check says otherwise of a later round than its truth does: by planted fault."""
    call = Round.of(ROUTE, folder / month, folder / "february").checked(workers=1)
    unnamed = {one.drive: one for one in call.missing if one.cause == "unnamed"}
    wrong = {}
    for file in call.files:
        entry = stated(folder)[name(file, folder)]
        planted = entry["planted"] or entry["file"]
        said = " ".join([file.error or "", *(r.remedy for point in file.points for r in point.reasons), *file.remarks])
        verdict = worst(file)
        if file.drive in unnamed:
            verdict, said = "missing", unnamed[file.drive].remedy
        if verdict != entry["verdict"] or entry["remedy"] not in said:
            wrong[planted] = (entry["verdict"], verdict, said)
        if planted == "clock not set" and "was not set" not in said:
            wrong[planted] = ("a remark", verdict, said)
    hours = [remark for file in call.files for remark in file.remarks if "1 h apart" in remark]
    if len(hours) != (month == "may"):
        wrong["an hour behind"] = ("one remark", str(len(hours)), "")
    return wrong


@pytest.fixture(scope="module")
def march(practice: Path, tmp_path_factory: pytest.TempPathFactory) -> Completeness:
    call = Round.of(ROUTE, practice / "march", practice / "february")
    return made_once(tmp_path_factory, "march", lambda _: call.checked(workers=1))


@pytest.fixture(scope="module")
def february(practice: Path, tmp_path_factory: pytest.TempPathFactory) -> Completeness:
    call = Round.of(ROUTE, practice / "february")
    return made_once(tmp_path_factory, "february", lambda _: call.checked(workers=1))


def stated(practice: Path) -> dict[str, dict[str, str]]:
    truth = tomllib.loads((practice / "truth.toml").read_text(encoding="utf-8"))
    return {entry["file"]: entry for entry in truth["file"]}


def name(file: FileSeen, practice: Path) -> str:
    return file.path.relative_to(practice).as_posix()


def worst(file: FileSeen) -> str:
    if file.error is not None:
        return "retake"
    order = ("accepted", "extra", "twice", "limited", "retake")
    return max((point.verdict for point in file.points), key=order.index)


def wrongly_said(march: Completeness, practice: Path) -> dict[str, tuple[str, str, str | None]]:
    """What a check of March says otherwise than its truth does: by planted fault."""
    truth = stated(practice)
    wrong = {}
    for file in march.files:
        entry = truth[name(file, practice)]
        expected = entry["verdict"]
        if expected == "twice":  # one of the two files only
            continue
        said = " ".join(reason.remedy for point in file.points for reason in point.reasons)
        if worst(file) != expected or (file.error is None and entry["remedy"] not in said):
            wrong[entry["planted"] or entry["file"]] = (expected, worst(file), said or file.error)
    return wrong


def test_every_planted_fault_is_named_with_its_remedy(practice: Path, march: Completeness) -> None:
    assert wrongly_said(march, practice) == {}


@pytest.mark.slow
def test_so_are_those_in_long_captures(tmp_path: Path) -> None:
    make_practice(tmp_path, only=LONG, months=("february", "march"), workers=1)
    february = Round.of(ROUTE, tmp_path / "february").checked(workers=1)
    assert {worst(file) for file in february.files} == {"accepted"}
    assert wrongly_said(Round.of(ROUTE, tmp_path / "march", tmp_path / "february").checked(workers=1), tmp_path) == {}


def test_what_was_delivered_twice_counts_once(practice: Path, march: Completeness) -> None:
    rakes = [file for file in march.files if file.drive == "TH-02"]
    assert sorted(worst(file) for file in rakes) == ["accepted", "accepted", "twice"]
    (apart,) = (file for file in rakes if worst(file) == "twice")
    assert apart.path.name.startswith("Copy of")


def test_a_former_tag_is_today_s_drive(march: Completeness) -> None:
    (screw,) = (file for file in march.files if file.drive == "LS-01")
    assert worst(screw) == "accepted"
    assert any("IW-3" in remark for remark in screw.remarks)


def test_a_round_without_faults_has_none(practice: Path, february: Completeness) -> None:
    assert {name(file, practice): worst(file) for file in february.files if worst(file) != "accepted"} == {}
    assert {one.drive for one in february.missing} == set(LONG)


def test_the_roll_call_ends_with_what_is_missing(march: Completeness) -> None:
    missing = {(one.drive, one.point) for one in march.missing if one.point is not None}
    good = {("LS-01", point) for point in ("input side radial", "output side radial")}
    assert missing.isdisjoint(good)
    assert ("DP-01", "output side radial") in missing
    assert ("DP-01", "input side radial") not in missing
    assert {("FT-01", "input side radial"), ("FT-01", "output side radial")} <= missing


@pytest.mark.slow
def test_without_an_earlier_round_nothing_is_called_exchanged(practice: Path) -> None:
    call = Round.of(ROUTE, practice / "march").checked(workers=1)
    (mixer,) = (file for file in call.files if file.drive == "SM-02")
    assert worst(mixer) == "accepted"


def test_files_are_judged_as_they_arrive(practice: Path, tmp_path: Path) -> None:
    folder = tmp_path / "card"
    folder.mkdir()
    watch = Round.of(ROUTE, folder).watched()
    assert next(watch).call.files == ()
    source = next((practice / "march").glob("LS-01*.h5"))
    half = folder / source.name
    content = source.read_bytes()
    half.write_bytes(content[: len(content) // 2])
    assert [path.name for path in next(watch).waiting] == [source.name]
    half.write_bytes(content)
    os.utime(half, ns=(1, 1))
    assert next(watch).changed == ()
    (seen,) = next(watch).changed
    assert worst(seen) == "accepted"
    call = next(watch).call
    assert ("LS-01", "input side radial") not in {(one.drive, one.point) for one in call.missing}
    half.unlink()
    look = next(watch)
    assert [path.name for path in look.gone] == [source.name]
    assert look.call.files == ()


def looked(watch: Iterator[WatchResult], times: int = 8) -> list[WatchResult]:
    return list(islice(watch, times))


def test_a_card_pulled_while_it_is_read_is_read_when_it_is_back(
    practice: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    card, away = tmp_path / "card", tmp_path / "away"
    card.mkdir()
    source = next((practice / "march").glob("LS-01*.h5"))
    shutil.copy(source, card)
    read = field_check.look_at

    def pulled(job: FieldJob) -> FieldResult:
        card.rename(away)
        return read(job)

    watch = Round.of(ROUTE, card).watched()
    next(watch)
    monkeypatch.setattr(rounds, "look_at", pulled)
    next(watch)
    monkeypatch.setattr(rounds, "look_at", read)
    gone = looked(watch, 2)
    assert [look.away for look in gone] == [True, True]
    assert all(look.call.files == () and not look.changed for look in gone)
    away.rename(card)
    back = looked(watch)
    (seen,) = [file for look in back for file in look.changed]
    assert worst(seen) == "accepted"
    card.rename(away)
    assert [file.path.name for file in looked(watch, 2)[-1].call.files] == [source.name]


def test_readings_typed_while_one_watches_count_and_rubbish_costs_nothing(practice: Path, tmp_path: Path) -> None:
    (tmp_path / "RAKE-S").mkdir()
    shutil.copy(min((practice / "march" / "RAKE-S").glob("P1*.wav")), tmp_path / "RAKE-S")
    readings = tmp_path / "readings.toml"
    readings.write_text("", encoding="utf-8")
    watch = Round.of(ROUTE, tmp_path, readings=readings).watched()
    notes = [one.what for one in looked(watch)[-1].call.missing if one.point is None]
    assert notes == ["speed and load not noted"]
    for number, text in enumerate(
        ['[[stop]]\ndrive = "TH-02"\nspeed_rpm = 1460\nload_percent = 80\n', '[[stop]]\ndrive = "TH-2"\n'], start=1
    ):
        readings.write_text(text, encoding="utf-8")
        os.utime(readings, ns=(number, number))
        last = looked(watch)[-1]
        (file,) = last.call.files
        assert (file.speed_noted, file.load_noted) == (True, True)
        assert not [one for one in last.call.missing if one.point is None]
    assert "did you mean 'TH-02'" in last.trouble


def test_a_folder_that_is_none_is_refused(tmp_path: Path) -> None:
    from vibe.core.errors import CallError

    with pytest.raises(CallError, match="no folder of captures"):
        Round.of(ROUTE, tmp_path / "nowhere")
    (tmp_path / "empty").mkdir()
    with pytest.raises(CallError, match="holds no capture"):
        Round.of(ROUTE, tmp_path / "empty").checked()


def test_rubbish_is_reported_and_costs_nothing_else(practice: Path, tmp_path: Path) -> None:
    shutil.copy(next((practice / "march").glob("LS-01*.h5")), tmp_path)
    (tmp_path / "empty.wav").write_bytes(b"")
    (tmp_path / "text.csv").write_text("hello\nworld\n", encoding="utf-8")
    (tmp_path / "=cmd.h5").write_bytes(b"\x89HDF\r\n\x1a\n" + b"\0" * 100)
    call = Round.of(ROUTE, tmp_path).checked(workers=1)
    assert sum(file.error is not None for file in call.files) == 3
    assert sum(worst(file) == "accepted" for file in call.files) == 1


def test_a_run_never_calls_sound_what_the_check_sends_back(practice: Path, tmp_path: Path) -> None:
    """A mixer whose cables were exchanged, which only the earlier round shows, and a screw that is as it was."""
    import json

    from vibe.flow.run.run import run_recipe

    for month in ("february", "march"):
        (tmp_path / month).mkdir()
        for tag in ("LS-01", "SM-02"):
            shutil.copy(next((practice / month).glob(f"{tag}*.h5")), tmp_path / month)
    ended = next((practice / "march").glob("FT-01*.h5"))
    recipe = ROOT / "pipelines" / "round.toml"
    before, now = tmp_path / "before", tmp_path / "now"
    first = run_recipe(recipe, captures=tmp_path / "february", out=before, workers=1, pdf=False)
    assert {row.tag: row.state for row in first.rows} == {"LS-01": "sound", "SM-02": "sound"}
    assert not first.rejected
    shutil.copy(ended, tmp_path / "march")
    second = run_recipe(recipe, captures=tmp_path / "march", out=now, workers=1, pdf=False, earlier=before)
    assert {row.tag: row.state for row in second.rows} == {"LS-01": "sound", "SM-02": "unknown"}
    assert second.rejected
    record = json.loads((now / "run.json").read_text(encoding="utf-8"))
    assert [(one["drive"], one["point"], one["verdict"]) for one in record["retakes"]] == [
        ("SM-02", "input side radial", "retake"),
        ("SM-02", "output side radial", "retake"),
        ("FT-01", None, "unreadable"),
    ]
    counts = record["check"]
    assert counts["accepted"] == 2
    assert counts["accepted"] + counts["repeats"] + counts["unread"] + counts["unnamed"] + counts["without"] == 30
    assert (counts["repeats"], counts["unread"]) == (2, 2)
    assert any(counts["text"] in remark for remark in second.remarks)
    page = (now / "index.html").read_text(encoding="utf-8")
    assert counts["text"] in page
    assert "Follow both cables" in page
    report = json.loads((now / "SM-02" / "health.json").read_text(encoding="utf-8"))
    assert {one["field_verdict"] for one in report["captures"][0]["channels"]} == {"retake"}
    assert "exchanged" in report["state_rule"]


@pytest.mark.slow
def test_every_fault_of_april_and_may_is_named_with_its_remedy(tmp_path: Path) -> None:
    """What recorders and cables spoil; February, which the earlier tests accept, is the healthy twin of each, and so
    are drives of May at which nothing goes wrong."""
    make_practice(tmp_path, months=("february", "april", "may"), workers=1)
    assert {month: of_later(tmp_path, month) for month in ("april", "may")} == {"april": {}, "may": {}}
    planted = {entry["planted"] for entry in stated(tmp_path).values()} - {""}
    assert planted == {*SAMPLE_FAULTS, *NEEDS_IN_MAY}


def test_floats_of_a_logger_are_read_or_refused_in_words(tmp_path: Path) -> None:
    """Numbers in m/s² are no shares of full_scale, and the remedy that is named makes them readable without a new
    capture; shares are read as the whole numbers were."""
    make_practice(tmp_path, only=("TH-02",), months=("february", "may"), workers=1)
    may = tmp_path / "may" / "RAKE-S"
    shutil.copytree(tmp_path / "february", tmp_path / "shares")
    for path in (tmp_path / "shares").rglob("*.wav"):
        rate_hz, counts = wavfile.read(path)
        wavfile.write(path, rate_hz, (counts / 32_767).astype("<f4"))
    call = Round.of(ROUTE, tmp_path / "shares").checked(workers=1)
    assert [worst(file) for file in call.files] == ["accepted", "accepted"]
    refused = Round.of(ROUTE, tmp_path / "may").checked(workers=1)
    assert all("write scale = 1 into P" in (file.error or "") for file in refused.files)
    assert all("no new capture is needed" in file.remedy for file in refused.files)
    for path in sorted(may.glob("*.wav")):
        path.with_name(path.name + ".toml").write_text('[channels."track 0"]\nscale = 1\n', encoding="utf-8")
    mended = Round.of(ROUTE, tmp_path / "may", tmp_path / "february").checked(workers=1)
    assert [worst(file) for file in mended.files] == ["accepted", "accepted"]


def test_an_earlier_round_that_lies_around_this_one_holds_other_files(tmp_path: Path) -> None:
    for month in ("february", "march"):
        (tmp_path / month).mkdir()
        (tmp_path / month / "LS-01.h5").touch()
    jobs = Round.of(ROUTE, tmp_path / "march", tmp_path)._earlier_jobs()
    assert [job.path.parent.name for job in jobs] == ["february"]


@pytest.mark.parametrize("apart_db", [0.3, 6.0])
def test_points_too_much_alike_for_an_exchange_to_be_noticed_are_named_once(apart_db: float) -> None:
    """Two channels, each in a file of its own as some loggers write them."""
    shape = np.random.default_rng(2).standard_normal((3, 60))
    like = {"a": shape[0], "b": shape[0] + apart_db * shape[1]}
    now = {name: Signature(level_db=(row + 0.3 * shape[2]).astype(np.float32)) for name, row in like.items()}
    before = {"D": {name: (Signature(level_db=row.astype(np.float32)),) for name, row in like.items()}}
    looks = [
        FieldResult(
            seen=FileSeen(path=Path(f"{name}.wav"), drive="D", points=(PointSeen(point=name, verdict="accepted"),)),
            like={name: row},
        )
        for name, row in now.items()
    ]
    files = rounds._with_exchanges(looks, before, Round.of(ROUTE, ROOT)._ready().rules)
    remarks = [remark for file in files for remark in file.remarks]
    assert [("too much alike" in remark, "unplug" in remark) for remark in remarks] == [(True, True)] * (apart_db < 1)


@pytest.mark.parametrize(
    "how",
    [
        "filtered, noise added",
        *(pytest.param(how, marks=pytest.mark.slow) for how in ("moved", "backwards", "resampled")),
    ],
)
def test_an_old_capture_under_a_new_date_is_sent_back_however_it_was_changed(
    how: str, practice: Path, tmp_path: Path
) -> None:
    """March's own captures, of the same drives, are accepted next to February's in the tests above."""
    shutil.copytree(practice / "march" / "RAKE-S", tmp_path / "RAKE-S", ignore=shutil.ignore_patterns("*.wav"))
    rng = np.random.default_rng(4)
    for path in sorted((practice / "february" / "RAKE-S").glob("P?_*.wav")):
        rate_hz, counts = wavfile.read(path)
        x = counts.astype(np.float64)
        if how == "moved":
            x = 0.8 * x[rate_hz // 2 :]
        elif how == "backwards":
            x = x[::-1]
        elif how == "resampled":
            x = np.interp(np.arange(0, x.size - 1, 1.004), np.arange(x.size), x)
        else:
            x = np.convolve(x, np.ones(4) / 4, "same") + 0.2 * x.std() * rng.normal(size=x.size)
        name_now = path.name.replace("202602", "202603")
        wavfile.write(tmp_path / "RAKE-S" / name_now, rate_hz, np.clip(np.rint(x), -32768, 32767).astype(np.int16))
    call = Round.of(ROUTE, tmp_path, practice / "february").checked(workers=1)
    said = [[reason.code for reason in point.reasons] for file in call.files for point in file.points]
    assert said
    assert all(codes == ["copied_before"] for codes in said)
