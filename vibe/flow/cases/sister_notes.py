"""What sisters ask of a drive, packed: so that a judgement of some drives need not look at all their sisters.

Packed are names and words as JSON, numbers as they lie in memory. Drives of a kind share the first as a rule, which is
then read once.
"""

from __future__ import annotations

import json
import struct
import zlib
from collections.abc import Iterable
from functools import lru_cache
from math import nan

from vibe.core.records.history import SeriesKey
from vibe.history.sister_book import SisterNote

_NUMBERS = 5
"""Of a baseline."""


def packed_notes(notes: Iterable[SisterNote]) -> bytes:
    """Notes of one drive as bytes; every number comes back to the last bit."""
    notes = tuple(notes)
    said = [[*one.place, one.unit, len(one.baselines), one.growth_db is None, one.state, one.current] for one in notes]
    numbers: list[float] = []
    for one in notes:
        numbers += (nan if one.growth_db is None else one.growth_db, one.raised_below)
        for row in one.baselines:
            numbers += row
    head = json.dumps(said, ensure_ascii=False, separators=(",", ":")).encode()
    return zlib.compress(struct.pack("<I", len(head)) + head + struct.pack(f"<{len(numbers)}d", *numbers), 1)


@lru_cache(maxsize=1024)  # 20 MB: who judges again and again asks for the same sisters
def unpacked_notes(drive: str, packed: bytes) -> tuple[SisterNote, ...]:
    """The notes again. Raises: ValueError: those are none."""
    try:
        plain = zlib.decompress(packed)
        (size,) = struct.unpack_from("<I", plain)
        numbers = struct.unpack_from(f"<{(len(plain) - 4 - size) // 8}d", plain, 4 + size)
        notes, at = [], 0
        for point, measure, subject, unit, count, unknown, state, current in _head(plain[4 : 4 + size]):
            end = at + 2 + _NUMBERS * count
            growth, below, *rows = numbers[at:end]
            notes.append(
                SisterNote(
                    key=SeriesKey(drive=drive, point=point, measure=measure, subject=subject), unit=unit,
                    baselines=tuple(tuple(rows[n : n + _NUMBERS]) for n in range(0, len(rows), _NUMBERS)),
                    growth_db=None if unknown else growth, state=state, current=current, raised_below=below,
                )
            )  # fmt: skip
            at = end
    except (zlib.error, struct.error, TypeError, ValueError) as error:
        raise ValueError(f"no notes of {drive}: {error}") from error
    if at != len(numbers):
        raise ValueError(f"no notes of {drive}: {len(numbers)} numbers for {at}")
    return tuple(notes)


@lru_cache(maxsize=512)
def _head(said: bytes) -> tuple[tuple[str, str, str, str, int, bool, str, int], ...]:
    return tuple(tuple(one) for one in json.loads(said))
