"""The process that draws: its letters are those of vibe, and whatever ends it costs one PDF and one remark."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pytest

from tests.report import printed
from vibe.report.printing import fonts, pdf, printer
from vibe.report.printing.printer import DrawingError, Printer

PAGE = "<html lang=en><title>T</title><h1 data-sheet=S>Ägir ≥ 10 m/s² ✓</h1><code>x</code>" + "<p>Some words.</p>" * 9


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Where font configurations come to lie."""
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "temporary"))
    (tmp_path / "temporary").mkdir()
    return tmp_path / "temporary"


@pytest.fixture
def one(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Printer:
    """A printer of its own, behind ``make_pdf``, on a machine without Chromium."""
    mine = Printer()
    monkeypatch.setattr(pdf, "PRINTER", mine)
    monkeypatch.setenv("PATH", str(folder))
    return mine


def library(folder: Path, text: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Another weasyprint, for processes started from now on."""
    (folder / "weasyprint.py").write_text(text, encoding="utf-8")
    monkeypatch.syspath_prepend(str(folder))


@pytest.mark.usefixtures("printing")
def test_fonts_of_the_machine_change_nothing(one: Printer, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Not one font, or none but another: the same page in the same letters."""
    first = pdf.make_pdf(PAGE)
    assert first.content is not None
    one.close()
    empty = folder / "empty.conf"
    empty.write_text("<fontconfig></fontconfig>")
    monkeypatch.setenv("FONTCONFIG_FILE", str(empty))
    monkeypatch.setenv("FONTCONFIG_PATH", str(folder))
    second = pdf.make_pdf(PAGE)
    one.close()
    assert second.content is not None, second.remark
    assert first.content == second.content
    assert "≥ 10 m/s² ✓" in printed.texts_of(second.content)[0]


@pytest.mark.usefixtures("printing")
def test_one_process_draws_many_pages_and_leaves_nothing(one: Printer, folder: Path) -> None:
    made = [pdf.make_pdf(PAGE) for _ in range(2)]
    assert made[0].content is not None
    assert made[0] == made[1]
    assert len(list(folder.iterdir())) == 1
    one.close()
    assert list(folder.iterdir()) == []


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("raise OSError('cannot load library libpango')", "weasyprint: cannot load library libpango;"),
        ("raise ImportError('no such thing')", "weasyprint: no such thing;"),
        ("import os; os.kill(os.getpid(), 11)", "weasyprint: its process was ended by signal SIGSEGV;"),
        ("import os; os._exit(7)", "weasyprint: its process ended with status 7;"),
        ("print('noise' * 99); import time; time.sleep(99)", "weasyprint: took more than 2 s;"),
    ],
)
def test_what_drawing_does_not_survive_is_a_remark(
    one: Printer, folder: Path, monkeypatch: pytest.MonkeyPatch, text: str, said: str
) -> None:
    library(folder, text, monkeypatch)
    monkeypatch.setattr(printer, "LIMIT_S", 2.0)
    made = pdf.make_pdf(PAGE)
    assert made.content is None
    assert said in made.remark
    assert "print the HTML page instead" in made.remark
    one.close()
    assert [path for path in folder.iterdir() if path.is_dir() and path.name.startswith("vibe-")] == []


def test_after_a_crash_other_pages_are_drawn_and_after_two_no_more_are_tried(
    one: Printer, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = """
import os
class HTML:
    def __init__(self, string, **_): self.string = string
    def write_pdf(self, **_):
        if self.string == "fail": raise ValueError("a fault of its own")
        if self.string == "die": os.kill(os.getpid(), 11)
        print("noise")
        return self.string.encode()
class urls: URLFetcher = dict
DEFAULT_OPTIONS = {"pdf_tags": False}
"""
    library(folder, text, monkeypatch)
    assert one.draw("first") == (b"first", "")
    for _ in range(2):
        with pytest.raises(DrawingError, match="signal SIGSEGV"):
            one.draw("die")
        with pytest.raises(DrawingError, match="a fault of its own"):
            one.draw("fail")
        assert one.draw("other") == (b"other", "")
    for _ in range(printer.MOST_CRASHES):
        with pytest.raises(DrawingError):
            one.draw("die")
    with pytest.raises(OSError, match="2 times in a row"):
        one.draw("other")
    one.close()


@pytest.mark.usefixtures("printing")
def test_letters_that_the_font_lacks_are_reported() -> None:
    made = pdf.make_pdf(PAGE.replace("Some", "水 \u202eÄ→"))
    assert made.content is not None
    assert made.remark == "in the PDF, characters that its font lacks are boxes (水); the HTML page shows them"
    assert pdf.make_pdf(PAGE).remark == ""


def test_without_its_fonts_nothing_is_started(one: Printer, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where no font is found, the library that sets text takes its process down."""
    monkeypatch.setattr(fonts, "FACES", ("NoSuchFace.ttf",))
    one.warm_up()
    made = pdf.make_pdf(PAGE)
    assert made.content is None
    assert "the font NoSuchFace.ttf is missing" in made.remark


def test_the_process_ends_with_the_one_that_asks(folder: Path) -> None:
    """Killed or not, it leaves neither a process nor a folder behind."""
    ask = "from vibe.report.printing.pdf import make_pdf, PRINTER; import os; "
    ask += f"make_pdf({PAGE!r}); print(PRINTER._process.pid, flush=True); os.kill(os.getpid(), 9)"
    done = subprocess.run(
        [sys.executable, "-c", ask], capture_output=True, text=True, env=os.environ | {"TMPDIR": str(folder)}
    )
    if not done.stdout.strip():
        pytest.skip("needs the library that draws")
    until = time.monotonic() + 20
    while list(folder.iterdir()) and time.monotonic() < until:
        time.sleep(0.05)
    assert list(folder.iterdir()) == []
    while Path("/proc", done.stdout.strip()).exists() and time.monotonic() < until:
        time.sleep(0.05)
    assert not Path("/proc", done.stdout.strip()).exists()
