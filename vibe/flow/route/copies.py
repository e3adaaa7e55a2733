"""Points whose noise is that of an earlier round: moved, turned round, filtered or resampled copies of old captures."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from vibe.core.route.route import folded

if TYPE_CHECKING:
    from vibe.core.capture import Capture
    from vibe.core.route.round_check import FileSeen
    from vibe.flow.route.field_check import FieldResult
    from vibe.ingest.quality.recording.noise_print import NoisePrint
    from vibe.ingest.route.field_rules import FieldRules

Prints = Mapping[tuple[str, str], Sequence[tuple[Path, "NoisePrint"]]]
"""Files of an earlier round and their noise prints, by drive and point."""


def prints_of(capture: Capture) -> dict[str, NoisePrint]:
    """Noise prints of the points of a capture that are long enough."""
    from vibe.ingest.quality.recording.noise_print import noise_print

    found = {channel.name: noise_print([channel]) for channel in capture.vibration}
    return {name: kept for name, kept in found.items() if kept is not None}


def by_place(looks: Sequence[FieldResult]) -> Prints:
    """Noise prints of ``looks`` by drive and point."""
    out: dict[tuple[str, str], list[tuple[Path, NoisePrint]]] = {}
    for look in looks:
        for point, kept in look.prints.items():
            out.setdefault((folded(look.seen.drive or ""), folded(point)), []).append((look.seen.path, kept))
    return out


def with_copies(
    files: Sequence[FileSeen], looks: Sequence[FieldResult], before: Prints, rules: FieldRules
) -> list[FileSeen]:
    """``files`` with points that hold an earlier recording reported as such; ``looks`` run parallel to them."""
    from vibe.ingest.route import field_rules

    out = []
    for file, look in zip(files, looks, strict=True):
        points = []
        for point in file.points:
            now = look.prints.get(point.point)
            known = before.get((folded(file.drive or ""), folded(point.point)), ()) if now is not None else ()
            if now is not None and point.verdict != "extra":
                found = next(((path.name, how) for path, kept in known if (how := _same(kept, now))), None)
                if found is not None:
                    reason = field_rules.copied_before(*found)
                    point = field_rules.with_reason(replace(point, reasons=()), reason, rules)
            points.append(point)
        out.append(replace(file, points=tuple(points)))
    return out


@lru_cache(maxsize=4096)
def _same(first: NoisePrint, second: NoisePrint) -> str | None:
    """How the second is the first, in words; None where they are two. Kept, as a watched round asks again and again."""
    from vibe.ingest.quality.recording.noise_print import ComparedPrints

    found = ComparedPrints([first, second]).same(0, 1)
    return None if found is None else found.in_words
