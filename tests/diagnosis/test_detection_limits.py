"""The limit that a report states is that of a finding, not only that of a comb."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from tests.diagnosis.diagnosis_values import comb
from vibe.diagnosis.detection_limits import detection_limits

if TYPE_CHECKING:
    from vibe.flow.settings import Settings


@pytest.mark.parametrize(("tone", "least"), [("stage1.lobe", -9.0), ("bearing.input bearing.outer_race", -6.0)])
def test_impacts_fainter_than_a_finding_must_be_are_no_limit(tone: str, least: float, settings: Settings) -> None:
    rules = settings.diagnosis.comb
    assert least in (rules.faintest_hit_over_floor_db, rules.faintest_bearing_hit_over_floor_db)
    shown = replace(comb(tone, 1.06, 0.5), limit_m_s2=0.1, limit_over_floor_db=least - 6.0)
    (limit,) = detection_limits({tone: shown}, rules)
    assert limit.over_floor_db == least
    # Six decibels of an impact's power over the floor are six of its height.
    assert limit.hit_m_s2 == pytest.approx(0.1 * 10 ** (6 / 20))
    (louder,) = detection_limits({tone: replace(shown, limit_over_floor_db=least + 1.0)}, rules)
    assert (louder.over_floor_db, louder.hit_m_s2) == (least + 1.0, 0.1)
