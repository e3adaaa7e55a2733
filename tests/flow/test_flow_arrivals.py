"""Files that arrive while one watches."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

from vibe.storage.settled_files import Arrivals, FolderWatch, arrivals


def looking(folder: Path) -> Iterator[Arrivals]:
    return arrivals(FolderWatch(folder, {".wav"}, empty=True), folder)


def names(paths: tuple[Path, ...]) -> list[str]:
    return [path.name for path in paths]


def look(watch: Iterator[Arrivals]) -> Arrivals:
    return next(watch)


def test_a_file_counts_when_it_has_stopped_growing(tmp_path: Path) -> None:
    watch = looking(tmp_path)
    assert look(watch) == Arrivals(whole=(), gone=(), waiting=())
    file = tmp_path / "a.wav"
    for piece in (b"RI", b"FF", b"...."):
        with file.open("ab") as stream:
            stream.write(piece)
        seen = look(watch)
        assert (names(seen.whole), names(seen.waiting)) == ([], ["a.wav"])
    assert names(look(watch).whole) == ["a.wav"]
    assert look(watch) == Arrivals(whole=(), gone=(), waiting=())


def test_a_file_that_was_there_before_comes_too(tmp_path: Path) -> None:
    (tmp_path / "old.wav").write_bytes(b"x")
    watch = looking(tmp_path)
    assert names(look(watch).waiting) == ["old.wav"]
    assert names(look(watch).whole) == ["old.wav"]


def test_a_change_brings_it_back_and_so_does_its_sidecar(tmp_path: Path) -> None:
    file = tmp_path / "a.wav"
    file.write_bytes(b"x")
    watch = looking(tmp_path)
    look(watch), look(watch)
    os.utime(file, ns=(1, 1))  # replaced by one of the same size
    assert names(look(watch).waiting) == ["a.wav"]
    assert names(look(watch).whole) == ["a.wav"]
    (tmp_path / "a.wav.toml").write_text("speed_rpm = 1480\n", encoding="utf-8")
    look(watch)
    assert names(look(watch).whole) == ["a.wav"]


def test_a_file_that_is_taken_away_is_reported_once(tmp_path: Path) -> None:
    file = tmp_path / "a.wav"
    file.write_bytes(b"x")
    watch = looking(tmp_path)
    look(watch), look(watch)
    file.unlink()
    assert names(look(watch).gone) == ["a.wav"]
    assert names(look(watch).gone) == []


def test_a_card_that_is_pulled_and_put_back_brings_only_what_is_new(tmp_path: Path) -> None:
    card, away = tmp_path / "card", tmp_path / "away"
    card.mkdir()
    for name in ("a.wav", "b.wav"):
        (card / name).write_bytes(b"x")
    watch = looking(card)
    look(watch), look(watch)
    card.rename(away)
    for _ in range(2):
        assert look(watch) == Arrivals(whole=(), gone=(), waiting=(), away=True)
    (away / "c.wav").write_bytes(b"x")
    (away / "b.wav").unlink()
    away.rename(card)
    seen = look(watch)
    assert (names(seen.gone), names(seen.waiting), seen.away) == (["b.wav"], ["c.wav"], False)
    assert names(look(watch).whole) == ["c.wav"]


def test_a_card_that_numbers_its_files_anew_brings_nothing_twice(tmp_path: Path) -> None:
    card, away = tmp_path / "card", tmp_path / "away"
    card.mkdir()
    (card / "a.wav").write_bytes(b"x")
    watch = looking(card)
    look(watch), look(watch)
    card.rename(away)
    assert look(watch).away
    shutil.copytree(away, card)  # the same sizes and times, other inodes
    assert look(watch) == Arrivals(whole=(), gone=(), waiting=())
    assert look(watch) == Arrivals(whole=(), gone=(), waiting=())
    (card / "a.wav").write_bytes(b"xy")
    look(watch)
    assert names(look(watch).whole) == ["a.wav"]


def test_a_link_that_leads_out_is_no_file_of_the_folder(tmp_path: Path) -> None:
    card = tmp_path / "card"
    card.mkdir()
    (tmp_path / "secret.wav").write_bytes(b"x")
    (card / "real.wav").write_bytes(b"x")
    (card / "out.wav").symlink_to(tmp_path / "secret.wav")
    (card / "inside.wav").symlink_to(card / "real.wav")
    (card / "nowhere.wav").symlink_to(card / "gone.wav")
    watch = looking(card)
    look(watch)
    assert names(look(watch).whole) == ["inside.wav", "real.wav"]


def test_an_empty_place_where_the_card_was_is_no_empty_card(tmp_path: Path) -> None:
    card, away = tmp_path / "card", tmp_path / "away"
    card.mkdir()
    (card / "a.wav").write_bytes(b"x")
    watch = looking(card)
    look(watch), look(watch)
    card.rename(away)
    card.mkdir()  # the place where it was mounted
    assert look(watch).away
    card.rmdir()
    away.rename(card)
    assert look(watch) == Arrivals(whole=(), gone=(), waiting=())


def test_what_is_to_be_looked_at_again_comes_again(tmp_path: Path) -> None:
    (tmp_path / "a.wav").write_bytes(b"x")
    redo: set[Path] = set()
    watch = arrivals(FolderWatch(tmp_path, {".wav"}), tmp_path, redo=redo)
    next(watch), next(watch)
    assert next(watch).whole == ()
    redo.add(tmp_path / "a.wav")
    assert names(next(watch).whole) == ["a.wav"]
    assert next(watch).whole == ()
