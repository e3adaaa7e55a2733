"""Several captures of a drive that nobody described."""

from __future__ import annotations

from dataclasses import replace

import pytest

from vibe.flow.commissioning.measured_figures import counted_together
from vibe.flow.identify.answer import Answer, Counts, Identification, Plate, together

NOTHING = Answer(value=None, why="t")


def capture(none: float, *shares: tuple[int, float]) -> Identification:
    counts = tuple(Counts(lobes=n, ring_pins=n + 1, ratio=float(n), probability=p) for n, p in shares)
    return Identification(
        capture="c", candidates=counts, none=none, ratio=NOTHING, mesh="", speed_rpm=NOTHING, slip=NOTHING,
        discs=NOTHING, direction=NOTHING, plate=None, load_percent=None,
    )  # fmt: skip


def likeliest(*found: Identification) -> tuple[int, float]:
    first = together(found)[0]
    return first.lobes, first.probability


def test_captures_that_agree_are_surer_than_one_and_those_that_differ_less_sure() -> None:
    one = capture(0.0, (43, 0.85), (42, 0.15))
    assert likeliest(one, one)[0] == 43
    assert likeliest(one, one)[1] > 0.95
    _, probability = likeliest(one, capture(0.0, (42, 0.9), (43, 0.1)))
    assert probability < 0.7
    # However sure one capture is, another that contradicts it as surely leaves it open.
    sure, other = capture(0.0, (43, 1.0)), capture(0.0, (42, 1.0))
    assert likeliest(sure, other)[1] == pytest.approx(0.5, abs=0.01)


def test_a_capture_that_detects_nothing_takes_nothing_away() -> None:
    deaf = capture(0.99, (4, 0.01))
    assert likeliest(capture(0.02, (43, 0.98)), deaf)[1] > 0.9
    assert together([deaf])[0].probability < 0.05
    assert together([capture(1.0)]) == ()


def test_counts_that_no_capture_is_sure_of_are_reported_by_several_together() -> None:
    plate = Plate(verdict="cannot be told", drive="d", lobes=43, ring_pins=44, probability=0.85, why="w")
    right = replace(capture(0.0, (43, 0.85), (42, 0.15)), plate=plate)
    other = replace(capture(0.0, (41, 0.89), (40, 0.11)), plate=plate)
    joined = counted_together([right, right])
    assert joined is not None
    assert (joined.answer, joined.ratio) == ("pass", "43 (43 lobes, 44 ring pins)")
    wrong = counted_together([other, other])
    assert wrong is not None
    assert wrong.answer == "fail"
    # One by itself, and captures that contradict one another, tell nothing more.
    assert counted_together([right]) is None
    assert counted_together([right, other]) is None
    # Where one is sure, it has said so itself.
    assert counted_together([right, replace(right, plate=replace(plate, verdict="fits"))]) is None
