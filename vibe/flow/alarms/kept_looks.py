"""Looks at drives that are kept next to a store, so that a queue costs what changed since the last one.

From scratch and kept are one code: a kept look is what ``Gatherer.look`` gave, packed. It is taken only while the
number of the drive's latest change, the settings, the version and the time are those it was made by.
"""

from __future__ import annotations

import hashlib
from functools import lru_cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from vibe.flow.history.drive_facts import DriveLook, Gatherer
    from vibe.history.store.decisions import DecisionBook
    from vibe.history.store.judged import KeptLook
    from vibe.history.store.kept_values import ValueForm

LAYER = 3
"""Raised when a look at the same captures gives something else than before; a test with known looks says when."""


@lru_cache(maxsize=1)
def form() -> ValueForm:
    """The form of a look."""
    from vibe.core.records import alarm_case, alarms, level_change
    from vibe.core.records.history import Event, SeriesKey
    from vibe.flow.history.drive_facts import DriveLook
    from vibe.flow.history.series import At, SeriesView
    from vibe.history.baseline import Baseline, Compared
    from vibe.history.operating_condition import Condition
    from vibe.history.statistics.change_points import Change
    from vibe.history.statistics.slope import Slope
    from vibe.history.store.kept_values import ValueForm
    from vibe.history.trend import Trend

    return ValueForm(
        (
            DriveLook, Event, SeriesKey, At, SeriesView, Baseline, Compared, Condition, Change, Slope, Trend,
            alarm_case.CaptureFinding, alarm_case.CaptureSeen, alarms.PointChange, level_change.Explanation,
            level_change.RisePart, level_change.Cause,
        )
    )  # fmt: skip


class Looks:
    """Looks at the drives of a store as of a time: kept ones where they hold, else made and, if asked, kept."""

    def __init__(self, store: DecisionBook, gatherer: Gatherer) -> None:
        from vibe.history.store.judged import KeptLooks

        self._store, self._gatherer = store, gatherer
        self._at_s = gatherer.at.timestamp()
        self._stamp = _stamp(gatherer)
        self._numbers = store.numbers()
        self._kept = KeptLooks(store.folder)
        self._made: list[KeptLook] = []

    def look(self, tag: str, kind: str) -> DriveLook:
        """One drive."""
        from dataclasses import replace

        seq = self._numbers.get(tag, 0)
        packed = self._kept.packed(tag, self._stamp, seq, self._at_s)
        if packed is not None:
            try:
                found: DriveLook = form().unpacked(packed)
            except ValueError:
                pass
            else:
                return replace(found, kind=kind, drive=self._gatherer.drive(tag))
        found = self._gatherer.look(tag, kind)
        self._note(found, seq)
        return found

    def _note(self, look: DriveLook, seq: int) -> None:
        from dataclasses import replace

        from vibe.history.store.judged import KeptLook

        packed = form().packed(replace(look, drive=None))
        until_s = self._store.next_s(look.tag)
        self._made.append(
            KeptLook(
                drive=look.tag, stamp=self._stamp, seq=seq, from_s=self._at_s, until_s=until_s, packed=packed
            )
        )  # fmt: skip

    @property
    def made(self) -> int:
        """How many drives were looked at, and not taken from what is kept."""
        return len(self._made)

    def close(self, *, keep: bool) -> None:
        """Let go of what is kept; with ``keep`` what was made is kept too."""
        from vibe.history.store.judged import keep_looks

        self._kept.close()
        if keep and self._made:
            keep_looks(self._store.folder, self._made, self._numbers)


def _stamp(gatherer: Gatherer) -> str:
    from vibe import __version__

    said = "\n".join((gatherer.history.model_dump_json(), gatherer.rules.model_dump_json(by_alias=True)))
    return f"{LAYER} {__version__} {form().stamp} {hashlib.sha256(said.encode()).hexdigest()[:16]}"
