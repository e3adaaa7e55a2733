"""Levels that are not the machine's: a wrong unit, hum, numbers that overflow. They set no state."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence, Set

from vibe.core.capture import ChannelQuality, Reason
from vibe.core.health import Finding, Health, LevelReport
from vibe.core.route.route import folded

LEVEL_CODES = frozenset({"scaled", "quantity", "hum", "overflow", "implausible"})
"""Reasons for which the level of a point is not the machine's."""
IMPOSSIBLE = frozenset({"overflow", "implausible"})
"""Those that leave no doubt of it: no machine makes such a level."""
OF_LEVELS = frozenset({"unbalance", "misalignment", "looseness", "wear"})
"""Defects that are judged by the height of lines in velocity, a mesh's wear among them."""


def doubts(points: Iterable[tuple[str, Sequence[Reason]]], codes: Set[str]) -> dict[str, Reason]:
    """Of each point, named with its reasons, the first one of ``codes`` that limits it, by the point's folded name."""
    found: dict[str, Reason] = {}
    for name, reasons in points:
        for reason in reasons:
            if reason.code in codes and reason.verdict != "usable":
                found.setdefault(folded(name), reason)
    return found


def impossible_levels(quality: Sequence[ChannelQuality]) -> dict[str, Reason]:
    """Of each channel whose level cannot be a machine's the first reason for it, by the channel's folded name."""
    return doubts(((one.channel, one.reasons) for one in quality), IMPOSSIBLE)


def unless_levels_doubted(health: Health, doubted: Mapping[str, Reason]) -> Health:
    """``health``, but unknown where it rests on levels alone and nothing was measured whose level is the machine's.

    ``doubted``: the reason of each doubt by the folded name of its point.
    """
    judged = {folded(level.point) for level in health.levels}
    points = set(doubted)
    if health.state == "unknown" or not points or not judged <= points or not by_false_levels(health, points):
        return health
    reason = next(iter(doubted.values()))
    called = f"{health.name} ({health.drive})" if health.name and health.name != health.drive else health.drive
    return health.model_copy(
        update={
            "state": "unknown",
            "state_rule": f"Levels in doubt give unknown, never {health.state}: {reason.text.rstrip('.')}.",
            "sentence": f"{called}: condition not assessed: quantity, unit or scale of its captures is in doubt.",
            "do_by": f"{reason.remedy} Then run again.",
        }
    )


def by_false_levels(health: Health, false: Set[str]) -> bool:
    """Whether all that set the state are levels, or lines judged by their height, at points in ``false``."""

    def bad(level: LevelReport) -> bool:
        return level.zone in ("C", "D") and folded(level.point) not in false

    def by_level(finding: Finding) -> bool:
        where = {folded(item.channel) for item in finding.evidence if item.channel is not None}
        return finding.component == "sensor" or (finding.defect in OF_LEVELS and bool(where) and where <= false)

    counted = [finding for finding in health.findings if not finding.weak_sign]
    return bool(false) and all(map(by_level, counted)) and not any(map(bad, health.levels))
