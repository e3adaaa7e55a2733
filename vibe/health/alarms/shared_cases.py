"""Cases besides those of single drives: a fault that sisters share, and confirmed work that nobody has finished."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime

from vibe.core.records.alarm_case import DriveCase, Memory
from vibe.core.records.alarms import Alarm, AlarmExplanation, Pictures, SeenFinding, Urgency, UrgencyPart
from vibe.health.alarms.case_state import CaseFacts, case_state, standing_decisions, status_of
from vibe.health.alarms.cause_names import alarm_id, owner_of
from vibe.health.alarms.suppression import stood_then
from vibe.health.state.finding_names import part_in_words

LIKELY = 0.5
"""A finding that is rather there than not."""
REPAIRS = ("repair", "bearing change", "new drive", "realignment")
"""Events that end confirmed work; grease alone mends nothing, even where a new baseline counts from then on."""


def shared_faults(
    alarms: Sequence[Alarm], cases: Mapping[str, DriveCase], known: Mapping[str, Memory], at: datetime
) -> list[Alarm]:
    """A case for each part that is named on two drives of one kind or more: what they share may be a batch, a duty or
    a grease. The rows of the drives stay as they are; it is as urgent as the gravest of them."""
    groups: dict[tuple[str, str], list[Alarm]] = {}
    for alarm in alarms:
        kind = cases[alarm.drive].kind
        if alarm.kind == "fault" and alarm.finding is not None and kind and alarm.finding.probability >= LIKELY:
            groups.setdefault((kind, shared_part(alarm.finding)), []).append(alarm)
    found = []
    for (kind, part), members in groups.items():
        members.sort(key=lambda alarm: (-alarm.urgency.total, alarm.drive))
        tags = tuple(dict.fromkeys(alarm.drive for alarm in members))
        if len(tags) > 1:
            found.append(_shared(members, tags, alarm_id(kind, f"shared {part}", None), known, at))
    return found


def shared_part(finding: SeenFinding) -> str:
    """What of a finding sisters may share: the part that has it, and the defect."""
    return f"{owner_of(finding.component)} {finding.defect}"


def _shared(
    members: Sequence[Alarm], tags: tuple[str, ...], name: str, known: Mapping[str, Memory], at: datetime
) -> Alarm:
    lead, memory = members[0], known.get(name)
    decisions = () if memory is None else memory.decisions
    held = standing_decisions(decisions)
    then = stood_then(memory, held[-1]) if memory is not None and held else {}
    joined = [tag for tag in tags if then and tag not in then.get("drives", ())]
    news = (f"{' and '.join(joined)} joined",) if joined else ()
    state, why = case_state(CaseFacts(at=at, decisions=decisions, news=news))
    finding = lead.finding
    what = "" if finding is None else f"{finding.defect}: {part_in_words(finding.component)}"
    who = " and ".join(tags)
    words = f"{who} are of one kind and have the same damage"
    return replace(
        lead, id=name, drives=tags, epoch=None, kind="common", cause=f"shared {lead.cause}",
        title=f"shared by {len(tags)} sister drives, {what}",
        sentence=f"{words}; each has a row of its own.",
        advice="Look for what they share (batch, mounting, grease, duty) and inspect their sisters too.",
        urgency=Urgency(
            total=lead.urgency.total,
            parts=(
                UrgencyPart(
                    name="gravest drive", how="adds", amount=lead.urgency.total,
                    because=f"as urgent as {lead.drive}, the gravest of them",
                ),
            ),
        ),
        status=status_of(state, decisions), status_why=why, state=state, since=min(alarm.since for alarm in members),
        opened_at=max(alarm.opened_at for alarm in members) if memory is None else memory.opened_at,
        exceedances=(), explanations=(AlarmExplanation(kind="sisters", words=words, weighs=False),),
        decisions=decisions, owner=held[-1].owner if held else "", due=held[-1].ask_again if held else None,
        work_order=held[-1].work_order if held else "", finding=finding,
    )  # fmt: skip


def kept_in_work(
    alarms: Sequence[Alarm], cases: Mapping[str, DriveCase], memories: Sequence[Memory], at: datetime
) -> list[Alarm]:
    """Confirmed work whose alarm nothing raises at the moment: it stays in sight until a repair is recorded."""
    there = {alarm.id for alarm in alarms}
    found = []
    for memory in memories:
        held = standing_decisions(memory.decisions)
        case = cases.get(memory.drive)
        if memory.id in there or not held or held[-1].verdict != "confirmed" or case is None:
            continue
        then = stood_then(memory, held[-1]) or dict(memory.facts)
        if not unfinished(memory, case) or not then.get("title", memory.facts.get("title")):
            continue
        found.append(_kept(memory, {**memory.facts, **then}, case, at))
    return found


def unfinished(memory: Memory, case: DriveCase) -> bool:
    """Whether work was confirmed, and no repair was recorded since."""
    held = standing_decisions(memory.decisions)
    confirmed = bool(held) and held[-1].verdict == "confirmed"
    return confirmed and not any(event.kind in REPAIRS and event.at > held[-1].at for event in case.events)


def _kept(memory: Memory, facts: Mapping[str, object], case: DriveCase, at: datetime) -> Alarm:
    held = standing_decisions(memory.decisions)
    last = case.captures[-1] if case.captures else None
    state, why = case_state(CaseFacts(at=at, decisions=memory.decisions))
    amount = facts.get("urgency")
    words = "the latest captures do not raise it any more; it stays in sight until a repair is recorded"
    names = facts.get("names")
    return Alarm(
        id=memory.id, drives=(memory.drive,), epoch=case.epoch,
        kind="fault" if facts.get("kind") == "fault" else "growth", cause=memory.cause,
        names=tuple(str(name) for name in names) if isinstance(names, list) else (),
        title=str(facts.get("title")), sentence=f"{memory.drive}: confirmed and not repaired; {words}.",
        advice=str(facts.get("advice") or "Record the repair when it is done, or decide anew."),
        urgency=Urgency(
            total=float(amount) if isinstance(amount, int | float) else 0.0,
            parts=(
                UrgencyPart(
                    name="as decided", how="adds", amount=float(amount) if isinstance(amount, int | float) else 0.0,
                    because=f"as it stood on {held[-1].at:%Y-%m-%d}, when it was confirmed",
                ),
            ),
        ),
        status=status_of(state, memory.decisions), status_why=why, state=state,
        since=datetime.fromisoformat(str(facts["since"])) if facts.get("since") else memory.opened_at,
        opened_at=memory.opened_at, finding=None, exceedances=(), changed=(),
        explanations=(AlarmExplanation(kind="event", words=words, weighs=False),), sisters=(), series=(),
        pictures=Pictures(before=case.before, now=case.now, series=(), events=case.events),
        decisions=memory.decisions, owner=held[-1].owner, due=held[-1].ask_again, work_order=held[-1].work_order,
        measured_at=None if last is None else last.at,
    )  # fmt: skip
