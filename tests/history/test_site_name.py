"""What a site is called: as its store says, else as the folder that says more."""

from __future__ import annotations

from pathlib import Path

import pytest

from vibe.cli.main import main
from vibe.core.errors import CallError
from vibe.desk.sites import Sites
from vibe.history.store.layout import SITE, name_site, site_name
from vibe.history.store.store import Store


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    place = tmp_path / "north" / "history"
    Store.open(place, create=True).close()
    return place


def test_a_site_is_called_as_its_folder_until_it_is_named(folder: Path) -> None:
    assert site_name(folder) == "north"
    assert site_name(folder.parent) == "north"
    assert name_site(folder, "  Alder Brook ") == "Alder Brook"
    assert site_name(folder) == "Alder Brook"
    assert name_site(folder, "Kläranlage 2") == site_name(folder)


@pytest.mark.parametrize("said", ["", "  ", "a/b", "..", "a\\b", "a\nb", "x" * 61, "\x1b[2J"])
def test_what_is_no_name_is_refused_and_changes_nothing(folder: Path, said: str) -> None:
    name_site(folder, "Quay")
    with pytest.raises(CallError, match="names no site"):
        name_site(folder, said)
    assert site_name(folder) == "Quay"


@pytest.mark.parametrize("harm", [b"", b"\xff\xfe", b"a/b\n", b"x" * 999])
def test_a_file_that_holds_no_name_is_passed_over(folder: Path, harm: bytes) -> None:
    (folder / SITE).write_bytes(harm)
    assert site_name(folder) == "north"


def test_a_desk_calls_sites_by_their_names_each_by_one(folder: Path, tmp_path: Path) -> None:
    other = tmp_path / "south" / "history"
    Store.open(other, create=True).close()
    for one in (folder, other):
        name_site(one, "Quay")
    assert [one.name for one in Sites([folder, other]).stores] == ["Quay", "Quay 2"]


def test_the_command_names_a_site_and_says_how_it_is_called(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for words, status in ((["Quay"], 0), ([], 0), (["a/b"], 2)):
        with pytest.raises(SystemExit) as ended:
            main(["history", "name", *words, "--store", str(folder)])
        assert ended.value.code == status
    said = capsys.readouterr()
    assert said.out == "Quay\nQuay\n"
    assert "holds a slash" in said.err
