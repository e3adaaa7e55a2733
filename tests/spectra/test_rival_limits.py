"""Which other drives are tried, how impacts are planted, and when two laws are one: met from both sides."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from tests.spectra.test_presence_odds import NO_STRAYS, axis
from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.evidence import planted_impacts
from vibe.spectra.evidence.planted_impacts import PlantRequest, planted, ring_hz
from vibe.spectra.presence.decoys import COUNTS
from vibe.spectra.presence.families import Family
from vibe.spectra.rivals import rival_drives
from vibe.spectra.rivals.rival_drives import Rival, rivals
from vibe.spectra.speed import law_choice, speed_search
from vibe.spectra.speed.phase_refinement import Refined

WORTH = rival_drives._worth(axis(), NO_STRAYS)
LAW = AngleLaw.steady(25.0, 40.0)


def test_drives_of_six_lobes_and_more_whose_pins_are_one_or_two_more_are_tried() -> None:
    tried = {difference: pins for difference, pins, _ in rival_drives._tried(WORTH, 0.001)}
    assert sorted(tried) == [1, 2]
    for difference, pins in tried.items():
        assert pins.min() - difference == 6
        assert pins.max() == max(COUNTS)


def test_motors_of_the_same_poles_differ_by_six_per_cent_at_most() -> None:
    speeds, _ = rival_drives._coarse(axis(), rival_drives.SLIP)
    assert float(speeds.max()) - 1 == pytest.approx(0.06, rel=0.05)


def found(monkeypatch: pytest.MonkeyPatch, leads: list[float], apart: float = 0.5) -> list[Rival]:
    """Of drives that explain so much more, ``apart`` orders from one another, those that are named."""
    own = Family(count=30, unit=1.0, difference=1)
    pins = np.arange(40, 40 + len(leads))
    speeds = 1.0 + apart * np.arange(len(leads))[:, None] * np.ones((1, 1))
    monkeypatch.setattr(rival_drives, "_best_own", lambda *_: 0.0)
    monkeypatch.setattr(rival_drives, "_tried", lambda worth, slip: [(1, pins, speeds)])
    monkeypatch.setattr(rival_drives, "_passes", lambda worth, passes, past, speeds: np.zeros(speeds.shape))

    def totals(worth: Any, family: Any, pins: Any, speeds: Any, *_: Any, **__: Any) -> Any:
        return np.array([[leads[int(one) - 40]] for one in pins])

    monkeypatch.setattr(rival_drives, "_totals", totals)
    monkeypatch.setattr(rival_drives, "_neighbours", lambda *_: [])
    monkeypatch.setattr(rival_drives, "_sister", lambda *_: None)
    return rivals(axis(), [own], 1e-4)


@pytest.mark.parametrize(("lead", "named"), [(8.7, False), (9.7, True)])
def test_a_rival_explains_ten_thousand_times_more(monkeypatch: pytest.MonkeyPatch, lead: float, named: bool) -> None:
    """As many speeds and counts are tried: ln 1e4 = 9.2."""
    assert bool(found(monkeypatch, [lead])) is named


def test_three_rivals_are_named(monkeypatch: pytest.MonkeyPatch) -> None:
    assert len(found(monkeypatch, [50.0, 40.0, 30.0, 20.0, 15.0])) == 3


def test_lines_of_the_shaft_beyond_the_eighth_are_those_of_pitch_errors_up_to_the_sixteenth() -> None:
    """Each of these fills its place; the seventeenth is not asked."""
    speeds = np.ones(1)
    none = float(WORTH.shaft(speeds)[0])
    for order, counted in ((5, True), (9, True), (15, True), (16, True), (17, False), (20, False)):
        with_one = rival_drives._worth(axis(**{f"o{order}": 60.0}), NO_STRAYS)
        assert (float(with_one.shaft(speeds)[0]) > none + 1) is counted


def test_the_fourth_to_eighth_line_of_a_shaft_is_seen_in_half_of_all_drives() -> None:
    """By hand: of each that is missing ln(1 - s + s / ln(1 + loudest)); three first ones, eight of pitch errors."""
    from vibe.spectra.speed.line_likelihood import LOUDEST

    def missing(seen: float) -> float:
        return float(np.log(1 - seen + seen / np.log1p(LOUDEST)))

    assert float(WORTH.shaft(np.ones(1))[0]) == pytest.approx(
        3 * missing(0.9) + 5 * missing(0.5) + 8 * missing(0.3), rel=0.01
    )


@pytest.mark.parametrize(
    ("rate_hz", "low_hz", "high_hz"),
    [(51_200.0, 1500.0, 8000.0), (12_800.0, 1500.0, 0.35 * 12_800), (5120.0, 896.0, 1792.0)],
)
def test_casings_ring_where_studs_and_recorders_pass_it(rate_hz: float, low_hz: float, high_hz: float) -> None:
    rng = np.random.default_rng(1)
    rings = [ring_hz(rate_hz, rng) for _ in range(400)]
    assert min(rings) == pytest.approx(low_hz, rel=0.03)
    assert max(rings) == pytest.approx(high_hz, rel=0.03)


def test_a_planted_ring_has_three_per_cent_of_damping_and_ends_below_one_per_cent() -> None:
    rate, resonance = 200_000.0, 2000.0
    law = AngleLaw.steady(1.0, 1.0)
    row = planted(200_000, rate, law, PlantRequest(order=1.0, slips=False), resonance, 3)
    crest = int(np.abs(row).argmax())
    period = rate / resonance
    ten_on = np.abs(row[crest + round(9.75 * period) : crest + round(10.25 * period)]).max()
    assert ten_on / np.abs(row).max() == pytest.approx(np.exp(-2 * np.pi * 0.03 * 10), rel=0.05)
    last = int(np.flatnonzero(row)[-1])
    length_s = (last - crest) / rate
    # Five time constants: exp(-5) = 0.7 %.
    assert length_s * 0.03 * 2 * np.pi * resonance == pytest.approx(5.0, abs=0.3)


def test_what_slips_repeats_with_a_hundredth_of_scatter() -> None:
    turns, _ = planted_impacts._repeats(LAW, PlantRequest(order=3.6, slips=True), np.random.default_rng(2))
    assert float(np.diff(turns).std() * 3.6) == pytest.approx(0.01, rel=0.1)
    even, _ = planted_impacts._repeats(LAW, PlantRequest(order=3.6, slips=False), np.random.default_rng(2))
    assert float(np.diff(even).std()) < 1e-9


def refined(hz: float, relative: float = 1e-5) -> Refined:
    return Refined(law=AngleLaw.steady(hz, 40.0), relative=relative, explained=1.0)


@pytest.mark.parametrize(("sigmas", "same"), [(2.2, True), (2.7, True), (3.4, False)])
def test_laws_within_three_of_their_joint_deviations_have_one_speed(sigmas: float, same: bool) -> None:
    apart = sigmas * np.sqrt(2) * 1e-5 * 25.0
    assert law_choice._same(refined(25.0), refined(25.0 + apart)) is same


@pytest.mark.parametrize(("relative", "weighed"), [(8e-5, False), (1.3e-4, True)])
def test_a_speed_known_to_one_in_ten_thousand_is_not_weighed_again(
    monkeypatch: pytest.MonkeyPatch, relative: float, weighed: bool
) -> None:
    asked: list[AngleLaw] = []
    monkeypatch.setattr(law_choice, "refinements", lambda *_: [refined(25.0, relative), refined(25.0, relative)])
    monkeypatch.setattr(law_choice, "_lost", lambda *_: False)
    monkeypatch.setattr(law_choice, "_weights", lambda laws, *_: asked.extend(laws) or np.ones(len(laws)))
    law_choice.law_choice(LAW, [], np.array([1.0, 2.0]), 24.0, unresolved=0.01, range_hz=(24.0, 26.0))
    assert bool(asked) is weighed


@pytest.mark.parametrize(("order", "near"), [(1.17, True), (1.24, False), (0.83, True), (0.7, False)])
def test_lines_within_a_fifth_of_the_shafts_first_may_be_taken_for_it(order: float, near: bool) -> None:
    found = law_choice._exchanged(LAW, np.array([1.0, order]), 1.0, (1.0, 99.0))
    assert bool(found) is near


def test_speeds_closer_than_a_bin_and_a_half_are_one() -> None:
    """In few turns; in many four per mille."""
    few: Any = SimpleNamespace(total_turns=100.0)
    many: Any = SimpleNamespace(total_turns=1e5)
    assert speed_search._unresolved(few) == pytest.approx(1.5 / 100)
    assert speed_search._unresolved(many) == pytest.approx(0.004)


@pytest.mark.parametrize(("bins", "named"), [(1.5, 1), (3.0, 2)])
def test_rivals_whose_lines_a_hann_window_does_not_part_are_one(
    monkeypatch: pytest.MonkeyPatch, bins: float, named: int
) -> None:
    assert len(found(monkeypatch, [50.0, 40.0], bins * axis().step)) == named


def test_of_two_dozen_drives_output_pins_are_looked_for_five_to_sixteen_of_them(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    asked: list[tuple[list[int], int]] = []

    def passes(worth: Any, counts: Any, past: Any, speeds: Any) -> Any:
        asked.append((list(counts), len(past)))
        return np.zeros(speeds.shape)

    found(monkeypatch, [50.0] * 60)
    pins = np.arange(40, 100)
    monkeypatch.setattr(rival_drives, "_tried", lambda worth, slip: [(1, pins, 1 + 0.5 * np.arange(60.0)[:, None])])
    monkeypatch.setattr(rival_drives, "_passes", passes)
    rivals(axis(), [Family(count=30, unit=1.0, difference=1)], 1e-4)
    assert asked == [(list(range(5, 17)), 24)]


def test_two_side_lines_either_side_of_a_rivals_mesh_are_its_own() -> None:
    lines = Rival(count=40, difference=1, speed=1.0, log_odds=10.0).lines(60.0)
    for order, its_own in ((41.0, True), (42.0, True), (38.0, True), (43.0, False), (37.0, False)):
        assert bool(np.abs(lines - order).min() < 1e-6) is its_own


@pytest.mark.parametrize(("behind", "phases_decide"), [(4.0, True), (5.5, False)])
def test_of_two_laws_of_one_speed_the_lines_decide_where_they_say_a_hundred_to_one(
    monkeypatch: pytest.MonkeyPatch, behind: float, phases_decide: bool
) -> None:
    """ln 100 = 4.6; below, the one that explains more of the phases is taken."""
    by_lines, by_phases = refined(25.0, 1.3e-4), replace(refined(25.0005, 1.3e-4), explained=2.0)
    monkeypatch.setattr(law_choice, "refinements", lambda *_: [by_lines, by_phases])
    by_speed = {by_lines.law: 20.0, by_phases.law: 20.0 - behind}
    monkeypatch.setattr(law_choice, "_weights", lambda laws, *_: np.array([by_speed[law] for law in laws]))
    found = law_choice.law_choice(LAW, [], np.array([1.0, 2.0]), 24.0, unresolved=0.01, range_hz=(24.0, 26.0))
    assert found is not None
    assert (found.fine is by_phases) is phases_decide


@pytest.mark.parametrize(("log_odds", "whatever"), [(12.0, False), (15.0, True)])
def test_of_a_rival_as_good_as_detected_all_multiples_of_its_shaft_are_its_own(log_odds: float, whatever: bool) -> None:
    """ln 1e6 = 13.8; of others those up to the eighth."""
    lines = Rival(count=40, difference=1, speed=1.0, log_odds=log_odds).lines(60.0)
    assert bool(np.abs(lines - 20.0).min() < 1e-6) is whatever
    assert np.abs(lines - 8.0).min() < 1e-6


@pytest.mark.parametrize(("lead", "named"), [(8.7, False), (9.7, True)])
def test_of_three_pins_more_or_less_those_are_rivals_that_explain_ten_thousand_times_more(
    monkeypatch: pytest.MonkeyPatch, lead: float, named: bool
) -> None:
    """Each from the stated speed to that at which its lobes are those of the file's drive."""
    asked: list[tuple[list[int], list[list[float]]]] = []

    def totals(worth: Any, family: Any, pins: Any, speeds: Any) -> Any:
        asked.append((pins.tolist(), np.sort(speeds[:, [0, -1]]).tolist()))
        return np.where(pins[:, None] == 58, lead, 0.0) * np.ones(speeds.shape)

    monkeypatch.setattr(rival_drives, "_totals", totals)
    own = Family(count=60, unit=1.0, difference=1)
    assert [one.count for one in rival_drives._neighbours(WORTH, own, 1e-9, 0.0)] == [58] * named
    assert asked[0][0] == [57, 58, 59, 61, 62, 63]
    for pins, ends in zip(*asked[0], strict=True):
        assert ends == pytest.approx(sorted([1.0, 60 / 59 * (pins - 1) / pins]), abs=1e-8)
    # Of few pins all lobes are resolved, and where every second pin is left out there are twice as many.
    few = Family(count=20, unit=1.0, difference=1)
    assert rival_drives._neighbours(WORTH, few, 1e-9, 0.0) == []
    assert len(asked) == 1
    assert rival_drives._neighbours(WORTH, Family(count=30, unit=1.0, difference=0.5), 1e-9, 0.0) == []
