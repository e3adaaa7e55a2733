"""Records that a set names: the attempt before, a golden drive; and the baseline that is handed over."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from tests.ingest.test_noise_print import kept, measured, resampled
from vibe.core.capture import Capture
from vibe.core.errors import CallError, ConfigError
from vibe.core.records.acceptance import (
    Acceptance,
    CommissionedRun,
    CommissioningSet,
    Outcome,
    Quantity,
    Requirement,
    Requirements,
)
from vibe.core.records.commissioning import CaptureFacts, Issue
from vibe.flow.commissioning.baseline_package import (
    DRIVE_FILE,
    RECORD,
    handed_over,
    note_new_drive,
    package_of,
    prepared,
    remove,
)
from vibe.flow.commissioning.earlier_records import (
    OtherRecords,
    check_taken_anew,
    golden_figure,
    most_attempts,
    read_others,
    retest_remarks,
)
from vibe.flow.commissioning.measured_figures import CaptureFigures
from vibe.flow.commissioning.signing import sign_certificate
from vibe.flow.settings import share_dir
from vibe.history.store.store import Store
from vibe.ingest.commissioning_set import load_set
from vibe.ingest.formats.hdf5_writer import write_hdf5
from vibe.report.certificate.certificate import write_certificate
from vibe.report.certificate.check import verify_certificate
from vibe.report.certificate.proof.keys import known_keys, load_keys, make_keys

VELOCITY = Requirement(
    id="velocity", kind="level", text="t", source="s", measure="velocity_rms", limit=2.0, unit="mm/s"
)
FIGURE = Quantity(value=1.0, unit="mm/s", standard_uncertainty=0.05, expanded=0.1, coverage=0.95)


def outcome(answer: str) -> Outcome:
    return Outcome(
        requirement=VELOCITY, answer=answer, measured=FIGURE, limit=2.0, acceptance_limit=1.9,  # type: ignore[arg-type]
        where="in", why="", settles=None,
    )  # fmt: skip


def acceptance(answer: str = "fail", *, serial: str = "N1") -> Acceptance:
    return Acceptance(
        drive="NEW-12", name="d", serial=serial, title="t", contract="", decision_rule="guarded acceptance",
        answer=answer, outcomes=(outcome(answer),), captures=(("a.h5", "ab" * 32),), runs=(), instruments=(),  # type: ignore[arg-type]
        measured_from=datetime(2026, 4, 14, 8, tzinfo=UTC), measured_to=datetime(2026, 4, 14, 9, 30, tzinfo=UTC),
        speed_hz=None, ratio_ordered="12",
        ratio_found="12", remarks=(), cautions=(), software="vibe", issue=Issue(number="AC-1"),
        measured=(
            CaptureFacts(
                file="a.h5", sha256="ab" * 32, kind="no load", points=("in",), measured_at=None, duration_s=None,
                sample_rate_hz=None, top_hz=None, load_percent=None, speed_hz=None, recording=("r",),
            ),
        ),
    )  # fmt: skip


def requirements(most: int = 2, *kinds: str) -> Requirements:
    rows = [VELOCITY.model_dump(exclude_none=True)]
    rows += [{"id": kind, "kind": kind, "text": "t", "source": "s", "measure": "velocity_rms"} for kind in kinds]
    return Requirements.model_validate(
        {"title": "t", "requirement": rows, "retest": {"text": "again", "most_attempts": most}}
    )


def named(folder: Path, line: str, serial: str = "N1") -> tuple[CommissioningSet, Path]:
    path = folder / "commissioning.toml"
    text = (
        f'drive = "d"\nrequirements = "r"\nserial = "{serial}"\n{line}\n[[run]]\nkind = "no load"\ncaptures = ["*"]\n'
    )
    path.write_text(text, encoding="utf-8")
    return load_set(path), path


def test_a_recording_of_the_attempt_before_is_known_by_its_noise(tmp_path: Path) -> None:
    """Moved and resampled it has another hash; the record keeps its noise print."""
    row = measured(1)
    given = named(tmp_path, 'retest_of = "first/acceptance.json"')
    before, *_ = acceptance().measured
    kept_print = kept(row)
    assert kept_print is not None
    first = replace(acceptance(), measured=(replace(before, noise_print=kept_print.text),))
    write_certificate(first, tmp_path / "first", force=False, pdf=False)
    others = read_others(*given, requirements())
    new = CaptureFigures(
        file="b.h5", run=0, kind="no load", sha256="cd" * 32, measured_at=datetime(2026, 4, 20, tzinfo=UTC)
    )
    check_taken_anew(others, [replace(new, noise=kept(measured(2))), new], given[1])
    for copy, said in ((row[19_200:], "moved by 3 s"), (resampled(row, 1.004), r"resampled by \+0\.(399|400|401)")):
        with pytest.raises(ConfigError, match=rf"b\.h5 is a\.h5 of the attempt before, noise and all.*{said}"):
            check_taken_anew(others, [replace(new, noise=kept(copy))], given[1])


def test_a_retest_names_the_attempt_before_and_is_measured_anew(tmp_path: Path) -> None:
    first = write_certificate(acceptance(), tmp_path / "first", force=False, pdf=False)
    given = named(tmp_path, 'retest_of = "first/acceptance.json"\ndone_since = "bearing exchanged"')
    others = read_others(*given, requirements())
    assert others.earlier is not None
    assert (others.earlier.attempt, others.earlier.number, others.earlier.not_met) == (2, "AC-1", ("velocity",))
    assert (others.earlier.seal, others.earlier.done_since) == (first.seal, "bearing exchanged")
    new = CaptureFigures(
        file="b.h5", run=0, kind="no load", sha256="cd" * 32, recording=("q",),
        measured_at=datetime(2026, 4, 20, tzinfo=UTC),
    )  # fmt: skip
    check_taken_anew(others, [new], given[1])
    check_taken_anew(OtherRecords(), [replace(new, measured_at=None)], given[1])
    for change, said in (
        ({"sha256": "ab" * 32}, "was judged in the attempt before"),
        ({"recording": ("r",)}, "was judged in the attempt before"),
        ({"measured_at": datetime(2026, 4, 14, 9, tzinfo=UTC)}, "was measured before the attempt before this"),
        ({"measured_at": None}, "does not say when it was measured"),
    ):
        with pytest.raises(ConfigError, match=rf"b\.h5 {said}"):
            check_taken_anew(others, [replace(new, **change)], given[1])
    second = replace(acceptance(), earlier=others.earlier)
    write_certificate(second, tmp_path / "second", force=False, pdf=False)
    given = named(tmp_path, 'retest_of = "second/acceptance.json"')
    with pytest.raises(ConfigError, match=r"line 4.*attempt 3, and the requirements allow 2"):
        read_others(*given, requirements())
    third = read_others(*given, requirements(3))
    assert third.earlier is not None
    assert third.earlier.attempt == 3


def test_a_retest_rests_on_what_the_first_test_was_held_against(tmp_path: Path) -> None:
    first = replace(acceptance(), most_attempts=2)
    write_certificate(first, tmp_path / "first", force=False, pdf=False)
    given = named(tmp_path, 'retest_of = "first/acceptance.json"')
    same = requirements()
    others = read_others(*given, same)
    assert others.earlier is not None
    assert retest_remarks(same, others.earlier) == []
    more = requirements(9)
    raised = read_others(*given, more).earlier
    assert raised is not None
    assert most_attempts(more, raised) == 2
    assert retest_remarks(more, raised) == [
        "The first test's requirements allow 2 attempts in all, which counts; in these it is 9."
    ]
    write_certificate(
        replace(first, earlier=raised, most_attempts=most_attempts(more, raised)), tmp_path / "second", force=False,
        pdf=False,
    )  # fmt: skip
    with pytest.raises(ConfigError, match="attempt 3, and the requirements allow 2"):
        read_others(*named(tmp_path, 'retest_of = "second/acceptance.json"'), more)
    (one,) = same.requirement
    for change, said in (
        ({"requirement": [one.model_copy(update={"limit": 9.0})]}, r"limit of 'velocity' changed from [\d.]+ to 9"),
        ({"requirement": [one.model_copy(update={"during": ["no load"]})]}, "during of 'velocity' changed from all to"),
        ({"decision_rule": "simple acceptance"}, "decision rule changed from guarded acceptance to simple"),
        ({"coverage": 0.5}, r"coverage changed from 0\.95 to 0\.5"),
    ):
        with pytest.raises(ConfigError, match=said):
            read_others(*given, same.model_copy(update=change))
    reworded = one.model_copy(update={"text": "as before", "source": "clause 4"})
    assert read_others(*given, same.model_copy(update={"requirement": [reworded]})).earlier is not None


def test_a_retest_of_something_else_is_refused(tmp_path: Path) -> None:
    write_certificate(acceptance(), tmp_path / "first", force=False, pdf=False)
    write_certificate(acceptance("pass"), tmp_path / "passed", force=False, pdf=False)
    (tmp_path / "bad.json").write_text("{}", encoding="utf-8")
    for line, serial, said in (
        ('retest_of = "first/acceptance.json"', "N2", "is of N1, this set of N2"),
        ('retest_of = "passed/acceptance.json"', "N1", "passed then"),
        ('retest_of = "none.json"', "N1", "cannot be read"),
        ('retest_of = "bad.json"', "N1", "broken"),
    ):
        with pytest.raises(ConfigError, match=said):
            read_others(*named(tmp_path, line, serial), requirements())
    few = Requirements.model_validate(
        {"title": "t", "requirement": [{"id": "x", "kind": "identity", "text": "t", "source": "s"}]}
    )
    with pytest.raises(ConfigError, match="'velocity' was not met then"):
        read_others(*named(tmp_path, 'retest_of = "first/acceptance.json"'), few)


def test_a_golden_drive_has_passed_and_gives_its_figure(tmp_path: Path) -> None:
    write_certificate(acceptance("pass", serial="G"), tmp_path / "golden", force=False, pdf=False)
    write_certificate(acceptance("fail", serial="B"), tmp_path / "bad", force=False, pdf=False)
    wanted = requirements(2, "golden")
    others = read_others(*named(tmp_path, 'golden = "golden/acceptance.json"'), wanted)
    assert others.golden is not None
    seal = json.loads((tmp_path / "golden" / "acceptance.json").read_text(encoding="utf-8"))["seal"]
    (remark,) = others.remarks
    assert remark.startswith("Compared with the golden drive G")
    assert seal[:16] in remark
    assert golden_figure(others.golden, wanted.requirement[1]) == FIGURE
    assert golden_figure(others.golden, VELOCITY.model_copy(update={"id": "k", "measure": "kurtosis"})) is None
    with pytest.raises(ConfigError, match="B is fail"):
        read_others(*named(tmp_path, 'golden = "bad/acceptance.json"'), wanted)
    with pytest.raises(ConfigError, match="name its record as golden"):
        read_others(*named(tmp_path, ""), wanted)


def test_a_baseline_is_handed_over_checked_and_noted_once(tmp_path: Path) -> None:
    row = np.random.default_rng(1).normal(0, 1, 2000).astype(np.float32)
    capture = Capture.from_arrays({"in": row}, sample_rate_hz=1000.0, unit="m/s^2", drive="NEW-12")
    write_hdf5(capture, tmp_path / "native 1.h5")
    rows = "\n".join(f"{n / 1000:.3f},{value:.6f}" for n, value in enumerate(row))
    (tmp_path / "table.csv").write_text(f"time_s,in [m/s^2]\n{rows}\n", encoding="utf-8")
    (tmp_path / "run in.h5").write_bytes(b"not read")
    files = ([tmp_path / "run in.h5"], [tmp_path / "native 1.h5", tmp_path / "table.csv"])
    runs = [CommissionedRun(kind="run-in", captures=["x"]), CommissionedRun(kind="rated load", captures=["y"])]
    (tmp_path / "place").mkdir()
    made = prepared(runs, files, tmp_path / "place")
    assert [name for name, _ in made] == ["native 1.h5", "table.h5"]
    passed = write_certificate(replace(acceptance("pass"), baseline=made), tmp_path / "out", force=False, pdf=False)
    drive = share_dir() / "configs" / "acceptance" / "sample_drive.toml"
    folder = handed_over(tmp_path / "place", drive, passed.json, tmp_path / "out" / "baseline", force=False)
    package = package_of([folder])
    assert package is not None
    assert [path.name for path in package.captures] == ["native 1.h5", "table.h5"]
    assert package_of([tmp_path]) is None
    with Store.open(tmp_path / "store", create=True) as store:
        store.put_drive("NEW-12", drive.read_text(encoding="utf-8"), "cycloidal")
        for _ in range(2):
            note_new_drive(package, store)
        (event,) = store.events("NEW-12")
    assert (event.kind, event.at, event.new_baseline) == ("new drive", package.begins, True)
    assert "certificate AC-1" in event.note
    make_keys(tmp_path / "keys", "Shop", "long enough", rounds=1)
    signed = sign_certificate(passed.json, load_keys(tmp_path / "keys", "long enough"), force=True, pdf=False)
    again = package_of([folder])
    assert again is not None
    assert again.seal == signed.seal != package.seal
    assert verify_certificate(folder / RECORD, known=known_keys([tmp_path / "keys"])).proved
    (folder / "table.h5").write_bytes((folder / "native 1.h5").read_bytes())
    with pytest.raises(CallError, match=r"table\.h5 is not the capture that was judged"):
        package_of([folder])
    (folder / "table.h5").unlink()
    with pytest.raises(CallError, match="is missing"):
        package_of([folder])
    (folder / "own notes.txt").write_text("kept", encoding="utf-8")
    remove(folder)
    assert [path.name for path in folder.iterdir()] == ["own notes.txt"]
    failed = write_certificate(acceptance(), tmp_path / "failed", force=False, pdf=False)
    (tmp_path / "failed" / DRIVE_FILE).write_bytes(drive.read_bytes())
    assert failed.json.name == RECORD
    with pytest.raises(CallError, match="not of a drive that passed"):
        package_of([tmp_path / "failed"])
