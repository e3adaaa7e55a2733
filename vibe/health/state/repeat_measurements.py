"""Which points of a drive should be measured again, and how to make it better next time."""

from __future__ import annotations

from vibe.core.health import Health
from vibe.core.route.run_notes import Retake

_ORDER = {"unreadable": 0, "rejected": 1, "limited": 2}


def retakes(health: Health) -> list[Retake]:
    """One line for each point without a capture that is fit for all, from its best capture; unreadable files first."""
    best: dict[str, Retake | None] = {}
    lost: list[Retake] = []
    for capture in health.captures:
        if capture.error is not None:
            lost.append(
                Retake(
                    drive=health.drive, point=None, file=capture.file, verdict="unreadable", reason=capture.error,
                    remedy="Copy it from the logger once more; if it stays so, repeat the measurement.",
                )
            )  # fmt: skip
        for channel in capture.channels:
            key = channel.name.casefold()
            if channel.quality == "usable":
                best[key] = None
                continue
            found = Retake(
                drive=health.drive, point=channel.name, file=capture.file, verdict=channel.quality,
                reason=channel.reasons[0] if channel.reasons else "", remedy=(channel.remedies or [""])[0],
            )  # fmt: skip
            known = best.setdefault(key, found)
            if known is not None and _ORDER[found.verdict] > _ORDER[known.verdict]:
                best[key] = found
    return sorted([*lost, *(one for one in best.values() if one is not None)], key=lambda one: _ORDER[one.verdict])
