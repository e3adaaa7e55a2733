from __future__ import annotations

from pathlib import Path

import pytest

import vibe.synth.samples.route_round as rounds
from tests.cli.calls import Vibe


@pytest.fixture
def short(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """A round of one drive in place of the shipped one."""
    spec = tmp_path / "practice.toml"
    spec.write_text(
        "february = 2026-02-27T08:00:00+01:00\nmarch = 2026-03-27T08:00:00+01:00\n"
        '[[drive]]\ndrive = "sludge_mixer_2.toml"\nseed = 1\nminute = 5\nseconds = 1\n'
        'rate_hz = 12800\nnote = "Sound."\n',
        encoding="utf-8",
    )
    load = rounds.load_practice
    monkeypatch.setattr(rounds, "load_practice", lambda path=None: load(path or spec))


@pytest.mark.usefixtures("short")
def test_the_round_is_made_and_said_where(vibe: Vibe, tmp_path: Path) -> None:
    out = tmp_path / "out"
    answer = vibe("practice", "--out", out, "--workers", 1)
    assert answer.status == 0, answer.err
    rows = [line.split("\t") for line in answer.out.splitlines()]
    assert [row[1] for row in rows[1:]] == [str(out / name) for name in ("february", "march", "truth.toml")]
    assert all(Path(row[1]).exists() for row in rows[1:])


@pytest.mark.usefixtures("short")
def test_a_round_is_replaced_with_force_only(vibe: Vibe, tmp_path: Path) -> None:
    out = tmp_path / "out"
    assert vibe("practice", "--out", out, "--workers", 1).status == 0
    made = out / "march" / "SM-02_2026-03-27.h5"
    content = made.read_bytes()
    made.write_bytes(b"mine")
    answer = vibe("practice", "--out", out, "--workers", 1)
    assert answer.status == 2
    assert len(answer.errors) == 1
    assert "--force" in answer.err
    assert made.read_bytes() == b"mine"
    assert vibe("practice", "--out", out, "--workers", 1, "--force").status == 0
    assert made.read_bytes() == content


def test_a_drive_that_is_not_in_the_round_is_reported(vibe: Vibe, tmp_path: Path) -> None:
    answer = vibe("practice", "--out", tmp_path / "out", "--drive", "XX-1")
    assert answer.status == 2
    assert "'XX-1'" in answer.errors[0]
    assert not (tmp_path / "out").exists()


def test_a_file_in_the_way_is_reported(vibe: Vibe, tmp_path: Path) -> None:
    (tmp_path / "out").write_text("mine", encoding="utf-8")
    answer = vibe("practice", "--out", tmp_path / "out")
    assert answer.status == 2
    assert len(answer.errors) == 1
    assert (tmp_path / "out").read_text(encoding="utf-8") == "mine"
