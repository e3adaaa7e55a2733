"""Words that a terminal would obey, from a name, a file or the command line: no command passes them on."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import h5py
import pytest

from tests.cli.calls import DRIVE, Vibe

OBEYED = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069]")
BAD = "\x1b]0;owned\x07\x1b[31m\u202e\u009b31m"


@pytest.fixture
def hostile(bench: Path, tmp_path: Path) -> Path:
    """A drive file, and captures whose names and channels are commands to a terminal."""
    (tmp_path / "drive.toml").write_text(DRIVE.replace("Test drive", f"Test {json.dumps(BAD)[1:-1]}"), encoding="utf-8")
    (tmp_path / "caps").mkdir()
    named = tmp_path / "caps" / f"=evil{BAD}\n.h5"
    shutil.copy(bench / "captures" / "fit.h5", named)
    with h5py.File(named, "a") as file:
        file.attrs["measured_at"] = "2026-03-09T08:12:00+01:00"
        (point,) = file["channels"]
        file["channels"].copy(file["channels"][point], file["channels"], name=f"q{BAD}")
        file["channels"].copy(file["channels"][point], file["channels"], name=f"r{BAD}")
        file["channels"][f"r{BAD}"].attrs["unit"] = BAD
    (tmp_path / "caps" / f"bad{BAD}.csv").write_text(f"# drive = {BAD}\ntime_s,p{BAD} [g]\n0,1\nx{BAD},2\n")
    return tmp_path


@pytest.mark.parametrize(
    ("words", "status"),
    [
        ("check CAPS", 0),
        ("check CAPS --drive DRIVE", 0),
        ("diagnose EVIL --drive DRIVE --out OUT --no-pdf", 0),
        ("diagnose EVIL --drive DRIVE --json -", 0),
        ("plan DRIVE --out OUT --no-pdf", 0),
        ("tones DRIVE", 0),
        ("history add EVIL --store OUT --drives DRIVE", 0),
        ("check NOPE", 2),
        ("tones NOPE", 2),
        ("NOPE", 2),
        ("run NOPE", 2),
        ("certificate verify NOPE", 2),
        ("alarms decide NOPE --store OUT --as confirmed --because NOPE --by NOPE", 2),
    ],
)
def test_no_command_passes_on_what_a_terminal_obeys(hostile: Path, vibe: Vibe, words: str, status: int) -> None:
    places = {
        "CAPS": hostile / "caps", "DRIVE": hostile / "drive.toml", "OUT": hostile / "out", "NOPE": f"nope{BAD}",
        "EVIL": hostile / "caps" / f"=evil{BAD}\n.h5",
    }  # fmt: skip
    before = {path.name for path in hostile.iterdir()}
    answer = vibe(*(places.get(word, word) for word in words.split()))
    assert answer.status == status, answer.err
    assert not OBEYED.search(answer.out)
    assert not OBEYED.search(answer.err)
    if words.endswith("--json -"):
        # What is escaped means the same: a record names the file as it is.
        assert json.loads(answer.out)["captures"][0]["file"].startswith("=evil\x1b]0;")
    assert {path.name for path in hostile.iterdir()} - before <= {"out"}
