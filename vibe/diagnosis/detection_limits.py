"""The smallest impacts that would have been named in a capture, tone by tone."""

from __future__ import annotations

from collections.abc import Mapping

from vibe.core.evidence import CombEvidence
from vibe.core.health import DetectionLimit
from vibe.diagnosis.settings import CombSettings


def detection_limits(combs: Mapping[str, CombEvidence], settings: CombSettings) -> list[DetectionLimit]:
    """Per tone: impacts that its comb would have shown, and that are no fainter than a finding must be.

    An impact's height grows by one decibel when its power over the floor does.
    """
    limits = []
    for tone, comb in combs.items():
        least = (
            settings.faintest_bearing_hit_over_floor_db
            if tone.startswith("bearing.")
            else settings.faintest_hit_over_floor_db
        )
        shown_db, shown_m_s2 = comb.limit_over_floor_db, comb.limit_m_s2
        if shown_db is not None and shown_db < least:
            shown_m_s2 = None if shown_m_s2 is None else shown_m_s2 * 10 ** ((least - shown_db) / 20)
            shown_db = least
        limits.append(DetectionLimit(tone=tone, hit_m_s2=shown_m_s2, over_floor_db=shown_db))
    return limits
