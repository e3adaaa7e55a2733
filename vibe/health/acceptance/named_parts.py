"""Which parts a requirement on damage names, and which of them nobody could have searched for."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from vibe.core.drive import Drive
from vibe.core.records.acceptance import Requirement
from vibe.core.stages.cycloidal import CycloidalStage
from vibe.core.tones import Tone

KINDS: dict[str, tuple[str, ...]] = {
    "bearing": ("outer race", "inner race", "rolling element", "cage"),
    "bearing race": ("outer race", "inner race"),
    "race": ("outer race", "inner race"),
    "rolling element": ("rolling element",),
    "cage": ("cage",),
    "ring pin": ("ring pin",),
    "output pin": ("output pin",),
    "pin": ("ring pin", "output pin"),
    "lobe": ("lobe",),
    "disc": ("lobe",),
    "roller": ("roller", "output pin", "rolling element"),
    "tooth": ("gear tooth",),
    "teeth": ("gear tooth",),
    "gear wheel": ("gear tooth",),
}
"""Words for kinds of part, and the families of tones of which one must be there."""


def lacking(requirement: Requirement, tones: Sequence[Tone], drive: Drive) -> list[str]:
    """Parts that the requirement names and the drive file does not describe, in words.

    Named are its ``parts``, else the kinds in its text. A cycloidal stage has a bearing on its eccentric whatever the
    file says: where bearings are named, it must be described.
    """
    families = {tone.family for tone in tones}
    names = requirement.parts or (_named(requirement.text) if requirement.tone is None else [])
    found = []
    for name in names:
        kind = KINDS.get(name.casefold().removesuffix("s")) or KINDS.get(name.casefold())
        if (kind is not None and not families.intersection(kind)) or (
            kind is None and not any(name in _names(tone) for tone in tones)
        ):
            found.append(name)
    if {"bearing", "bearing race"} & {name.casefold().removesuffix("s") for name in names} and not found:
        found += _bare_eccentrics(drive)
    return found


def covers_part(requirement: Requirement, tones: Sequence[Tone]) -> bool:
    """Whether a requirement is about the part that has these tones: about all, or a kind or a part that it names."""
    names = requirement.parts or (_named(requirement.text) if requirement.tone is None else [])
    if not names:
        return True
    for name in names:
        kind = KINDS.get(name.casefold().removesuffix("s")) or KINDS.get(name.casefold())
        if any(tone.family in kind if kind is not None else name in _names(tone) for tone in tones):
            return True
    return False


def _named(text: str) -> list[str]:
    """Kinds of part that a sentence names; of ``ring pin`` and ``pin`` only the first."""
    rest, found = f" {text.casefold()} ", []
    for word in sorted(KINDS, key=len, reverse=True):
        if word in rest:
            found.append(word)
            rest = rest.replace(word, " ")
    return sorted(found)


def _names(tone: Tone) -> Iterable[str]:
    """What a single part may be called: its component, its tone, its bearing."""
    head = tone.component.removeprefix("bearing.")
    return (tone.id, tone.component, head, head.rpartition(".")[0])


def _bare_eccentrics(drive: Drive) -> list[str]:
    rings = [{bearing.inner, bearing.outer} for bearing in drive.bearing]
    return [
        f"the eccentric bearing of stage {number}"
        for number, stage in enumerate(drive.stage, start=1)
        if isinstance(stage, CycloidalStage) and {f"stage{number}.eccentric", f"stage{number}.disc"} not in rings
    ]
