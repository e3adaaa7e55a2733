"""A set to an acceptance, end to end. The five shipped sets are tried by the slow test; here they are short."""

from __future__ import annotations

import hashlib
import json
import re
import shutil
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from vibe.core.errors import CallError, ConfigError, OutputError
from vibe.core.records.acceptance import Acceptance, Outcome
from vibe.flow.commissioning import shown_sizes
from vibe.flow.commissioning.acceptance import Accepted, _Read, run_commissioning
from vibe.flow.commissioning.baseline_package import package_of
from vibe.flow.commissioning.requirements import population_values
from vibe.flow.samples.commissioning import make_commissioning
from vibe.flow.settings import share_dir
from vibe.history.store.store import Store

RECIPE = 'kind = "commissioning"\ntitle = "t"\ncaptures = "sets"\npdf = false\n'
SPEC = """
begins = 2026-04-14T07:30:00+02:00
drive = "acceptance/sample_drive.toml"
requirements = "acceptance/sample_requirements.toml"
points = ["input side radial"]
rate_hz = 25600.0
mounting = "stud"
[[run]]
kind = "rated load"
seconds = 5.0
load_percent = 100.0
noise = [1.0]
minutes = 10.0
temperature_c = 61.0
[[set]]
name = "good"
serial = "1"
seed = 21
expected = "undetermined"
note = ""
[[set]]
name = "wrong_ratio"
serial = "2"
seed = 22
built = { lobes = 14, ring_pins = 15, ratio = 14 }
expected = "fail"
note = ""
[[set]]
name = "bruised"
serial = "3"
seed = 21
damage = ["bearing.eccentric bearing.outer_race:1.5"]
expected = "fail"
note = ""
[[set]]
name = "unequal"
serial = "4"
seed = 21
unequal_discs = 0.5
expected = "fail"
note = ""
"""
REQUIREMENTS = """
title = "t"
[[requirement]]
id = "velocity"
kind = "zone"
text = "t"
source = "s"
standard = "gear_units class III"
factor = 1.25
[[requirement]]
id = "unequal discs"
kind = "phasing line"
text = "t"
source = "s"
harmonic = 1
limit = 0.04
unit = "mm/s"
[[requirement]]
id = "eccentric bearing"
kind = "no damage"
text = "t"
source = "s"
tone = "bearing.eccentric bearing"
false_alarm_rate = 0.01
[[requirement]]
id = "all parts"
kind = "no damage"
text = "t"
source = "s"
false_alarm_rate = 0.01
[[requirement]]
id = "counts"
kind = "identity"
text = "t"
source = "s"
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("commissioning")
    (folder / "spec.toml").write_text(SPEC, encoding="utf-8")
    (folder / "recipe.toml").write_text(RECIPE, encoding="utf-8")
    made = make_commissioning(folder / "sets", spec=folder / "spec.toml", workers=1)
    assert len(made.files) == 4
    for path in made.files:
        (path.parent / "requirements.toml").write_text(REQUIREMENTS, encoding="utf-8")
    return folder


@pytest.fixture(scope="module", autouse=True)
def few_trials() -> Iterator[None]:
    """Of each part one impact is tried, a large one."""
    with pytest.MonkeyPatch.context() as patch:
        for name, value in (("TRIALS", 1), ("MOST_STEPS", 1), ("FIRST", 64.0)):
            patch.setattr(shown_sizes, name, value)
        yield


@pytest.fixture(scope="module")
def done(folder: Path) -> dict[str, Accepted]:
    accepted = run_commissioning(folder / "recipe.toml", out=folder / "out", workers=1)
    return {one.acceptance.serial: one for one in accepted}


def by_id(one: Accepted) -> dict[str, Outcome]:
    return {outcome.requirement.id: outcome for outcome in one.acceptance.outcomes}


def answers(one: Accepted) -> dict[str, str]:
    return {name: outcome.answer for name, outcome in by_id(one).items()}


def test_a_good_drive_is_open_only_for_what_its_short_captures_cannot_show(done: dict[str, Accepted]) -> None:
    assert answers(done["1"]) == {
        "velocity": "pass", "unequal discs": "pass", "eccentric bearing": "pass", "all parts": "undetermined",
        "counts": "pass",
    }  # fmt: skip
    outcome = by_id(done["1"])["all parts"]
    assert "bearing.output bearing.cage" in outcome.why
    assert outcome.settles is not None
    # The length that the plan states for that cage: 12 s would barely show it and leave the answer open.
    assert "at least 34 s" in outcome.settles
    assert done["1"].acceptance.answer == "undetermined"


def test_a_bruised_bearing_and_unequal_discs_fail_what_they_should_and_nothing_else(done: dict[str, Accepted]) -> None:
    bruised, unequal = answers(done["3"]), answers(done["4"])
    assert [bruised[name] for name in ("velocity", "unequal discs", "eccentric bearing", "counts")] == [
        "pass", "pass", "fail", "pass",
    ]  # fmt: skip
    assert [unequal[name] for name in ("velocity", "unequal discs", "eccentric bearing", "counts")] == [
        "pass", "fail", "pass", "pass",
    ]  # fmt: skip
    assert done["3"].acceptance.answer == done["4"].acceptance.answer == "fail"


def test_other_counts_fail_and_leave_all_that_rests_on_them_open(done: dict[str, Accepted]) -> None:
    stated = answers(done["2"])
    assert stated["counts"] == "fail"
    assert stated["velocity"] == "pass"
    assert {stated[name] for name in ("unequal discs", "eccentric bearing", "all parts")} == {"undetermined"}
    acceptance = done["2"].acceptance
    assert acceptance.ratio_ordered.startswith("12 (12 lobes")
    assert acceptance.ratio_found.startswith("14 (14 lobes")


def test_each_figure_has_its_budget_and_the_zone_its_source(done: dict[str, Accepted]) -> None:
    outcome = by_id(done["1"])["velocity"]
    assert outcome.limit == pytest.approx(1.25 * 5.0)
    assert "by analogy" in outcome.why
    assert outcome.measured is not None
    assert outcome.measured.expanded is not None
    names = [one.name for one in outcome.measured.budget]
    # One capture cannot tell how captures scatter.
    assert names == [
        "calibration", "mounting", "frequency response", "transverse sensitivity", "temperature", "cable", "remounting",
        "load setting", "session", "averaging", "repeatability",
    ]  # fmt: skip
    assert outcome.measured.coverage_factor is not None
    assert outcome.measured.degrees_of_freedom is not None
    assert outcome.risk_of_false_acceptance is not None
    assert outcome.risk_of_false_acceptance < 0.025
    assert outcome.acceptance_limit == pytest.approx(6.25 - outcome.measured.expanded)
    assert 0 < outcome.measured.expanded < 0.2 * outcome.measured.value


def test_the_record_names_captures_by_content(done: dict[str, Accepted], folder: Path) -> None:
    record = json.loads((folder / "out" / "good" / "acceptance.json").read_text(encoding="utf-8"))
    assert record["schema"] == "vibe.acceptance/1"
    assert [(name, len(sha)) for name, sha in record["captures"]] == [("01 rated_load 1.h5", 64)]
    assert record["measured_from"].startswith("2026-04-14T07:30")


def test_one_page_lists_all_certificates_and_says_what_was_refused(
    done: dict[str, Accepted], folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    page = (folder / "out" / "certificates.html").read_text(encoding="utf-8")
    assert [page.count(f'href="{name}/certificate.html"') for name in ("good", "bruised", "none")] == [1, 1, 0]
    assert all(one.acceptance.captures[0][1][:16] not in page for one in done.values())

    def proved(read: _Read, *_: object, **__: object) -> Acceptance:
        if read.given.serial == "3":
            raise ConfigError("two captures are one recording", path=read.path)
        return done[read.given.serial].acceptance

    monkeypatch.setattr("vibe.flow.commissioning.acceptance.prove", proved)
    refused: list[str] = []
    rest = run_commissioning(folder / "recipe.toml", out=tmp_path / "some", refused=refused)
    assert [one.acceptance.serial for one in rest] == ["1", "4", "2"]
    assert [one.split(": ")[-1] for one in refused] == ["two captures are one recording"]
    page = (tmp_path / "some" / "certificates.html").read_text(encoding="utf-8")
    assert "Sets that were refused" in page
    assert not (tmp_path / "some" / "bruised").exists()
    with pytest.raises(ConfigError, match="one recording"):
        run_commissioning(folder / "recipe.toml", out=tmp_path / "none")


def test_a_run_that_was_interrupted_goes_on_when_it_is_started_again(
    done: dict[str, Accepted], folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    proved: list[str] = []
    stop = "4"

    def prove(read: _Read, *_: object, **__: object) -> Acceptance:
        if read.given.serial == stop:
            raise KeyboardInterrupt
        proved.append(read.given.serial)
        return done[read.given.serial].acceptance

    def run() -> tuple[Accepted, ...]:
        return run_commissioning(folder / "recipe.toml", out=tmp_path / "out", refused=[])

    monkeypatch.setattr("vibe.flow.commissioning.acceptance.prove", prove)
    with pytest.raises(KeyboardInterrupt):
        run()
    assert proved == ["3", "1"]
    stop = ""
    (tmp_path / "out" / "good" / "certificate.html").unlink()  # interrupted while it was written
    before = (tmp_path / "out" / "bruised" / "acceptance.json").read_bytes()
    again = run()
    assert proved[2:] == ["1", "4", "2"]
    assert [one.acceptance.serial for one in again] == ["3", "1", "4", "2"]
    assert again[0].acceptance == done["3"].acceptance
    assert "was there already" in again[0].remarks[0]
    assert (tmp_path / "out" / "bruised" / "acceptance.json").read_bytes() == before
    assert (tmp_path / "out" / "certificates.html").read_text(encoding="utf-8").count("certificate.html") == 4
    with pytest.raises(OutputError, match="exists already"):  # that run was no longer interrupted
        run()


def test_a_certificate_of_other_files_is_not_taken_for_what_an_interrupted_run_left(
    done: dict[str, Accepted], folder: Path, tmp_path: Path
) -> None:
    shutil.copytree(folder / "sets", tmp_path / "sets")
    shutil.copytree(folder / "out" / "good", tmp_path / "out" / "good")
    assert done["1"].files[0].parent.name == "good"
    text = (tmp_path / "sets" / "good" / "requirements.toml").read_text(encoding="utf-8")
    (tmp_path / "sets" / "good" / "requirements.toml").write_text(text + "# later\n", encoding="utf-8")
    with pytest.raises(OutputError, match="exists already, and is not of this set as it is"):
        run_commissioning(folder / "recipe.toml", captures=tmp_path / "sets", out=tmp_path / "out", refused=[])


def test_a_wrong_form_or_retest_stops_no_other_set(
    done: dict[str, Accepted], folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shutil.copytree(folder / "sets", tmp_path / "sets")
    noted = '[[requirement]]\nid = "n"\nkind = "noted"\ntext = "t"\nsource = "s"\nquantity = "torque"\nlimit = 1.0\n'
    for name, file, more, front in (
        ("wrong_ratio", "requirements.toml", noted, ""),
        ("bruised", "commissioning.toml", "[[noted]]\nrequirement = 'n'\nvalue = nan\nsource = 's'\n", ""),
        ("unequal", "commissioning.toml", "", f'retest_of = "{done["1"].files[0]}"\n'),
    ):
        path = tmp_path / "sets" / name / file
        path.write_text(front + path.read_text(encoding="utf-8") + more, encoding="utf-8")
    monkeypatch.setattr(
        "vibe.flow.commissioning.acceptance.prove", lambda read, *_, **__: done[read.given.serial].acceptance
    )
    refused: list[str] = []
    rest = run_commissioning(
        folder / "recipe.toml", captures=tmp_path / "sets", out=tmp_path / "out", refused=refused
    )  # fmt: skip
    assert [one.acceptance.serial for one in rest] == ["1"]
    expected = ("finite number, not nan", "retest_of: that record is of 1", "needs the key 'unit'")
    for sentence, said in zip(refused, expected, strict=True):
        assert said in sentence


def test_sample_sets_whose_making_was_interrupted_are_completed(folder: Path, tmp_path: Path) -> None:
    sets, spec = tmp_path / "sets", folder / "spec.toml"
    shutil.copytree(folder / "sets", sets, ignore=shutil.ignore_patterns("*.toml"))
    (sets / "truth.toml").touch()
    (gone,) = (sets / "good" / "captures").iterdir()
    (kept,) = (sets / "bruised" / "captures").iterdir()
    content, before = gone.read_bytes(), kept.stat().st_mtime_ns
    with pytest.raises(OutputError, match="exists already"):
        make_commissioning(sets, spec=spec, workers=1)
    gone.unlink()
    (sets / "truth.toml").unlink()
    make_commissioning(sets, spec=spec, workers=1)
    assert (gone.read_bytes(), kept.stat().st_mtime_ns) == (content, before)
    assert len(list(sets.glob("*/commissioning.toml"))) == 4
    (sets / "truth.toml").unlink()
    (sets / "good" / "notes.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(OutputError, match="good exists already"):
        make_commissioning(sets, spec=spec, workers=1)


def test_every_part_that_was_searched_is_named_with_what_would_have_shown(done: dict[str, Accepted]) -> None:
    parts = {one.part: one for one in by_id(done["1"])["all parts"].searched}
    assert {"stage1.lobe", "stage1.ring_pin", "bearing.eccentric bearing.outer_race"} <= set(parts)
    race, cage = parts["bearing.eccentric bearing.outer_race"], parts["bearing.output bearing.cage"]
    assert race.shown_m_s2 is not None
    assert 0.05 < race.shown_m_s2 < 30.0
    assert (cage.shown_m_s2, cage.why != "") == (None, True)
    # A lobe and an output pin strike at one order: one trial serves both.
    assert parts["stage1.lobe"].shown_m_s2 == parts["stage1.output_pin"].shown_m_s2
    passed = by_id(done["1"])["eccentric bearing"]
    assert "m/s² would have shown" in passed.why
    # Next to a damage that was found nobody can try, and of other counts no part was searched at all.
    assert all(one.shown_m_s2 is None and one.why for one in by_id(done["3"])["all parts"].searched)
    assert by_id(done["2"])["all parts"].searched == ()


def test_the_files_that_the_answer_rests_on_are_named_by_content(done: dict[str, Accepted], folder: Path) -> None:
    own = folder / "sets" / "good"
    found = {one.file: one.sha256 for one in done["1"].acceptance.inputs}
    for name in ("drive.toml", "requirements.toml", "commissioning.toml"):
        assert found[name] == hashlib.sha256((own / name).read_bytes()).hexdigest()
    assert {"limits.toml", "judgement.toml", "diagnosis.toml", "measurement.toml"} <= set(found)


def test_a_drive_file_without_bearings_proves_nothing_about_them(folder: Path, tmp_path: Path) -> None:
    given = folder / "sets" / "bruised"
    bare = (given / "drive.toml").read_text(encoding="utf-8").split("[[bearing]]")[0]
    (given / "bare_drive.toml").write_text(bare, encoding="utf-8")
    head = REQUIREMENTS.split("[[requirement]]")[0] + "[[requirement]]\n"
    ask = 'id = "sound"\nkind = "no damage"\ntext = "No damage of any bearing or pin"\nsource = "s"\n'
    (given / "sound.toml").write_text(f"{head}{ask}false_alarm_rate = 0.01\n", encoding="utf-8")
    text = (given / "commissioning.toml").read_text(encoding="utf-8")
    path = given / "bare_set.toml"
    path.write_text(
        text.replace("drive.toml", "bare_drive.toml").replace("requirements.toml", "sound.toml"), encoding="utf-8"
    )
    (accepted,) = run_commissioning(folder / "recipe.toml", captures=path, out=tmp_path, workers=1)
    (outcome,) = accepted.acceptance.outcomes
    assert outcome.answer == "undetermined"
    assert "does not describe it: bearing" in outcome.why
    assert outcome.settles is not None


def test_lines_are_named_as_findings_name_them(folder: Path, tmp_path: Path) -> None:
    given = folder / "sets" / "good"
    line = 'kind = "tone"\ntext = "t"\nsource = "s"\nlimit = 5.0\nunit = "mm/s"\n'
    asked = [("shaft", "input.shaft"), ("same", "1x"), ("pins", "stage1.output_pin_pass")]
    head = REQUIREMENTS.split("[[requirement]]")[0]
    text = head + "".join(f'[[requirement]]\nid = "{name}"\ntone = "{tone}"\n{line}' for name, tone in asked)
    (given / "lines.toml").write_text(text, encoding="utf-8")
    path = given / "lines_set.toml"
    own = (given / "commissioning.toml").read_text(encoding="utf-8")
    path.write_text(own.replace("requirements.toml", "lines.toml"), encoding="utf-8")
    (accepted,) = run_commissioning(folder / "recipe.toml", captures=path, out=tmp_path, workers=1)
    found = by_id(accepted)
    assert found["shaft"].measured is not None
    assert found["shaft"].measured == found["same"].measured
    assert found["pins"].measured is not None
    (given / "lines.toml").write_text(text.replace("input.shaft", "input.shft"), encoding="utf-8")
    with pytest.raises(ConfigError, match=r"no line 'input\.shft.*it has .*input\.shaft"):
        run_commissioning(folder / "recipe.toml", captures=path, out=tmp_path / "two", workers=1)


def test_nothing_is_replaced_unasked(done: dict[str, Accepted], folder: Path) -> None:
    with pytest.raises(OutputError, match="exists already"):
        run_commissioning(folder / "recipe.toml", out=folder / "out", workers=1)


def test_only_a_drive_that_passed_becomes_a_baseline(folder: Path, tmp_path: Path) -> None:
    recipe = tmp_path / "recipe.toml"
    store = tmp_path / "store"
    recipe.write_text(RECIPE + f"store = {json.dumps(str(store))}\n", encoding="utf-8")
    warm = '[[requirement]]\nid = "warm"\nkind = "temperature"\ntext = "t"\nsource = "s"\nlimit = 80.0\nunit = "°C"\n'
    text = REQUIREMENTS.split('[[requirement]]\nid = "unequal discs"')[0] + warm
    for name, requirements in (("good", text), ("unequal", text.replace("80.0", "50.0"))):
        own = folder / "sets" / name / "few.toml"
        own.write_text(requirements, encoding="utf-8")
        given = (folder / "sets" / name / "commissioning.toml").read_text(encoding="utf-8")
        path = own.with_name("few_set.toml")
        path.write_text(given.replace("requirements.toml", "few.toml"), encoding="utf-8")
        (accepted,) = run_commissioning(recipe, captures=path, out=tmp_path / name, workers=1)
        assert accepted.acceptance.answer == ("pass" if name == "good" else "fail")
        assert ("1 capture kept" in accepted.remarks[-1]) == (name == "good")
        package = package_of([tmp_path / name / "baseline"])
        assert (package is not None) == (name == "good")
        if package is not None:
            assert [path.name for path in package.captures] == ["01 rated_load 1.h5"]
    with Store.open(store) as kept:
        assert [(drive.tag, drive.captures) for drive in kept.drives()] == [("NEW-12", 1)]


def test_what_is_wrong_is_reported_before_any_work(folder: Path, tmp_path: Path) -> None:
    given = folder / "sets" / "good"
    even = REQUIREMENTS.replace("harmonic = 1", "harmonic = 2")
    (given / "even.toml").write_text(even, encoding="utf-8")
    path = given / "even_set.toml"
    text = (given / "commissioning.toml").read_text(encoding="utf-8")
    path.write_text(text.replace("requirements.toml", "even.toml"), encoding="utf-8")
    with pytest.raises(ConfigError, match="equal discs of stage1 do not cancel mesh harmonic 2; forbidden are 1, 3, 5"):
        run_commissioning(folder / "recipe.toml", captures=path, out=tmp_path, workers=1)
    with pytest.raises(CallError, match="no such file or folder"):
        run_commissioning(folder / "recipe.toml", captures=tmp_path / "none", out=tmp_path, workers=1)
    with pytest.raises(CallError, match="not 'commissioning'"):
        run_commissioning(share_dir() / "pipelines" / "route.toml", out=tmp_path)


def test_figures_of_earlier_drives_come_from_their_records(tmp_path: Path) -> None:
    for serial, value in (("1", 1.0), ("2", 1.1), ("3", 0.9), ("own", 7.0)):
        wanted = {"id": "v", "kind": "level", "measure": "velocity_rms", "tone": None, "harmonic": None}
        record = {
            "schema": "vibe.acceptance/1", "serial": serial, "ratio_ordered": "12", "measured_from": None,
            "outcomes": [{"requirement": wanted, "measured": {"value": value, "unit": "mm/s"}}],
        }  # fmt: skip
        (tmp_path / serial).mkdir()
        (tmp_path / serial / "acceptance.json").write_text(json.dumps(record), encoding="utf-8")
    assert population_values(tmp_path, "velocity_rms", "own") == ([1.0, 1.1, 0.9], "")
    assert population_values(tmp_path, "kurtosis", "own") == ([], "no record holds kurtosis")
    values, why = population_values(tmp_path / "none", "velocity_rms", "own")
    assert values == []
    assert "no such folder" in why


SETS = "good", "wrong_ratio", "bruised_bearing", "unequal_discs", "short"
LATER = "retest", "like_golden", "unlike_golden"
IMPOSSIBLE = "one_capture_twice", "no_rated_load", "calibrated_afterwards", "another_drive", "no_such_point"


def truth_of(folder: Path) -> dict[str, dict[str, str]]:
    """By serial number."""
    return {one["serial"]: one for one in tomllib.loads((folder / "truth.toml").read_text(encoding="utf-8"))["set"]}


def test_sets_that_cannot_be_are_refused_each_for_what_is_wrong_with_it(tmp_path: Path) -> None:
    # Nobody listens to them: one second of each run will do.
    text = (share_dir() / "sample_signals" / "commissioning.toml").read_text(encoding="utf-8")
    brief = tmp_path / "brief.toml"
    text = re.sub(r"(?m)^noise = .*", "noise = [1.0]", re.sub(r"(?m)^seconds = .*", "seconds = 1.0", text))
    brief.write_text(text, encoding="utf-8")
    made = make_commissioning(tmp_path / "sets", spec=brief, only=IMPOSSIBLE, workers=1)
    folder = tmp_path / "sets" / "impossible"
    assert sorted(path.parent for path in made.files) == sorted(folder / name for name in IMPOSSIBLE)
    truth = truth_of(folder)
    assert {one["expected"] for one in truth.values()} == {"refused"}
    refused: list[str] = []
    recipe = share_dir() / "pipelines" / "commissioning.toml"
    assert run_commissioning(recipe, captures=folder, out=tmp_path / "out", workers=1, refused=refused) == ()
    said = {one["says"]: [sentence for sentence in refused if one["says"] in sentence] for one in truth.values()}
    assert all(len(sentences) == 1 for sentences in said.values()), refused
    assert all(f"{one['name']}/commissioning.toml, line " in said[one["says"]][0] for one in truth.values())
    page = (tmp_path / "out" / "certificates.html").read_text(encoding="utf-8")
    assert "Sets that were refused" in page
    assert "<table" not in page
    # One by itself is stated before any work.
    with pytest.raises(ConfigError, match="no rated load"):
        run_commissioning(recipe, captures=folder / "no_rated_load", out=tmp_path / "one", refused=[])


@pytest.mark.slow
def test_the_sample_sets_come_out_as_their_truth_says(tmp_path: Path) -> None:
    """The first five, and those that rest on their records: a retest, and drives like and unlike the golden one."""
    make_commissioning(tmp_path / "sets", only=(*SETS, *LATER))
    recipe = share_dir() / "pipelines" / "commissioning.toml"
    found = run_commissioning(recipe, captures=tmp_path / "sets", out=tmp_path / "certificates", pdf=False)
    truth = truth_of(tmp_path / "sets")
    assert len(found) == len(SETS)
    for one in found:
        _as_expected(one.acceptance, truth[one.acceptance.serial])
    later = run_commissioning(recipe, captures=tmp_path / "sets" / "later", out=tmp_path / "more", pdf=False)
    truth = truth_of(tmp_path / "sets" / "later")
    assert len(later) == len(LATER)
    for one in later:
        expected = truth[one.acceptance.serial]
        _as_expected(one.acceptance, expected)
        assert expected["says"].lower() in one.files[1].read_text(encoding="utf-8").lower()


def _as_expected(acceptance: Acceptance, expected: dict[str, str]) -> None:
    assert acceptance.answer == expected["expected"], acceptance.serial
    deciding = [one.requirement.id for one in acceptance.outcomes if one.answer == acceptance.answer]
    if expected["by"]:
        assert deciding == [expected["by"]]
