"""How well the queue itself does, so that limits can be improved."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from statistics import median
from typing import Any

from vibe.core.records.alarm_case import Memory
from vibe.core.records.alarms import Alarm, QueueMeasures, RuleCount
from vibe.core.records.history import Decision
from vibe.health.alarms.case_state import standing_decisions

NOT_FAULTS = ("not-a-fault", "sensor", "operating-condition")


def measures(alarms: Sequence[Alarm], memories: Sequence[Memory], at: datetime) -> QueueMeasures:
    """Counts over all alarms that the store ever knew, those of now among them.

    An alarm counts by its last decision; one to be re-inspected counts as open. A share is over those that
    were closed: confirmed or no fault.
    """
    now = {alarm.id: alarm for alarm in alarms}
    past = [memory for memory in memories if memory.id not in now]
    rows = [(_rules(m.facts), m.decisions, m.opened_at) for m in past]
    rows += [(alarm.rules, alarm.decisions, alarm.opened_at) for alarm in alarms]
    verdicts = [_verdict(decisions) for _, decisions, _ in rows]
    judged = [v for v in verdicts if v == "confirmed" or v in NOT_FAULTS]
    waits = [max((d[0].at - opened) / timedelta(days=1), 0.0) for _, d, opened in rows if d]
    ages = [max((at - a.since) / timedelta(days=1), 0.0) for a in alarms if a.status in ("open", "back")]
    return QueueMeasures(
        alarms=len(rows),
        waiting=len(ages),
        quiet=sum(alarm.status == "quiet" for alarm in alarms),
        in_work=sum(alarm.status == "in work" for alarm in alarms),
        decided=sum(v is not None for v in verdicts),
        not_fault_share=sum(v in NOT_FAULTS for v in judged) / len(judged) if judged else None,
        oldest_days=max(ages, default=None),
        median_age_days=median(ages) if ages else None,
        median_days_to_decision=median(waits) if waits else None,
        rules=_by_rule([(rules, verdict) for (rules, _, _), verdict in zip(rows, verdicts, strict=True)]),
    )


def _verdict(decisions: Sequence[Decision]) -> str | None:
    held = standing_decisions(decisions)
    return str(held[-1].verdict) if held else None


def _rules(facts: Mapping[str, Any]) -> tuple[str, ...]:
    said = facts.get("rules", ())
    return tuple(str(rule) for rule in said) if isinstance(said, list) else ()


def _by_rule(rows: Sequence[tuple[tuple[str, ...], str | None]]) -> tuple[RuleCount, ...]:
    """The rule with the most alarms that were no faults first."""
    found: dict[str, list[str | None]] = {}
    for rules, verdict in rows:
        for rule in rules:
            found.setdefault(rule, []).append(verdict)
    counts = [
        RuleCount(
            rule=rule,
            alarms=len(verdicts),
            confirmed=verdicts.count("confirmed"),
            not_faults=sum(v in NOT_FAULTS for v in verdicts),
            undecided=sum(v is None or v == "recheck" for v in verdicts),
        )
        for rule, verdicts in found.items()
    ]
    return tuple(sorted(counts, key=lambda c: (-c.not_faults, -c.alarms, c.rule)))
