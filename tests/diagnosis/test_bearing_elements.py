"""What combs of a bearing's parts say together, and one bearing in several captures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import exp
from typing import TYPE_CHECKING, Any

import pytest

from tests.diagnosis.diagnosis_values import MakeCase, comb
from vibe.core.evidence import CombLine
from vibe.core.health import Finding
from vibe.core.tones import ToneTable
from vibe.diagnosis.bearing_elements import PARTS, Signs, odds, signs_of, ways
from vibe.diagnosis.cage_places import PAST_LOAD, struck_share
from vibe.diagnosis.diagnose import diagnose, merged
from vibe.diagnosis.rules.bearing import _share_of

if TYPE_CHECKING:
    from vibe.flow.settings import Settings

SILENT = Signs(outer_db=-9.0, inner_db=-9.0, element_db=-9.0, cage_db=-9.0)
HEAD = "bearing.input bearing"


def shares(settings: Settings, **signs: float | bool) -> dict[str, float]:
    return odds(ways(replace(SILENT, **signs), settings.diagnosis.element))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "signs", [{}, {"outer_db": 5.0}, {"inner_db": -3.0, "cage_db": 1.0}, {"element_db": 60.0, "carried": 1.0}]
)
def test_the_shares_of_the_elements_add_up_to_one(settings: Settings, signs: dict[str, float]) -> None:
    own = shares(settings, **signs)
    assert sum(own.values()) == pytest.approx(1.0)
    assert set(own) == set(PARTS)


def test_a_bearing_that_shows_nothing_of_its_own_has_no_likely_element(settings: Settings) -> None:
    own = shares(settings)
    assert max(own.values()) < settings.diagnosis.element.named_from
    assert own["cage"] < min(own[part] for part in PARTS[:3])


@pytest.mark.parametrize(
    ("field", "part"), [("outer_db", "outer_race"), ("inner_db", "inner_race"), ("element_db", "rolling_element")]
)
def test_the_deeper_an_elements_own_comb_the_likelier_it_is(settings: Settings, field: str, part: str) -> None:
    stated = [shares(settings, **{field: depth})[part] for depth in (-6.0, -3.0, 0.0, 3.0, 6.0)]
    assert stated == sorted(stated)
    assert stated[-1] > 0.85 > 0.5 > stated[0]


def test_what_is_four_times_the_power_of_its_band_is_clear_and_more_says_no_more(settings: Settings) -> None:
    clear, clearer = (shares(settings, outer_db=depth)["outer_race"] for depth in (6.0, 9.0))
    assert clear == clearer
    assert shares(settings, outer_db=-8.0)["outer_race"] > shares(settings, outer_db=-9.0)["outer_race"]


def carried(lines_db: Sequence[float], sides_db: Sequence[float]) -> float:
    """Share of an element's side lines that stand where its lines are so high."""
    seen = comb(f"{HEAD}.rolling_element", 2.357, 1e-8)
    made = [
        tuple(CombLine(order=float(k), over_floor_db=db) for k, db in enumerate(levels, 1))
        for levels in (lines_db, sides_db)
    ]
    signs = signs_of({"rolling_element": replace(seen, lines=made[0], sideband_lines=made[1])}, 0.02)
    return signs.carried


def test_side_lines_stand_from_four_times_the_floor() -> None:
    """Noise, exponential, is there once in fifty bins."""
    assert carried([20.0] * 8, [8.0, 5.0, 8.0, 5.0]) == 0.5


@pytest.mark.parametrize(("side_db", "share"), [(16.0, 1.0), (18.0, 0.0)])
def test_side_lines_as_strong_as_what_they_stand_next_to_are_lines_of_their_own(side_db: float, share: float) -> None:
    """A modulation by part of the load leaves them 6 dB down, of which noise takes some."""
    assert carried([20.0] * 8, [side_db] * 4) == share


def test_side_lines_are_compared_with_the_first_four_lines_next_to_which_they_are_read() -> None:
    assert carried([14.0, 14.0, 24.0, 24.0, 2.0, 2.0, 2.0, 2.0], [13.0] * 4) == 1.0


@pytest.mark.parametrize(
    ("levels_db", "even"),
    [
        ([12.0] * 7, True),
        ([12.0] * 5, False),  # too few
        ([8.0] * 7, False),  # too faint
        ([15.0, 9.0] * 4, True),
        ([17.0, 5.0] * 4, False),  # unlike each other
        # Long: what follows the first six stands too, however these scatter.
        ([30.0, 12.0] * 3 + [12.0] * 6, True),
        ([30.0, 12.0] * 3 + [12.0] * 2, False),
        ([30.0, 12.0] * 3 + [8.0] * 6, False),
    ],
)
def test_a_cage_that_strikes_has_many_even_lines(levels_db: list[float], even: bool) -> None:
    """Its strike lasts a small part of a turn; an element that passes the load leaves the first few lines only."""
    lines = tuple(CombLine(order=float(k), over_floor_db=db) for k, db in enumerate(levels_db, 1))
    cage = replace(comb(f"{HEAD}.cage", 0.398, 1e-8), lines=lines)
    assert signs_of({"cage": cage}, 0.02).even_cage is even


@pytest.mark.parametrize(("score", "even"), [(49.0, True), (51.0, False)])
def test_an_element_whose_spin_says_more_than_the_cage_makes_the_cages_lines(score: float, even: bool) -> None:
    """What a cage that strikes leaves at its elements' orders is some of its own row, and no more than that."""
    lines = tuple(CombLine(order=float(k), over_floor_db=12.0) for k in range(1, 8))
    cage = replace(comb(f"{HEAD}.cage", 0.398, 1e-8, score=50.0), lines=lines)
    element = comb(f"{HEAD}.rolling_element", 2.357, 1e-8, score=score)
    assert signs_of({"cage": cage, "rolling_element": element}, 0.02).even_cage is even
    chance = replace(element, false_alarm_probability=0.5)
    assert signs_of({"cage": cage, "rolling_element": chance}, 0.02).even_cage


def test_combs_that_are_chance_say_nothing_of_the_element(settings: Settings) -> None:
    present = settings.diagnosis.element.present
    chance = {part: comb(f"{HEAD}.{part}", 3.0, 1.1 * present, 5.0) for part in PARTS}
    assert signs_of(chance, present) == SILENT
    detected = signs_of({"inner_race": comb("x", 5.4, 0.9 * present, 5.0)}, present)
    assert detected == replace(SILENT, inner_db=5.0)


def test_of_a_cage_that_is_seen_from_several_bodies_the_surest_comb_speaks(case: MakeCase, tones: ToneTable) -> None:
    cage = tones.tone(f"{HEAD}.cage")
    seen_otherwise = replace(cage, id=f"{HEAD}.cage_past_inner", order=0.602)
    more = replace(tones, tones=(*tones.tones, seen_otherwise))
    combs = {
        cage.id: comb(cage.id, 0.398, 0.4, -9.0),
        seen_otherwise.id: comb(seen_otherwise.id, 0.602, 1e-8, 4.0, level_db=18.0),
    }
    (finding,) = diagnose(case(combs=combs, tones=more))
    assert finding.seen_in == [seen_otherwise.id]
    assert finding.component in (cage.component, f"{HEAD}.rolling_element")
    assert [f.component for f in diagnose(case(combs={cage.id: combs[cage.id]}, tones=more))] == []


def test_elements_are_listed_next_to_the_one_named_where_one_bearing_in_ten_has_them(
    case: MakeCase, settings: Settings
) -> None:
    listed: list[Any] = []
    unlisted: list[Any] = []
    for depth in (-2.0, -1.0, 0.0, 1.0, 2.0, 3.0, 4.0, 5.0):
        seen = comb(f"{HEAD}.outer_race", 3.585, 1e-8, depth)
        (finding,) = diagnose(case(combs={seen.tone: seen}))
        for part, share in shares(settings, outer_db=depth).items():
            if f"{HEAD}.{part}" != finding.tone:
                (listed if f"{HEAD}.{part}" in finding.cannot_be_told_from else unlisted).append(share)
    assert 0.05 < max(unlisted) < 0.1 <= min(listed) < 0.2


def found(part: str, share: float, *, whole: float = 0.999, severity: str = "moderate") -> Finding:
    name = f"{HEAD}.{part}" if part else None
    return Finding(
        tone=name, component=name or HEAD, defect="local damage", probability=whole * share, why="", advice="",
        component_probability=whole, false_alarm_probability=1e-6, severity=severity,
    )  # fmt: skip


def test_a_bearing_whose_captures_name_different_elements_is_one_finding() -> None:
    captures = [
        [found("rolling_element", 0.6)], [found("outer_race", 0.95, whole=0.99)], [found("", 1.0, severity="severe")],
    ]  # fmt: skip
    (one,) = merged(captures)
    assert one.tone == f"{HEAD}.outer_race"
    assert one.cannot_be_told_from == [f"{HEAD}.rolling_element"]
    assert (one.severity, one.component_probability) == ("severe", 0.999)
    assert merged(captures[::-1])[0].tone == one.tone


def test_two_bearings_stay_two_findings() -> None:
    other = found("outer_race", 0.9).model_copy(
        update={"tone": "bearing.output bearing.outer_race", "component": "bearing.output bearing.outer_race"}
    )
    assert len(merged([[found("outer_race", 0.9)], [other]])) == 2


@pytest.mark.parametrize(("apart", "count"), [(0.003, 1), (0.0045, 1), (0.007, 2)])
def test_cages_are_detected_in_one_place_within_half_a_per_cent(
    case: MakeCase, tones: ToneTable, apart: float, count: int
) -> None:
    mine, other = f"{HEAD}.cage", "bearing.eccentric bearing.cage"
    order = tones.tone(mine).order * 0.995
    detected = {mine: comb(mine, order, 1e-8, 4.0), other: comb(other, order * (1 + apart), 1e-8, 4.0)}
    assert len(diagnose(case(combs=detected))) == count


def test_cages_that_turn_alike_are_one_finding_that_cannot_tell_which(case: MakeCase, tones: ToneTable) -> None:
    """The eccentric bearing's cage turns at 0.397 orders, the input bearing's at 0.398."""
    mine, other = f"{HEAD}.cage", "bearing.eccentric bearing.cage"
    order, its = tones.tone(mine).order, tones.tone(other).order
    assert abs(order / its - 1) < 0.01
    detected = {mine: comb(mine, order * 0.995, 1e-8, 4.0), other: comb(other, order * 0.995, 1e-8, 4.0)}
    (both,) = diagnose(case(combs=detected))
    # The usual slip, half a per cent, brings the input bearing's cage there.
    assert both.component.startswith(HEAD)
    assert other in both.cannot_be_told_from
    assert "Cages of 2 bearings" in both.why
    # The other's load turns with its eccentric, so that its cage seldom is felt as it passes the outer ring: it is the
    # less likely by that, and by how far each is from its usual slip.
    assert both.probability < 0.9 * both.damage_probability
    # The twin: where the other's cage cannot be, nothing is shared.
    far = order * 1.008
    assert far / its > 1 + tones.tone(other).slip[1]
    (alone,) = diagnose(case(combs={mine: comb(mine, far, 1e-8, 4.0)}))
    assert alone.probability / alone.damage_probability > 1.05 * both.probability / both.damage_probability


def test_of_two_cages_the_likelier_is_that_with_the_usual_slip_which_passes_its_load(
    case: MakeCase, tones: ToneTable
) -> None:
    """Worked by hand: both windows are as wide, so that the ratio is that of two normal densities and of 0.7 to a third
    of 0.3, past four bodies."""
    mine, other = f"{HEAD}.cage", "bearing.eccentric bearing.cage"
    order, its = 0.995 * tones.tone(mine).order, tones.tone(other).order
    seen = replace(comb(mine, order, 1e-8, 4.0), place=order, place_error=1e-9)
    bearing = next(one for one in case().drive.bearing if HEAD.endswith(one.name))
    low, high = tones.tone(other).slip
    off = (order / its - 1 - (low + high) / 2) / ((high - low) / 4)
    places = sum(tone.component == other for tone in tones.tones)
    theirs = exp(-0.5 * off**2) * (1 - PAST_LOAD) / (places - 1)
    assert _share_of(case(), bearing, seen, [other]) == pytest.approx(PAST_LOAD / (PAST_LOAD + theirs), rel=1e-6)


def test_all_of_a_cage_is_shared_out_over_the_bodies_that_it_passes(case: MakeCase, tones: ToneTable) -> None:
    for component in (f"{HEAD}.cage", "bearing.eccentric bearing.cage"):
        places = [tone for tone in tones.tones if tone.component == component]
        assert len(places) > 1
        assert sum(struck_share(case(), tone) for tone in places) == pytest.approx(1.0)
    assert struck_share(case(), tones.tone(f"{HEAD}.cage")) == PAST_LOAD
    assert struck_share(case(), tones.tone("bearing.eccentric bearing.cage")) < PAST_LOAD
    assert struck_share(case(), tones.tone(f"{HEAD}.outer_race")) == 1.0


def test_high_lines_alone_are_no_strikes_of_a_cage() -> None:
    """They are an element's with its side lines, at multiples of the cage's turn."""

    def even(*levels_db: float) -> bool:
        lines = tuple(CombLine(order=k * 0.3, over_floor_db=db) for k, db in enumerate(levels_db, 1))
        return signs_of({"cage": replace(comb("cage", 0.3, 1e-8, 3.0), lines=lines)}, 0.02).even_cage

    assert not even(27, 21, 1, 4, 7, 7, 0, 7, 11, 15, 12, 14)
    assert even(27, 21, 19, 16, 15, 14, 10, 12, 11, 15, 12, 10)
