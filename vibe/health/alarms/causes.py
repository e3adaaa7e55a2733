"""What a drive's exceedances have in common: one cause, one row, and nothing that belongs to none."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from vibe.core.health import GRAVITY
from vibe.core.records.alarm_case import CaptureFinding, CaptureSeen, DriveCase
from vibe.core.records.alarms import AlarmExplanation, CauseKind, Exceedance, SeenFinding
from vibe.health.alarms.cause_names import cause_of, owner_of, owners
from vibe.health.alarms.settings import AlarmRules

SLOW = frozenset({"unbalance", "misalignment", "looseness", "soft foot"})
"""Defects that show in velocity; what strikes shows in acceleration."""
OFTEN = 3
"""A sensor that is in trouble in every third capture is no better in between (common practice)."""


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
    retake: str = ""
    """What is to be measured again at once, since the latest captures could not show this."""
    weak_sign: bool = False
    """A fault that weak signs alone speak for: it is named where something exceeds its limit, and raises nothing."""

    @property
    def first(self) -> datetime:
        """When what is counted here first happened."""
        times = [e.since or e.at for e in self.exceedances] + ([] if self.since is None else [self.since])
        return min(times)

    def add_explanation(self, explanations: AlarmExplanation) -> None:
        """Record an explanation, once of each kind."""
        if all(one.kind != explanations.kind for one in self.explanations):
            self.explanations.append(explanations)


def causes_of(case: DriveCase, rules: AlarmRules) -> list[CauseDraft]:
    """All causes of a drive; each exceedance and each finding of the latest captures belongs to exactly one."""
    found = _faults(case, rules)
    faults = [cause for cause in found if cause.kind == "fault"]
    # Series of impacts at the part itself first: a level follows the fault that is already known to rise.
    for exceedance in sorted(case.exceedances, key=lambda e: (e.source == "another system", e.at, e.key)):
        cause = _home(exceedance, case, faults, found, rules)
        cause.exceedances.append(exceedance)
    _join_load(found)
    _join_clipping(found, case)
    found += _unseen(case, found, rules)
    return [cause for cause in found if cause.exceedances or (cause.since is not None and not cause.weak_sign)]


def _join_clipping(found: list[CauseDraft], case: DriveCase) -> None:
    """What grows until it leaves the range is no sensor in trouble: the range is too small for what is there."""
    rising = [cause for cause in found if cause.kind in ("fault", "growth")]
    for cause in [c for c in found if c.kind == "sensor" and c.cause.startswith("sensor ")]:
        point = cause.cause.removeprefix("sensor ")
        run = [c for c in case.recent if point in c.clipped]
        latest = next((c for c in reversed(case.recent) if point in c.troubled or c.judged), None)
        if not run or latest is None or point not in latest.clipped or not rising:
            continue
        first = _run_of(point, case)
        words = (
            f"{point}: cut off at {run[-1].clipped[point]:.3g} m/s² since {first:%Y-%m-%d}: the level is at least "
            "that, and these captures are no sign that anything got better"
        )
        for one in rising:
            one.add_explanation(AlarmExplanation(kind="sensor", words=words, weighs=False))
            one.retake = f"Measure again at once with a larger range at {point}"
        rising[0].exceedances += cause.exceedances
        found.remove(cause)


def _run_of(point: str, case: DriveCase) -> datetime:
    """The first of the latest captures in a row that are cut off at a point, or were rejected."""
    first = case.recent[-1].at
    for capture in reversed(case.recent):
        if point not in capture.clipped and capture.judged:
            break
        first = capture.at
    return first


def every_so_often(days: Sequence[float]) -> str:
    """How often drives are measured, by the days between their captures: "every day", "every 7 to 30 days"."""
    few, many = (max(1, round(of(days))) for of in (min, max))
    return "every day" if many == 1 else f"every {few} days" if few == many else f"every {few} to {many} days"


def _unseen(case: DriveCase, known: list[CauseDraft], rules: AlarmRules) -> list[CauseDraft]:
    """A drive whose next capture is overdue, or whose latest captures could not be judged at all."""
    faults = [cause for cause in known if cause.kind == "fault"]
    if not case.captures or case.at is None:
        return []
    found = []
    last = case.captures[-1].at
    days = overdue_days(last, case.every_days, case.planned, case.at, rules)
    if days is not None and case.every_days is not None:
        rhythm = f"{'planned' if case.planned else 'usually'} {every_so_often([case.every_days])}"
        age = (case.at - last).days
        cause = CauseDraft(kind="not measured", cause="not measured", names=frozenset(), since=last)
        words = f"not measured for {age} days, {rhythm}; the last capture is of {last:%Y-%m-%d}"
        cause.add_explanation(AlarmExplanation(kind="event", words=words, weighs=False))
        found.append(cause)
    blind = []
    for capture in reversed(case.recent):
        if capture.judged:
            break
        blind.append(capture)
    if len(blind) >= rules.unseen.rejected_from and not faults and all(cause.kind != "sensor" for cause in known):
        cause = CauseDraft(kind="not judged", cause="not judged", names=frozenset(), since=blind[-1].at)
        why = f": {blind[0].refused}" if blind[0].refused else ""
        words = f"none of the {len(blind)} captures since {blind[-1].at:%Y-%m-%d} could be judged{why}"
        cause.add_explanation(AlarmExplanation(kind="event", words=words, weighs=False))
        found.append(cause)
    return found


def overdue_days(
    last: datetime, every_days: float | None, planned: bool, at: datetime, rules: AlarmRules
) -> float | None:
    """Days since the next capture was expected, once it is surely late; None while it is not, or nobody can say."""
    if every_days is None:
        return None
    late = rules.unseen.planned_times if planned else rules.unseen.usual_times
    age = (at - last) / timedelta(days=1)
    return age - every_days if age > max(late * every_days, every_days + rules.unseen.grace_days) else None


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
    """Findings of the latest captures: those of kin are one.

    A capture that could not have shown a finding, for it was rejected or the finding's point was cut off or in trouble,
    is no sign that it is gone: then those before it count until a good capture takes their place.
    """
    of = rules.raise_.of_last
    causes: list[CauseDraft] = []
    for capture in case.recent[-of:]:
        for finding in capture.findings:
            if finding.component == "sensor" and not finding.weak_sign:
                for point in finding.points or (finding.point,):
                    _sensor(causes, point, case, capture.at)
    groups: list[list[tuple[CaptureSeen, CaptureFinding]]] = []
    for capture in case.recent[_looked_from(case, of) :]:
        for finding in capture.findings:
            if finding.component == "sensor":
                continue
            kin = next((group for group in groups if any(_kin(finding, other) for _, other in group)), None)
            groups.append([(capture, finding)]) if kin is None else kin.append((capture, finding))
    return [*causes, *(cause for group in groups if (cause := _fault(group, case, of)) is not None)]


def _looked_from(case: DriveCase, of: int) -> int:
    """The place of the capture from which on findings may still count: the last ``of`` captures without any trouble,
    and all that came after them."""
    left = of
    for place in range(len(case.recent) - 1, -1, -1):
        left -= case.recent[place].judged and not case.recent[place].troubled
        if left == 0:
            return place
    return 0


def could_show(capture: CaptureSeen, finding: CaptureFinding) -> bool:
    """Whether a capture could have shown a finding: it was judged, and none of the finding's points was in trouble."""
    points = finding.points or ((finding.point,) if finding.point else tuple(capture.troubled))
    return capture.judged and not any(point in capture.troubled for point in points)


def _kin(one: CaptureFinding, other: CaptureFinding) -> bool:
    """Whether both may come from one damage."""
    if (one.defect in SLOW) != (other.defect in SLOW):
        return False
    return owner_of(one.component) in owners((*other.names, other.component)) or owner_of(other.component) in owners(
        (*one.names, one.component)
    )


def _fault(group: Sequence[tuple[CaptureSeen, CaptureFinding]], case: DriveCase, of: int) -> CauseDraft | None:
    """The cause behind findings of kin; None where enough good captures no longer show it."""
    newest = group[-1][1]
    shown = {capture.content for capture, _ in group}
    # The last good captures, and among or after them those that showed it all the same.
    good = [c for c in case.recent if could_show(c, newest)][-of:]
    start = good[0].at if good else case.recent[0].at
    counted = [c for c in case.recent if c.at >= start and (c.content in shown or could_show(c, newest))]
    seen = [(c, f) for c, f in group if any(c is one for one in counted)]
    if not seen:
        return None
    last_capture = seen[-1][0]
    # Of one capture the gravest names the row.
    best = max((f for c, f in seen if c is last_capture), key=_grave)
    after = [c for c in case.recent if c.at > last_capture.at]
    hidden = bool(after) and not any(could_show(c, best) for c in after)
    # What was weakened by its input's end, or not shown at all since, is at least what it was before.
    doubtful = hidden or not could_show(last_capture, best)
    worst = max((f for _, f in seen), key=_grave) if doubtful else best
    in_latest = last_capture.content == counted[-1].content
    mean = sum(f.probability for _, f in seen) / len(counted)
    # A doubt that comes and goes from one capture to the next is weighed over them all.
    latest = max(f.probability for _, f in seen) if doubtful else max(best.probability, mean)
    chance = latest if in_latest else mean
    own = owners((best.component, best.tone))
    earnest = [(c, f) for c, f in seen if not f.weak_sign]
    cause = CauseDraft(
        kind="fault", cause=cause_of(best), names=own | owners(best.names), weak_sign=not earnest,
        since=_since(case, best, gap=of),
        finding=SeenFinding(
            tone=best.tone, component=best.component, defect=best.defect, probability=min(chance, 1.0),
            severity=worst.severity, seen_in=len({c.content for c, _ in earnest or seen}), of=len(counted),
            names=best.names,
            content=last_capture.content, why=best.why, advice=best.advice,
            kept_from=last_capture.at if hidden else None,
        ),
    )  # fmt: skip
    if doubtful:
        cut = [point for point in (best.points or (best.point,)) if point in (after or [last_capture])[-1].clipped]
        cause.retake = "Measure again at once" + (f" with a larger range at {' and '.join(cut)}" if cut else "")
    if hidden:
        count = "the capture" if len(after) == 1 else f"the {len(after)} captures"
        words = f"{count} since {last_capture.at:%Y-%m-%d} could not show it; what was found then counts until one can"
        cause.add_explanation(AlarmExplanation(kind="event", words=words, weighs=False))
    bad = [c for c, f in seen if (c.troubled.keys() - c.clipped) and (not f.point or f.point in c.troubled)]
    if len(bad) == len(seen) and not hidden:
        point, what = next(iter(last_capture.troubled.items()))
        cause.add_explanation(
            AlarmExplanation(kind="sensor", words=f"it was found only in captures with a sensor fault: {point}: {what}")
        )
    return cause


def _grave(finding: CaptureFinding) -> tuple[bool, int, float]:
    """What was found in earnest comes before weak signs, however bad these would be."""
    return not finding.weak_sign, GRAVITY[finding.severity], finding.probability


def _since(case: DriveCase, finding: CaptureFinding, gap: int) -> datetime:
    """The first capture of the run of captures, with no more than ``gap`` between, in which it was found: in earnest
    where any of them shows it so, since weak signs alone raise nothing."""
    shown = {c.content: [f for f in c.findings if f.component != "sensor" and _kin(f, finding)] for c in case.recent}
    captures = [c for c in case.recent if could_show(c, finding) or shown[c.content]]
    places = [place for place, c in enumerate(captures) if shown[c.content]]
    run = places[-1:]
    for place in reversed(places[:-1]):
        if run[0] - place > gap:
            break
        run.insert(0, place)
    earnest = [place for place in run if any(not f.weak_sign for f in shown[captures[place].content])]
    return captures[(earnest or run)[0]].at


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
    explains = capture is not None and point in capture.troubled and point not in capture.clipped
    if point is not None and (fault is None or explains):
        return _sensor(found, point, case, e.at)
    if e.kind == "fall":
        return _sensor(found, e.key.point, case, None)
    if fault is not None:
        return fault
    if e.within:
        return _harmless(e, case, found, rules)
    if e.within is None and e.kind != "clipped" and capture is not None and capture.troubled.keys() - capture.clipped:
        return _sensor(found, next(p for p in capture.troubled if p not in capture.clipped), case, capture.at)
    lasts = e.source != "another system" or _lasts(e, case)
    if not lasts:
        return _passing(e, found)
    if faults:
        # It was there before the finding could show what it is, and it still is.
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
    if e.kind == "clipped":
        return None
    # A signal that is cut off is at least as high as it reads: that explains nothing away.
    troubled = {} if capture is None else {p: what for p, what in capture.troubled.items() if p not in capture.clipped}
    if troubled and (point in troubled or not point):
        return point or next(iter(troubled))

    def in_trouble(c: CaptureSeen) -> bool:
        return point in c.troubled and point not in c.clipped

    first = next((c.at for c in case.recent if in_trouble(c)), None)
    if not point or first is None or e.at < first - slack:
        return None
    since = [c for c in case.recent if c.at >= first]
    return point if OFTEN * sum(map(in_trouble, since)) >= len(since) else None


def _fault_of(e: Exceedance, faults: Sequence[CauseDraft]) -> CauseDraft | None:
    """The fault that an exceedance concerns: by name, else by what its measure listens to, else the gravest."""
    named = [fault for fault in faults if e.key.subject and owner_of(e.key.subject) in fault.names]
    if e.key.measure in ("velocity_rms", "line"):
        suited = [f for f in faults if f.finding is not None and f.finding.defect in SLOW]
    else:
        suited = [f for f in faults if f.finding is not None and f.finding.defect not in SLOW]
    return max(named or suited or faults, key=_weight, default=None)


def _weight(cause: CauseDraft) -> tuple[bool, int, float]:
    finding = cause.finding
    known = (0, 0.0) if finding is None else (GRAVITY[finding.severity], finding.probability)
    return not cause.weak_sign, *known


def _lasts(e: Exceedance, case: DriveCase) -> bool:
    """Whether the latest capture of the series still lies beyond what is usual, or nobody can say that."""
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
