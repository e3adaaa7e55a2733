"""Forged certificates: none is taken for the signer's, and each true one is."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path
from typing import cast

import pytest
from cryptography.exceptions import InvalidSignature
from pypdf import PdfWriter
from pypdf.generic import DictionaryObject, NameObject

from tests.studies import forgeries
from tests.studies.forgeries import FORGERIES, PASS_PHRASE, SIGNER, Forgery, Loot, byte_range, handed
from vibe.core.errors import CallError, OutputError
from vibe.report.certificate import certificate
from vibe.report.certificate.check import verify_certificate
from vibe.report.certificate.proof.keys import KnownKeys, known_keys, load_keys, make_keys, principal

UNSIGNED = {
    "resealed_unsigned", "signer_taken_out", "page_of_another_layout", "page_unsigned", "pasted_over_unsigned",
    "incremental_box_unsigned", "pdf_of_another_layout",
}  # fmt: skip
"""Nothing in them contradicts itself: they have no signature, which is what tells."""
NEEDS_A_KEY = {"own_key", "own_certificate", "signer_taken_out"}
"""Whole certificates of a forger's own: without the signer's key they cannot be distinguished from true ones."""


@pytest.fixture(scope="module")
def loot(tmp_path_factory: pytest.TempPathFactory, printing: None) -> tuple[Loot, KnownKeys]:
    return forgeries.collected(tmp_path_factory.mktemp("forgeries"))


@pytest.mark.parametrize("one", FORGERIES, ids=lambda one: f"{one.form}-{one.name}")
def test_no_forgery_is_taken_for_the_signers(one: Forgery, loot: tuple[Loot, KnownKeys], tmp_path: Path) -> None:
    goods, known = loot
    path = handed(one, goods, tmp_path)
    found = verify_certificate(path, known=known)
    assert not found.proved
    assert found.word == ("unsigned" if one.name in UNSIGNED else "broken"), found.verdict
    bare = verify_certificate(path)
    assert bare.signature != "known"
    if bare.proved:
        assert one.name in NEEDS_A_KEY
        assert "anyone could have made" in bare.verdict.lower()


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("insider_pages", "the PDF shows another text: "),
        ("insider_box", "not those that the key of the record vouches for"),
        ("insider_box_vouched", "not those that the key of the record vouches for"),
        ("insider_font", "not those that the key of the record vouches for"),
        ("insider_picture", "pictures stand on its pages"),
        ("insider_note", "laid over its pages"),
        ("digits_spelled", "spelled in another way"),
        ("certificate_put_in", "more than a signature and its certificate"),
        ("field_without_signature", "a field for a signature holds no signature"),
        ("words_behind_pdf", "something was appended"),
        ("bytes_behind", "something was appended"),
        ("words_behind", "“Guaranteed for 20 years.” was added"),
    ],
)
def test_what_is_wrong_is_named(name: str, said: str, loot: tuple[Loot, KnownKeys], tmp_path: Path) -> None:
    goods, known = loot
    (one,) = (way for way in FORGERIES if way.name == name)
    found = verify_certificate(handed(one, goods, tmp_path), known=known)
    assert any(said in check.text for check in found.failed), found.verdict
    assert found.states == ""


def test_something_behind_the_end_of_a_page_is_named(loot: tuple[Loot, KnownKeys], tmp_path: Path) -> None:
    goods, _ = loot
    whole = goods.good.html.read_bytes()
    for content, said in ((whole + b"<!-- seen -->", "something was appended"), (whole[:-200], "was cut off")):
        (tmp_path / "copy.html").write_bytes(content)
        assert said in verify_certificate(tmp_path / "copy.html").verdict


def test_a_pdf_whose_text_cannot_be_read_back_is_not_signed(
    loot: tuple[Loot, KnownKeys], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    goods, _ = loot
    monkeypatch.setattr(certificate, "_can_be_compared", lambda *_: False)
    made = certificate.write_certificate(forgeries.passing(), tmp_path, force=False, keys=goods.own)
    assert made.pdf is None
    assert "no PDF was made" in made.remarks[-1]


def test_pages_that_go_round_in_a_circle_are_damaged(loot: tuple[Loot, KnownKeys], tmp_path: Path) -> None:
    def change(writer: PdfWriter) -> None:
        pages = cast(DictionaryObject, writer.root_object["/Pages"].get_object())
        pages[NameObject("/Parent")] = writer.root_object.raw_get("/Pages")

    goods, _ = loot
    path = tmp_path / "copy.pdf"
    path.write_bytes(forgeries.rewritten(forgeries.pdf_of(goods.good_bare), change).content)
    assert verify_certificate(path).verdict == "broken: PDF: the PDF is damaged and cannot be opened"


def test_true_copies_are_signed_by_the_signer(loot: tuple[Loot, KnownKeys]) -> None:
    goods, known = loot
    record_only = KnownKeys(record=known.record)
    pdf_only = KnownKeys(pdf=known.pdf)
    for files in (goods.good, goods.bad):
        for path in (files.json, files.html, files.pdf):
            assert path is not None
            for keys in (known, record_only):
                found = verify_certificate(path, known=keys)
                assert (found.proved, found.word) == (True, "signed"), found.verdict
                assert found.verdict.startswith(f"signed by {SIGNER}")
            assert "anyone could have made" in verify_certificate(path).verdict.lower()
        assert files.pdf is not None
        assert verify_certificate(files.pdf, known=pdf_only).proved
        assert not verify_certificate(files.pdf).proved
        with pytest.raises(CallError, match=r"public_key\.pem"):
            verify_certificate(files.json, known=pdf_only)


def test_a_few_lines_of_another_program_agree(
    loot: tuple[Loot, KnownKeys], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Those that the guide gives, word for word: they know one library and nothing of ours."""
    page = (Path(__file__).parents[2] / "vibe" / "guide" / "signatures.md").read_text(encoding="utf-8")
    (lines,) = re.findall(r"```python not run:[^\n]*\n(.*?)```", page, re.DOTALL)
    assert "vibe" not in lines
    goods, _ = loot
    for path in (goods.good.json, goods.good.signatures[0], goods.folder / "public" / "public_key.pem"):
        shutil.copy(path, tmp_path / path.name)
    monkeypatch.chdir(tmp_path)
    exec(compile(lines, "guide", "exec"), {})
    record = tmp_path / "acceptance.json"
    record.write_bytes(record.read_bytes().replace(b"C29-000417", b"C29-000418"))
    with pytest.raises(InvalidSignature):
        exec(compile(lines, "guide", "exec"), {})


def test_unsigned_copies_say_so(loot: tuple[Loot, KnownKeys]) -> None:
    goods, known = loot
    files = goods.good_bare
    for path in (files.json, files.html, files.pdf):
        assert path is not None
        found = verify_certificate(path)
        assert (found.word, found.proved) == ("unsigned", path != files.pdf)
        assert not verify_certificate(path, known=known).proved
    assert files.pdf is not None
    assert "not comparable, read the record" in verify_certificate(files.pdf).verdict


def test_other_programs_agree(loot: tuple[Loot, KnownKeys], tmp_path: Path) -> None:
    goods, _ = loot
    public, record = goods.folder / "public", goods.good.json
    bare, ssh = goods.good.signatures
    assert goods.good.pdf is not None
    data = goods.good.pdf.read_bytes()
    _, before, after, _ = byte_range(data)
    (tmp_path / "signed").write_bytes(data[:before] + data[after:])
    (tmp_path / "der").write_bytes(bytes.fromhex(data[before + 1 : after - 1].decode()))
    key, certificate = public / "public_key.pem", public / "pdf_certificate.pem"
    calls: dict[str, list[object]] = {
        "openssl": ["pkeyutl", "-verify", "-pubin", "-inkey", key, "-rawin", "-in", record, "-sigfile", bare],
        "openssl ": ["cms", "-verify", "-binary", "-inform", "DER", "-in", tmp_path / "der", "-content",
                     tmp_path / "signed", "-CAfile", certificate, "-purpose", "any", "-out", tmp_path / "nothing"],
        "ssh-keygen": ["-Y", "verify", "-f", public / "allowed_signers", "-I", principal(SIGNER), "-n", "file",
                       "-s", ssh],
        "pdfsig": ["-nocert", goods.good.pdf],
    }  # fmt: skip
    tried = 0
    for name, words in calls.items():
        program = shutil.which(name.strip())
        if program is None:
            continue
        tried += 1
        command = [program, *map(str, words)]
        good = subprocess.run(command, input=record.read_bytes(), capture_output=True, timeout=30)
        assert good.returncode == 0, good.stderr
        if name == "pdfsig":
            assert b"Signature is Valid" in good.stdout
            assert b"Total document signed" in good.stdout
    if not tried:
        pytest.skip("none of openssl, ssh-keygen and pdfsig is installed")


def test_keys_are_private_whole_and_never_replaced(tmp_path: Path) -> None:
    made = make_keys(tmp_path / "keys", SIGNER, PASS_PHRASE, rounds=1)
    assert [path.name for path in made[:2]] == ["record_key", "pdf_key"]
    assert all(path.stat().st_mode & 0o077 == 0 for path in made[:2])
    assert all(b"OPENSSH PRIVATE KEY" in path.read_bytes() for path in made[:2])
    with pytest.raises(OutputError, match="never replaced"):
        make_keys(tmp_path / "keys", SIGNER, PASS_PHRASE, rounds=1)
    with pytest.raises(CallError, match="pass phrase is wrong"):
        load_keys(tmp_path / "keys", "something else")
    with pytest.raises(CallError, match="pass phrase"):
        load_keys(tmp_path / "keys", "")
    with pytest.raises(CallError, match="8 characters"):
        make_keys(tmp_path / "more", SIGNER, "short", rounds=1)
    with pytest.raises(CallError, match="--name"):
        make_keys(tmp_path / "more", " ", PASS_PHRASE, rounds=1)
    made[0].chmod(0o644)
    with pytest.raises(CallError, match="chmod 600"):
        load_keys(tmp_path / "keys", PASS_PHRASE)
    (tmp_path / "empty").mkdir()
    with pytest.raises(CallError, match="holds no public key"):
        known_keys([tmp_path / "empty"])
    assert len(known_keys([tmp_path / "keys" / "allowed_signers"]).record) == 1
