"""Names and folders that a user may think of, and a machine may not bear."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from vibe.core.errors import OutputError
from vibe.storage.files import check_folder, safe_name, writable, write_whole


@pytest.mark.parametrize(
    "tag",
    [
        "con",
        "NUL",
        "Aux.1",
        "com3",
        "lpt9.x",
        "assets",
        "index.html",
        "run.json",
        "Drives.csv",
        "..",
        "../x",
        "",
        "--x",
    ],
)
def test_no_name_is_a_device_a_way_out_or_a_file_of_the_run_itself(tag: str) -> None:
    name = safe_name(tag)
    assert name not in ("", ".", "..")
    assert "/" not in name
    assert not name.startswith("-")
    assert name.lower().split(".")[0] not in ("con", "nul", "aux", "com3", "lpt9")
    assert name.lower() not in ("assets", "index.html", "run.json", "drives.csv")


def test_different_tags_have_different_names() -> None:
    tags = ["a b", "a_b", "a/b", "drive_con", "con", "x" * 79, "x" * 80, "x" * 81, "ü", "ö", "T-1", "com", "console"]
    assert len({safe_name(tag) for tag in tags}) == len(tags)
    assert safe_name("T-1") == "T-1"
    assert safe_name("console") == "console"
    assert max(len(safe_name(tag)) for tag in tags) < 120


def test_a_file_in_the_way_of_a_folder_is_named_and_kept(tmp_path: Path) -> None:
    taken = tmp_path / "taken"
    taken.write_text("precious", encoding="utf-8")
    for folder in (taken, taken / "below" / "deep"):
        with pytest.raises(OutputError, match="taken is a file where a folder is needed"):
            check_folder(folder)
        with pytest.raises(OutputError, match="taken is a file where a folder is needed"):
            write_whole(folder / "x.json", "{}")
    assert taken.read_text(encoding="utf-8") == "precious"
    check_folder(tmp_path / "new" / "deep")
    assert not (tmp_path / "new").exists()


def test_a_folder_that_may_not_be_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("os.access", lambda *_: False)
    with pytest.raises(OutputError, match="may not be written"):
        check_folder(tmp_path / "new")
    # The folder where one stands has a name, too.
    monkeypatch.chdir(tmp_path)
    with pytest.raises(OutputError, match=re.escape(f"new: {tmp_path} may not be written; name another --out")):
        check_folder(Path("new"))


def test_a_name_that_is_no_text_can_be_written() -> None:
    name = b"caf\xe9.h5".decode("utf-8", "surrogateescape")
    assert json.dumps(writable(name), ensure_ascii=False).encode() == '"caf\ufffd.h5"'.encode()
    assert writable("振动 é") == "振动 é"
