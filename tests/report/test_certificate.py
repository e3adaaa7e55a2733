"""Certificates: what they show, how they print, and that no digit of them can be changed unseen."""

from __future__ import annotations

import io
import json
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pypdf import PdfReader, PdfWriter

from tests.report import certificates, printed
from tests.report.certificates import (
    HOSTILE,
    OUTCOMES,
    failing,
    full,
    hostile,
    issued,
    long,
    open_one,
    passing,
    quantity,
)
from vibe.core.errors import CallError, OutputError
from vibe.core.records.acceptance import Acceptance
from vibe.report.certificate import certificate
from vibe.report.certificate import check as certificate_check
from vibe.report.certificate.certificate import (
    CertificateFiles,
    acceptance_of,
    certificate_of,
    embedded,
    write_certificate,
)
from vibe.report.certificate.check import Verification, verify_certificate
from vibe.report.certificate.numbers import distinguishing_digits, measured_text
from vibe.report.certificate.proof.wording import PageWords
from vibe.report.certificate.speed_chart import chart, drawn, ticks
from vibe.report.certificate.view import deciding, rows_of, runs_text, seal_digits, sentence
from vibe.report.printing.pdf import make_pdf
from vibe.storage.digest import SealError, canonical, read_sealed, seal_of, sealed, written


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> CertificateFiles:
    """The certificate of a drive that passes; tests change copies of it."""
    return write_certificate(passing(), tmp_path_factory.mktemp("passing"), force=False)


def copy(path: Path, folder: Path, change: Callable[[str], str]) -> Path:
    text = path.read_text(encoding="utf-8")
    changed = change(text)
    assert changed != text
    target = folder / path.name
    target.write_text(changed, encoding="utf-8", newline="")
    return target


def wrong(found: Verification) -> str:
    return "; ".join(f"{check.what}: {check.text}" for check in found.failed)


def copies(files: CertificateFiles) -> list[Path]:
    """Those that were made: a machine may be unable to make the PDF."""
    return [path for path in (files.json, files.html, files.pdf) if path is not None]


def test_unchanged_copies_fit_and_share_one_seal(files: CertificateFiles) -> None:
    assert (files.remarks == ()) == (files.pdf is not None)
    for path in copies(files):
        found = verify_certificate(path, seal=" ".join(re.findall("....", files.seal)))
        assert [check for check in found.checks if check.fits is not True] == []
        assert found.record is not None
        assert found.record["seal"] == files.seal
    if files.pdf is not None:
        assert "printed text" in {check.what for check in found.checks}


def test_the_same_result_has_the_same_seal_and_another_has_another() -> None:
    one, two, other = (certificate_of(a)[0]["seal"] for a in (passing(), passing(), failing()))
    assert one == two != other


@pytest.mark.parametrize(
    ("was", "now"),
    [
        ('"value": 1.942', '"value": 1.943'),
        ('"answer": "pass"', '"answer": "fail"'),
        ('"serial": "C29-000417"', '"serial": "C29-000418"'),
        ('"schema": "vibe.acceptance/1"', '"schema": "vibe.acceptance/2"'),
        ('"limit": 2.8', '"limit": 2.80000000000000001'),
        ('"limit": 2.8', '"limit": NaN'),
        ('"limit": 2.8', '"limit": 2.8, "limit": 2.8'),
    ],
)
def test_a_changed_record_is_caught(files: CertificateFiles, tmp_path: Path, was: str, now: str) -> None:
    for path in (files.json, files.html):
        found = verify_certificate(copy(path, tmp_path, lambda text: text.replace(was, now, 1)))
        assert found.failed, path


def test_a_record_is_held_to_its_bytes(files: CertificateFiles, tmp_path: Path) -> None:
    packed = copy(files.json, tmp_path, lambda text: json.dumps(json.loads(text)))
    assert "saved anew" in wrong(verify_certificate(packed))
    first = copy(files.json, tmp_path, lambda text: text.replace(files.seal, files.seal[::-1]))
    assert "another hash than the seal says" in wrong(verify_certificate(first))


@pytest.mark.parametrize(
    ("was", "now", "said"),
    [
        ("1.94\u00a0± 0.14", "1.84\u00a0± 0.14", "“1.84” stands where “1.94” belongs"),
        ("All 12 requirements are met.", "All 12 requirements are well met.", "“well” was added"),
        ("by analogy", "", "is missing"),
        (">29 : 1<", ">87 : 1<", "“87” stands where “29” belongs"),
        ("</main>", "<p>Guaranteed for 20 years.</p></main>", "“Guaranteed for 20 years.” was added"),
        ("</style>", ".analogy { display: none }</style>", "something may be hidden"),
    ],
)
def test_a_changed_page_is_caught_and_the_place_stated(
    files: CertificateFiles, tmp_path: Path, was: str, now: str, said: str
) -> None:
    found = verify_certificate(copy(files.html, tmp_path, lambda text: text.replace(was, now, 1)))
    assert [check.what for check in found.failed] == ["page"]
    assert said in wrong(found)


def test_a_seal_taken_out_or_a_second_record_is_caught(files: CertificateFiles, tmp_path: Path) -> None:
    shown = str(seal_digits(files.seal))
    zeros = str(seal_digits("0" * 64))
    assert verify_certificate(copy(files.html, tmp_path, lambda text: text.replace(shown, zeros))).failed
    (record,) = PageWords(files.html.read_text(encoding="utf-8")).records
    twice = f'<script type="application/json" id="acceptance">{record}</script></body>'
    assert "2 records" in wrong(verify_certificate(copy(files.html, tmp_path, lambda t: t.replace("</body>", twice))))
    next_to = copy(files.html, tmp_path, lambda text: text.replace("<main>", f"<pre>{record}</pre><main>"))
    assert verify_certificate(next_to).failed


def test_another_page_round_the_same_record_is_caught_even_when_sealed_anew(
    files: CertificateFiles, tmp_path: Path
) -> None:
    """Whoever seals a changed page anew still has a page that does not follow from its record."""
    record = read_sealed(files.json.read_bytes())
    bare = certificate.certificate_html(certificate.acceptance_of(record)).replace("1.94", "1.84")
    forged = sealed({**record, "page_sha256": certificate.page_hash(bare)})
    page = bare.replace(
        str(seal_digits("0" * 64)),
        str(seal_digits(forged["seal"])),
    ).replace('id="acceptance">', f'id="acceptance">{embedded(forged)}')
    (tmp_path / "forged.html").write_text(page, encoding="utf-8", newline="")
    found = verify_certificate(tmp_path / "forged.html")
    assert [check.what for check in found.failed] == ["page follows from record"]
    assert "another one" in wrong(verify_certificate(tmp_path / "forged.html", seal=files.seal))


def test_line_ends_that_were_changed_on_the_way_are_named(files: CertificateFiles, tmp_path: Path) -> None:
    for path in (files.html, files.json):
        found = verify_certificate(copy(path, tmp_path, lambda text: text.replace("\n", "\r\n")))
        assert "only the ends of its lines" in wrong(found)


@pytest.mark.parametrize("share", [0.0, 0.3, 0.9, 0.999])
def test_a_file_that_was_cut_off_is_reported(files: CertificateFiles, tmp_path: Path, share: float) -> None:
    for path in copies(files):
        data = path.read_bytes()
        short = tmp_path / path.name
        short.write_bytes(data[: int(share * len(data))])
        if share == 0.0:
            with pytest.raises(CallError, match="is no certificate"):
                verify_certificate(short)
        else:
            assert re.search("cut off|no whole JSON|damaged", wrong(verify_certificate(short)))


def test_a_certificate_of_another_version(
    files: CertificateFiles, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The page is still held to its own hash; that it follows from the record cannot be said, and is not."""
    monkeypatch.setattr(certificate_check, "layout", lambda: "f" * 16)
    for path in copies(files)[1:]:
        found = verify_certificate(path)
        assert found.failed == ()
        assert {check.what: check.fits for check in found.checks}["page follows from record"] is None
        assert found.verdict.startswith("sealed, unsigned: what it shows is not comparable")
        assert not found.proved
    assert verify_certificate(files.json).verdict.startswith("sealed, unsigned")
    found = verify_certificate(copy(files.html, tmp_path, lambda text: text.replace("1.94", "1.84", 1)))
    assert "where is not known to this version" in wrong(found)
    later = sealed({**read_sealed(files.json.read_bytes()), "schema": "vibe.acceptance/2", "more": [1]})
    (tmp_path / "later.json").write_text(written(later), encoding="utf-8")
    assert not verify_certificate(tmp_path / "later.json").failed


def changed_pdf(data: bytes, change: Callable[[PdfWriter], object]) -> bytes:
    writer = PdfWriter(clone_from=io.BytesIO(data))
    change(writer)
    target = io.BytesIO()
    writer.write(target)
    return target.getvalue()


@pytest.mark.usefixtures("printing")
def test_a_pdf_that_shows_another_result_than_it_holds_is_caught(files: CertificateFiles, tmp_path: Path) -> None:
    page = files.html.read_text(encoding="utf-8")
    made = make_pdf(page.replace("1.94\u00a0± 0.14", "1.84\u00a0± 0.14"))
    assert made.content is not None
    data, remark = certificate._attached(
        made.content, {"acceptance.json": files.json.read_bytes(), "certificate.html": page.encode()}
    )
    assert remark == ""
    path = tmp_path / "certificate.pdf"
    path.write_bytes(data)
    assert "“1.84” stands where “1.94” belongs" in wrong(verify_certificate(path))


@pytest.mark.usefixtures("printing")
def test_a_pdf_with_notes_over_it_or_printed_anew_is_caught(files: CertificateFiles, tmp_path: Path) -> None:
    from pypdf.annotations import FreeText

    assert files.pdf is not None
    path = tmp_path / "certificate.pdf"
    note = FreeText(text="0.1", rect=(200, 500, 260, 520))
    path.write_bytes(changed_pdf(files.pdf.read_bytes(), lambda writer: writer.add_annotation(0, note)))
    assert "laid over" in wrong(verify_certificate(path))
    bare = PdfWriter()
    bare.append(PdfReader(files.pdf), import_outline=False)
    target = io.BytesIO()
    bare.write(target)
    path.write_bytes(target.getvalue())
    assert "printed or saved anew" in wrong(verify_certificate(path))


def test_captures_are_compared_by_their_hashes(tmp_path: Path) -> None:
    import hashlib

    content = {"a.h5": b"one", "deep/b.h5": b"two", "c.h5": b"three"}
    named = tuple((name.split("/")[-1], hashlib.sha256(data).hexdigest()) for name, data in content.items())
    outside = ("../secret", hashlib.sha256(b"s").hexdigest())
    (tmp_path / "secret").write_bytes(b"s")
    out = write_certificate(replace(passing(), captures=(*named, outside)), tmp_path / "out", force=False, pdf=False)
    folder = tmp_path / "captures"
    for name, data in content.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(data)
    found = verify_certificate(out.json, captures=folder)
    assert [check.what for check in found.failed] == ["../secret"]
    (folder / "a.h5").write_bytes(b"One")
    (folder / "c.h5").unlink()
    found = verify_certificate(out.json, captures=folder)
    assert [(check.what, check.text[:15]) for check in found.failed[:2]] == [
        ("a.h5", "another content"),
        ("c.h5", "there is no suc"),
    ]
    with pytest.raises(CallError, match="is no folder"):
        verify_certificate(out.json, captures=folder / "none")


def short() -> Acceptance:
    return replace(passing(), outcomes=OUTCOMES[:1], instruments=(), remarks=(), captures=(), runs=())


def remarked(count: int) -> Acceptance:
    return replace(passing(), remarks=tuple(f"Remark {i} of those that the files gave rise to." for i in range(count)))


@pytest.mark.usefixtures("printing")
@pytest.mark.parametrize("make", [failing, full, issued, short, long])
def test_every_page_says_which_it_is_and_the_signatures_stand_with_the_seal(
    make: Callable[[], Acceptance], tmp_path: Path
) -> None:
    a = make()
    made = write_certificate(a, tmp_path, force=False)
    assert made.pdf is not None
    assert not verify_certificate(made.pdf).failed
    pages = printed.check(made.pdf.read_bytes(), title=f"Acceptance of {a.drive}, serial number {a.serial}")
    assert "Requirements and answers" in pages[0]
    assert all(page.rstrip().split("\n")[-1].startswith("SP-03, serial number C29-000417") for page in pages)
    signed = pages[-1]
    assert "Signature" in signed
    assert signed.index("Seal of this result") < signed.index("evidence for a decision") < signed.index("Signature")


@pytest.mark.usefixtures("printing")
@pytest.mark.parametrize("count", [24, 36, 48])
def test_wherever_a_page_ends_the_signatures_are_not_parted_from_the_seal(count: int) -> None:
    """One of these lengths ends its page inside the closing block, whose height is more than that of 12 remarks."""
    made = make_pdf(certificate_of(remarked(count))[1])
    assert made.content is not None
    signed = printed.texts_of(made.content)[-1]
    assert signed.index("Seal of this result") < signed.index("Signature")
    assert "Cautions" in signed.split("Seal of this result")[0], "nothing but the seal and the signatures"


def test_where_a_browser_prints_the_pdf_it_can_be_verified_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from vibe.report.printing import pdf

    def missing(html: str) -> bytes:
        raise OSError("no such library")

    monkeypatch.setattr(pdf, "_by_weasyprint", missing)
    made = write_certificate(passing(), tmp_path, force=False)
    if made.pdf is None:
        pytest.skip("needs Chromium")
    assert made.remarks == ()
    assert not verify_certificate(made.pdf).failed


def test_hostile_texts_stay_text(tmp_path: Path) -> None:
    made = write_certificate(hostile(), tmp_path, force=False)
    page = made.html.read_text(encoding="utf-8")
    assert page.count("<script") == page.count("</script") == 1
    assert "default-src 'none'" in page
    assert not re.search(r"https?:|@import|url\(", re.sub(r"<script.*</script>", "", page, flags=re.S))
    assert "\u202e" not in page.split("<script")[0]
    for path in copies(made):
        assert not verify_certificate(path).failed
    kept = json.loads(made.json.read_text(encoding="utf-8"))
    assert kept["serial"] == HOSTILE.replace("\udcff", "\ufffd")


def test_the_page_says_what_counts() -> None:
    _, page = certificate_of(open_one())
    text = " ".join(PageWords(page).words)
    for said in (
        "Undetermined No requirement failed, but 2 of 12 could not be decided", "C29-000417", "29 : 1", "1458.7 r/min",
        "12 Mar 2026 08:05 to 11:40 (UTC+01:00)", "1.94 ± 0.14 mm/s 2.8 mm/s accepted up to 2.66",
        "ISO 20816-9:2020, class C by analogy", "Four more captures at rated load would halve the uncertainty.",
        "2025-11-04", "no guarantee", "It does not prove who made it", "false alarms: 1 in 100",
    ):  # fmt: skip
        assert said in text, said
    for caution in certificates.CAUTIONS:
        assert caution in text


def test_the_page_states_what_a_certificate_is_asked_for() -> None:
    record, page = certificate_of(issued())
    text = " ".join(PageWords(page).words)
    for said in (
        "AC-2026-0412 issued 2026-03-20", "Reducer shop, quality assurance", "Water works of the valley, plant 2",
        "test bench 3, works hall", "A. Tester (measured by)", "B. Witness (witness)", "CLP 220, 3.2 l", "3300 Nm",
        "Sensors fixed by stud", "output side radial 31188 2025-11-04 K-2025-1187", "k = 2.13, ν = 15", "risk 1 in 330",
        "rated load 100 % torque transducer 61 °C 48 °C 21.5 °C", "14 s 25.6 kHz 8 kHz 100 % 3547cb112ac4489a",
        "This is attempt 2. The one before, AC-2026-0371, ended fail", "Done since then: eccentric bearing exchanged",
        "Ring pin, stage 1 0.31 m/s²", "Output bearing – Not promised: 8 s is too short", "Resonance at 860 r/min",
        "Each at input side radial, output side radial",
    ):  # fmt: skip
        assert said in text.replace("\u00a0", " "), said
    assert record["issue"]["witness"] == ["B. Witness"]
    assert record["measured"][0]["top_hz"] == 8000.0
    assert acceptance_of(record) == issued()


def test_a_run_up_is_drawn_the_same_wherever_it_is_made() -> None:
    assert ticks(0.0, 1.7) == [0.0, 0.5, 1.0, 1.5, 2.0]
    assert ticks(160.0, 1455.0) == [0.0, 500.0, 1000.0, 1500.0]
    one, two = (chart(issued().speed_curves[0]) for _ in range(2))
    assert one == two
    assert one.count("<path") >= 8
    (_, _, said), *_ = drawn([replace(issued().speed_curves[0], resonances_rpm=())])
    assert said == "No resonance stands out."


def test_words_for_answers_and_runs() -> None:
    assert sentence(passing()) == "All 12 requirements are met."
    assert sentence(failing()) == "2 of 12 requirements are not met."
    assert sentence(replace(failing(), outcomes=failing().outcomes[:1])) == "One of 1 requirements is not met."
    assert runs_text(passing().runs[2:4]) == "2 × load step (25 to 75\u00a0% load, 38 to 52\u00a0°C)"


def test_the_budget_shown_is_of_the_figure_that_decides() -> None:
    assert [row.number for row in deciding(rows_of(failing()))][:1] == [1]
    assert [row.number for row in deciding(rows_of(open_one()))][:1] == [6]
    assert next(row.number for row in deciding(rows_of(passing()))) == 8  # nearest to its limit


def test_a_limit_never_looks_like_a_value_that_differs_from_it() -> None:
    assert measured_text(quantity(2.6604, "mm/s")) == "2.66\u00a0± 0.19\u00a0mm/s"
    assert distinguishing_digits(2.6621, quantity(2.6604, "mm/s")) == "2.662"
    assert distinguishing_digits(2.5, quantity(2.6604, "mm/s")) == "2.50"
    # To the safe side: what is shown as accepted is accepted.
    assert distinguishing_digits(2.7999, quantity(1.0, "mm/s")) == "2.799"
    assert distinguishing_digits(2.7001, quantity(1.0, "mm/s"), lower=True) == "2.701"


def test_what_is_no_number_is_refused_and_nothing_is_replaced_unasked(tmp_path: Path) -> None:
    spoiled = replace(passing(), speed_hz=float("nan"))
    with pytest.raises(OutputError, match="cannot be written"):
        write_certificate(spoiled, tmp_path, force=True, pdf=False)
    assert list(tmp_path.iterdir()) == []
    write_certificate(passing(), tmp_path, force=False, pdf=False)
    with pytest.raises(OutputError, match="--force"):
        write_certificate(failing(), tmp_path, force=False, pdf=False)
    (tmp_path / "certificate.pdf").write_bytes(b"of another result")
    made = write_certificate(failing(), tmp_path, force=True, pdf=False)
    assert made.pdf is None
    assert not (tmp_path / "certificate.pdf").exists()


JSON_VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(10**12), 10**12)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(exclude_categories=["Cs"]), max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text("abc", max_size=3), inner, max_size=3),
    max_leaves=8,
)


@settings(max_examples=60, deadline=None)
@given(st.dictionaries(st.text("abcd", min_size=1, max_size=3), JSON_VALUES, max_size=4))
def test_a_record_survives_writing_and_reading(content: dict[str, Any]) -> None:
    record = sealed(content)
    again = read_sealed(written(record))
    assert again == record
    assert seal_of(again) == again["seal"]
    assert canonical(dict(reversed(again.items()))) == canonical(record)


def test_the_seal_can_be_had_by_other_means() -> None:
    """The canonical form is pinned: whoever reads its description gets this very text."""
    content = {"ü": [1, 1.0, -0.5, 1e-07, 1e22], "a": {"z": None, "b": True}, "seal": "left out"}
    assert canonical(content) == '{"a":{"b":true,"z":null},"ü":[1,1.0,-0.5,1e-07,1e+22]}'.encode()
    with pytest.raises(SealError, match="canonical form"):
        read_sealed('{"a": 1.50, "seal": "' + 64 * "0" + '"}')
    for text in ("[]", "{}", '{"seal": "x"}', "{", "[" * 100_000, '{"a": ' + "9" * 5000 + "}", b"\xff\xfe{"):
        with pytest.raises(SealError):
            read_sealed(text)
