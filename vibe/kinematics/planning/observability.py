"""What a capture with given settings can show of each tone, and what would show the rest."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import ceil

from vibe.core.errors import CallError
from vibe.core.tones import (
    OUTSIDE,
    CapturePlan,
    CaptureSettings,
    Coincidence,
    PartLength,
    Reach,
    Tone,
    ToneTable,
    Visibility,
)
from vibe.kinematics.coincidences import HARMONICS
from vibe.kinematics.planning.resolution import RESOLUTION_BINS, parting_s

DAMAGE_REPEATS = 10
"""Repeats of a damage tone that an envelope average needs before its line stands clear (common practice)."""

ROUNDS = 2
"""A part that is carried round must come past sensor or load twice: once could be chance (common practice)."""

PROOF_REPEATS = 30
"""Repeats in one capture from which a part's impacts are sure to be found: those of a cage that turned 12 times in 14 s
were not by any size that was tried, at 26 turns in 30 s one of 6 m/s² was, at 53 turns in 60 s one of 2 (trials on one
simulated drive)."""

LINE_REPEATS = 5
"""Repeats of an ordinary line that keep it clear of the zero-frequency skirt of a Hann window (common practice)."""

CARRIER_HZ = 1000.0
"""Impacts ring casing resonances above about 1 kHz; below, smooth forces rule (common practice)."""

CARRIER_WIDTHS = 4.0
"""A carrier band at least this many times the tone's frequency wide passes its first harmonics (common practice)."""

ANTI_ALIAS = 2.56
"""Sample rate over usable band of common analysers (common practice)."""

PRACTICAL_S = 1800.0
"""Half an hour: longer than that no drive holds its speed and no route waits (common practice)."""

LOOSE = {"outer race", "inner race", "rolling element", "cage", "roller", "electrical", "belt"}
"""Families whose order is not settled by counts."""

OUT_OF_REACH = "out of reach of vibration in practice"
OTHER_WAYS = "look for wear metal in oil or grease, watch temperature, backlash and output position error instead"


MOST_KEPT = 64
"""Answers of ``visibility`` that are kept, some kilobytes each."""


def resolution_hz(duration_s: float) -> float:
    """Distance at which a Hann window parts two equal lines."""
    return RESOLUTION_BINS / duration_s


def visibility(table: ToneTable, settings: CaptureSettings, input_hz: float) -> tuple[Visibility, ...]:
    """Whether each tone can be seen in a capture, and if not why, and what would show it.

    A damage tone needs enough repeats, two rounds of the body that carries the part, a band in which its impacts can
    ring, and distance from the neighbours it might be taken for; the low end of the instrument does not matter to it.
    An ordinary line needs to lie in the band. Lines that coincide exactly count as seen, and ``shares`` names what they
    cannot be distinguished from.

    Args:
        table: the drive's tones.
        settings: duration, sample rate and trusted band of the capture.
        input_hz: speed of the input, turns per second.

    Raises:
        CallError: duration, sample rate or speed is not positive.
    """
    key = id(table), settings, input_hz
    known = _SEEN.get(key)
    if known is not None and known[0] is table:
        return known[1]
    for name, value in (
        ("duration_s", settings.duration_s),
        ("sample_rate_hz", settings.sample_rate_hz),
        ("input_hz", input_hz),
    ):
        if not value > 0:
            raise CallError(f"{name} must be positive, not {value:g}")
    shares = shared_lines(table)
    found = tuple(
        replace(_one(tone, table, settings, input_hz), shares=shares.get(tone.id, ()))
        for tone in table.tones
        if tone.family not in OUTSIDE
    )
    if len(_SEEN) >= MOST_KEPT:
        _SEEN.clear()
    _SEEN[key] = table, found
    return found


_SEEN: dict[tuple[int, CaptureSettings, float], tuple[ToneTable, tuple[Visibility, ...]]] = {}
"""What captures of the same settings show of the same table, which is kept along, so that its identity stays its own:
the plan and most captures of a drive ask the same."""


def with_planned_needs(views: Sequence[Visibility], plan: CapturePlan) -> tuple[Visibility, ...]:
    """``views`` of a capture, in which what the plan of the drive shows needs that plan and no settings of its own."""
    shows = {view.tone for view in plan.visibility if view.seen}
    needs = f"the planned capture: {plan.duration_s:g} s at {plan.sample_rate_hz:.0f} Hz"
    return tuple(replace(view, needs=needs) if not view.seen and view.tone in shows else view for view in views)


def shared_lines(table: ToneTable) -> dict[str, tuple[str, ...]]:
    """By tone, the others on whose lines all of its own lie exactly.

    That is so where the two have one order, and where a damage repeats at a low multiple of another tone. The line of
    all parts of a ring is not hidden by the turn of one of them, though it is a multiple of it: it is the larger.
    """
    by_id = {tone.id: tone for tone in table.tones}
    found: dict[str, list[str]] = {}
    for near in table.coincidences:
        if not near.exact:
            continue
        sides = ((near.tone_a, near.harmonic_a, near.tone_b, near.harmonic_b),
                 (near.tone_b, near.harmonic_b, near.tone_a, near.harmonic_a))  # fmt: skip
        for own, own_harmonic, other, harmonic in sides:
            equal = own_harmonic == harmonic == 1
            if equal or (own_harmonic == 1 and harmonic <= HARMONICS and by_id[own].damage):
                found.setdefault(own, []).append(other)
    return {tone: tuple(others) for tone, others in found.items()}


def needed_duration_s(tone: Tone, table: ToneTable, input_hz: float, *, near_strong: bool = False) -> tuple[float, str]:
    """Seconds of capture that a tone needs, and for what.

    ``near_strong``: damage is to be parted even from a healthy line 20 dB above it, which a plan does well to allow
    for; else from one of its own height.
    """
    repeats = DAMAGE_REPEATS if tone.damage else LINE_REPEATS
    hz = _hz(tone, input_hz)
    needs = [(repeats / hz, f"{repeats} repeats at {hz:.3g} Hz")]
    if tone.damage and tone.sidebands:
        carried_hz = max(band.order for band in tone.sidebands) * input_hz
        needs.append((ROUNDS / carried_hz, f"{ROUNDS} turns of what carries the part, at {carried_hz:.3g} Hz"))
    parting = _parting(tone, table, input_hz, near_strong=near_strong)
    return max([*needs, parting] if parting else needs)


def proof_lengths(table: ToneTable, input_hz: float) -> tuple[PartLength, ...]:
    """Of each part that can be damaged, the capture that an acceptance needs to say that it is sound [s]: with
    ``PROOF_REPEATS`` of the slowest of its tones, and long enough to show one of them at all."""
    parts: dict[str, list[Tone]] = {}
    for tone in table.tones:
        if tone.damage and tone.family not in OUTSIDE:
            parts.setdefault(tone.component, []).append(tone)
    return tuple(PartLength(part=part, duration_s=proof_length_s(own, table, input_hz)) for part, own in parts.items())


def proof_length_s(tones: Sequence[Tone], table: ToneTable, input_hz: float) -> float:
    """As ``proof_lengths``, of the one part that all of ``tones`` are of: whole seconds."""
    repeats_s = PROOF_REPEATS / (min(tone.order for tone in tones) * input_hz)
    shows_s = min(needed_duration_s(tone, table, input_hz)[0] for tone in tones)
    return float(ceil(max(repeats_s, shows_s) * (1 - 1e-9)))


def _hz(tone: Tone, input_hz: float) -> float:
    """Where a tone lies; where the speed leaves no slip, pole pass is asked for where it lies at nominal speed."""
    return tone.hz_at(input_hz) or tone.order * input_hz


def _one(tone: Tone, table: ToneTable, settings: CaptureSettings, input_hz: float) -> Visibility:
    hidden = _band_hides(tone, settings, _hz(tone, input_hz))
    needed, what_for = needed_duration_s(tone, table, input_hz)
    too_short = settings.duration_s < needed * (1 - 1e-9)
    if hidden is None and not too_short:
        return Visibility(tone=tone.id, seen=True, reach="seen")
    reach: Reach = "other settings"
    rate_hz: float | None = None
    if hidden is None:
        why = f"{settings.duration_s:.3g} s is too short: {needed:.3g} s are needed for {what_for}"
        reach, needs = "longer", _longer(needed)
    else:
        why, needs, rate_hz = hidden
        if needed > PRACTICAL_S:
            needs = _longer(needed)
        elif too_short and not needs.startswith(OUT_OF_REACH):
            needs += f", and at least {_rounded(needed)} s"
    if needs.startswith(OUT_OF_REACH):
        return Visibility(tone=tone.id, seen=False, reach="out of reach", why=why, needs=needs)
    return Visibility(
        tone=tone.id,
        seen=False,
        reach=reach,
        why=why,
        needs=needs,
        needs_duration_s=float(_rounded(needed)),
        needs_sample_rate_hz=rate_hz,
    )


def _band_hides(tone: Tone, settings: CaptureSettings, hz: float) -> tuple[str, str, float | None] | None:
    """Why the band hides a tone, what would show it, and the sample rate which that takes if it is the rate."""
    low, high = settings.usable_band_hz
    high = min(high, settings.sample_rate_hz / ANTI_ALIAS)
    wanted = carrier_top_hz(hz) if tone.damage else hz
    if high < wanted:
        if tone.damage:
            why = f"its impacts ring above {CARRIER_HZ:.0f} Hz, and the capture is usable only to {high:.0f} Hz"
        else:
            why = f"{hz:.4g} Hz is above the usable band, which ends at {high:.4g} Hz"
        rate_hz = ANTI_ALIAS * wanted
        if settings.sample_rate_hz >= rate_hz:
            return why, f"a sensor and mounting good to {wanted:.0f} Hz", None
        return why, f"a sample rate of at least {rate_hz:.0f} Hz and a mounting good to {wanted:.0f} Hz", rate_hz
    if not tone.damage and hz < low:
        return f"{hz:.3g} Hz is below the instrument's lower limit of {low:.3g} Hz", _lower(hz), None
    return None


def carrier_top_hz(hz: float) -> float:
    """Where the band must end at the least that carries the impacts of damage which repeats at ``hz``."""
    return CARRIER_HZ + max(CARRIER_HZ, CARRIER_WIDTHS * hz)


def _parting(tone: Tone, table: ToneTable, input_hz: float, *, near_strong: bool) -> tuple[float, str] | None:
    """Seconds that part a tone from the nearest neighbour which counts really hold apart.

    Bearing, belt and electrical tones move by themselves by more than the distance in question, so there no length of
    capture settles the matter and none is asked for. The line of a healthy drive is not hidden by damage that is not
    there.
    """
    if tone.family in LOOSE:
        return None
    by_id = {other.id: other for other in table.tones}
    waits: list[tuple[float, str]] = []
    for near in table.coincidences:
        if near.exact or tone.id not in (near.tone_a, near.tone_b):
            continue
        other = by_id[near.tone_b if near.tone_a == tone.id else near.tone_a]
        if (other.damage and not tone.damage) or (other.slip != tone.slip):
            continue
        apart_hz = abs(_order(near, by_id, "a") - _order(near, by_id, "b")) * input_hz
        if apart_hz > 0:
            per_cent = 100 * abs(near.relative_difference)
            weak = near_strong and tone.damage and not other.damage
            waits.append((parting_s(apart_hz, weak=weak), f"separating it from {other.id}, {per_cent:.2g} % away"))
    return max(waits) if waits else None


def _order(near: Coincidence, by_id: dict[str, Tone], side: str) -> float:
    if side == "a":
        return near.harmonic_a * by_id[near.tone_a].order
    return near.harmonic_b * by_id[near.tone_b].order


def _longer(needed_s: float) -> str:
    if needed_s > PRACTICAL_S:
        return f"{OUT_OF_REACH}: {_long(needed_s)} at steady speed; {OTHER_WAYS}"
    return f"a capture of at least {_rounded(needed_s)} s at steady speed"


def _lower(hz: float) -> str:
    if LINE_REPEATS / hz > PRACTICAL_S:
        return f"{OUT_OF_REACH}: {_long(LINE_REPEATS / hz)} of capture; {OTHER_WAYS}"
    if hz < 0.1:
        # 10 um of motion at 0.1 Hz is 4 um/s^2, under the noise of any casing sensor (kinematics of a sine).
        return f"{OUT_OF_REACH}: acceleration this slow is under any sensor's noise; use an encoder"
    return f"a sensor and analyser that reach down to {hz:.2g} Hz"


def _rounded(seconds: float) -> int:
    return ceil(seconds) if seconds <= 60 else 10 * ceil(seconds / 10)


def _long(seconds: float) -> str:
    return f"{seconds / 60:.0f} min" if seconds < 7200 else f"{seconds / 3600:.1f} h"
