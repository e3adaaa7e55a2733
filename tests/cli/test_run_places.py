"""Where a run reads and writes: through no link that leads out, from ordinary files only, and its pages name no place
of this machine. What draws PDFs may die: that costs PDFs alone."""

from __future__ import annotations

import json
import os
import shutil
import tempfile
from pathlib import Path

import pytest

from tests.cli.calls import DRIVE, Vibe
from vibe.flow.run.places import without_places
from vibe.report.printing import pdf
from vibe.report.printing.printer import Printer

RECIPE = 'kind = "route"\ntitle = "Two"\ndrives = ["drives"]\ncaptures = "captures"\npdf = {pdf}\n'


@pytest.fixture
def plant(fit: Path, tmp_path: Path) -> Path:
    """Two drives, a capture of each, and one that cannot be read."""
    for name in ("drives", "captures"):
        (tmp_path / name).mkdir()
    for number in range(2):
        (tmp_path / "drives" / f"{number}.toml").write_text(DRIVE.replace("T-1", f"T-{number}"), encoding="utf-8")
        capture = Path(shutil.copy(fit, tmp_path / "captures" / f"{number}.h5"))
        with capture.open("ab") as stream:
            stream.write(bytes(number + 1))  # no two files alike
        (tmp_path / "captures" / f"{capture.name}.toml").write_text(f'drive = "T-{number}"\n', encoding="utf-8")
    (tmp_path / "captures" / "broken.h5").write_bytes(b"\x89HDF\r\n\x1a\n" + bytes(64))
    (tmp_path / "recipe.toml").write_text(RECIPE.format(pdf="false"), encoding="utf-8")
    return tmp_path


def pages(out: Path) -> str:
    return "".join(
        path.read_text(encoding="utf-8")
        for path in out.rglob("*")
        if path.suffix in (".html", ".json", ".csv") and not path.is_symlink()
    )


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes here")
def test_a_link_out_is_not_written_through_pipes_are_not_read_and_no_place_is_named(vibe: Vibe, plant: Path) -> None:
    out, elsewhere, earlier = plant / "out", plant / "elsewhere", plant / "earlier"
    for folder in (out, elsewhere, earlier):
        folder.mkdir()
    (out / "T-1").symlink_to(elsewhere)
    os.mkfifo(earlier / "run.json")
    answer = vibe("run", plant / "recipe.toml", "--out", out, "--earlier", earlier, "--workers", 1)
    assert answer.status == 2
    assert "T-1 is a link that leads out of" in answer.errors[0]
    assert list(elsewhere.iterdir()) == []
    assert (out / "T-0" / "health.html").is_file()
    assert "nothing is compared: earlier/run.json: is not an ordinary file" in answer.err
    text = pages(out)
    assert "broken.h5" in text
    assert "T-1 is a link that leads out" in text
    assert str(plant) not in text
    assert str(Path.home()) not in text

    # A link that stays inside is the user's own business.
    (out / "T-1").unlink()
    (out / "true").mkdir()
    (out / "T-1").symlink_to(out / "true")
    (earlier / "run.json").unlink()
    rows = [{"drive": f"T-{number}", "files": {"json": f"T-{number}.json"}} for number in range(2)]
    (earlier / "run.json").write_text(json.dumps({"drives": rows}), encoding="utf-8")
    os.mkfifo(earlier / "T-0.json")
    (earlier / "T-1.json").symlink_to("/dev/zero")
    answer = vibe("run", plant / "recipe.toml", "--out", out, "--earlier", earlier, "--workers", 1, "--force")
    assert answer.status == 0, answer.err
    assert (out / "true" / "health.html").is_file()
    assert "its earlier report earlier/T-0.json cannot be read" in answer.err


def test_a_drawing_that_dies_costs_its_pdf_and_one_remark(
    vibe: Vibe, plant: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    temporary = plant / "temporary"
    temporary.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(temporary))
    (temporary / "weasyprint.py").write_text("import os; os.kill(os.getpid(), 11)", encoding="utf-8")
    monkeypatch.syspath_prepend(str(temporary))
    monkeypatch.setenv("PATH", str(temporary))
    mine = Printer()
    monkeypatch.setattr(pdf, "PRINTER", mine)
    answer = vibe("run", plant / "recipe.toml", "--out", plant / "out", "--workers", 1, "--pdf")
    mine.close()
    assert answer.status == 0, answer.err
    lines = [line for line in answer.err.splitlines() if "PDF could not be made" in line]
    assert [line.partition(": PDF")[0] for line in lines] == ["note: T-0", "note: T-1"] or len(lines) == 1
    assert all("its process was ended by signal SIGSEGV" in line for line in lines)
    for number in range(2):
        own = plant / "out" / f"T-{number}"
        assert sorted(path.name for path in own.iterdir()) == ["health.html", "health.json", "made-from.json"]
    assert (plant / "out" / "index.html").is_file()


@pytest.mark.parametrize(
    ("text", "left"),
    [
        ("/plant/ann/round/a b.wav: cut off", "a b.wav: cut off"),
        ("/plant/ann/round/x/a.wav: cut off", "x/a.wav: cut off"),
        ("see /data/other/place/file.toml, line 3", "see file.toml, line 3"),
        (r"C:\Users\ann\a.wav is empty", "a.wav is empty"),
        ("1460 r/min and/or 5 m/s^2, 1/2", "1460 r/min and/or 5 m/s^2, 1/2"),
        ("https://example.org/a/b", "https://example.org/a/b"),
        ("", ""),
    ],
)
def test_places_are_cut_short(text: str, left: str) -> None:
    assert without_places(text, [Path("/plant/ann/round"), Path("/")]) == left
