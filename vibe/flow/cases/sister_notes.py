"""What sisters ask of a drive, packed: so that a judgement of some drives need not look at all their sisters."""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterable, Mapping, Sequence
from math import isfinite, nan

from vibe.core.records.history import SeriesKey
from vibe.history.sister_book import SisterNote


def packed_notes(notes: Iterable[SisterNote]) -> bytes:
    """Notes of one drive as bytes; every number comes back to the last bit."""
    plain = [[*one.place, one.unit, one.baselines, one.growth_db, one.state, one.current, one.raised_below] for one in notes]
    return zlib.compress(json.dumps(plain, ensure_ascii=False, separators=(",", ":")).encode(), 1)


def unpacked_notes(drive: str, packed: bytes) -> list[SisterNote]:
    """The notes again. Raises: ValueError: those are none."""
    try:
        return [
            SisterNote(
                key=SeriesKey(drive=drive, point=point, measure=measure, subject=subject), unit=unit,
                baselines=tuple(map(tuple, baselines)), growth_db=growth, state=state, current=current, raised_below=below,
            )
            for point, measure, subject, unit, baselines, growth, state, current, below in json.loads(zlib.decompress(packed))
        ]  # fmt: skip
    except (zlib.error, TypeError, UnicodeDecodeError) as error:
        raise ValueError(f"no notes of {drive}: {error}") from error


def same_baselines(before: Sequence[SisterNote], after: Sequence[SisterNote]) -> bool:
    """Whether sisters get the same limits from both."""

    def said(notes: Sequence[SisterNote]) -> dict[tuple[str, str, str], str]:
        # As text: what is not known is no number and equals nothing, itself neither.
        return {one.place: repr((one.unit, one.baselines)) for one in notes if one.baselines}

    return said(before) == said(after)


def concerned_by(
    drive: str, before: Sequence[SisterNote], after: Sequence[SisterNote],
    sisters: Mapping[str, Sequence[SisterNote]], share: float, least_db: float,
) -> set[str]:  # fmt: skip
    """Sisters to which it may make a difference that a drive's growth changed, its baselines being the same.

    A sister asks of a series that rose by ``least_db`` or more on itself: how many others have it, and on how many it
    rose by ``share`` of that. ``sisters`` are the notes of all others of its kind. Which of them rose most is named on
    the page of a case, as of when the case itself was judged: else every capture of the most risen drive would concern
    all of its kind.
    """
    old = {one.place: one for one in before}
    new = {one.place: one for one in after}
    changed = {place for place in {*old, *new} if _said(old.get(place)) != _said(new.get(place))}
    found = set()
    for sister, notes in sisters.items() if changed else ():
        for one in notes:
            if one.place not in changed or one.growth_db is None or one.growth_db < least_db:
                continue
            was, now = (_grown(each.get(one.place)) for each in (old, new))
            bar = share * one.growth_db
            if isfinite(was) != isfinite(now) or (was >= bar) != (now >= bar):
                found.add(sister)
                break
    return found - {drive}


def _said(note: SisterNote | None) -> str:
    return "" if note is None else repr((note.growth_db, note.state))


def _grown(note: SisterNote | None) -> float:
    return nan if note is None or note.growth_db is None else note.growth_db
