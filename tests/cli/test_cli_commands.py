"""Each command: what it prints, where, and what it leaves behind."""

from __future__ import annotations

import csv
import io
import json
from fractions import Fraction
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from tests.cli.calls import Vibe
from vibe.flow.settings import share_dir


def table_of(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text), delimiter="\t", quoting=csv.QUOTE_NONE))


def schema_of(vibe: Vibe, which: str) -> dict[str, Any]:
    schema: dict[str, Any] = json.loads(vibe("schema", which).out)
    jsonschema.Draft202012Validator.check_schema(schema)
    return schema


# ── diagnose ──────────────────────────────────────────────────────────────────────────────────────────────────────


def test_json_on_standard_output_is_alone_and_valid(vibe: Vibe, diagnosed: tuple[str, str]) -> None:
    out, err = diagnosed
    health = json.loads(out)
    jsonschema.validate(health, schema_of(vibe, "health"))
    assert health["schema"] == "vibe.health/1"
    assert health["drive"] == "T-1"
    assert f"T-1: {health['state']}" in err


def test_the_health_schema_refuses_what_is_no_report(vibe: Vibe, diagnosed: tuple[str, str]) -> None:
    health = json.loads(diagnosed[0])
    validator = jsonschema.Draft202012Validator(schema_of(vibe, "health"))
    assert not validator.is_valid(health | {"state": "fine"})
    assert not validator.is_valid({name: value for name, value in health.items() if name != "findings"})


def test_summary_pages_and_json_file(vibe: Vibe, drive: Path, fit: Path, tmp_path: Path) -> None:
    out, record = tmp_path / "out", tmp_path / "health.json"
    answer = vibe("diagnose", fit, "--drive", drive, "--out", out, "--json", record, "--no-pdf", "--strict")
    assert answer.status == 0  # a fit capture of a sound drive, although strict
    health = json.loads(record.read_text(encoding="utf-8"))
    facts = dict(line.split("\t", 1) for line in answer.out.splitlines())
    assert facts["state"].startswith(health["state"])
    assert facts["in short"] == health["sentence"]
    assert facts["what to do"] == health["do_by"]
    assert "fit.h5: output side radial" in facts["quality"]
    assert facts["caution"]
    pages = {path.name for path in (out / "T-1").iterdir()}
    assert pages == {"health.html", "health.json"}
    assert json.loads((out / "T-1" / "health.json").read_text(encoding="utf-8")) == health
    again = vibe("diagnose", fit, "--drive", drive, "--out", out, "--no-pdf")
    assert again.status == 2
    assert "--force" in again.errors[0]


def test_stopped_machine_is_unknown_and_status_3_only_when_strict(vibe: Vibe, drive: Path, stopped: Path) -> None:
    answer = vibe("diagnose", stopped, "--drive", drive, "--json", "-")
    assert answer.status == 0
    health = json.loads(answer.out)
    assert health["state"] == "unknown"
    assert health["captures"][0]["channels"][0]["quality"] == "rejected"
    assert vibe("diagnose", stopped, "--drive", drive, "--strict").status == 3


def test_one_unreadable_capture_does_not_stop_the_rest(vibe: Vibe, drive: Path, fit: Path, broken: Path) -> None:
    answer = vibe("diagnose", fit, broken, "--drive", drive, "--json", "-")
    assert answer.status == 0
    errors = {capture["file"]: capture["error"] for capture in json.loads(answer.out)["captures"]}
    assert errors["fit.h5"] is None
    assert errors["broken.h5"]
    assert "broken.h5" in answer.err


# ── check ─────────────────────────────────────────────────────────────────────────────────────────────────────────


def test_check_opens_folders_and_judges_each_channel(vibe: Vibe, bench: Path) -> None:
    answer = vibe("check", bench / "captures", "--drive", bench / "drive.toml")
    assert answer.status == 0
    verdicts = {Path(row["capture"]).name: row for row in table_of(answer.out)}
    assert verdicts["fit.h5"]["verdict"] in ("usable", "limited")
    assert verdicts["stopped.h5"]["verdict"] == "rejected"
    assert verdicts["stopped.h5"]["why"]
    assert verdicts["broken.h5"]["verdict"] == "unreadable"
    assert vibe("check", bench / "captures", "--strict").status == 3
    assert vibe("check", bench / "captures" / "fit.h5", "--strict").status == 0


def test_check_names_a_capture_once(vibe: Vibe, bench: Path, fit: Path) -> None:
    answer = vibe("check", fit, fit, bench / "captures" / "f*.h5")
    assert len(table_of(answer.out)) == 1


# ── tones, plan, schema ───────────────────────────────────────────────────────────────────────────────────────────


def test_tones_follow_the_speed_that_was_asked_for(vibe: Vibe, drive: Path) -> None:
    record = json.loads(vibe("tones", drive, "--format", "json", "--speed-rpm", "1440").out)
    lobe = next(tone for tone in record["tones"] if tone["tone"] == "stage1.lobe")
    # One damaged lobe meets a load once per turn of the eccentric relative to its disc: 1 + 1/11.
    assert Fraction(lobe["order_exact"]) == Fraction(12, 11)
    assert lobe["hz"] == pytest.approx(24 * 12 / 11)
    rows = {row["id"]: row for row in table_of(vibe("tones", drive).out)}
    assert float(rows["stage1.lobe"]["hz"]) == pytest.approx(1450 / 60 * 12 / 11)
    assert "stage1.lobe" in vibe("tones", drive, "--format", "table").out
    assert vibe("tones", drive, "--format", "csv").out.startswith("kind,id,")


def test_the_supply_keeps_its_frequency_whatever_speed_is_asked_for(vibe: Vibe, drive: Path, tmp_path: Path) -> None:
    fed = tmp_path / "fed.toml"
    fed.write_text(drive.read_text(encoding="utf-8") + "\n[motor]\npoles = 4\nline_hz = 50\n", encoding="utf-8")
    record = json.loads(vibe("tones", fed, "--format", "json", "--speed-rpm", "1440").out)
    tones = {tone["tone"]: (tone["hz"], tone["order"]) for tone in record["tones"]}
    assert tones["motor.twice_line"] == pytest.approx((100.0, 100 / 24))
    assert tones["motor.pole_pass"] == pytest.approx((4.0, 4 / 24))
    rows = {row["id"]: row for row in table_of(vibe("tones", fed, "--speed-rpm", "1440").out)}
    assert float(rows["motor.line"]["hz"]) == pytest.approx(50.0)


def test_a_speed_outside_the_range_is_remarked(vibe: Vibe, drive: Path) -> None:
    answer = vibe("tones", drive, "--speed-rpm", "3000")
    assert answer.status == 0
    assert "1430 to 1500" in answer.err
    assert vibe("tones", drive, "--speed-rpm", "1440").err == ""


def test_plan_prints_settings_and_cautions_and_writes_sheets(vibe: Vibe, bench: Path, tmp_path: Path) -> None:
    out = tmp_path / "plan"
    answer = vibe("plan", bench, "--out", out)
    assert answer.status == 0
    (row,) = table_of(answer.out)
    assert row["drive"] == "T-1"
    assert float(row["sample_rate_hz"]) > 2 * 5 * 12 * 25  # several mesh harmonics of 12 pins
    assert "guard" in answer.err
    assert {"plan.html", "plan.csv", "plan.json"} <= {path.name for path in out.iterdir()}
    assert "--force" in vibe("plan", bench, "--out", out).errors[0]


def test_schemas_accept_the_sample_files(vibe: Vibe) -> None:
    import tomllib

    drive_schema = schema_of(vibe, "drive")
    files = sorted((share_dir() / "configs" / "drives").glob("*.toml"))
    assert files
    for file in files:
        jsonschema.validate(tomllib.loads(file.read_text(encoding="utf-8")), drive_schema)
    recipe = {"kind": "route", "title": "x", "drives": ["a.toml"], "captures": "."}
    jsonschema.validate(recipe, schema_of(vibe, "recipe"))
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(recipe | {"driver": "x"}, schema_of(vibe, "recipe"))


# ── simulate ──────────────────────────────────────────────────────────────────────────────────────────────────────


def test_simulated_conditions_arrive_in_the_file(vibe: Vibe, drive: Path, tmp_path: Path) -> None:
    from vibe.ingest import read_capture

    out = tmp_path / "capture.h5"
    answer = vibe(
        "simulate", drive, "--out", out, "--damage", "stage1.lobe:0.5", "--damage", "stage1.ring_pin", "--seed", 3,
        "--duration-s", 1, "--sample-rate-hz", 4096, "--speed-rpm", 1440, "--load-percent", 60, "--point", "a",
        "--point", "b", "--pulses-per-rev", 2, "--tell-speed", "--neighbour", "49.2:1.5", "--sensor-fault", "b:dead",
        "--measured-at", "2026-03-09T08:12:00+01:00",
    )  # fmt: skip
    assert answer.status == 0, answer.err
    assert answer.out.strip() == str(out)
    capture = read_capture(out)
    assert [channel.name for channel in capture.vibration] == ["a", "b"]
    assert capture.tachometer is not None
    assert capture.tachometer.pulses_per_rev == 2
    assert capture.vibration[0].samples.size == 4096
    assert capture.speed_rpm == pytest.approx(1440, rel=1e-3)
    assert capture.load_percent == 60
    assert capture.measured_at is not None
    assert capture.measured_at.isoformat() == "2026-03-09T08:12:00+01:00"
    alive, dead = (float(channel.samples.std()) for channel in capture.vibration)
    assert dead < alive / 100


def test_machines_around_a_drive_are_simulated(vibe: Vibe, drive: Path, tmp_path: Path) -> None:
    quick = ["--duration-s", "0.5", "--sample-rate-hz", "4096"]
    for name, around in (("alone", []), ("beside", ["--around", "pump:2", "--around", "chain:1:19"])):
        assert vibe("simulate", drive, "--out", tmp_path / f"{name}.csv", *around, *quick).status == 0
    assert (tmp_path / "alone.csv").read_bytes() != (tmp_path / "beside.csv").read_bytes()
    answer = vibe("simulate", drive, "--out", tmp_path / "c.csv", "--around", "chainn")
    assert answer.status == 2
    assert "unknown surrounding 'chainn'; possible: chain" in answer.err


def test_declared_machines_stand_among_the_tones(vibe: Vibe, drive: Path, tmp_path: Path) -> None:
    declared = tmp_path / "declared.toml"
    declared.write_text(
        drive.read_text(encoding="utf-8") + '[[driven]]\nname = "chain"\nsprocket_teeth = 19\n', encoding="utf-8"
    )
    rows = json.loads(vibe("tones", declared, "--format", "json").out)["tones"]
    (chain,) = [row for row in rows if row["family"] == "driven"]
    assert (chain["tone"], chain["damage"]) == ("driven.chain", False)
    assert chain["order_exact"].startswith("19/")


def test_equal_seeds_give_equal_files(vibe: Vibe, drive: Path, tmp_path: Path) -> None:
    quick = ["--duration-s", "0.5", "--sample-rate-hz", "4096"]
    for name, seed in (("a", 5), ("b", 5), ("c", 6)):
        vibe("simulate", drive, "--out", tmp_path / f"{name}.csv", "--seed", seed, *quick)
    a, b, c = ((tmp_path / f"{name}.csv").read_bytes() for name in "abc")
    assert a == b
    assert a != c
