"""``vibe certificate`` from the outside."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from tests.cli.calls import Vibe
from vibe.core.records.acceptance import Acceptance, CommissionedRun, Instrument, Outcome, Quantity, Requirement
from vibe.core.records.commissioning import Issue
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
    states, *compared, verdict = answer.out.splitlines()[1:]
    assert states == "states\tPASS\tcertificate without a number, drive SP-03, serial C29-000417: answer PASS"
    assert all(line.split("\t")[1] == "fits" for line in compared)
    assert verdict == "in all\tunsigned\tsealed, unsigned: it agrees with itself, and anyone could have made it"
    assert files.seal in answer.err.replace(" ", "")
    assert vibe("certificate", "verify", files.json, "--seal", files.seal[:20]).err == ""


def test_an_expected_answer_decides_the_status(vibe: Vibe, files: CertificateFiles, tmp_path: Path) -> None:
    bad = replace(accepted(), answer="fail", issue=Issue(number="AC-7"))
    failed = write_certificate(bad, tmp_path / "failed", force=False, pdf=False)
    assert vibe("certificate", "verify", files.json, "--expect", "pass").status == 0
    answer = vibe("certificate", "verify", failed.json)
    states = "certificate no. AC-7, drive SP-03, serial C29-000417: answer FAIL"
    assert (answer.status, answer.out.splitlines()[1]) == (0, f"states\tFAIL\t{states}")
    for asked, status in (("fail", 0), ("pass", 3), ("undetermined", 3)):
        answer = vibe("certificate", "verify", failed.json, "--expect", asked)
        assert answer.status == status
        assert all(states in error and asked.upper() in error for error in answer.errors)
        assert len(answer.errors) == (status != 0)


def test_a_changed_copy_is_reported_in_one_sentence(vibe: Vibe, files: CertificateFiles) -> None:
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


def test_signed_with_keys_made_here_and_checked_with_what_was_handed_over(
    vibe: Vibe, files: CertificateFiles, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from vibe.report.certificate.proof import keys

    monkeypatch.setattr(keys.make_keys, "__kwdefaults__", {"rounds": 1})
    monkeypatch.delenv("VIBE_PASS_PHRASE", raising=False)
    own, public, phrase = tmp_path / "keys", tmp_path / "public", tmp_path / "phrase"
    asked = vibe("certificate", "key", "make", "--keys", own, "--name", "Reducer shop")
    assert (asked.status, "nobody can be asked" in asked.errors[0]) == (2, True)
    phrase.write_text("correct horse\n", encoding="utf-8")
    made = vibe("certificate", "key", "make", "--keys", own, "--name", "Reducer shop", "--pass-phrase-file", phrase)
    assert made.status == 0, made.err
    assert "SHA256:" in made.err
    assert vibe("certificate", "key", "export", "--keys", own, "--out", public).status == 0
    assert sorted(path.name for path in public.iterdir()) == [
        "allowed_signers",
        "pdf_certificate.pem",
        "public_key.pem",
    ]
    assert "name\tReducer shop" in vibe("certificate", "key", "show", "--keys", public).out
    monkeypatch.setenv("VIBE_PASS_PHRASE", "wrong horse")
    refused = vibe("certificate", "sign", files.json, "--keys", own, "--no-pdf", "--out", tmp_path / "signed")
    assert (refused.status, "pass phrase is wrong" in refused.errors[0]) == (2, True)
    monkeypatch.setenv("VIBE_PASS_PHRASE", "correct horse")
    signed = vibe("certificate", "sign", files.json, "--keys", own, "--no-pdf", "--out", tmp_path / "signed")
    assert signed.status == 0, signed.err
    for name in ("acceptance.json", "certificate.html"):
        answer = vibe("certificate", "verify", tmp_path / "signed" / name, "--key", public)
        assert answer.status == 0, answer.err
        assert "in all\tsigned\tsigned by Reducer shop, key SHA256:" in answer.out
    alone = tmp_path / "alone.json"
    alone.write_bytes((tmp_path / "signed" / "acceptance.json").read_bytes())
    without = vibe("certificate", "verify", alone, "--key", public)
    assert (without.status, "the signature is not with it" in without.out) == (3, True)
    apart = tmp_path / "signed" / "acceptance.json.sig"
    assert vibe("certificate", "verify", alone, "--key", public, "--signature", apart).status == 0
    expected = vibe("certificate", "verify", files.json, "--key", public)
    assert (expected.status, "unsigned, and a signature was expected" in expected.out) == (3, True)
    text = (tmp_path / "signed" / "acceptance.json").read_text(encoding="utf-8")
    (tmp_path / "signed" / "acceptance.json").write_text(text.replace("C29", "C30"), encoding="utf-8")
    broken = vibe("certificate", "verify", tmp_path / "signed" / "acceptance.json", "--key", public)
    assert (broken.status, "is broken: " in broken.errors[0]) == (2, True)


def test_help_says_what_a_hash_does_not_prove(vibe: Vibe) -> None:
    for words in (("certificate", "--help"), ("certificate", "verify", "--help")):
        answer = vibe(*words)
        assert answer.status == 0
        assert "does not prove who made it" in " ".join(answer.out.split())
