"""How kinds of drives are weighed against each other, and what of a capture is read for it: met from both sides."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from vibe.core.evidence import SpeedEstimate
from vibe.spectra import segment
from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.identity import identification
from vibe.spectra.identity.identification import WeighedKind, _Table

LAW = AngleLaw.steady(25.0, 10.0)


def kind(count: int) -> Any:
    return SimpleNamespace(count=count, step=1 + 1 / count, log_prior=0.0, mesh={2: (count,)})


def one(number: int, mesh: float = 5.0, speed_hz: float = 25.0, probability: float = 0.5) -> WeighedKind:
    return WeighedKind(
        kind=number, parts=2, speed_hz=speed_hz, probability=probability, second_comb=1.0, mesh=mesh, arrangement=0.0
    )


def table(*rows: tuple[float, WeighedKind], counts: tuple[int, ...] = (11, 12, 13, 14, 17, 29)) -> _Table:
    made = _Table([kind(count) for count in counts], 0.0, 0.1)
    made.rows = {(row.kind, 2, place): (weight, row) for place, (weight, row) in enumerate(rows)}
    return made


LINES: Any = SimpleNamespace(top=300.0, mean_hz=25.0)


def concluded(made: _Table, relative: float | None = 1e-5) -> Any:
    return made.concluded(LINES, LAW, relative, None)


def test_one_capture_in_twenty_is_of_none_of_these() -> None:
    """A kind without any evidence against nothing at all."""
    made = table((0.0, one(0)))
    found = concluded(made)
    assert found.none / found.weighed[0].probability == pytest.approx(0.05)


@pytest.mark.parametrize(("mesh", "share"), [(1.6, 0.3), (2.6, 1.0)])
def test_where_the_mesh_does_not_stand_out_all_weights_count_a_third(mesh: float, share: float) -> None:
    found = concluded(table((6.0, one(0, mesh)), (0.0, one(5, mesh))))
    first, second = (row.probability for row in found.weighed)
    assert np.log(first / second) == pytest.approx(6.0 * share)


def test_the_speed_is_half_again_as_unsure_where_orders_were_guessed() -> None:
    found = concluded(table((6.0, one(0))), relative=1e-4)
    assert found.speed.uncertainty_hz == pytest.approx(25.0 * 1.5e-4)


@pytest.mark.parametrize(("margin", "capped"), [(36.0, True), (45.0, False)])
def test_by_one_witness_alone_no_count_is_surer_than_what_was_wrong_once_by_a_lobe(margin: float, capped: bool) -> None:
    """Right ones had a margin of 42 and more over the next counts."""
    weighed = [one(1, 0.0, probability=0.99), one(2, 0.0, probability=0.01)]
    made = table((margin, weighed[0]), (0.0, weighed[1]))
    best, _ = made._capped(weighed, np.array([margin, 0.0]))
    assert best.probability == pytest.approx(0.85 if capped else 0.99)


@pytest.mark.parametrize(("count", "near"), [(12, True), (13, True), (14, False), (11, False)])
def test_the_next_two_counts_differ_from_one_in_high_orders_alone(count: int, near: bool) -> None:
    counts = (11, 12, 13, 14)
    made = table((1.0, one(0)), counts=counts)
    assert (counts.index(count) in made._next(one(0))) is near


@pytest.mark.parametrize(("apart_hz", "rows"), [(0.02, 1), (0.04, 2)])
def test_speeds_closer_than_half_a_bin_are_one(monkeypatch: pytest.MonkeyPatch, apart_hz: float, rows: int) -> None:
    for name, value in (
        ("level_db", None), ("standing_out", None), ("shaft_odds", 4.0), ("second_comb", 2.0), ("mesh_odds", 6.0),
    ):  # fmt: skip
        monkeypatch.setattr(identification, name, lambda *_, value=value: value)
    monkeypatch.setattr(identification, "arrangement_odds", lambda levels, choices: {2: np.zeros(40)})
    made = _Table([kind(17)], 0.0, 0.1)
    for speed in (25.0, 25.0 + apart_hz):
        made.weigh(SimpleNamespace(mean_hz=speed))  # type: ignore[arg-type]
    assert len(made.rows) == rows
    # Lines of one machine are no independent witnesses: half of what they say counts.
    weight, _ = next(iter(made.rows.values()))
    assert weight == pytest.approx(0.5 * (4.0 + 2.0 + 6.0))


def asked(monkeypatch: pytest.MonkeyPatch, seconds: float, low_hz: float = 24.0) -> dict[str, Any]:
    """What is asked of the samples of a capture; empty where it is too short."""
    seen: dict[str, Any] = {"tops": [], "contended": []}

    class Stop(Exception):  # noqa: N818
        pass

    def low_passed(samples: Any, rate: float, top_hz: float) -> Any:
        seen["tops"].append(top_hz)
        seen["samples"] = samples.size
        return SimpleNamespace(samples=samples, rate_hz=rate)

    class Odds:
        duration_s = 20.0

        def at(self, speeds: Any, orders: Any) -> Any:
            seen["orders"] = orders
            return np.sin(np.arange(orders.size)[:, None] + 3 * speeds)

    class Table(_Table):
        def weigh(self, lines: Any, only: float | None = None) -> bool:
            return False

        def contenders(self, most: int, least: float) -> Any:
            seen["contended"].append(most)
            return [(25.0, 1.0625)]

        def next_steps(self) -> list[float]:
            return []

        def concluded(self, *_: Any) -> Any:
            raise Stop

    monkeypatch.setattr(identification, "low_passed", low_passed)
    monkeypatch.setattr(identification, "sharpest_ramp", lambda lows, range_hz, top: replace(LAW))
    monkeypatch.setattr(identification, "line_likelihood", lambda *_: Odds())
    monkeypatch.setattr(identification, "laid", lambda item, shape: item)
    monkeypatch.setattr(identification, "_refined", lambda *_: None)
    monkeypatch.setattr(identification, "order_lines", lambda *_: SimpleNamespace(at_speed=lambda hz: None))
    monkeypatch.setattr(identification, "in_place", lambda *_: None)
    monkeypatch.setattr(identification, "_Table", Table)
    row = np.zeros(round(seconds * 51_200.0), dtype=np.float32)
    try:
        identification.identify([(row, 51_200.0)], [kind(16)], (low_hz, 26.0))
    except Stop:
        return seen
    return {}


@pytest.mark.parametrize(("turns", "enough"), [(50.0, False), (70.0, True)])
def test_sixty_turns_part_families_of_lines(monkeypatch: pytest.MonkeyPatch, turns: float, enough: bool) -> None:
    assert bool(asked(monkeypatch, turns / 24.0)) is enough


def test_what_is_read_of_a_capture(monkeypatch: pytest.MonkeyPatch) -> None:
    """Twenty seconds; two dozen orders, then as many as twice the mesh of 150 lobes has and what lies next to it; of
    each comb 16 lines at first; eight contenders and three finalists."""
    seen = asked(monkeypatch, 30.0)
    assert seen["samples"] == 20 * 51_200
    low, high = sorted(set(seen["tops"]))
    assert low / 26.0 == pytest.approx(24.0)
    assert high / 26.0 == pytest.approx(2 * 151 + 28, rel=0.02)
    assert seen["orders"].tolist() == list(range(1, 17))
    assert seen["contended"] == [8, 3]


@pytest.mark.parametrize(("n", "size"), [(1024, 1024), (900, 1024), (513, 1024)])
def test_the_squares_of_a_window_over_a_padded_row_add_up(n: int, size: int) -> None:
    window = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(size) / size)
    assert segment._hann_square_sum(n, size) == pytest.approx(float((window[:n] ** 2).sum()), rel=1e-9)


def stands_at(monkeypatch: pytest.MonkeyPatch, beaten: float, apart_hz: float = 0.5) -> tuple[bool, list[float]]:
    """Whether lines stand at pulses' speed that beat this share of the other speeds; and which orders were asked."""
    orders: list[float] = []

    class Likelihood:
        def speeds_hz(self, range_hz: Any, orders: Any) -> Any:
            return np.linspace(20.0, 30.0, 4001)

        def at(self, speeds: Any, asked: Any) -> Any:
            orders[:] = asked.tolist()
            rank = np.arange(speeds.size) / speeds.size if speeds.size > 1 else np.array([beaten])
            return rank[None]

    monkeypatch.setattr(segment, "low_passed", lambda *_: None)
    monkeypatch.setattr(segment, "line_likelihood", lambda *_: Likelihood())
    request: Any = SimpleNamespace(range_hz=(24.0, 26.0), speed_orders=(1.0, 2.0, 3.0, 5.0, 8.0, 17.0))
    speed = SpeedEstimate(input_hz=25.0, uncertainty_hz=None, method="tachometer")
    rows: Any = [(np.zeros(10, dtype=np.float32), 25_600.0)]
    return segment._stands_at(speed.input_hz, speed.input_hz + apart_hz, rows, request, 2.0, None), orders


@pytest.mark.parametrize(("beaten", "stands"), [(0.983, False), (0.993, True)])
def test_lines_stand_at_the_pulses_speed_that_one_other_speed_in_a_hundred_shows(
    monkeypatch: pytest.MonkeyPatch, beaten: float, stands: bool
) -> None:
    assert stands_at(monkeypatch, beaten)[0] is stands


def test_only_orders_are_asked_at_which_two_bins_lie_between_the_speeds(monkeypatch: pytest.MonkeyPatch) -> None:
    """Half a hertz in two seconds is one bin of the first order."""
    assert stands_at(monkeypatch, 0.9)[1] == [2.0, 3.0, 5.0, 8.0, 17.0]


def test_six_speeds_go_on_to_the_second_search() -> None:
    """Twenty stand out, each higher than the next and a hertz away from it."""

    def at(grid: Any, orders: Any) -> Any:
        nearest = np.rint(grid)
        return np.where(np.abs(grid - nearest) < 1e-3, 100.0 - nearest, 0.0)[None]

    odds: Any = SimpleNamespace(duration_s=10.0, at=at)
    found = identification._pairs(odds, (10.0, 30.0), np.array([1.0]))
    assert [round(one.speed_hz) for one in found] == [10, 11, 12, 13, 14, 15]
