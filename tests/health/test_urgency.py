"""Urgency is the sum of its parts, and each part goes the way that people expect."""

from __future__ import annotations

from math import prod
from typing import Any

import pytest
from pydantic import ValidationError

from tests.health.alarm_cases import exceedance, key, seen, shipped_rules, state
from vibe.core.records.alarms import AlarmExplanation, Urgency
from vibe.health.alarms.settings import AlarmRules
from vibe.health.alarms.urgency import urgency

RULES = shipped_rules()
LOAD = AlarmExplanation(kind="load", words="load explains 3 dB")


def of(**more: Any) -> Urgency:
    usual: dict[str, Any] = {
        "finding": seen(), "exceedances": (exceedance(),), "series": (state(),), "explanations": (),
        "consequence": None, "spare_lead_days": None, "rules": RULES,
    }  # fmt: skip
    return urgency(**(usual | more))


def part(found: Urgency, name: str) -> float:
    return next(one.amount for one in found.parts if one.name == name)


def test_the_total_is_what_the_parts_come_to() -> None:
    found = of(explanations=(LOAD,), consequence="high", spare_lead_days=60.0)
    added = sum(one.amount for one in found.parts if one.how == "adds")
    factor = prod(one.amount for one in found.parts if one.how == "multiplies")
    assert found.total == pytest.approx(added * factor)
    # moderate 25, 8 dB at 0.5 a dB, (2 + 1) / 2 dB a month at 3; 0.9 sure, class high, load.
    assert found.total == pytest.approx((25 + 4 + 4.5) * 0.9 * 1.4 * 0.2)
    assert all(one.because for one in found.parts)


@pytest.mark.parametrize(
    ("less", "more"),
    [
        ({"finding": seen(severity="slight")}, {"finding": seen(severity="severe")}),
        ({"finding": seen(probability=0.4)}, {"finding": seen(probability=0.95)}),
        ({"finding": None}, {"finding": seen(severity="slight", probability=0.9)}),
        ({"series": (state(change_db=3.0),)}, {"series": (state(change_db=9.0),)}),
        ({"series": (state(state="steady"),)}, {"series": (state(),)}),
        ({"series": (state(target_share=0.2),)}, {"series": (state(target_share=0.6),)}),
        ({"series": (state(),)}, {"series": (state(target_share=0.2),)}),
        ({"series": (state(target_share=0.9, state="steady"),)},
         {"series": (state(target_share=1.0, state="steady"),)}),
        ({"finding": None, "series": (state(change_db=21.0),), "exceedances": (exceedance(),)},
         {"finding": None, "series": (state(change_db=21.0),),
          "exceedances": (exceedance(), exceedance(kind="growth"))}),
        ({"consequence": "low"}, {"consequence": None}),
        ({"consequence": "high"}, {"consequence": "safety"}),
        ({"explanations": (LOAD,)}, {"explanations": ()}),
        ({"finding": None, "exceedances": (exceedance(kind="alarm"),)},
         {"finding": None, "exceedances": (exceedance(kind="trip"),)}),
        ({"finding": None, "exceedances": (exceedance(source="another system", within=True),)},
         {"finding": None, "exceedances": (exceedance(source="another system", within=False),)}),
    ],
)  # fmt: skip
def test_what_is_worse_is_more_urgent(less: dict[str, Any], more: dict[str, Any]) -> None:
    assert of(**less).total < of(**more).total


def test_a_spare_part_counts_when_it_may_come_too_late() -> None:
    grows = {"series": (state(target_share=0.5),)}
    there = {"series": (state(target_share=1.0),)}
    assert part(of(**there, spare_lead_days=3.0), "spare part") == RULES.spare.late
    assert part(of(**grows, spare_lead_days=60.0), "spare part") == RULES.spare.maybe_late
    assert part(of(**grows, spare_lead_days=10.0), "spare part") == 0.0
    assert part(of(series=(state(state="steady"),), spare_lead_days=60.0), "spare part") == 0.0


@pytest.mark.parametrize(("change_db", "low_db", "least"), [(28.0, 26.0, 50.0), (28.0, 2.0, None), (7.0, 6.5, None)])
def test_what_grew_tenfold_beyond_its_limits_is_acted_on_without_a_name(
    change_db: float, low_db: float, least: float | None
) -> None:
    grown = state(change_db=change_db, change_low_db=low_db, target_share=change_db / 20.0)
    found = of(finding=None, series=(grown,), exceedances=(exceedance(), exceedance(kind="growth", limit=None)))
    assert (found.total >= RULES.queue.act_from) is (least is not None)


def test_sisters_take_nothing_from_what_surely_tells_of_damage() -> None:
    sisters = (AlarmExplanation(kind="sisters", words="all 3 sisters changed with it"),)
    rows = (exceedance(), exceedance(kind="growth", limit=None))
    for change_db, less in ((8.0, True), (28.0, False)):
        grown = {"finding": None, "series": (state(change_db=change_db, change_low_db=change_db - 4),)}
        plain, stated = (of(**grown, exceedances=rows, explanations=said) for said in ((), sisters))
        assert (stated.total < plain.total) is less


def test_what_only_informs_pushes_nothing_down() -> None:
    next_to = AlarmExplanation(kind="sisters", words="sisters did not change", weighs=False)
    assert of(explanations=(next_to,)).total == of().total


def test_a_factor_counts_once_however_often_it_is_said() -> None:
    assert of(explanations=(LOAD, LOAD)).total == of(explanations=(LOAD,)).total


def test_no_explanation_hides_a_drive_that_people_depend_on() -> None:
    stated = (LOAD, AlarmExplanation(kind="sensor", words="loose mount"))
    free, held = of(consequence="safety").total, of(consequence="safety", explanations=stated)
    blind = max(part(held, "severity") - 25.0, 0.0)
    assert blind == 0.0
    assert held.total == pytest.approx(RULES.explained.least_for_safety * free)
    assert of(consequence="high", explanations=stated).total < 0.1 * of(consequence="high").total


def test_a_slope_of_which_little_is_sure_counts_half() -> None:
    unsure = of(series=(state(slope_db_per_month=6.0, slope_low=-20.0),))
    sure = of(series=(state(slope_db_per_month=4.0, slope_low=3.8),))
    assert part(unsure, "rate") == pytest.approx(9.0)
    assert part(unsure, "rate") < part(sure, "rate")


def test_nothing_known_is_said_and_makes_no_number_up() -> None:
    found = of(finding=None, exceedances=(), series=(state(key("hit"), change_db=None, state="cannot be told yet"),))
    assert found.total == 0.0
    assert {one.name: one.because for one in found.parts}["growth"].startswith("growth not known")


def test_rules_that_cannot_be_are_refused() -> None:
    stated = RULES.model_dump(by_alias=True)
    with pytest.raises(ValidationError, match="without_finding"):
        AlarmRules.model_validate(
            stated | {"chance": stated["chance"] | {"without_finding": 1.0, "without_finding_most": 0.9}}
        )
    with pytest.raises(ValidationError, match="at_least"):
        AlarmRules.model_validate(stated | {"raise": stated["raise"] | {"at_least": 9}})
