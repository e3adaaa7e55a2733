"""What a capture with given settings can show of each tone, and what would show the rest."""

from __future__ import annotations

from math import ceil

from vibe.core.errors import CallError
from vibe.core.tones import CaptureSettings, Coincidence, Tone, ToneTable, Visibility

DAMAGE_REPEATS = 10
"""Repeats of a damage tone that an envelope average needs before its line stands clear (common practice)."""

ROUNDS = 2
"""A part that is carried round must come past sensor or load twice: once could be chance (common practice)."""

LINE_REPEATS = 5
"""Repeats of an ordinary line that keep it clear of the zero-frequency skirt of a Hann window (common practice)."""

RESOLUTION_BINS = 1.5
"""Two lines part at 1.5 bins with a Hann window, its noise bandwidth (Harris 1978)."""

CARRIER_HZ = 1000.0
"""Impacts ring casing resonances above about 1 kHz; below, smooth forces rule (common practice)."""

CARRIER_WIDTHS = 4.0
"""A carrier band at least this many times the tone's frequency wide passes its first harmonics (common practice)."""

ANTI_ALIAS = 2.56
"""Sample rate over usable band of common analysers (common practice)."""

PRACTICAL_S = 1800.0
"""Half an hour: longer than that no drive holds its speed and no route waits (common practice)."""

LOOSE = {"outer race", "inner race", "rolling element", "cage", "electrical", "belt"}
"""Families whose order is not settled by counts."""

OTHER_WAYS = "look for wear metal in oil or grease, watch temperature, backlash and output position error instead"


def resolution_hz(duration_s: float) -> float:
    """Distance at which a Hann window parts two lines."""
    return RESOLUTION_BINS / duration_s


def visibility(table: ToneTable, settings: CaptureSettings, input_hz: float) -> tuple[Visibility, ...]:
    """Whether each tone can be seen in a capture, and if not why, and what would show it.

    A damage tone needs enough repeats, two rounds of the body that carries the part, a band in which its impacts can
    ring, and distance from the neighbours it might be taken for; the low end of the instrument does not matter to it.
    An ordinary line needs to lie in the band. Lines that coincide exactly count as seen: the coincidences of the table
    name what they cannot be told from.

    Args:
        table: the drive's tones.
        settings: duration, sample rate and trusted band of the capture.
        input_hz: speed of the input, turns per second.

    Raises:
        CallError: duration, sample rate or speed is not positive.
    """
    for name, value in (
        ("duration_s", settings.duration_s),
        ("sample_rate_hz", settings.sample_rate_hz),
        ("input_hz", input_hz),
    ):
        if not value > 0:
            raise CallError(f"{name} must be positive, not {value:g}")
    return tuple(_one(tone, table, settings, input_hz) for tone in table.tones)


def needed_duration_s(tone: Tone, table: ToneTable, input_hz: float) -> tuple[float, str]:
    """Seconds of capture that a tone needs, and for what."""
    repeats = DAMAGE_REPEATS if tone.damage else LINE_REPEATS
    hz = tone.order * input_hz
    needs = [(repeats / hz, f"{repeats} repeats at {hz:.3g} Hz")]
    if tone.damage and tone.sidebands:
        carried_hz = max(band.order for band in tone.sidebands) * input_hz
        needs.append((ROUNDS / carried_hz, f"{ROUNDS} rounds of what carries the part, at {carried_hz:.3g} Hz"))
    parting = _parting(tone, table, input_hz)
    return max([*needs, parting] if parting else needs)


def _one(tone: Tone, table: ToneTable, settings: CaptureSettings, input_hz: float) -> Visibility:
    hz = tone.order * input_hz
    low, high = settings.usable_band_hz
    high = min(high, settings.sample_rate_hz / ANTI_ALIAS)
    if tone.damage:
        room = high - CARRIER_HZ
        if room < max(CARRIER_HZ, CARRIER_WIDTHS * hz):
            wanted = CARRIER_HZ + max(CARRIER_HZ, CARRIER_WIDTHS * hz)
            return _unseen(
                tone,
                f"its impacts ring above {CARRIER_HZ:.0f} Hz, and the capture is usable only to {high:.0f} Hz",
                f"a sample rate of at least {ANTI_ALIAS * wanted:.0f} Hz and a mounting good to {wanted:.0f} Hz",
            )
    elif hz > high:
        return _unseen(
            tone,
            f"at {hz:.4g} Hz it lies above the usable band, which ends at {high:.4g} Hz",
            f"a sample rate of at least {ANTI_ALIAS * hz:.0f} Hz and a mounting good to {hz:.0f} Hz",
        )
    elif hz < low:
        return _unseen(
            tone,
            f"at {hz:.3g} Hz it lies below the instrument's low end of {low:.3g} Hz",
            _lower(hz),
        )
    needed, what_for = needed_duration_s(tone, table, input_hz)
    if settings.duration_s < needed * (1 - 1e-9):
        return _unseen(
            tone, f"{settings.duration_s:.3g} s is too short: it takes {needed:.3g} s for {what_for}", _longer(needed)
        )
    return Visibility(tone=tone.id, seen=True)


def _parting(tone: Tone, table: ToneTable, input_hz: float) -> tuple[float, str] | None:
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
            waits.append((RESOLUTION_BINS / apart_hz, f"parting it from {other.id}, {per_cent:.2g} % away"))
    return max(waits) if waits else None


def _order(near: Coincidence, by_id: dict[str, Tone], side: str) -> float:
    if side == "a":
        return near.harmonic_a * by_id[near.tone_a].order
    return near.harmonic_b * by_id[near.tone_b].order


def _unseen(tone: Tone, why: str, needs: str) -> Visibility:
    return Visibility(tone=tone.id, seen=False, why=why, needs=needs)


def _longer(needed_s: float) -> str:
    if needed_s > PRACTICAL_S:
        return f"out of reach of vibration in practice: {_long(needed_s)} at steady speed; {OTHER_WAYS}"
    return f"a capture of at least {_rounded(needed_s)} s at steady speed"


def _lower(hz: float) -> str:
    if LINE_REPEATS / hz > PRACTICAL_S:
        return f"out of reach of vibration in practice: {_long(LINE_REPEATS / hz)} of capture; {OTHER_WAYS}"
    if hz < 0.1:
        # 10 um of motion at 0.1 Hz is 4 um/s^2, under the noise of any casing sensor (kinematics of a sine).
        return (
            "out of reach of vibration in practice: acceleration this slow is under any sensor's noise; use an encoder"
        )
    return f"a sensor and analyser that reach down to {hz:.2g} Hz, and at least {_rounded(LINE_REPEATS / hz)} s"


def _rounded(seconds: float) -> int:
    return ceil(seconds) if seconds <= 60 else 10 * ceil(seconds / 10)


def _long(seconds: float) -> str:
    return f"{seconds / 60:.0f} min" if seconds < 7200 else f"{seconds / 3600:.1f} h"
