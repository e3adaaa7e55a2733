"""What a drive's exceedances have in common: one cause, one row, and nothing that belongs to none."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from vibe.core.records.alarm_case import CaptureFinding, CaptureSeen, DriveCase
from vibe.core.records.alarms import AlarmExplanation, CauseKind, Exceedance, SeenFinding
from vibe.health.alarms.cause_names import cause_of, owner_of, owners
from vibe.health.alarms.settings import AlarmRules

SLOW = frozenset({"unbalance", "misalignment", "looseness", "soft foot"})
"""Defects that show in velocity; what hits shows in acceleration."""
OFTEN = 3
"""A sensor that is in trouble in every third capture is no better in between (common practice)."""
_GRAVITY = {"slight": 0, "moderate": 1, "severe": 2}


@dataclass(slots=True, kw_only=True)
class CauseDraft:
    """A cause while it is being put together."""

    kind: CauseKind
    cause: str
    names: frozenset[str]
    since: datetime | None = None
    finding: SeenFinding | None = None
    exceedances: list[Exceedance] = field(default_factory=list)
    explanations: list[AlarmExplanation] = field(default_factory=list)

    @property
    def first(self) -> datetime:
        """When what is counted here first happened."""
        times = [e.at for e in self.exceedances] + ([] if self.since is None else [self.since])
        return min(times)

    def add_explanation(self, explanations: AlarmExplanation) -> None:
        """Record an explanation, once of each kind."""
        if all(one.kind != explanations.kind for one in self.explanations):
            self.explanations.append(explanations)


def causes_of(case: DriveCase, rules: AlarmRules) -> list[CauseDraft]:
    """All causes of a drive; each exceedance and each finding of the latest captures belongs to exactly one."""
    found = _faults(case, rules)
    faults = [cause for cause in found if cause.kind == "fault"]
    # Series that hit at the part itself first: a level follows the fault that is already known to rise.
    for exceedance in sorted(case.exceedances, key=lambda e: (e.source == "another system", e.at, e.key)):
        cause = _home(exceedance, case, faults, found, rules)
        cause.exceedances.append(exceedance)
    _join_load(found)
    return [cause for cause in found if cause.exceedances or cause.since is not None]


def _join_load(found: list[CauseDraft]) -> None:
    """What was usual in a capture whose load explains another exceedance has the same cause."""
    load = next((cause for cause in found if cause.kind == "load or speed"), None)
    scatter = next((cause for cause in found if cause.kind == "scatter"), None)
    if load is None or scatter is None:
        return
    captures = {e.content for e in load.exceedances}
    moved = [e for e in scatter.exceedances if e.within and e.content in captures]
    load.exceedances += moved
    scatter.exceedances = [e for e in scatter.exceedances if e not in moved]


# ── findings ──────────────────────────────────────────────────────────────────────────────────────────────────────


def _faults(case: DriveCase, rules: AlarmRules) -> list[CauseDraft]:
    """Findings of the latest captures: those of kin are one."""
    latest = case.recent[-rules.raise_.of_last :]
    groups: list[list[tuple[CaptureSeen, CaptureFinding]]] = []
    causes: list[CauseDraft] = []
    for capture in latest:
        for finding in capture.findings:
            if finding.component == "sensor":
                _sensor(causes, finding.point, case, capture.at)
                continue
            kin = next((group for group in groups if any(_kin(finding, other) for _, other in group)), None)
            groups.append([(capture, finding)]) if kin is None else kin.append((capture, finding))
    return [*causes, *(_fault(group, case, latest) for group in groups)]


def _kin(one: CaptureFinding, other: CaptureFinding) -> bool:
    """Whether both may tell of one damage."""
    if (one.defect in SLOW) != (other.defect in SLOW):
        return False
    return owner_of(one.component) in owners((*other.names, other.component)) or owner_of(other.component) in owners(
        (*one.names, one.component)
    )


def _fault(
    group: Sequence[tuple[CaptureSeen, CaptureFinding]], case: DriveCase, latest: Sequence[CaptureSeen]
) -> CauseDraft:
    last_capture = group[-1][0]
    # Of one capture the gravest names the row.
    best = max((f for c, f in group if c is last_capture), key=lambda f: (_GRAVITY[f.severity], f.probability))
    seen = {capture.content for capture, _ in group}
    in_latest = last_capture.content == latest[-1].content
    chance = best.probability if in_latest else sum(f.probability for _, f in group) / len(latest)
    own = owners((best.component, best.tone))
    cause = CauseDraft(
        kind="fault", cause=cause_of(best), names=own | owners(best.names),
        since=_since(case, best, gap=len(latest)),
        finding=SeenFinding(
            tone=best.tone, component=best.component, defect=best.defect, probability=min(chance, 1.0),
            severity=best.severity, seen_in=len(seen), of=len(latest), names=best.names, content=last_capture.content,
            why=best.why, advice=best.advice,
        ),
    )  # fmt: skip
    bad = [c for c, f in group if c.troubled and (not f.point or f.point in c.troubled)]
    if len(bad) == len(group):
        point, what = next(iter(last_capture.troubled.items()))
        cause.add_explanation(
            AlarmExplanation(kind="sensor", words=f"it was found only in captures with a sensor fault: {point}: {what}")
        )
    return cause


def _since(case: DriveCase, finding: CaptureFinding, gap: int) -> datetime:
    """The first capture of the run of captures, with no more than ``gap`` between, in which it was found."""
    captures = case.recent
    places = [i for i, c in enumerate(captures) if any(_kin(f, finding) for f in c.findings if f.component != "sensor")]
    first = places[-1]
    for place in reversed(places):
        if first - place > gap:
            break
        first = place
    return captures[first].at


# ── where an exceedance belongs ───────────────────────────────────────────────────────────────────────────────────


def _home(
    e: Exceedance, case: DriveCase, faults: list[CauseDraft], found: list[CauseDraft], rules: AlarmRules
) -> CauseDraft:
    if case.epoch is not None and e.at < case.epoch:
        return _before_repair(case, found)
    capture = next((c for c in case.captures if c.content == e.content), None)
    slack = timedelta(days=rules.group.slack_days)
    fault = _fault_of(e, [f for f in faults if f.since is not None and e.at >= f.since - slack])
    point = _point_in_trouble(e, capture, case, slack)
    if point is not None and (fault is None or (capture is not None and point in capture.troubled)):
        return _sensor(found, point, case, e.at)
    if e.kind == "fall":
        return _sensor(found, e.key.point, case, None)
    if fault is not None:
        return fault
    if e.within:
        return _harmless(e, case, found, rules)
    if e.within is None and capture is not None and capture.troubled:
        return _sensor(found, next(iter(capture.troubled)), case, capture.at)
    lasts = e.source != "another system" or _lasts(e, case)
    if not lasts:
        return _passing(e, found)
    if faults:
        # It was there before the finding could tell what it is, and it still is.
        return _fault_of(e, faults) or faults[0]
    if e.within is None and e.source == "another system":
        cause = _get(found, "growth", "growth", ())
        words = "there is no baseline in this condition yet: whether it is unusual is not known"
        cause.add_explanation(AlarmExplanation(kind="event", words=words, weighs=False))
        return cause
    return _get(found, "growth", "growth", owners([e.key.subject]))


def _point_in_trouble(e: Exceedance, capture: CaptureSeen | None, case: DriveCase, slack: timedelta) -> str | None:
    """The point whose sensor explains an exceedance: in this very capture, or again and again since about then."""
    point = e.key.point
    if capture is not None and capture.troubled and (point in capture.troubled or not point):
        return point or next(iter(capture.troubled))
    first = next((c.at for c in case.recent if point in c.troubled), None)
    if not point or first is None or e.at < first - slack:
        return None
    since = [c for c in case.recent if c.at >= first]
    return point if OFTEN * sum(point in c.troubled for c in since) >= len(since) else None


def _fault_of(e: Exceedance, faults: Sequence[CauseDraft]) -> CauseDraft | None:
    """The fault that an exceedance concerns: by name, else by what its measure listens to, else the gravest."""
    named = [fault for fault in faults if e.key.subject and owner_of(e.key.subject) in fault.names]
    if e.key.measure in ("velocity_rms", "line"):
        suited = [f for f in faults if f.finding is not None and f.finding.defect in SLOW]
    else:
        suited = [f for f in faults if f.finding is not None and f.finding.defect not in SLOW]
    return max(named or suited or faults, key=_weight, default=None)


def _weight(cause: CauseDraft) -> tuple[int, float]:
    finding = cause.finding
    return (0, 0.0) if finding is None else (_GRAVITY[finding.severity], finding.probability)


def _lasts(e: Exceedance, case: DriveCase) -> bool:
    """Whether the latest capture of the series still lies beyond what is usual, or nobody can tell that."""
    own = next((s for s in case.series if s.key == e.key), None)
    if own is None or own.change_db is None:
        return True
    bounds = [line for line in own.limits if line.source == "this drive" and line.kind == "change"]
    return any(own.value > line.value for line in bounds) or (not bounds and own.change_db > 0)


def _before_repair(case: DriveCase, found: list[CauseDraft]) -> CauseDraft:
    cause = _get(found, "repaired", "before the new baseline", ())
    event = case.epoch_event
    if event is not None:
        note = f" ({event.note})" if event.note else ""
        words = f"it was before the {event.kind} of {event.at:%Y-%m-%d}{note}; since then a new baseline counts"
        cause.add_explanation(AlarmExplanation(kind="new baseline", words=words))
    return cause


def _harmless(e: Exceedance, case: DriveCase, found: list[CauseDraft], rules: AlarmRules) -> CauseDraft:
    """The value is usual for this drive in its condition. What moved it, or what is wrong with the limit?"""
    raw, like = e.raw_db, e.change_db
    shift = 0.0 if raw is None or like is None else raw - like
    by_condition = (
        shift >= rules.group.explains_from_db and raw is not None and shift >= rules.group.explains_share * raw
    )
    too_low = e.limit is not None and e.usual is not None and e.limit <= e.usual
    if (case.load_moved or case.speed_moved) and (by_condition or too_low):
        cause = _get(found, "load or speed", "load or speed", ())
        moved = [word for word, does in (("load", case.load_moved), ("speed", case.speed_moved)) if does]
        said = " and ".join(moved)
        if by_condition:
            verb = "explain" if len(moved) > 1 else "explains"
            words = f"{said} {verb} {shift:.1f} of {raw:.1f} dB; at same speed and load it is as usual ({like:+.1f} dB)"
        else:
            words = (
                f"the limit {e.limit:.3g} {e.unit} lies below what is usual at this {said}, {e.usual:.3g}: it was set "
                f"in another condition"
            )
        cause.add_explanation(
            AlarmExplanation(
                kind="load" if case.load_moved else "speed", words=words, explains_db=shift if by_condition else None
            )
        )
        return cause
    cause = _passing(e, found)
    if too_low:
        words = f"the limit {e.limit:.3g} {e.unit} lies below what is usual for this drive, {e.usual:.3g}"
        cause.add_explanation(AlarmExplanation(kind="limit", words=words))
    return cause


def _passing(e: Exceedance, found: list[CauseDraft]) -> CauseDraft:
    cause = _get(found, "scatter", "scatter", ())
    far = "" if e.change_db is None else f" ({e.change_db:+.1f} dB from what is usual)"
    if e.within:
        cause.add_explanation(
            AlarmExplanation(kind="scatter", words=f"it is within the usual scatter of this drive{far}")
        )
    else:
        cause.add_explanation(
            AlarmExplanation(kind="scatter", words=f"it did not last: later captures lie within what is usual{far}")
        )
    return cause


def _sensor(found: list[CauseDraft], point: str, case: DriveCase, at: datetime | None) -> CauseDraft:
    cause = _get(found, "sensor", f"sensor {point}".strip(), ("sensor",))
    troubled = [c for c in case.recent if point in c.troubled]
    if at is not None and (cause.since is None or at < cause.since):
        cause.since = troubled[0].at if troubled else at
    if troubled:
        first, last = troubled[0], troubled[-1]
        since = [c for c in case.recent if c.at >= first.at]
        words = f"{len(troubled)} of {len(since)} captures since {first.at:%Y-%m-%d}"
        cause.add_explanation(AlarmExplanation(kind="sensor", words=f"{point}: {last.troubled[point]}; {words}"))
    else:
        words = "fell together and those of no other point did: its sensor reads low"
        cause.add_explanation(AlarmExplanation(kind="sensor", words=f"all levels at {point or 'one point'} {words}"))
    return cause


def _get(found: list[CauseDraft], kind: CauseKind, name: str, names: Sequence[str] | frozenset[str]) -> CauseDraft:
    """The cause of that name, made where there is none yet."""
    for cause in found:
        if cause.kind == kind and cause.cause == name:
            cause.names |= frozenset(names)
            return cause
    found.append(CauseDraft(kind=kind, cause=name, names=frozenset(names)))
    return found[-1]
