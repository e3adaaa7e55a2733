"""A tone against its own past: what grew is damage even where sound parts of other drives show as much.

Pitch errors of a sound drive, and faint combs of sound bearings, are there from the first capture on and stay; so a
comb is not judged by how high it stands but by how much it rose, and no floor is asked for. Three looks are taken. The
score of the comb is compared with its own scores in the past: they were sought in the same window and in the same
bands, so that they pay for the search, and those of a part that always repeats are as high. So is its score where the
quiet places of the noise weigh most. And the lines are, band by band: what rose there may be the noise of this capture,
with the comb's own false-alarm probability, or a part that always repeats, seen at its highest, with the chance of the
growth times how likely it is that a sound part repeats surely. The smallest of these, at the price of all looks, is the
false-alarm probability of a growth. Where lines or scores of the plain look say that all is as it was, it is none of
theirs; the quiet places show what neither of them does.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from vibe.core.comb_history import Growth
from vibe.core.evidence import CombEvidence
from vibe.core.health import EvidenceItem, Finding
from vibe.diagnosis.bearing_elements import part_of
from vibe.diagnosis.case import Case, chance_text

REPEATS_SOUND = 0.1
"""Share of sound parts that may slip whose comb stands surely (common practice; of measured sound bearings fewer do).
Of parts that cannot slip, all do: pitch errors repeat."""
LOOKS = 3
"""At the scores, at those of the quiet places, and at the lines in every band."""
PRICE = 2 * LOOKS
"""By how much a look's chance is raised: the rate of false alarms of a drive is shared in halves by what a capture
shows by itself and by what grew, and the second half by the looks."""
STEADY_FROM = 0.05
"""Chance from which a comb stands as it did before (the usual 5 %)."""
FEWEST_REPEATS = 25.0
"""Repeats in a capture from which scores are compared. The floor of an envelope spectrum is a median over some 200 bins
and does not follow the slow drift of a sound drive's load in the first 100, where four lines of fewer repeats lie."""
AS_BEFORE = 0.5
"""Chance from which the lines count against a growth: half of all sound captures stand as high."""
COMMON_DB = 3.0
"""Change of all combs alike from which it is said: half as much again (common practice)."""
WORDS = ["no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve"]


def grown_chance(case: Case, comb: CombEvidence) -> float | None:
    """False-alarm probability of the growth of a comb; None where it did not surely grow.

    The comb must be plausible by itself, once the lines of stronger ones are taken out. Damage raises lines at other
    tones' places too: of all parts only the one that grew most surely is named by growth alone, and those whose combs
    are no chance in this capture.
    """
    growth = case.growths.get(comb.tone)
    if growth is None or comb.false_alarm_probability > case.settings.past.plausible:
        return None
    chance = _joined(case, comb, growth)
    if chance > case.tone_alarm:
        return None
    first = min(_plausible(case), key=lambda one: _sureness(case, one))
    if part_of(first.tone) != part_of(comb.tone) and comb.false_alarm_probability > case.tone_alarm:
        return None
    return chance


def _joined(case: Case, comb: CombEvidence, growth: Growth) -> float:
    return min(1.0, PRICE * min(_plain(case, comb, growth), _quiet(case, comb, growth)))


def _slips(case: Case, comb: CombEvidence) -> bool:
    return any(tone.slip != (0.0, 0.0) for tone in case.tones.tones if tone.id == comb.tone)


def _scored(case: Case, comb: CombEvidence) -> bool:
    """Whether the part repeats often enough for its scores to be compared."""
    return comb.order >= FEWEST_REPEATS * case.resolution


def _plain(case: Case, comb: CombEvidence, growth: Growth) -> float:
    """Chance of the growth by the scores and the lines of the plain looks."""
    of_scores = _scored(case, comb)
    if of_scores and growth.surprise >= STEADY_FROM:
        return 1.0
    # What two looks at the scores show need not show in the lines of any one band.
    twice = of_scores and growth.quiet < STEADY_FROM
    if min(growth.chance, growth.there) >= AS_BEFORE and not twice:
        return 1.0
    repeats = REPEATS_SOUND if _slips(case, comb) else 1.0
    by_lines = min(comb.false_alarm_probability, growth.chance) + repeats * growth.chance
    return min(by_lines, growth.surprise) if of_scores else by_lines


def _quiet(case: Case, comb: CombEvidence, growth: Growth) -> float:
    """The same by the scores of the quiet places, where the comb is plausible among this capture's decoys there. Pitch
    errors of parts that cannot slip show there too, and more so in one sound capture than in the next: these are left
    out."""
    quiet = case.quiet_combs.get(comb.tone)
    if not _slips(case, comb):
        return 1.0
    if quiet is None or not _scored(case, comb) or quiet.false_alarm_probability > case.settings.past.plausible:
        return 1.0
    return growth.quiet


def with_grown(case: Case) -> Case:
    """The case with combs that surely grew in the quiet places, and are no more than chance in the plain look, as the
    quiet places show them: elsewhere nothing is known of where they lie.

    How large its impacts are at most is still what the plain look says: the quiet places are not all of a band.
    """
    shown = {}
    for name, growth in case.growths.items():
        comb, quiet = next((c for c in case.combs.values() if c.tone == name), None), case.quiet_combs.get(name)
        if comb is None or quiet is None or comb.false_alarm_probability <= case.settings.past.plausible:
            continue
        if PRICE * _quiet(case, comb, growth) <= case.tone_alarm:
            shown[name] = replace(
                quiet, hit_m_s2=comb.hit_m_s2, impact_m_s2=comb.impact_m_s2, limit_m_s2=comb.limit_m_s2,
                hit_over_floor_db=comb.hit_over_floor_db, limit_over_floor_db=comb.limit_over_floor_db,
                localisation=comb.localisation,
            )  # fmt: skip
    return replace(case, combs={tone: shown.get(comb.tone, comb) for tone, comb in case.combs.items()})


def _sureness(case: Case, comb: CombEvidence) -> tuple[float, float]:
    """Smallest for the comb that grew most surely."""
    growth = case.growths[comb.tone]
    return _joined(case, comb, growth), -growth.growth_db


def most_grown(case: Case, combs: Iterable[CombEvidence]) -> tuple[CombEvidence, float] | None:
    """Of some combs the one that grew most surely, with that chance; None where none surely did."""
    grown = [(comb, chance) for comb in combs if (chance := grown_chance(case, comb)) is not None]
    return min(grown, key=lambda pair: pair[1], default=None)


def against_past(case: Case, findings: Sequence[Finding]) -> list[Finding]:
    """The findings with what their combs did against the drive's own earlier captures."""
    return [_against_past(case, finding) for finding in findings]


def _plausible(case: Case) -> list[CombEvidence]:
    known = {comb.tone: comb for comb in case.combs.values()}
    limit = case.settings.past.plausible
    return [c for c in known.values() if c.tone in case.growths and c.false_alarm_probability <= limit]


def _against_past(case: Case, finding: Finding) -> Finding:
    names = finding.seen_in or ([finding.tone] if finding.tone else [])
    combs = [case.combs[name] for name in names if name in case.combs]
    pairs = [(comb, case.growths[comb.tone]) for comb in combs if comb.tone in case.growths]
    if not pairs or finding.false_alarm_probability is None:
        return finding
    comb, growth = min(pairs, key=lambda pair: _sureness(case, pair[0]))
    chance = _joined(case, comb, growth)
    sure = chance <= case.tone_alarm
    item = EvidenceItem(
        kind="past", text=_text(growth), value=round(growth.growth_db, 1), unit="dB",
        channel=" + ".join(growth.band.channels),
    )  # fmt: skip
    return finding.model_copy(
        update={
            "growth_db": round(growth.growth_db, 1) if sure and not _by_quiet(case, comb, growth) else None,
            "false_alarm_probability": min(finding.false_alarm_probability, chance)
            if sure
            else finding.false_alarm_probability,
            "why": f"{finding.why} {_sentence(growth, chance, sure=sure, quiet=_by_quiet(case, comb, growth))}",
            "evidence": [*finding.evidence, item],
        }
    )


def _by_quiet(case: Case, comb: CombEvidence, growth: Growth) -> bool:
    """Whether only the quiet places show the growth, so that how far the lines rose is not known."""
    return PRICE * _plain(case, comb, growth) > case.tone_alarm >= PRICE * _quiet(case, comb, growth)


def _text(growth: Growth) -> str:
    return (
        f"change against its own {_number(growth.captures)} earlier captures, which scatter by "
        f"{growth.scatter_db:.1f} dB, in {growth.band.low_hz:.0f} to {growth.band.high_hz:.0f} Hz"
    )


def _sentence(growth: Growth, chance: float, *, sure: bool, quiet: bool) -> str:
    own = f"its own {_number(growth.captures)} earlier captures"
    scatter = f"which scatter by {growth.scatter_db:.1f} dB"
    if quiet:
        said = (
            f"Where the noise is quiet it stands out as in none of {own}; the chance that a sound drive grows so is "
            f"{chance_text(chance)}. By how much it grew the capture does not show."
        )
    elif sure:
        said = (
            f"Its lines stand {growth.growth_db:.1f} dB above those of {own}, {scatter}; the chance that a sound drive "
            f"grows so is {chance_text(chance)}."
        )
    elif growth.chance >= STEADY_FROM:
        said = f"It stands as in {own}, {scatter}: it was there before and has not grown."
    else:
        said = (
            f"Its lines stand {growth.growth_db:.1f} dB above those of {own}, {scatter}: it may have grown, not surely."
        )
    if abs(growth.common_db) >= COMMON_DB:
        said += (
            f" All combs changed by {growth.common_db:+.1f} dB together, which is subtracted: sensor, mounting or "
            "load may have changed."
        )
    return said


def _number(count: int) -> str:
    return WORDS[count] if count < len(WORDS) else str(count)
