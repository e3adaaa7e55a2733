"""Drives of a type: who stands apart, what drifts, and what sound ones do not show."""

from __future__ import annotations

import json
import os
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from tests.studies.population import START, compared, keys, record, values, write_records
from vibe.core.errors import CallError
from vibe.flow.history.population import population_of, write_population
from vibe.history.population.comparison import free_depth
from vibe.history.population.figure_labels import LOW, points_to
from vibe.history.population.records import read_records
from vibe.history.statistics.outliers import outliers, tail_outliers
from vibe.storage.digest import sealed

MESH = ("hit", "", "stage1.mesh", "m/s²")


def test_a_bad_drive_and_a_drift_are_reported_and_sound_ones_are_not(tmp_path: Path) -> None:
    write_records(tmp_path / "type", 120)
    found = population_of(tmp_path / "type")
    assert (found.drives, len(found.figures)) == (120, len(keys()))
    assert {one.serial for one in found.outliers} == {"SN-00007"}
    worst = found.outliers[0]
    assert worst.points_to == "inner race of the eccentric bearing"
    assert worst.spreads > 4
    moved = [one for one in found.figures if one.drift.state not in ("steady", "cannot be told yet")]
    assert [one.figure.subject for one in moved] == ["stage1.mesh"]
    assert moved[0].drift.changes[0][2] == pytest.approx(2.0, abs=0.7)
    middle = (START + timedelta(minutes=90 * 60)).timestamp()
    assert abs(moved[0].drift.changes[0][0] - middle) < 15 * 90 * 60


def test_sound_drives_keep_the_stated_rate() -> None:
    sets = [compared(values(np.random.default_rng([3, seed]), 15, 4)) for seed in range(60)]
    # 5 % of 60 is 3; 9 or more would come once in 600 such tests.
    assert sum(bool(found.outliers) for found in sets) < 9
    assert not any(one.drift.changes for found in sets for one in found.figures)


def test_a_lopsided_figure_makes_few_outliers_but_a_bad_drive_is_seen_in_it() -> None:
    alarms = 0
    for seed in range(12):
        made = 10.0 ** (np.random.default_rng([5, seed]).gamma(4.0, 1.0, (200, 2)) / 20.0)
        alarms += bool(compared(made).outliers)
    assert alarms <= 3
    made[17, 1] *= 10.0 ** (40.0 / 20.0)
    found = compared(made)
    assert [one.serial for one in found.outliers] == ["S17"]
    (figure,) = (one for one in found.figures if one.outliers)
    assert "long tail" in figure.note


def test_one_drive_of_fifteen_is_no_second_population_and_several_may_be() -> None:
    rng = np.random.default_rng(8)
    notes = {}
    for drives, apart in ((15, [7]), (40, [5, 14, 23, 33])):
        made = np.exp(0.1 * rng.standard_normal((drives, 2)))
        made[apart, 0] *= 8.0
        found = compared(made)
        assert len(found.outliers) == len(apart)
        notes[len(apart)] = next(one.note for one in found.figures if one.outliers)
    assert "second population" not in notes[1]
    assert "second population" in notes[4]


def test_tolerance_intervals_hold_what_they_say() -> None:
    """Content 95 %, confidence 95 %: at most about 5 % of intervals may hold less, against the true distribution."""
    from scipy.stats import norm

    short = 0
    for seed in range(200):
        level = np.random.default_rng([7, seed]).normal(0.0, 2.0, (12, 1))
        (figure,) = compared(10.0 ** (level / 20.0)).figures
        assert figure.tolerance is not None
        low, high = 20 * np.log10(figure.tolerance)
        short += norm.cdf(high / 2.0) - norm.cdf(low / 2.0) < 0.95
    assert 2 <= short <= 20


def test_slow_growth_is_reported_by_the_month() -> None:
    rng = np.random.default_rng(11)
    level = rng.normal(0.0, 1.0, (240, 2))
    level[:, 0] += 4.0 * np.arange(240) / 240  # 4 dB in 240 days
    made = {one.figure.subject: one for one in compared(10.0 ** (level / 20.0)).figures}
    drift = made["tone 0"].drift
    assert drift.state == "growing"
    assert (drift.low or 0) < 4.0 * 30.44 / 240 < (drift.high or 0)
    assert made["tone 1"].drift.state == "steady"
    low, high = made["tone 0"].tolerance or (0, 0)
    # The interval is about the level that is made now, and as wide as drives scatter about their course.
    assert 20 * np.log10(low * high) / 2 == pytest.approx(4.0, abs=0.8)
    assert 20 * np.log10(high / low) == pytest.approx(4.3, abs=0.8)


def test_few_drives_tell_nothing() -> None:
    found = compared(values(np.random.default_rng(1), 9, 2))
    assert {one.method for one in found.figures} == {"cannot be told"}
    assert found.outliers == ()
    assert {one.drift.state for one in found.figures} == {"cannot be told yet"}


def test_without_a_distribution_the_depth_is_that_of_wilks() -> None:
    """93 values are the fewest whose least and greatest hold 95 % with confidence 95 % (Wilks 1941, from memory)."""
    assert [free_depth(n, 0.95, 0.95) for n in (92, 93)] == [0, 1]
    assert free_depth(1000, 0.95, 0.95) > 10


def test_outliers_do_not_hide_one_another() -> None:
    rng = np.random.default_rng(2)
    value = rng.normal(size=50)
    value[[3, 30, 41]] = 9.0, 9.3, 9.1
    assert sorted(outliers(value, 0.01, 5).places.tolist()) == [3, 30, 41]
    value[[3, 30, 41]] = 40.0, 41.0, 42.0
    assert sorted(tail_outliers(value, 0.01, 5).places.tolist()) == [3, 30, 41]
    assert outliers(value, 0.01, 3).full
    with pytest.raises(ValueError, match="few"):
        outliers(value[:4], 0.01, 1)


def test_what_cannot_be_read_is_named_and_left_out(tmp_path: Path) -> None:
    folder = tmp_path / "type"
    write_records(folder, 12)
    good = record("SN-9", {MESH: 1.0})
    changed = sealed({**good, "serial": "SN-8"}) | {"answer": "fail"}
    bad: dict[str, str | bytes] = {
        "cut.json": '{"schema": "vibe.acceptance/1", ',
        "changed.json": json.dumps(changed),
        "no-serial.json": json.dumps({key: value for key, value in good.items() if key != "serial"}),
        "infinite.json": json.dumps({**good, "figures": [{"measure": "hit", "value": float("inf")}]}),
        "deep.json": "[" * 100_000,
        "bytes.json": b"\xff\xfe\x00",
        "other-ratio.json": json.dumps({**good, "serial": "X", "ratio_ordered": "17 : 1"}),
    }
    for name, text in bad.items():
        (folder / name).write_bytes(text if isinstance(text, bytes) else text.encode())
    (folder / "run.json").write_text('{"schema": "vibe.run/1"}', encoding="utf-8")
    (folder / "sealed.json").write_text(json.dumps(sealed({**good, "serial": "SN-7"})), encoding="utf-8")
    found = population_of(folder)
    assert {name for name, _ in found.left_out} == set(bad)
    assert dict(found.left_out)["changed.json"] == "was changed after it was sealed"
    assert found.drives == 13


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes here")
def test_pipes_and_devices_are_left_out_before_they_are_opened(tmp_path: Path) -> None:
    write_records(tmp_path, 9)
    os.mkfifo(tmp_path / "a_pipe.json")
    (tmp_path / "device.json").symlink_to("/dev/zero")
    read = read_records(tmp_path)
    assert len(read.acceptance.serial) == 9
    assert read.left_out == [("a_pipe.json", "is not an ordinary file"), ("device.json", "is not an ordinary file")]


def test_a_drive_measured_again_counts_once_by_its_last_record(tmp_path: Path) -> None:
    for name, value, days in (("b", 5.0, 3), ("a", 7.0, 9), ("c", 6.0, 1)):
        made = record("SN-1", {MESH: value}, START + timedelta(days=days))
        (tmp_path / f"{name}.json").write_text(json.dumps(made), encoding="utf-8")
    gathered = read_records(tmp_path).acceptance
    kept = [n for n in range(3) if n not in gathered.replaced]
    assert [gathered.file[n] for n in kept] == ["a.json"]


def test_requirements_of_a_record_are_its_figures(tmp_path: Path) -> None:
    def outcome(value: float | None, unit: str = "mm/s", **wanted: object) -> dict[str, object]:
        measured = None if value is None else {"value": value, "unit": unit, "coverage": 0.95}
        return {"requirement": {"tone": None, "measure": None, "harmonic": None, **wanted}, "measured": measured}

    outcomes = [
        outcome(1.2, id="housing velocity", kind="zone"),
        outcome(0.04, id="mesh", kind="tone", tone="stage1.mesh", harmonic=2),
        outcome(0.05, id="mesh, reversed", kind="tone", tone="stage1.mesh", harmonic=2),
        outcome(61.0, "°C", id="warm", kind="temperature"),
        outcome(0.2, "", id="no damage", kind="no damage"),
        outcome(None, id="peak", kind="level", measure="acceleration_peak"),
    ]
    made = {**record("SN-1", {}), "figures": [], "outcomes": outcomes}
    (tmp_path / "acceptance.json").write_text(json.dumps(made), encoding="utf-8")
    rows = read_records(tmp_path).acceptance.rows
    assert {(key.measure, key.subject, row[1][0]) for key, row in rows.items()} == {
        ("velocity_rms", "housing velocity", 1.2), ("line", "stage1.mesh × 2", 0.04),
        ("line", "stage1.mesh × 2, mesh, reversed", 0.05), ("temperature", "warm", 61.0),
    }  # fmt: skip


def test_health_reports_do_where_there_is_no_record(tmp_path: Path) -> None:
    for number in range(11):
        level = {"point": "input", "measure": "velocity_rms", "value": 1.0 + 0.01 * number, "unit": "mm/s"}
        made = {"schema": "vibe.health/1", "drive": f"D-{number}", "levels": [level], "captures": []}
        (tmp_path / f"{number}.json").write_text(json.dumps(made), encoding="utf-8")
    found = population_of(tmp_path)
    assert (found.drives, found.figures[0].n, found.figures[0].drift.state) == (11, 11, "cannot be told yet")
    assert any("health reports" in remark for remark in found.remarks)
    (tmp_path / "acceptance.json").write_text(json.dumps(record("SN-1", {MESH: 1.0})), encoding="utf-8")
    assert population_of(tmp_path).drives == 1


def test_an_empty_folder_and_none_are_one_sentence(tmp_path: Path) -> None:
    for folder, why in ((tmp_path, "no acceptance record"), (tmp_path / "none", "no such folder")):
        with pytest.raises(CallError, match=why):
            read_records(folder)


@pytest.mark.parametrize(
    ("subject", "part"),
    [
        ("bearing.eccentric bearing.cage", "cage of the eccentric bearing"), ("stage1.mesh × 1", "discs"),
        ("stage2.sun", "sun, stage 2"), ("input.shaft", "unbalance"), ("motor.line", "motor"), ("", "tones show which"),
    ],
)  # fmt: skip
def test_figures_point_to_parts(subject: str, part: str) -> None:
    from vibe.core.records.population import FigureKey

    key = FigureKey(measure="velocity_rms", point="", subject=subject, unit="mm/s")
    assert part in points_to(key, high=True)
    assert points_to(key, high=False).startswith(LOW)


def test_pages_say_the_same_and_hold_no_foreign_markup(tmp_path: Path) -> None:
    write_records(tmp_path / "type", 30)
    evil = {**record("<script>alert(1)</script>", dict.fromkeys(keys(), 400.0))}
    (tmp_path / "type" / "evil.json").write_text(json.dumps(evil), encoding="utf-8")
    html, figures, apart, plain = write_population(population_of(tmp_path / "type", title="=T"), tmp_path / "out")
    text = html.read_text(encoding="utf-8")
    assert "<script>alert" not in text
    assert "stand apart" in text
    assert json.loads(plain.read_text(encoding="utf-8"))["schema"] == "vibe.population/1"
    assert figures.read_text(encoding="utf-8").count("\n") == len(keys()) + 1
    assert "<script>alert(1)</script>" in apart.read_text(encoding="utf-8")
