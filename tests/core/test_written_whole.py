"""Files appear whole or not at all: on a full disk, over links and devices, next to what ended processes left, and when
two processes want the same name."""

from __future__ import annotations

import errno
import os
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from vibe.core.errors import OutputError
from vibe.storage.files import check_folder, staged, write_whole
from vibe.storage.locks import hold

pytestmark = pytest.mark.skipif(os.name == "nt", reason="links, masks and limits of another system")


def begun(folder: Path, name: str = "a.txt") -> Path:
    """The file that writing ``name`` begins with, as a process that was ended leaves it."""

    class Ended(BaseException):
        pass

    def end(handle: int) -> None:
        raise Ended

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "fsync", end)
        patch.setattr(Path, "unlink", lambda self, missing_ok=False: None)
        with pytest.raises(Ended):
            write_whole(folder / name, "half")
    (part,) = folder.glob(".*.part")
    return part


def test_what_an_ended_process_began_is_removed_and_what_a_living_one_holds_is_not(tmp_path: Path) -> None:
    part = begun(tmp_path)
    with part.open("rb") as living:
        assert hold(living)
        write_whole(tmp_path / "a.txt", "whole")
        assert part.exists()
    write_whole(tmp_path / "a.txt", "again", force=True)
    assert [path.name for path in tmp_path.iterdir()] == ["a.txt"]
    assert (tmp_path / "a.txt").read_text(encoding="utf-8") == "again"


def test_a_part_that_has_become_the_file_already_costs_it_nothing(tmp_path: Path) -> None:
    # Ended between giving the name and taking the other away.
    part = begun(tmp_path)
    os.link(part, tmp_path / "a.txt")
    write_whole(tmp_path / "b.txt", "other")
    with pytest.raises(OutputError, match="exists already"):
        write_whole(tmp_path / "a.txt", "new")
    assert (tmp_path / "a.txt").read_text(encoding="utf-8") == "half"
    write_whole(tmp_path / "a.txt", "new", force=True)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.txt", "b.txt"]


def test_of_two_that_write_one_file_at_once_the_first_keeps_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path, real = tmp_path / "a.txt", os.fsync

    def quicker(handle: int) -> None:
        real(handle)
        if not path.exists():
            path.write_text("the other's", encoding="utf-8")

    monkeypatch.setattr(os, "fsync", quicker)
    with pytest.raises(OutputError, match="exists already"):
        write_whole(path, "mine")
    assert path.read_text(encoding="utf-8") == "the other's"
    assert len(list(tmp_path.iterdir())) == 1


def test_where_files_have_one_name_only_they_are_written_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_links(*_: object) -> None:
        raise OSError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(os, "link", no_links)
    write_whole(tmp_path / "a.txt", "whole")
    with pytest.raises(OutputError, match="exists already"):
        write_whole(tmp_path / "a.txt", "other")
    assert (tmp_path / "a.txt").read_text(encoding="utf-8") == "whole"


def test_links_and_devices_are_not_written_through(tmp_path: Path) -> None:
    (tmp_path / "nowhere").symlink_to("gone")
    with pytest.raises(OutputError, match="exists already"):
        write_whole(tmp_path / "nowhere", "x")
    precious = tmp_path / "precious"
    precious.write_text("mine", encoding="utf-8")
    (tmp_path / "link").symlink_to(precious)
    write_whole(tmp_path / "link", "x", force=True)
    assert precious.read_text(encoding="utf-8") == "mine"
    assert not (tmp_path / "link").is_symlink()
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "to pipe").symlink_to("pipe")
    (tmp_path / "folder").mkdir()
    for name in ("pipe", "to pipe", "folder"):
        with pytest.raises(OutputError, match="no plain file"):
            write_whole(tmp_path / name, "x", force=True)
    assert stat.S_ISFIFO((tmp_path / "pipe").stat().st_mode)


def test_folders_that_lead_nowhere_or_in_circles_are_reported(tmp_path: Path) -> None:
    (tmp_path / "nowhere").symlink_to("gone")
    (tmp_path / "circle").symlink_to("other half")
    (tmp_path / "other half").symlink_to("circle")
    for name in ("nowhere", "circle"):
        for folder in (tmp_path / name, tmp_path / name / "below"):
            with pytest.raises(OutputError, match="leads nowhere"):
                check_folder(folder)
            with pytest.raises(OutputError, match="leads nowhere"):
                write_whole(folder / "a.txt", "x")
    (tmp_path / "real").mkdir()
    (tmp_path / "elsewhere").symlink_to("real")
    write_whole(tmp_path / "elsewhere" / "a.txt", "x")
    assert (tmp_path / "real" / "a.txt").is_file()


@pytest.mark.parametrize(("mask", "mode"), [(0o077, 0o600), (0o022, 0o644), (0o000, 0o666)])
def test_others_may_read_what_the_user_lets_them(tmp_path: Path, mask: int, mode: int) -> None:
    before = os.umask(mask)
    try:
        path = write_whole(tmp_path / "a.txt", "x")
    finally:
        os.umask(before)
    assert stat.S_IMODE(path.stat().st_mode) == mode


def test_a_file_larger_than_the_user_may_write_is_one_sentence(tmp_path: Path, repository: Path) -> None:
    code = (
        "import resource, signal, sys; from pathlib import Path\n"
        "from vibe.storage.files import write_whole; from vibe.core.errors import OutputError\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))\n"
        "try:\n write_whole(Path(sys.argv[1]), b'x' * 5000)\n"
        "except OutputError as error:\n print(error)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path / "a.bin")],
        cwd=repository,
        capture_output=True,
        text=True,
        check=True,
    )
    assert "File too large" in done.stdout
    assert list(tmp_path.iterdir()) == []


def test_a_stage_is_gone_at_the_end_and_those_of_ended_processes_too(tmp_path: Path) -> None:
    left = tmp_path / ".plan.0123abcd.stage"
    left.mkdir()
    (left / ".lock").touch()
    (left / "plan.csv").write_text("half", encoding="utf-8")
    with staged(tmp_path, "plan") as stage:
        assert not left.exists()
        with staged(tmp_path, "plan") as other:
            assert stage != other
            assert stage.is_dir()
    assert list(tmp_path.iterdir()) == []
