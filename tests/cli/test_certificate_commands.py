"""``vibe certificate`` from the outside."""

from __future__ import annotations

import hashlib
from datetime import date
from pathlib import Path

import pytest

from tests.cli.calls import Vibe
from vibe.core.records.acceptance import Acceptance, CommissionedRun, Instrument, Outcome, Quantity, Requirement
from vibe.report.certificate.certificate import CertificateFiles, write_certificate

CAPTURE = b"samples"


def accepted() -> Acceptance:
    requirement = Requirement(
        id="level", kind="level", text="Velocity r.m.s.", source="contract, item 1", by_analogy=True, limit=2.8
    )
    measured = Quantity(value=1.942, unit="mm/s", standard_uncertainty=0.07, expanded=0.14, coverage=0.95)
    return Acceptance(
        drive="SP-03", name="Press", serial="C29-000417", title="Acceptance", contract="", answer="pass",
        decision_rule="guarded acceptance",
        outcomes=(
            Outcome(
                requirement=requirement, answer="pass", measured=measured, limit=2.8, acceptance_limit=2.66,
                where="output side", why="", settles=None,
            ),
        ),
        captures=(("a.h5", hashlib.sha256(CAPTURE).hexdigest()),),
        runs=(CommissionedRun(kind="rated load", captures=["a.h5"]),),
        instruments=(Instrument(what="accelerometer", calibrated=date(2025, 11, 4)),), measured_from=None,
        measured_to=None, speed_hz=None, ratio_ordered="29 : 1", ratio_found="29 : 1", remarks=(), cautions=(),
        software="vibe 0.1.0",
    )  # fmt: skip


@pytest.fixture
def files(tmp_path: Path) -> CertificateFiles:
    return write_certificate(accepted(), tmp_path / "out", force=False, pdf=False)


def test_a_true_copy_is_fine_and_its_seal_is_shown(vibe: Vibe, files: CertificateFiles) -> None:
    answer = vibe("certificate", "verify", files.html)
    assert (answer.status, answer.errors) == (0, [])
    assert answer.out.splitlines()[0] == "compared\tanswer\twhat"
    assert all(line.split("\t")[1] == "fits" for line in answer.out.splitlines()[1:])
    assert files.seal in answer.err.replace(" ", "")
    assert vibe("certificate", "verify", files.json, "--seal", files.seal[:20]).err == ""


def test_a_changed_copy_is_told_in_one_sentence(vibe: Vibe, files: CertificateFiles) -> None:
    page = files.html.read_text(encoding="utf-8")
    files.html.write_text(page.replace("1.94", "1.49", 1), encoding="utf-8", newline="")
    for command in ("verify", "show"):
        answer = vibe("certificate", command, files.html)
        assert answer.status == 2
        (error,) = answer.errors
        assert "“1.49” stands where “1.94” belongs" in error
    other = vibe("certificate", "verify", files.json, "--seal", "0" * 16)
    assert (other.status, "original's seal" in other.errors[0]) == (2, True)


def test_captures_are_compared_when_asked_for(vibe: Vibe, files: CertificateFiles, tmp_path: Path) -> None:
    folder = tmp_path / "captures"
    folder.mkdir()
    (folder / "a.h5").write_bytes(CAPTURE)
    answer = vibe("certificate", "verify", files.json, "--captures", folder)
    assert (answer.status, "a.h5\tfits\tthe same file" in answer.out) == (0, True)
    (folder / "a.h5").write_bytes(CAPTURE + b"!")
    answer = vibe("certificate", "verify", files.json, "--captures", folder)
    assert (answer.status, "another content" in answer.errors[0]) == (2, True)


def test_show_says_what_was_answered(vibe: Vibe, files: CertificateFiles) -> None:
    answer = vibe("certificate", "show", files.json)
    assert answer.status == 0, answer.err
    assert "answer\tpass\n" in answer.out
    row = answer.out.splitlines()[-1].split("\t")
    assert row[:5] == ["1", "Velocity r.m.s.", "pass", "1.94 ± 0.14 mm/s", "2.8 mm/s"]
    assert row[-1] == "contract, item 1, by analogy"


def test_wrong_calls_are_one_sentence(vibe: Vibe, files: CertificateFiles, tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("no certificate", encoding="utf-8")
    for words, why in (
        ((tmp_path / "none.json",), "cannot be read"),
        ((tmp_path,), "is no ordinary file"),
        ((tmp_path / "notes.txt",), "is no certificate"),
        ((files.json, "--seal", "12"), "16 of the 64"),
        ((files.json, "--captures", tmp_path / "none"), "is no folder"),
    ):
        answer = vibe("certificate", "verify", *words)
        assert answer.status == 2, words
        assert len(answer.errors) == 1
        assert why in answer.errors[0]


def test_help_says_what_a_hash_does_not_prove(vibe: Vibe) -> None:
    for words in (("certificate", "--help"), ("certificate", "verify", "--help")):
        answer = vibe(*words)
        assert answer.status == 0
        assert "does not prove who made it" in " ".join(answer.out.split())
