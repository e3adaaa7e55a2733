"""Which cause explains a change: a part of the drive, its speed or load, its kind, or the measuring chain.

Numbers come from elsewhere; here they are weighed against each other and put into words. The strength of a cause is
the share of the change that it surely explains. What speed, load or the measuring chain explain is no longer put down
to parts.
"""

from __future__ import annotations

from collections.abc import Mapping
from statistics import median

from vibe.core.labels import every_part
from vibe.core.records.level_change import (
    BROAD_BANDS,
    ELECTRICAL,
    LOW_BAND,
    SHAFT,
    Cause,
    CauseKind,
    Circumstances,
    Explanation,
    Rise,
    RisePart,
    Shift,
)
from vibe.health.state.finding_names import part_in_words

SURE = 0.95
"""A change that scatter makes more often than once in twenty explains nothing (common practice)."""
LEAST_PART = 0.1
"""Parts that explain less of a change are not worth a sentence."""
APPEARED_FROM_DB = 0.1
"""A part below two per cent of a level is no news (our choice)."""
TROUBLE_STRENGTH = 0.7
"""A fault of the measuring chain that was not there before most often explains what changed with it (our choice)."""
GAIN_FROM_DB = 1.0
"""Less is within the calibration of two instruments (5 % each, common practice)."""
ALIKE = 0.05
"""Chance below which owners did not change by one factor."""
GAIN_STRENGTH = {"others still": 0.9, "alone": 0.5, "others too": 0.4}
"""How much one common factor concerns a sensitivity: most where other points stand still; where all rise alike it may
as well be the load (our choice)."""
STILL = 0.25
"""Other points stand still when they changed by less than this share."""
FEWEST_SISTERS = 2
"""One other drive may have changed by chance."""

_OWNERS = {
    SHAFT: "multiples and half multiples of the shafts' speed (unbalance, alignment, looseness)",
    ELECTRICAL: "the motor's magnetic field (lines at the supply's frequency and twice that)",
}
_BROAD = {
    "10-1000 Hz": "broad-band noise between 10 and 1000 Hz (flow, rubbing, other machines)",
    "1000-5000 Hz": "broad-band noise between 1 and 5 kHz (friction, or damage too irregular for a part to be named)",
    "above 5000 Hz": "broad-band noise above 5 kHz (grease, surfaces)",
}


def explain(rise: Rise, known: Circumstances | None = None) -> Explanation:
    """The causes of a rise (or fall), the strongest first; of a change within scatter only that it is one, and what
    part has appeared behind it."""
    known = known or Circumstances()
    if rise.sure is not None and rise.sure < SURE:
        return Explanation(rise_db=rise.rise_db, parts=rise.parts, causes=(_scatter(rise), *_appeared(rise)))
    conditions = [_shifted(rise, shift) for shift in known.shifts]
    chain = [_sensor(rise, known.troubles), _gain(rise, known)]
    first = [cause for cause in (*conditions, *chain) if cause is not None]
    left = 1.0
    for cause in first:
        left *= 1.0 - cause.strength
    causes = [*first, *_of_parts(rise, left)]
    common = _common(rise, known.sisters)
    if common is not None:
        causes.append(common)
    causes.sort(key=lambda cause: -cause.strength)
    return Explanation(rise_db=rise.rise_db, parts=rise.parts, causes=tuple(causes))


def owner_in_words(owner: str) -> str:
    """An owner of shares as people say it: "the ring pins of stage 1", "the eccentric bearing"."""
    if owner in _OWNERS or owner in _BROAD:
        return _OWNERS.get(owner) or _BROAD[owner]
    if owner == LOW_BAND:
        return "what lies below 10 Hz (sensor settling, cable, amplifier)"
    if owner.startswith("bearing."):
        return part_in_words(owner)
    return " or ".join(every_part(one) or part_in_words(one) for one in owner.split(" or "))


def _whole(rise: Rise) -> str:
    return f"the {'rise' if rise.rise_db >= 0 else 'fall'} of {abs(rise.rise_db):.1f} dB"


def _clipped(value: float) -> float:
    return min(max(value, 0.0), 1.0)


def _scatter(rise: Rise) -> Cause:
    usual = "" if rise.high_db is None else f": captures alone make ±{rise.high_db - rise.rise_db:.1f} dB"
    return Cause(
        kind="scatter", strength=1.0, explains_db=rise.rise_db,
        sentence=f"{_whole(rise)} is within the usual scatter of this drive{usual}",
    )  # fmt: skip


def _appeared(rise: Rise) -> list[Cause]:
    """Parts that had nothing in the baseline: they begin long before they move the whole."""
    return [
        Cause(
            kind="part", strength=0.0, owner=part.owner, explains_db=part.db,
            sentence=f"{owner_in_words(part.owner)}: {part.db:+.1f} dB of the level, and nothing before",
        )
        for part in rise.parts
        if part.before_db is None and part.sure is not None and part.sure >= SURE and part.db >= APPEARED_FROM_DB
    ]  # fmt: skip


def _shifted(rise: Rise, shift: Shift) -> Cause:
    if shift.db is None:
        return Cause(
            kind=shift.what, strength=0.0,
            sentence=f"the {shift.what} went {shift.moved}; what that does to this level is not known yet: "
            "compare captures at equal speed and load",
        )  # fmt: skip
    same = shift.db * rise.rise_db > 0
    sigma = shift.sigma_db or 0.0
    strength = _clipped((abs(shift.db) - sigma) / abs(rise.rise_db)) if same else 0.0
    against = "" if same else ", against the change seen"
    doubt = "" if shift.sigma_db is None else f" ± {shift.sigma_db:.1f}"
    return Cause(
        kind=shift.what, strength=strength, explains_db=shift.db,
        sentence=f"the {shift.what} went {shift.moved}, which makes {shift.db:+.1f}{doubt} dB of {_whole(rise)}"
        + against,
    )  # fmt: skip


def _sensor(rise: Rise, troubles: tuple[str, ...]) -> Cause | None:
    low = next((part for part in rise.parts if part.owner == LOW_BAND), None)
    strength = 0.0
    said = list(troubles)
    if troubles:
        strength = TROUBLE_STRENGTH
    if low is not None and _certain(low) and low.share is not None and low.share >= LEAST_PART:
        strength = max(strength, _clipped(low.share))
        said.append(
            f"{abs(low.db):.1f} dB of {_whole(rise)} lie below 10 Hz, where settling sensors and moving cables show"
        )
    if not said:
        return None
    return Cause(
        kind="sensor", strength=strength, owner=LOW_BAND if low is not None and not troubles else "",
        explains_db=low.db if low is not None and not troubles else None, sentence="; ".join(said),
    )  # fmt: skip


def _gain(rise: Rise, known: Circumstances) -> Cause | None:
    if rise.alike is None or rise.common_db is None or rise.alike < ALIKE or abs(rise.common_db) < GAIN_FROM_DB:
        return None
    if any(shift.db is None or abs(shift.db) >= abs(rise.rise_db) / 2 for shift in known.shifts):
        return None  # a load that moved lifts all owners alike as well
    others = list(known.other_points.values())
    if not others:
        how, where = "alone", "no other point shows whether it is the sensor"
    elif all(abs(change) < STILL * abs(rise.rise_db) for change in others):
        how, where = (
            "others still",
            "while the other points are unchanged: check for another sensitivity, range or sensor",
        )
    else:
        how, where = "others too", "at other points too: the recorder's setting, or the load"
    return Cause(
        kind="gain", strength=GAIN_STRENGTH[how], explains_db=rise.common_db,
        sentence=f"everything changed by one factor ({rise.common_db:+.1f} dB), {where}",
    )  # fmt: skip


def _certain(part: RisePart) -> bool:
    return part.sure is None or part.sure >= SURE


def _of_parts(rise: Rise, left: float) -> list[Cause]:
    broad = {name for name, _ in BROAD_BANDS}
    found = []
    for part in rise.parts:
        if part.owner == LOW_BAND or part.share is None or part.share < LEAST_PART or not _certain(part):
            continue
        kind: CauseKind = "electrical" if part.owner == ELECTRICAL else "broad band" if part.owner in broad else "part"
        come = "come from" if rise.rise_db >= 0 else "are missing from"
        found.append(
            Cause(
                kind=kind, strength=_clipped(part.share) * left, owner=part.owner, explains_db=part.db,
                sentence=f"of {_whole(rise)}, {abs(part.db):.1f} dB {come} {owner_in_words(part.owner)}",
            )
        )  # fmt: skip
    return found


def _common(rise: Rise, sisters: Mapping[str, float]) -> Cause | None:
    """What sister drives did: one that changed alone has a cause of its own."""
    if not sisters:
        return None
    middle = median(sisters.values())
    alike = [name for name, change in sisters.items() if change * rise.rise_db > 0 and abs(change) >= GAIN_FROM_DB]
    count = f"{len(alike)} of {len(sisters)} drives of the same kind changed the same way"
    if len(sisters) < FEWEST_SISTERS or not alike or middle * rise.rise_db <= 0:
        return Cause(kind="sisters", strength=0.0, sentence=count)
    return Cause(
        kind="sisters", strength=_clipped(middle / rise.rise_db), explains_db=middle,
        sentence=f"{count}, by {middle:+.1f} dB (median): look for what they share (supply, season, load, "
        "sensors)",
    )  # fmt: skip
