"""How one measure of a drive went."""

from __future__ import annotations

from typing import TYPE_CHECKING

from vibe.core.errors import CallError

if TYPE_CHECKING:
    from vibe.core.records.evidence_rows import SeriesRows
    from vibe.history.store.store import Store


def series(store: Store, drive: str, point: str, measure: str, subject: str = "") -> SeriesRows:
    """How one measure of a drive went over the years, as it was measured."""
    from vibe.core.records.evidence_rows import SeriesRows
    from vibe.core.records.history import SeriesKey
    from vibe.spectra.plots.on_demand import as_rows, as_times

    found = store.series(SeriesKey(drive=drive, point=point, measure=measure, subject=subject))
    if not found.content:
        there = sorted({key.measure for key in store.keys(drive) if key.point == point})
        raise CallError(f"nothing is kept of {measure[:60]!r} at {point[:60]!r} of {drive}; there is "
                        f"{', '.join(there) or 'nothing'}")  # fmt: skip
    have = set(found.content)
    rejected = [c.time_s for c in store.captures(drive) if c.content not in have and c.kept == "rejected"]
    where = f", {point}" if point else ""
    return SeriesRows(
        title=f"{measure.replace('_', ' ').capitalize()}{f' of {subject}' if subject else ''}{where}",
        drive=drive, point=point, measure=measure, subject=subject, unit=found.unit, time_s=found.time_s,
        values=as_rows(found.value), speed_hz=as_rows(found.speed_hz), load_percent=as_rows(found.load_percent),
        accepted=found.accepted, content=found.content, rejected_s=as_times(rejected), events=store.events(drive),
    )  # fmt: skip
