"""A file of another kind than what is needed is named by its kind, with who takes it."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path

import h5py
import numpy as np
import pytest

from vibe.core.errors import CaptureError, ConfigError
from vibe.ingest.config import other_file
from vibe.ingest.config.drive_file import drive_files, load_drive
from vibe.ingest.config.other_file import BY_MODEL, FileKind, instead, kind_of_file
from vibe.ingest.config.recipe_file import load_recipe
from vibe.ingest.config.sidecar import Sidecar
from vibe.ingest.formats.registry import SUFFIXES
from vibe.ingest.read import read_capture
from vibe.ingest.route.route_file import load_route

DRIVE = 'tag = "A"\nname = "a"\n[input]\nspeed_rpm = 1440\n'
ROUTE = 'title = "round"\ndrives = ["*.toml"]\n[[stop]]\ndrive = "A"\n'
RECIPE = 'kind = "route"\ntitle = "all"\ndrives = ["*.toml"]\ncaptures = "in"\n'
SIDECAR = 'drive = "A"\n[channels.in]\nsample_rate_hz = 8192\n'


def hdf5(path: Path) -> None:
    with h5py.File(path, "w") as file:
        file["x"] = [1.0]


def database(path: Path) -> None:
    with sqlite3.connect(path) as there:
        there.execute("CREATE TABLE a (b)")
    there.close()


def text(said: str) -> Callable[[Path], None]:
    return binary(said.encode())


def binary(content: bytes) -> Callable[[Path], None]:
    def made(path: Path) -> None:
        path.write_bytes(content)

    return made


FILES: dict[str, tuple[Callable[[Path], None], FileKind]] = {
    "a.h5": (hdf5, other_file.CAPTURE),
    "renamed.toml": (hdf5, other_file.CAPTURE),
    "a.npz": (lambda path: np.savez(path, x=np.ones(3)), other_file.CAPTURE),
    "a.csv": (text("time_s,in [m/s^2]\n0,1\n"), other_file.CAPTURE),
    "a.uff": (text("    -1\n    58\n"), other_file.CAPTURE),
    "drive.toml": (text(DRIVE), other_file.DRIVE),
    "route.toml": (text(ROUTE), other_file.ROUTE),
    "recipe.toml": (text(RECIPE), other_file.RECIPE),
    "a.wav.toml": (text(SIDECAR), other_file.SIDECAR),
    "readings.toml": (text('[[stop]]\ndrive = "A"\n'), other_file.READINGS),
    "health.json": (text('{\n "schema": "vibe.health/1"}'), other_file.HEALTH),
    "acceptance.json": (text('{"a":1,"schema":"vibe.acceptance/1"}'), other_file.CERTIFICATE),
    "health.html": (text("\n<!DOCTYPE html>\n<html>"), other_file.PAGE),
    "store.db": (database, other_file.DATABASE),
    "book.xlsx": (binary(b"PK\x03\x04 what else"), other_file.SHEET),
}


@pytest.mark.parametrize("name", FILES)
def test_every_kind_of_file_is_known_and_refused_where_another_is_needed(tmp_path: Path, name: str) -> None:
    make, kind = FILES[name]
    path = tmp_path / name
    make(path)
    assert kind_of_file(path) == kind
    for load, wanted in (
        (load_drive, other_file.DRIVE),
        (load_recipe, other_file.RECIPE),
        (load_route, other_file.ROUTE),
    ):
        if kind != wanted:
            with pytest.raises(ConfigError) as refused:
                load(path)
            assert str(refused.value) == f"{path}: is {kind.name}, and {wanted.name} is needed here; {kind.taken}"
    if kind != other_file.CAPTURE:
        with pytest.raises(CaptureError) as not_read:
            read_capture(path)
        assert not_read.value.plain == instead(kind, other_file.CAPTURE.name)


def test_a_file_that_is_empty_or_of_no_kind_is_called_nothing_else(tmp_path: Path) -> None:
    for name, content in (("empty.toml", b""), ("noise.toml", bytes(range(256)) * 4), ("other.toml", b"limit = 3\n")):
        path = tmp_path / name
        path.write_bytes(content)
        assert kind_of_file(path) is None
    with pytest.raises(ConfigError, match="is empty where a drive file is needed"):
        load_drive(tmp_path / "empty.toml")
    with pytest.raises(ConfigError, match="is no text: a TOML file is needed"):
        load_drive(tmp_path / "noise.toml")
    with pytest.raises(ConfigError, match="unknown key 'limit'"):
        load_drive(tmp_path / "other.toml")
    assert kind_of_file(tmp_path / "missing.toml") is None


def test_folders_are_no_files_and_that_of_a_history_is_named(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="is a folder where a drive file is needed"):
        load_drive(tmp_path)
    with pytest.raises(ConfigError, match="holds no drive file"):
        drive_files(tmp_path)
    (tmp_path / "store.sqlite").write_bytes(b"")
    with pytest.raises(
        ConfigError, match="is the folder of a history, and a drive file is needed here; --store takes it"
    ):
        load_drive(tmp_path)


def test_known_keys_are_listed_once_however_many_are_unknown(tmp_path: Path) -> None:
    path = tmp_path / "drive.toml"
    path.write_text("limit = 1\nzone = 2\nvalue = 3\n", encoding="utf-8")
    with pytest.raises(ConfigError) as refused:
        load_drive(path)
    assert str(refused.value).count("known keys: ") == 1
    assert str(refused.value).count("unknown key") == 3


def test_all_endings_of_captures_are_known_here_and_every_form_has_its_kind() -> None:
    assert set(other_file._CAPTURES) == SUFFIXES
    assert BY_MODEL[Sidecar.__name__] == other_file.SIDECAR


def test_what_is_no_record_no_table_and_no_plan_of_years_is_refused_in_plain_words(tmp_path: Path) -> None:
    from vibe.core.errors import CallError
    from vibe.history.population.records import read_records
    from vibe.history.running_hours import read_lives
    from vibe.history.store.store import Store
    from vibe.report.certificate.check import verify_certificate
    from vibe.synth.samples.years_spec import load_years

    health, noise, years = tmp_path / "health.json", tmp_path / "a.csv", tmp_path / "years.toml"
    health.write_text('{"schema": "vibe.health/1", "drive": "A"}', encoding="utf-8")
    noise.write_bytes(b"\x89\xff\x00")
    with pytest.raises(CallError, match="is a health report and no certificate"):
        verify_certificate(health)
    with pytest.raises(CallError, match="is a file where a folder is needed"):
        read_records(health)
    with pytest.raises(CallError, match="is a file where the folder of a history is needed"):
        Store.open(health)
    with pytest.raises(CallError, match="is no text: give a table as CSV"):
        read_lives(noise)
    for said, text in (("unknown key 'tag'", 'tag = "A"\n'), ("the key 'title' is missing", "")):
        years.write_text(text, encoding="utf-8")
        with pytest.raises(ConfigError, match=said):
            load_years(years, tmp_path)
