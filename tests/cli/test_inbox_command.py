"""``vibe inbox``: what it says of what it is given; what it does is in tests/flow/desk."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.calls import Vibe
from vibe.flow.desk import inbox


def test_once_ends_when_all_is_done(vibe: Vibe, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(inbox, "LOOK_EVERY_S", 0.01)
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "letter.txt").write_text("not a capture")
    answer = vibe("inbox", "--store", tmp_path / "store", "--watch", tmp_path / "in", "--once", "--strict")
    assert (answer.status, answer.errors) == (0, [])
    assert "0 taken, 0 there already, 0 not taken" in answer.err
    assert (tmp_path / "store" / "store.sqlite").is_file()


def test_a_wrong_call_is_one_sentence(vibe: Vibe, tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    start = ("inbox", "--store", tmp_path / "store", "--watch")
    for match, call in (
        ("no folder that can be watched", (*start, tmp_path / "none")),
        ("lie in one another", (*start, tmp_path)),
        ("names no drive file", (*start, tmp_path / "in", "--drives", tmp_path / "no*.toml")),
        ("no address", (*start, tmp_path / "in", "--webhook", "ftp://x")),
        ("leave out --once", (*start, tmp_path / "in", "--once", "--notify", "mail")),
        ("Atlantis", (*start, tmp_path / "in", "--time-zone", "Europe/Atlantis")),
    ):
        answer = vibe(*call)
        assert answer.status == 2
        assert len(answer.errors) == 1
        assert match in answer.errors[0]
