"""Bounds that hold as often as they say, lives from a store and from a table, and what cannot be determined."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from tests.history.kept_captures import START, channels, record
from vibe.core.errors import CallError
from vibe.core.records.history import Event, Value
from vibe.core.records.reliability import Life
from vibe.history.running_hours import RUNNING_HOURS, lives_of, read_lives
from vibe.history.statistics.reliability import mean_time_between_failures, weibull_lives
from vibe.history.store.store import Store


def life(hours: float, failed: bool = True, age_known: bool = True) -> Life:
    return Life(drive="D", hours=hours, failed=failed, age_known=age_known)


# ── bounds ────────────────────────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("expected", [0.3, 2.0, 9.0])
def test_the_bound_holds_at_least_as_often_as_it_says(expected: float) -> None:
    """Failures of a Poisson process in 1000 h whose true mean time is known; the bound must lie below in 90 %."""
    true = 1000.0 / expected
    counts = np.random.default_rng(1).poisson(expected, 4000)
    bounds = {int(r): mean_time_between_failures(1000.0, int(r), 0.9).lower_hours or 0.0 for r in np.unique(counts)}
    held = np.mean([bounds[int(r)] <= true for r in counts])
    assert held >= 0.885
    # Twice the failures bring the bound down, more hours up.
    assert mean_time_between_failures(1000.0, 4, 0.9).lower_hours < bounds[min(bounds)]  # type: ignore[operator]


def test_no_hours_tell_nothing() -> None:
    found = mean_time_between_failures(0.0, 0, 0.9)
    assert (found.lower_hours, found.estimate_hours) == (None, None)
    with pytest.raises(ValueError, match="cannot be"):
        mean_time_between_failures(-1.0, 0, 0.9)


def test_weibull_intervals_hold_the_truth() -> None:
    """Shape 2, scale 1000 h, observation ended at 900 h: about 90 % of intervals hold what is true.

    400 sets gave 87 to 90 %, with 12 drives instead of 30 85 to 91 %: somewhat too narrow, as the docstring says.
    """
    rng = np.random.default_rng(3)
    held = {"shape": 0, "scale": 0, "b10": 0}
    true = {"shape": 2.0, "scale": 1000.0, "b10": 1000.0 * (-np.log(0.9)) ** 0.5}
    sets = 60
    for _ in range(sets):
        hours = 1000.0 * rng.weibull(2.0, 30)
        found, _ = weibull_lives([life(float(min(h, 900.0)), bool(h <= 900.0)) for h in hours], 0.9)
        assert found is not None
        for name, value in true.items():
            stated = getattr(found, name)
            held[name] += (stated.low or 0.0) <= value <= (stated.high or np.inf)
    # Standard error of 90 % of 60 is 4 %.
    assert all(0.78 <= count / sets <= 0.99 for count in held.values()), held


def test_scale_of_hours_changes_nothing_but_the_scale() -> None:
    hours = [150.0, 420.0, 480.0, 700.0, 910.0, 1300.0]
    small, _ = weibull_lives([life(h) for h in hours], 0.9)
    large, _ = weibull_lives([life(1e6 * h) for h in hours], 0.9)
    assert small is not None
    assert large is not None
    assert large.shape.value == pytest.approx(small.shape.value, rel=1e-6)
    assert large.b10.low == pytest.approx(1e6 * (small.b10.low or 0), rel=1e-4)


def test_too_little_is_said_so() -> None:
    few, why = weibull_lives([life(100.0 + k) for k in range(4)] + [life(500.0, False)] * 50, 0.9)
    assert few is None
    assert why.startswith("not determined: 4 failures")
    same, why = weibull_lives([life(100.0)] * 6, 0.9)
    assert same is None
    assert "one age" in why
    # What has no known age counts hours, not ages.
    aged, why = weibull_lives([life(100.0 + k, age_known=False) for k in range(9)], 0.9)
    assert aged is None
    assert "whose age was known" in why


@pytest.mark.parametrize(("shape", "words"), [(4.0, "more frequent"), (0.4, "early"), (1.0, "constant rate")])
def test_what_the_shape_says_of_the_bound(shape: float, words: str) -> None:
    hours = 1000.0 * (-np.log(1 - (np.arange(40) + 0.5) / 40)) ** (1 / shape)
    found, note = weibull_lives([life(float(h)) for h in hours], 0.9)
    assert found is not None
    assert found.shape.value == pytest.approx(shape, rel=0.15)
    assert words in note


# ── lives from a store ────────────────────────────────────────────────────────────────────────────────────────────


def event(days: float, kind: str, drive: str = "D-1") -> Event:
    return Event(drive=drive, at=START + timedelta(days=days), kind=kind)  # type: ignore[arg-type]


def filled(store: Store, drive: str, days: list[float], counter: list[float] | None = None) -> None:
    for place, day in enumerate(days):
        values: tuple[Value, ...] = ()
        if counter is not None:
            values = (Value(point="", measure=RUNNING_HOURS, value=counter[place], unit="h"),)
        one = record(1000 + place, drive=drive, measured_at=START + timedelta(days=day), spectra=())
        store.add(replace(one, values=values), channels(samples=16))


def test_calendar_time_by_the_stated_duty_and_failures_by_their_kind(store: Store) -> None:
    filled(store, "D-1", [0, 50, 100])
    for one in (event(20, "grease"), event(40, "bearing change"), event(40.5, "repair"), event(-5, "repair")):
        store.add_event(one)
    with pytest.raises(CallError, match="--duty"):
        lives_of(store, ["D-1"])
    lives, _ = lives_of(store, ["D-1"], duty=0.5)
    assert [(one.hours, one.failed, one.age_known) for one in lives] == [(480.0, True, False), (720.0, False, True)]
    assert lives[0].what == "bearing change"
    only, _ = lives_of(store, ["D-1"], duty=0.5, failures=["grease"], new_at_first=True)
    assert [(one.hours, one.failed, one.age_known) for one in only] == [(240.0, True, True), (960.0, False, True)]


def test_a_new_drive_begins_a_life_and_one_that_replaces_another_ends_it(store: Store) -> None:
    filled(store, "D-1", [0, 100])
    store.add_event(event(-10, "new drive"))
    lives, _ = lives_of(store, ["D-1"], duty=1.0)
    assert [(one.hours, one.failed, one.age_known) for one in lives] == [(2640.0, False, True)]
    store.add_event(event(110, "new drive"))
    lives, _ = lives_of(store, ["D-1"], duty=1.0)
    assert [(one.hours, one.failed) for one in lives] == [(2880.0, True)]


def test_a_counter_of_hours_goes_before_the_calendar(store: Store) -> None:
    filled(store, "D-1", [0, 50, 60, 100], [1000.0, 1600.0, 20.0, 420.0])
    store.add_event(event(25, "repair"))
    lives, remarks = lives_of(store, ["D-1"])
    # The counter was changed between day 50 and day 60: that step adds nothing.
    assert [one.hours for one in lives] == pytest.approx([300.0, 300.0 + 400.0])
    assert any("backwards" in remark for remark in remarks)


# ── lives from a table ────────────────────────────────────────────────────────────────────────────────────────────


def test_a_table_of_lives(tmp_path: Path) -> None:
    path = tmp_path / "lives.csv"
    path.write_text("\ufeffDrive;Hours;Failed;Age_known\nA;120.5;yes;no\nB;400;no;\n", encoding="utf-8")
    assert [(one.drive, one.hours, one.failed, one.age_known) for one in read_lives(path)] == [
        ("A", 120.5, True, False), ("B", 400.0, False, True),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("drive,hours\nA,1\n", "failed is missing"), ("drive,hours,failed,x\nA,1,no,2\n", "no column 'x'"),
        ("drive,hours,failed\nA,-1,no\n", "line 2"), ("drive,hours,failed\nA,1,no\nB,long,no\n", "line 3"),
        ("drive,hours,failed\nA,1,perhaps\n", "neither yes nor no"), ("drive,hours,failed\nA,nan,no\n", "not negative"),
        ("drive,hours,failed\n", "holds no life"), ("", "drive is missing"),
    ],
)  # fmt: skip
def test_a_wrong_table_is_one_sentence(tmp_path: Path, text: str, why: str) -> None:
    path = tmp_path / "lives.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(CallError, match=why):
        read_lives(path)
