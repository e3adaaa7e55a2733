"""A health report as JSON, and its levels in words. Imports nothing heavy: commands print from here."""

from __future__ import annotations

from collections.abc import Sequence

from vibe.core.health import Health, LevelReport
from vibe.report import words


def health_json(health: Health) -> str:
    """The contract's form of a health report; unknown values are null."""
    return health.model_dump_json(by_alias=True, indent=1) + "\n"


_MEASURES = {
    "crest": "Crest factor",
    "kurtosis_typical": "Kurtosis, typical of short pieces",
    "kurtosis_lasting": "Kurtosis, median of twelve pieces",
    "acceleration_rms_high": "Acceleration r.m.s., high band",
}


def level_rows(levels: Sequence[LevelReport]) -> list[tuple[LevelReport, str, str]]:
    """Levels with the measure's plain name and its band in words."""
    rows = []
    for level in levels:
        band = ""
        if level.band_hz is not None and len(level.band_hz) == 2:
            band = f"{words.frequency(level.band_hz[0])} to {words.frequency(level.band_hz[1])}"
        name = _MEASURES.get(
            level.measure, words.sentence_case(level.measure.replace("_", " ").replace(" rms", " r.m.s."))
        )
        rows.append((level, name, band))
    return rows
