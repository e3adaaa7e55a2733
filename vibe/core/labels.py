"""What parts of a drive are called. Each kind of stage brings the words for its own parts; the rest stands here."""

from __future__ import annotations

import re

from vibe.core.stages import FORMS, PartWords

_OUTPUT = PartWords(name="output", suspect="output shaft of stage {0}: unbalance, runout or its seat")
"""Every stage has one."""
_NO_WORDS = PartWords()

BEARING_PARTS = {
    "outer_race": "outer race",
    "inner_race": "inner race",
    "rolling_element": "rolling elements",
    "cage": "cage",
    "cage_past_load": "cage",
    "cage_past_inner": "cage",
    "cage_past_housing": "cage",
}
"""Parts of a bearing by the last names of their tones."""


def part_words(last: str) -> PartWords:
    """Words for the part of a stage whose tones end in ``last`` (``lobe``); those of no kind have none."""
    if last == "output":
        return _OUTPUT
    return next((form.parts[last] for form in FORMS.values() if last in form.parts), _NO_WORDS)


def part_name(last: str) -> str:
    """In a table: "lobe of the disc"; without words the name itself, read as words."""
    return part_words(last).name or last.replace("_", " ")


def in_stage(name: str) -> tuple[str, str] | None:
    """``stage2.lobe`` -> its stage's number and its last name; None for what is in no stage."""
    match = re.fullmatch(r"stage(\d+)\.(\w+)", name)
    return (match[1], match[2]) if match else None


def one_part(name: str) -> str | None:
    """In a sentence: "a lobe of the cycloidal disc in stage 1"; None where there are no words for it."""
    place = in_stage(name)
    words = part_words(place[1]).one if place else None
    return f"{words} in stage {place[0]}" if place and words else None


def every_part(name: str) -> str | None:
    """All of them: "the lobes of stage 1"; None where there are no words for it."""
    place = in_stage(name)
    words = part_words(place[1]).every if place else None
    return f"{words} of stage {place[0]}" if place and words else None
