"""When a decided alarm stays quiet, and what brings it back."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from vibe.core.health import GRAVITY
from vibe.core.records.alarm_case import Memory
from vibe.core.records.alarms import CaseState, SeenFinding, SeriesState
from vibe.core.records.history import Decision, SeriesKey
from vibe.health.alarms.case_state import CaseFacts, case_state, standing_decisions
from vibe.health.alarms.cause_names import owner_of
from vibe.health.alarms.settings import AlarmRules


def series_name(key: SeriesKey) -> str:
    """A series as one word of a JSON table."""
    return "|".join((key.drive, key.point, key.measure, key.subject))


def levels_of(series: Sequence[SeriesState]) -> dict[str, float]:
    """Where the series of an alarm stand, by name: dB over what is usual."""
    return {series_name(s.key): s.change_db for s in series if s.change_db is not None}


def standing(
    memory: Memory | None,
    finding: SeenFinding | None,
    series: Sequence[SeriesState],
    at: datetime,
    rules: AlarmRules,
    **more: Any,
) -> tuple[CaseState, str]:
    """Where an alarm stands, and why; ``more`` are other fields of ``CaseFacts``.

    The last decision counts. It is measured against what stood in the alarm when it was made (``Decision.stood``, in
    older stores ``facts["decided"]``); another cause or a new baseline is another alarm and needs nothing here.
    """
    decisions = () if memory is None else memory.decisions
    held = standing_decisions(decisions)
    news: tuple[str, ...] = ()
    if memory is not None and held:
        then = stood_then(memory, held[-1])
        news = (*_grown(then, series, rules), *_graver(then, finding))
    return case_state(CaseFacts(at=at, decisions=decisions, news=news, **more))


def stood_then(memory: Memory, decision: Decision) -> Mapping[str, Any]:
    """How an alarm stood when it was decided; nothing where that was not kept."""
    if decision.stood:
        try:
            read = json.loads(decision.stood)
        except ValueError:
            return {}
        return read if isinstance(read, dict) else {}
    noted = memory.facts.get("decided", [])
    entries = [entry for entry in noted if isinstance(entry, Mapping) and entry.get("at") == decision.at.isoformat()]
    return entries[-1] if entries else {}


def _grown(then: Mapping[str, Any], series: Sequence[SeriesState], rules: AlarmRules) -> list[str]:
    """Levels that rose beyond those at the decision. One that was not there then is measured from its baseline."""
    levels = then.get("levels")
    if not isinstance(levels, Mapping):
        return []
    found: list[tuple[float, str]] = []
    for one in series:
        if one.change_db is None:
            continue
        before = float(levels.get(series_name(one.key), 0.0))
        least = max(rules.decided.growth_db, rules.decided.scatters * (one.scatter_db or 0.0))
        if one.change_db - before >= least:
            where = ", ".join(text for text in (one.key.point, one.key.measure, one.key.subject) if text)
            found.append((one.change_db - before, f"{where} rose by {one.change_db - before:.1f} dB"))
    return [words for _, words in sorted(found, reverse=True)[:1]]


def _graver(then: Mapping[str, Any], finding: SeenFinding | None) -> list[str]:
    if finding is None or not then:
        return []
    before, component = then.get("severity"), then.get("component")
    if before is None:
        return [f"a finding says what it is: {finding.severity} {finding.defect}"]
    news = []
    if component is not None and _elsewhere(str(component), finding):
        news.append(f"it is found at another part: {finding.component}")
    if GRAVITY[finding.severity] > GRAVITY.get(str(before), 0):
        news.append(f"it went from {before} to {finding.severity}")
    return news


def _elsewhere(before: str, finding: SeenFinding) -> bool:
    return owner_of(before) not in {owner_of(name) for name in (finding.component, *finding.names)}
