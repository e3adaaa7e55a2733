"""Two health reports of one drive, an earlier and a later: what changed.

Nothing is called gone that the later capture could not have shown, and no level is called changed by a rule that does
not apply to it.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime

from vibe.core.health import Finding, Health, LevelReport, State
from vibe.core.route.run_notes import FindingChange, LevelChange, ReportChanges, Way
from vibe.health.state.settings import Boundaries, Limits
from vibe.health.state.zones import is_significant_change

_GRAVITY: dict[State, int] = {"sound": 0, "watch": 1, "plan": 2, "act": 3}
OTHER_SPEED = 0.1
"""Levels are compared at one operating condition (ISO 10816-3:2009, 5.3); that a tenth of the speed is another one is
common practice."""
_SAME_BAND = 0.05
"""Bands whose edges differ by less are one band (common practice)."""


def changes(before: Health, now: Health, boundaries: Boundaries | None, limits: Limits) -> ReportChanges:
    """What changed from ``before`` to ``now``.

    ``boundaries`` are those of velocity r.m.s. [mm/s] for this drive, None where its size is not known: then nothing is
    said about the weight of a change. A change, up or down, of more than a quarter of the upper limit of zone B is
    significant (ISO 10816-3:2009, 5.3; by analogy wherever the zones are).
    """
    speed_before, speed_now = _measured_speed(before), _measured_speed(now)
    return ReportChanges(
        measured_before=_latest(before),
        state_before=before.state,
        state_now=now.state,
        way=_way(before.state, now.state),
        findings=tuple(_findings(before, now)),
        levels=tuple(_levels(before, now, boundaries, limits)),
        speed_before_hz=speed_before,
        speed_now_hz=speed_now,
        remarks=tuple(_remarks(before, now, speed_before, speed_now)),
    )


def _way(before: State, now: State) -> Way:
    if before == "unknown" or now == "unknown":
        return "not known"
    step = _GRAVITY[now] - _GRAVITY[before]
    return "graver" if step > 0 else "milder" if step < 0 else "same"


# ── findings ──────────────────────────────────────────────────────────────────────────────────────────────────────


def _findings(before: Health, now: Health) -> list[FindingChange]:
    """Gravest of now first, then what is no longer found."""
    open_ones = list(before.findings)
    pairs: dict[int, Finding] = {}
    for alike in (_is_same, _is_kin):  # the exact match first, so that no kin takes its place
        for index, finding in enumerate(now.findings):
            earlier = next((one for one in open_ones if alike(one, finding)), None) if index not in pairs else None
            if earlier is not None:
                pairs[index] = earlier
                open_ones.remove(earlier)
    found = [_finding_change(pairs.get(index), finding, before) for index, finding in enumerate(now.findings)]
    for finding in open_ones:
        seen = _could_show(now, finding)
        found.append(
            FindingChange(
                tone=finding.tone, component=finding.component, defect=finding.defect,
                fate="gone" if seen else "not looked for", probability_before=finding.probability,
                note="" if seen else "this time it could not have shown",
            )
        )  # fmt: skip
    return found


def _finding_change(earlier: Finding | None, finding: Finding, before: Health) -> FindingChange:
    note = ""
    if earlier is None:
        note = "" if _could_show(before, finding) else "could not have shown last time"
    elif not _is_same(earlier, finding):
        note = f"last time named {earlier.where}, {earlier.defect}"
    if finding.weak_sign:
        note = f"a weak sign; {note}" if note else "a weak sign"
    elif earlier is not None and earlier.weak_sign:
        note = f"{note}; then a weak sign" if note else "a weak sign last time"
    return FindingChange(
        tone=finding.tone, component=finding.component, defect=finding.defect,
        fate="new" if earlier is None else "still there",
        probability_before=None if earlier is None else earlier.probability, probability_now=finding.probability,
        note=note,
    )  # fmt: skip


def _is_same(one: Finding, other: Finding) -> bool:
    return (one.tone, one.component, one.defect) == (other.tone, other.component, other.defect)


def _is_kin(one: Finding, other: Finding) -> bool:
    """Whether both may name one damage: the parts cannot be distinguished, or one is a part of the other."""
    if one.defect != other.defect:
        return False
    first, second = one.where, other.where
    if first in other.cannot_be_told_from or second in one.cannot_be_told_from:
        return True
    return first.startswith(f"{second}.") or second.startswith(f"{first}.")


def _could_show(health: Health, finding: Finding) -> bool:
    """Whether a report's captures could have shown what ``finding`` says."""
    channels = [channel for capture in health.captures for channel in capture.channels]
    if finding.component == "sensor":
        return bool(channels)
    if all(channel.quality == "rejected" for channel in channels):
        return False
    where = finding.where
    return not any(gap.tone == where or gap.tone.startswith(f"{where}.") for gap in health.not_observable)


# ── levels ────────────────────────────────────────────────────────────────────────────────────────────────────────


def _levels(before: Health, now: Health, boundaries: Boundaries | None, limits: Limits) -> list[LevelChange]:
    """Velocity r.m.s. of every point of either report, those of now first."""
    old, new = _velocities(before), _velocities(now)
    return [_level(old.get(key), new.get(key), boundaries, limits) for key in dict.fromkeys((*new, *old))]


def _velocities(health: Health) -> dict[str, LevelReport]:
    """By folded name of the point; of two rows of one point the first, which has the headline zone."""
    rows: dict[str, LevelReport] = {}
    for level in health.levels:
        if level.measure == "velocity_rms":
            rows.setdefault(level.point.casefold().strip(), level)
    return rows


def _level(old: LevelReport | None, new: LevelReport | None, bounds: Boundaries | None, limits: Limits) -> LevelChange:
    one = new or old
    if one is None:
        raise ValueError("a level that neither report has cannot be compared")
    significant: bool | None = None
    threshold = None if bounds is None else limits.change.fraction_of_bc * bounds.bc
    if old is None:
        note = "not measured last time"
    elif new is None:
        note = "not measured this time"
    elif old.unit != new.unit or not _one_band(old.band_hz, new.band_hz):
        note = "measured over another band last time"
    elif bounds is None:
        note = "the size of the machine is not known, so no limit says what is much"
    else:
        note, significant = "", is_significant_change(bounds, old.value, new.value, limits)
    return LevelChange(
        point=one.point, measure=one.measure, unit=one.unit, before=None if old is None else old.value,
        now=None if new is None else new.value, zone_before=None if old is None else old.zone,
        zone_now=None if new is None else new.zone, significant=significant, threshold=threshold, note=note,
    )  # fmt: skip


def _one_band(one: Sequence[float] | None, other: Sequence[float] | None) -> bool:
    if one is None or other is None or len(one) != len(other):
        return one == other
    return all(abs(a - b) <= _SAME_BAND * max(abs(a), abs(b)) for a, b in zip(one, other, strict=True))


# ── what else a reader must know ──────────────────────────────────────────────────────────────────────────────────


def _measured_speed(health: Health) -> float | None:
    return None if health.speed.method == "nominal" else health.speed.input_hz


def _remarks(before: Health, now: Health, speed_before: float | None, speed_now: float | None) -> list[str]:
    remarks = []
    if _contents(now) and _contents(now) <= _contents(before):
        remarks.append("the captures are the same as last time")
    elif (old := _clock(_latest(before))) is not None and (new := _clock(_latest(now))) is not None and old > new:
        remarks.append("what is called the earlier report was measured later")
    if speed_before and speed_now and abs(speed_now / speed_before - 1) > OTHER_SPEED:
        remarks.append("the speed is another one: levels differ for that alone")
    return remarks


def _contents(health: Health) -> set[str]:
    return {capture.sha256 for capture in health.captures if capture.sha256 is not None}


def _latest(health: Health) -> str | None:
    times = [capture.measured_at for capture in health.captures if _clock(capture.measured_at) is not None]
    return max(times, key=lambda text: _clock(text) or datetime.min.replace(tzinfo=UTC), default=None)


def _clock(text: str | None) -> datetime | None:
    """On one clock; a time without offset counts as universal time."""
    try:
        when = datetime.fromisoformat(text or "")
    except ValueError:
        return None
    return when if when.tzinfo is not None else when.replace(tzinfo=UTC)
