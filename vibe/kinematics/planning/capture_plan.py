"""Capture settings that show as many of a drive's tones as vibration can."""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil

from vibe.core.drive import Drive
from vibe.core.route.route import Mounting
from vibe.core.tones import BodySpeed, CapturePlan, CaptureSettings, PartLength, Tone, ToneTable
from vibe.kinematics.planning.observability import (
    ANTI_ALIAS,
    CARRIER_HZ,
    CARRIER_WIDTHS,
    PROOF_REPEATS,
    needed_duration_s,
    proof_lengths,
    resolution_hz,
    visibility,
)

SPANS_HZ = (10_000.0, 20_000.0, 40_000.0)
"""Usable bands that analysers offer and in which impacts ring; the sample rate is 2.56 times that (common practice)."""

ENVELOPE_TOP_HZ = 10_000.0
"""Casing resonances that carry impacts mostly lie below 10 kHz (common practice)."""

DURATIONS_S = (10.0, 20.0, 30.0, 45.0, 60.0, 90.0, 120.0)
"""Beyond two minutes speed, load and temperature move, and a route stalls (common practice)."""

CAGE_MARGIN = 1.1
"""A capture is made longer by a tenth for the cage of a bearing, which costs a route no time that counts, and not by
more (our choice)."""

LOW_END_HZ = 2.0
"""Low end of a common casing sensor with built-in electronics (common practice; better ones reach 0.5 Hz)."""

SLOWEST_TURNS = 5
"""Turns of the slowest body: sidebands spaced by it then lie 5 bins apart, twice what parts a line 20 dB weaker."""

MESH_HARMONICS = (5, 4, 3)
"""As many as the settings allow, the more the better: a mesh shows its wear in three and more (common practice)."""
MOUNTED_RESONANCE_HZ: dict[Mounting, float] = {
    "stud": 30_000.0, "adhesive": 29_000.0, "magnet": 7_000.0, "probe": 2_000.0,
}  # fmt: skip
"""By fixing, order of magnitude (handbook figures reproduced in ISO 5348:1998, from memory)."""

THIRD, FIFTH = 3, 5
"""Amplitudes are good to 12.5 % up to a third of the mounted resonance, to 4.2 % up to a fifth: ``mounted_error``."""

SLOW_INPUT_HZ = 10.0
"""Below 600 r/min vibration is weak and the range smaller (common practice)."""


def capture_plan(drive: Drive, table: ToneTable, *, captures: int | None = None) -> CapturePlan:
    """Settings for one drive: sample rate, duration, number of captures, sensor range, mounting, each with its reason.
    ``captures`` at each point, where a route says how many.

    The span takes in the third to fifth mesh harmonic and the envelope band, the duration the repeats and the
    parting of every tone that two minutes can show. ``visibility`` says for each tone whether these settings show it.
    """
    input_hz = drive.input.speed_hz
    span, span_why = _span(table, input_hz)
    duration, duration_why = _duration(table, input_hz)
    sample_rate = ANTI_ALIAS * span
    count, captures_why = _captures(duration, captures)
    sensor_range, range_why = _sensor_range(input_hz)
    mounting, mounting_why = _mounting(span)
    settings = CaptureSettings(
        duration_s=duration, sample_rate_hz=sample_rate, usable_band_hz=usable_band_hz(span, "stud")
    )
    seen = visibility(table, settings, input_hz)
    slowest = _slowest(table)
    missing = [view.tone for view in seen if not view.seen]
    reasons = [
        f"sample rate {sample_rate:.0f} Hz (span {span:.0f} Hz × {ANTI_ALIAS}): {span_why}",
        f"duration {duration:.0f} s: {duration_why}",
        captures_why,
        range_why,
        mounting_why,
        "hold speed and load steady; record a once-per-turn pulse if there is one: it gives positions, not only orders",
    ]
    if missing:
        reasons.append(f"stays unseen at these settings: {', '.join(missing)}")
    proof = proof_lengths(table, input_hz)
    if proof:
        reasons.append(_proof(proof, duration))
    return CapturePlan(
        drive=table.drive,
        sample_rate_hz=sample_rate,
        duration_s=duration,
        captures=count,
        sensor_range_m_s2=sensor_range,
        mounting=mounting,
        resolution_hz=resolution_hz(duration),
        reasons=tuple(reasons),
        visibility=seen,
        envelope_band_hz=_envelope_band_hz(table, span),
        slowest_body="" if slowest is None else slowest.body,
        slowest_turns=None if slowest is None else float(abs(slowest.order)) * input_hz * duration,
        proof=proof,
    )


def usable_band_hz(span_hz: float, mounting: Mounting) -> tuple[float, float]:
    """The band that sensor, analyser and mounting let through with amplitudes good to 12.5 %."""
    return LOW_END_HZ, min(span_hz, MOUNTED_RESONANCE_HZ[mounting] / THIRD)


def _slowest(table: ToneTable) -> BodySpeed | None:
    return min((body for body in table.bodies if body.order), key=lambda body: abs(body.order), default=None)


def _envelope_band_hz(table: ToneTable, span_hz: float) -> tuple[float, float] | None:
    if not any(tone.damage for tone in table.tones):
        return None
    return CARRIER_HZ, min(span_hz, ENVELOPE_TOP_HZ)


def _span(table: ToneTable, input_hz: float) -> tuple[float, str]:
    meshes = [tone.order * input_hz for tone in table.tones if tone.family == "mesh"]
    impacts = max((tone.order * input_hz for tone in table.tones if tone.damage), default=0.0)
    top = SPANS_HZ[-2]
    carrier = max(ENVELOPE_TOP_HZ, CARRIER_HZ + CARRIER_WIDTHS * impacts)
    envelope = f"impacts ring up to about {carrier / 1000:.0f} kHz"
    if not meshes:
        return next((s for s in SPANS_HZ if s >= carrier), SPANS_HZ[-1]), envelope
    fastest = max(meshes)
    harmonic = next((h for h in MESH_HARMONICS if h * fastest <= top), MESH_HARMONICS[-1])
    wanted = max(carrier, harmonic * fastest)
    span = next((s for s in SPANS_HZ if s >= wanted), SPANS_HZ[-1])
    return span, f"{envelope}; mesh harmonic {harmonic} lies at {harmonic * fastest:.0f} Hz"


def _duration(table: ToneTable, input_hz: float) -> tuple[float, str]:
    longest = DURATIONS_S[-1]
    needs: list[tuple[float, str, Tone]] = []
    beyond: list[Tone] = []
    cages: list[tuple[float, Tone]] = []
    for tone in table.tones:
        seconds, what_for = needed_duration_s(tone, table, input_hz, near_strong=True)
        if seconds > longest:
            seconds, what_for = needed_duration_s(tone, table, input_hz)
        if not tone.damage and tone.order * input_hz < LOW_END_HZ:
            continue  # no length of capture lifts a line over the sensor's low end
        if tone.family == "cage":
            cages.append((seconds, tone))  # slowest of a bearing's tones, and rarely the first to show
            continue
        if seconds <= longest:
            needs.append((seconds, what_for, tone))
        else:
            beyond.append(tone)
    if needs:
        seconds, what_for, slowest = max(needs, key=lambda need: need[0])
        why = f"{slowest.id} needs {seconds:.2g} s for {what_for}"
    else:
        seconds, why = longest, "as long as is sensible; this drive turns too slowly for any of its tones"
    body = _slowest(table)
    turns_s = 0.0 if body is None else SLOWEST_TURNS / (float(abs(body.order)) * input_hz)
    if body is not None and seconds < turns_s <= longest:
        seconds, why = turns_s, f"{body.body} takes {turns_s:.2g} s for {SLOWEST_TURNS} turns, which its sidebands need"
    elif body is not None and turns_s > longest:
        why += f"; {body.body} turns too slowly for {SLOWEST_TURNS} turns in it, so its sidebands stay merged"
    duration = float(next(step for step in DURATIONS_S if step >= seconds))
    near = [(need, tone) for need, tone in cages if duration < need <= CAGE_MARGIN * duration]
    if near:
        need, cage = max(near, key=lambda pair: pair[0])
        duration = float(ceil(need))
        why += f"; {duration:.0f} s show {cage.id} too"
    left_out = sorted((need, tone.id) for need, tone in cages if need > duration)
    if left_out:
        need, cage_id = left_out[0]
        more = f" and {len(left_out) - 1} more" if len(left_out) > 1 else ""
        why += f"; not lengthened for {cage_id}{more}, from {need:.3g} s on: a cage is rarely the first part to show"
    if beyond:
        why += f"; more than {longest:.0f} s, kept as the limit, would be needed for {', '.join(t.id for t in beyond)}"
    return duration, why


def _proof(parts: Sequence[PartLength], duration_s: float) -> str:
    """What an acceptance needs, which must say that parts are sound."""
    longer = sorted((one.duration_s, one.part) for one in parts if one.duration_s > duration_s)
    begins = f"an acceptance, which rules damage out, wants {PROOF_REPEATS} repeats of each part in one capture"
    if not longer:
        return f"{begins}: {max(one.duration_s for one in parts):.0f} s are enough for all of them"
    rest = "" if len(longer) == len(parts) else ", this length for all others"
    return f"{begins}: {', '.join(f'{seconds:.0f} s for {part}' for seconds, part in longer)}{rest}"


def _captures(duration_s: float, asked: int | None) -> tuple[int, str]:
    if asked is not None:
        return asked, f"{asked} capture{'' if asked == 1 else 's'} at each point, as the route says"
    count = 3 if duration_s <= 20 else 2
    return count, f"{count} captures: what is real comes back in the next one, a stray shock does not (common practice)"


def _sensor_range(input_hz: float) -> tuple[float, str]:
    if input_hz < SLOW_INPUT_HZ:
        return 100.0, "sensor range 100 m/s² (about 500 mV/g): slow drives vibrate little (common practice)"
    return 500.0, "sensor range 500 m/s² (about 100 mV/g): room for impacts without clipping (common practice)"


def mounted_error(frequency_ratio: float) -> float:
    """Relative amplitude error of an undamped sensor at this share of its mounted resonance.

    1 / (1 - r^2) - 1, the response of one degree of freedom; ISO 5348 keeps r under a third or a fifth.
    """
    return 1.0 / (1.0 - frequency_ratio**2) - 1.0


def _mounting(span_hz: float) -> tuple[str, str]:
    stud = MOUNTED_RESONANCE_HZ["stud"]
    magnet, probe = MOUNTED_RESONANCE_HZ["magnet"], MOUNTED_RESONANCE_HZ["probe"]
    third_error, fifth_error = (100 * mounted_error(1 / part) for part in (THIRD, FIFTH))
    mounting = "stud or thin adhesive on bare, flat metal over the ring, the cable tied down"
    if span_hz > stud / THIRD:
        mounting += f"; amplitudes above {stud / THIRD / 1000:.0f} kHz are not to be trusted"
    why = (
        f"mounting: a stud resonates near {stud / 1000:.0f} kHz, so amplitudes are good "
        f"to {fifth_error:.1f} % up to {stud / FIFTH / 1000:.0f} kHz (a fifth of that, ISO 5348) "
        f"and to {third_error:.1f} % up to {stud / THIRD / 1000:.0f} kHz (a third); "
        f"a magnet ends at {magnet / FIFTH / 1000:.1f} to {magnet / THIRD / 1000:.1f} kHz, "
        f"a hand-held probe below {probe / 2000:.0f} kHz"
    )
    return mounting, why
