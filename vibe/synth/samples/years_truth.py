"""What really happened in a sample history, written next to its captures: for people and for tests."""

from __future__ import annotations

import csv
import io
from collections import Counter
from collections.abc import Mapping, Sequence

from vibe.core.drive import Drive
from vibe.synth.samples.years_alarms import SimulatedExceedance
from vibe.synth.samples.years_plan import PlannedCapture, at_week
from vibe.synth.samples.years_spec import Years
from vibe.synth.toml_text import toml_value

CAPTURE_COLUMNS = ("file", "tag", "taken_at", "file_says", "speed_rpm", "load_percent", "damage", "what")


def _table(head: str, pairs: Mapping[str, object]) -> list[str]:
    lines = [f"{key} = {toml_value(value)}" for key, value in pairs.items() if value is not None]
    return ["", head, *lines]


def truth_text(
    years: Years, drives: Mapping[str, Drive], takings: Sequence[PlannedCapture], rows: Sequence[SimulatedExceedance]
) -> str:
    """``truth.toml``: the order of urgency that is expected, then per drive what happened when and what explains it."""
    entries = [entry for entry in years.drive if entry.file in drives]
    urgent = sorted((e for e in entries if e.urgency is not None), key=lambda e: e.urgency or 0)
    counted = Counter(row.tag for row in rows)
    lines = [
        "# What really happened to each drive. Made together with the captures.",
        '# "cause" explains the exceedances of a drive; those from before its damage began are false.',
        "# Urgency: the sooner damage doubles and the further it has come, the more urgent.",
        f"order_of_urgency = {toml_value([drives[entry.file].tag for entry in urgent])}",
    ]
    for entry in entries:
        tag = drives[entry.file].tag
        own = [taking for taking in takings if taking.drive.tag == tag]
        stated: dict[str, object] = {
            "tag": tag,
            "file": entry.file,
            "cause": entry.cause,
            "urgency": entry.urgency,
            "component": entry.component,
            "defect": entry.defect,
            "captures": len(own),
            "exceedances": counted[tag],
            "story": entry.story,
        }
        lines += _table("[[drive]]", stated)
        for growth in entry.growth:
            sizes = [item.size for taking in own[-1:] for item in taking.damage if item.tone == growth.tone]
            grown: dict[str, object] = {
                "tone": growth.tone,
                "part": growth.part,
                "from": at_week(years, growth.from_week),
                "faster_from": None if growth.faster_from_week is None else at_week(years, growth.faster_from_week),
                "until": None if growth.until_week is None else at_week(years, growth.until_week),
                "size_at_first": growth.size,
                "size_in_last_capture": sizes[0] if sizes else 0.0,
            }
            lines += _table("[[drive.damage]]", grown)
        for stretch in entry.stretch:
            other: dict[str, object] = {
                "what": stretch.what,
                "from": at_week(years, stretch.from_week),
                "to": None if stretch.to_week is None else at_week(years, stretch.to_week),
            }
            lines += _table("[[drive.stretch]]", other)
        if entry.wrong_clock is not None:
            wrong = [taking for taking in own if taking.conditions.measured_at != taking.taken_at]
            for taking in wrong:
                clock: dict[str, object] = {
                    "file": taking.file,
                    "shows": taking.conditions.measured_at,
                    "taken_at": taking.taken_at,
                }
                lines += _table("[[drive.wrong_clock]]", clock)
    return "\n".join(lines) + "\n"


def events_text(years: Years, drives: Mapping[str, Drive]) -> str:
    """``events.toml``: what was done to the drives, oldest first."""
    done = [(d.week, drives[e.file].tag, d) for e in years.drive if e.file in drives for d in e.event]
    lines = ["# What was done to the drives, as the maintenance book has it."]
    for week, tag, event in sorted(done, key=lambda item: item[:2]):
        stated: dict[str, object] = {
            "drive": tag,
            "at": at_week(years, week),
            "kind": event.kind,
            "note": event.note,
            "by": event.by,
            "new_baseline": event.new_baseline,
        }
        lines += _table("[[event]]", stated)
    return "\n".join(lines) + "\n"


def captures_csv(takings: Sequence[PlannedCapture]) -> str:
    """``truth_captures.csv``: per file what is really in it."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(CAPTURE_COLUMNS)
    for taking in takings:
        conditions = taking.conditions
        writer.writerow(
            [
                taking.file,
                taking.drive.tag,
                taking.taken_at.isoformat(),
                "" if conditions.measured_at is None else conditions.measured_at.isoformat(),
                f"{conditions.speed_rpm:.4f}",
                f"{conditions.load_percent:g}",
                " ".join(f"{item.tone}:{item.size:g}:{item.part}".replace(" ", "_") for item in taking.damage),
                "; ".join(taking.what),
            ]
        )
    return stream.getvalue()
