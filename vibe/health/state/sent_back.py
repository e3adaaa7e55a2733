"""What the check of a round sends back is never called sound, and stands in the drive's own report."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import datetime

from vibe.core.health import CaptureReport, ChannelReport, Health
from vibe.core.route.round_check import FileSeen, PointSeen
from vibe.core.route.route import folded
from vibe.core.route.run_notes import Retake
from vibe.health.state.doubted_levels import LEVEL_CODES, by_false_levels, doubts, unless_levels_doubted
from vibe.health.state.instruction import AGAIN, instruction
from vibe.health.state.settings import Judgement


def sent_back(files: Sequence[FileSeen]) -> list[Retake]:
    """Measurements of one drive that are to be repeated, in the order of its files."""
    found = []
    for file in files:
        name = file.path.name
        if file.error is not None:
            found.append(
                Retake(
                    drive=file.drive or "", point=file.named_point, file=name, verdict="unreadable",
                    reason=file.error, remedy=file.remedy, codes=("unreadable",),
                )
            )  # fmt: skip
        for point in file.points:
            if point.verdict != "retake" or point.replaced_by is not None:
                continue
            why = [reason for reason in point.reasons if reason.verdict != "usable"]
            found.append(
                Retake(
                    drive=file.drive or "", point=point.point, file=name,
                    verdict="rejected" if any(reason.verdict == "rejected" for reason in why) else "retake",
                    reason="; ".join(reason.text for reason in why),
                    remedy=" ".join(dict.fromkeys(reason.remedy for reason in why if reason.remedy)),
                    codes=tuple(reason.code for reason in why),
                )
            )  # fmt: skip
    return found


def with_check(
    health: Health, files: Sequence[FileSeen], back: Sequence[Retake], judgement: Judgement, consequence: str | None
) -> Health:
    """``health`` with what the check says of the drive's ``files``, of which ``back`` are to be repeated.

    A drive that would be sound is unknown then. A graver state stands, and what is to be repeated is named with it;
    but a state that levels alone have set is unknown where each of those levels comes from a measurement whose level
    is not the machine's.
    """
    if not files:
        return health
    captures = [_with_verdicts(capture, files) for capture in health.captures]
    if not back:
        return _unless_doubted(health, files).model_copy(update={"captures": captures})
    points = " and ".join(dict.fromkeys(one.point or one.file for one in back))
    first = back[0]
    called = f"{health.name} ({health.drive})" if health.name and health.name != health.drive else health.drive
    action = instruction(
        "unknown", judgement, first=first.remedy, consequence=consequence, measured_at=_latest(health.captures)
    )
    if health.state == "unknown":
        # Its reason stands; a remedy that says more than to measure again takes the place of one that does not.
        plain = health.do_by.lower().startswith(AGAIN)
        return health.model_copy(update={"captures": captures, "do_by": action.what if plain else health.do_by})
    false = {folded(one.point) for one in back if one.point is not None and LEVEL_CODES.intersection(one.codes)}
    if health.state != "sound" and not by_false_levels(health, false):
        asked = _beginning(first.remedy) in health.do_by
        again = "" if asked else f" Measure again at {points}: {first.remedy}"
        return health.model_copy(
            update={
                "captures": captures,
                "sentence": f"{health.sentence} The measurement at {points} must be repeated.",
                "do_by": f"{health.do_by}{again}",
            }
        )
    return health.model_copy(
        update={
            "captures": captures,
            "state": "unknown",
            "state_rule": f"A measurement that must be repeated gives unknown, never {health.state}: "
            f"{first.point or first.file}: {first.reason.rstrip('.')}.",
            "sentence": f"{called}: condition not assessed: the measurement at {points} must be repeated.",
            "do_by": action.what,
        }
    )


def _beginning(remedy: str) -> str:
    """Its first clause, by which an instruction that asks for the same is known."""
    return re.split(r",|;|\band\b|\.\s", remedy, maxsplit=1)[0].strip().rstrip(".")


def _unless_doubted(health: Health, files: Sequence[FileSeen]) -> Health:
    """``health``, but unknown where it rests on levels alone and nothing was measured whose level is the machine's.

    A wrong unit is mended without a new capture, so nothing is sent back; yet until then no level says anything.
    """
    limited = [point for file in files for point in file.points if point.verdict == "limited"]
    return unless_levels_doubted(health, doubts(((one.point, one.reasons) for one in limited), LEVEL_CODES))


def _with_verdicts(capture: CaptureReport, files: Sequence[FileSeen]) -> CaptureReport:
    file = next((one for one in files if one.content is not None and one.content == capture.sha256), None)
    if file is None:
        return capture
    points = {folded(point.point): point for point in file.points}
    channels = [
        _with_verdict(channel, points[folded(channel.name)]) if folded(channel.name) in points else channel
        for channel in capture.channels
    ]
    return capture.model_copy(update={"channels": channels})


def _with_verdict(channel: ChannelReport, point: PointSeen) -> ChannelReport:
    """What the check says comes first: it is what a technician can act on."""
    said = [reason for reason in point.reasons if reason.verdict != "usable"]
    reasons = [reason.text for reason in said]
    remedies = [reason.remedy for reason in said if reason.remedy]
    return channel.model_copy(
        update={
            "field_verdict": point.verdict,
            "reasons": list(dict.fromkeys([*reasons, *channel.reasons])),
            "remedies": list(dict.fromkeys([*remedies, *channel.remedies])),
        }
    )


def _latest(captures: Sequence[CaptureReport]) -> datetime | None:
    times = [datetime.fromisoformat(one.measured_at) for one in captures if one.measured_at is not None]
    return max(times, key=lambda when: when.isoformat(), default=None)
