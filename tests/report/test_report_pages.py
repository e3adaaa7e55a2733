from __future__ import annotations

import json
import re
import shutil
import subprocess
import warnings
from collections.abc import Callable
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import jsonschema
import pytest

from vibe.core.drive_report import DriveReport
from vibe.core.errors import OutputError
from vibe.core.health import Health
from vibe.core.text import dates_in_words
from vibe.report import words
from vibe.report.pages import drive_page
from vibe.report.pages.drive_page import write_drive
from vibe.report.pages.index_page import index_row, write_index
from vibe.report.printing import pdf, print_process
from vibe.storage.files import safe_name


class Text(HTMLParser):
    """The text of a page, its element names and its attributes."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.words: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.skip = 0
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self.skip += tag in ("script", "style")

    def handle_endtag(self, tag: str) -> None:
        self.skip -= tag in ("script", "style")

    def handle_data(self, data: str) -> None:
        if not self.skip:
            self.words.append(data)

    @property
    def text(self) -> str:
        return re.sub(r"\s+", " ", " ".join(self.words))


def read(path: Path) -> Text:
    return Text(path.read_text(encoding="utf-8"))


def test_json_has_the_contract_form(tmp_path: Path, damaged: DriveReport, unknown: DriveReport) -> None:
    schema = Health.model_json_schema(by_alias=True)
    for drive_report in (damaged, unknown):
        files = write_drive(drive_report, tmp_path, force=False, pdf=False)
        report = json.loads(files.json.read_text(encoding="utf-8"))
        jsonschema.validate(report, schema)
        assert report["schema"] == "vibe.health/1"
        assert Health.model_validate(report) == drive_report.health
    assert report["speed"] == {"input_hz": None, "uncertainty_hz": None, "method": None, "note": "", "alternatives": []}


def test_a_report_by_itself_leads_to_no_list_that_is_not_there(tmp_path: Path, sound: DriveReport) -> None:
    for listed in (True, False):
        page = write_drive(sound, tmp_path / str(listed), force=False, pdf=False, listed=listed).html
        assert ("../index.html" in page.read_text(encoding="utf-8")) is listed


def test_page_says_it_all_and_says_the_state_first(tmp_path: Path, damaged: DriveReport) -> None:
    files = write_drive(damaged, tmp_path, force=False, pdf=False)
    page = read(files.html)
    health = damaged.health
    said = page.text
    for text in (
        health.sentence, health.do_by, health.state_rule, health.findings[0].why, health.findings[1].advice,
        "98 %", "1 in 100 000", "Growth since baseline not known", "1458.6 ± 0.1 r/min", "17 : 1",
        "output turns against the input", "14 Mar 2026, 09:26:53 (UTC+02:00)", "time not known", "by analogy",
        "output pin, its roller or its disc bore, stage 1", "a capture of at least 60 s", "4.2 dB over the floor",
        "Wait 10 s after mounting", "the file ends in the middle of a line", *health.cautions, "9f" * 32, "vibe 0.1.0",
    ):  # fmt: skip
        assert text in said, text
    assert said.index(health.sentence) < said.index(health.do_by) < said.index(health.findings[0].why)
    assert said.index("Unbalance") > said.index("Local damage")
    assert files.html.stat().st_size < 1_500_000


def test_page_asks_nothing_of_a_network_and_describes_its_pictures(tmp_path: Path, damaged: DriveReport) -> None:
    files = write_drive(damaged, tmp_path, force=False, pdf=False)
    page = read(files.html)
    for tag, attrs in page.tags:
        for name in ("src", "href"):
            target = attrs.get(name)
            if target:
                assert target.startswith(("data:", "#", "../", "health.")), (tag, target)
    images = [attrs for tag, attrs in page.tags if tag == "img"]
    assert len(images) == 6
    assert all(attrs.get("alt") for attrs in images)
    scripts = [attrs for tag, attrs in page.tags if tag == "script"]
    (loads,) = (attrs for attrs in scripts if attrs.get("type") != "application/json")
    assert set(loads) == {"data-loads"}
    loaded = re.findall(r'"(\.\./assets/[^"]+)"', files.html.read_text(encoding="utf-8").partition("data-loads>")[2])
    assert len(loaded) == 2
    for name in loaded:
        assert (tmp_path / "TH-02" / name).is_file()


def test_what_is_not_known_is_said_and_never_a_number(tmp_path: Path, unknown: DriveReport) -> None:
    said = read(write_drive(unknown, tmp_path, force=False, pdf=False).html).text
    assert "Input speed not known" in said
    assert "None" not in said
    assert not re.search(r"\bnan\b", said, re.IGNORECASE)
    assert "Every tone of this drive lay within reach" not in said
    assert " seen " not in said[said.index("Tones of this drive") : said.index("Capture quality")].replace(
        "could not be seen", ""
    )
    assert not re.search(r"Input speed\s+0", said)
    assert "No findings: the condition was not assessed" in said
    assert "2.1 % of the samples are clipped" in said


@pytest.mark.parametrize(
    "evil", ["<script>alert(1)</script>", "../../etc/x", "=cmd|' /C calc'!A0", 'a" onload="x', "水 {{ 7*7 }}"]
)
def test_hostile_names_stay_text_and_stay_in_the_folder(tmp_path: Path, damaged: DriveReport, evil: str) -> None:
    health = damaged.health.model_copy(update={"drive": evil, "name": evil, "sentence": evil, "do_by": evil})
    plot = replace(damaged.finding_plots[0][0], title=evil, caption=evil + "</script><img src=x>")
    drive_report = replace(damaged, health=health, finding_plots=((plot,), ()), overview_plots=())
    files = write_drive(drive_report, tmp_path, force=False, pdf=False)
    assert files.html.parent.parent == tmp_path
    assert files.html.parent.name == safe_name(evil)
    page = read(files.html)
    assert evil.replace("  ", " ") in page.text
    assert not any(name.startswith("on") for _, attrs in page.tags for name in attrs)
    own = [attrs for tag, attrs in page.tags if tag == "script"]
    assert own == [{"type": "application/json"}, {"data-loads": None}]
    assert not any(attrs.get("src") == "x" for _, attrs in page.tags)
    index = write_index(
        [index_row(drive_report, files)],
        tmp_path,
        title=evil,
        captures_without_drive=[evil],
        drives_without_capture=[],
        force=False,
    )
    page = read(index.html)
    assert not any(tag == "script" for tag, _ in page.tags)
    targets = [
        str(attrs["href"]) for tag, attrs in page.tags if tag == "a" and str(attrs["href"]).endswith("health.html")
    ]
    assert targets
    assert (tmp_path / targets[0]).is_file()
    assert not re.search(r"(^|,)\"?[=+@-]", index.csv.read_text(encoding="utf-8"), re.MULTILINE)


def test_nothing_is_replaced_without_force_and_nothing_half_written(
    tmp_path: Path, unknown: DriveReport, sound: DriveReport, monkeypatch: pytest.MonkeyPatch
) -> None:
    files = write_drive(unknown, tmp_path, force=False, pdf=False)
    before = {path: path.read_bytes() for path in (files.json, files.html)}
    with pytest.raises(OutputError, match="--force"):
        write_drive(unknown, tmp_path, force=False, pdf=False)
    assert before == {path: path.read_bytes() for path in before}
    write_drive(unknown, tmp_path, force=True, pdf=False)

    def fail(*args: object, **kwargs: object) -> str:
        raise RuntimeError("broken template")

    monkeypatch.setattr(drive_page, "render_drive", fail)
    with pytest.raises(RuntimeError):
        write_drive(sound, tmp_path, force=False, pdf=False)
    assert not (tmp_path / safe_name(sound.health.drive)).exists()
    assert not list(tmp_path.rglob("*.part"))


@pytest.mark.usefixtures("printing")
def test_pdf_says_the_same_and_a_stale_one_is_not_left(tmp_path: Path, sound: DriveReport) -> None:
    files = write_drive(sound, tmp_path, force=False)
    assert files.pdf is not None
    assert files.remarks == ()
    assert files.pdf.read_bytes().startswith(b"%PDF-")
    assert 'href="health.pdf"' in files.html.read_text(encoding="utf-8")
    if reader := shutil.which("pdftotext"):
        said = subprocess.run([reader, files.pdf, "-"], check=True, capture_output=True, text=True).stdout
        # What the screen keeps folded is unfolded on paper; what only a screen can use is left out.
        for text in (sound.health.sentence, "stage1.output_pin_pass", sound.health.cautions[0], "Page 1 of"):
            assert text in said
        assert "Drag across" not in said
    again = write_drive(sound, tmp_path, force=True, pdf=False)
    assert again.pdf is None
    assert not files.pdf.exists()
    assert 'href="health.pdf"' not in files.html.read_text(encoding="utf-8")


@pytest.mark.parametrize("lack", [ImportError("no weasyprint"), OSError("cannot load library 'libpango-1.0-0'")])
def test_without_a_printer_a_remark_and_no_failure(
    tmp_path: Path, sound: DriveReport, monkeypatch: pytest.MonkeyPatch, lack: Exception
) -> None:
    def missing(html: str) -> bytes:
        raise lack

    monkeypatch.setattr(pdf, "_by_weasyprint", missing)
    monkeypatch.setenv("PATH", str(tmp_path))
    files = write_drive(sound, tmp_path, force=False)
    assert files.pdf is None
    assert files.html.is_file()
    assert files.remarks[0].startswith("PDF could not be made")
    assert str(lack) in files.remarks[0]
    assert "no Chromium is installed" in files.remarks[0]


def test_pdf_maker_opens_no_file_and_no_address(tmp_path: Path) -> None:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # what it says of the machine's fonts is no matter here
            import weasyprint
    except (ImportError, OSError) as error:
        pytest.skip(f"weasyprint: {error}")
    fetch: Callable[[str], object] = print_process.data_only(weasyprint)
    secret = tmp_path / "secret.txt"
    secret.write_text("x")
    for url in (secret.as_uri(), "http://127.0.0.1:9/x", "https://127.0.0.1:9/x", "ftp://127.0.0.1/x"):
        with pytest.raises(ValueError, match=r"[Dd]isallowed|refused"):
            fetch(url)
    assert fetch("data:text/plain,ok")


@pytest.mark.parametrize(
    ("said", "expected"),
    [
        (words.number(None), "not known"),
        (words.number(float("nan")), "not known"),
        (words.number(0.0001234), "0.000123"),
        (words.number(-1.5e-7, 2), "−1.5 × 10⁻⁷"),
        (words.number(25600.0), "25600"),
        (words.with_uncertainty(24.31, 0.002, "Hz"), "24.310 ± 0.002 Hz"),
        (words.with_uncertainty(24.31, None, "Hz"), "24.31 Hz, uncertainty not known"),
        (words.with_uncertainty(1458.6, 12.0, "r/min"), "1459 ± 12 r/min"),
        (words.probability(0.9999), "over 99 %"),
        (words.probability(1.0), "over 99 %"),
        (words.odds(1e-5), "1 in 100 000"),
        (words.odds(0.0), "less than 1 in 10 million"),
        (words.odds(0.9), "90 %"),
        (words.when(None), "time not known"),
        (words.when("2026-03-14T09:26:00"), "14 Mar 2026, 09:26 (offset from UTC not known)"),
        (words.when("2026-03-14T09:26:00-03:30"), "14 Mar 2026, 09:26 (UTC−03:30)"),
        (words.when("last Tuesday"), "last Tuesday"),
        (words.component("bearing.eccentric bearing.outer_race"), "outer race (BPFO) of the eccentric bearing"),
        (words.heading("bearing.NU205.cage", "local damage"), "Local damage: cage (FTF) of the bearing “NU205”"),
        (words.heading("foundation", "looseness"), "Looseness: foundation"),
    ],
)  # fmt: skip
def test_words(said: str, expected: str) -> None:
    assert said == expected


def test_parts_are_called_in_sentences_as_everywhere_else() -> None:
    said = "24 s: bearing.output bearing.rolling_element, stage1.disc and bearing.NU 205.cage_past_inner; input.shaft."
    assert words.parts_named(said) == (
        "24 s: rolling element (BSF, 2 × BSF) of the output bearing, disc, stage 1 and cage of the bearing “NU 205”, "
        "past the inner ring; input shaft."
    )
    assert (
        words.parts_named("a bearing. stage 1, file bearing.csv, 2.5 Hz")
        == "a bearing. stage 1, file bearing.csv, 2.5 Hz"
    )


def test_days_of_the_action_are_words_that_do_not_break(tmp_path: Path, unknown: DriveReport) -> None:
    health = unknown.health.model_copy(update={"do_by": "Inspect <it> by 2026-03-29, then 2026-04-01."})
    files = write_drive(replace(unknown, health=health), tmp_path, force=False, pdf=False)
    assert ">Inspect &lt;it&gt; by 29\xa0Mar\xa02026, then 1\xa0Apr\xa02026.<" in files.html.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("sentence", "shown"),
    [
        ("by 2026-03-29; since 2025-12-01 (2026-01-05)", "by 29 Mar 2026; since 1 Dec 2025 (5 Jan 2026)"),
        ("2026-03-29", "29 Mar 2026"),
        # Names of files, moments, numbers of parts and what is no day stay as they are.
        ("TH-02_2026-03-29.h5, scan 2026-03-29.csv", None),
        ("a/2026-03-29/b", None),
        ("2026-03-29T09:26:53+02:00", None),
        ("2026-02-30 and 2026-13-01", None),
        ("part 12026-03-291 or X-2026-03-29", None),
    ],
)
def test_only_days_become_words(sentence: str, shown: str | None) -> None:
    assert dates_in_words(sentence).replace("\xa0", " ") == (shown or sentence)
