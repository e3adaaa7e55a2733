"""Does the input run, and can its speed be followed? What the sensor of its turning says of a capture, as a verdict."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from vibe.core.capture import Capture, Channel, ChannelQuality, Reason
    from vibe.core.drive import Drive
    from vibe.core.evidence import SpeedEstimate
    from vibe.spectra.speed.motion_intervals import Motion, Move

FEWEST_TURNS_IN_A_MOVE = 12.0
"""Turns of the input in one move below which its tones can hardly be distinguished: a line an order off is a dozen bins
away, half of them the foot of a Hann window."""
CHANGES_FROM = 0.005
"""Relative change of speed in a capture from which on a report concerns it: above what load and supply do within
seconds (common practice)."""
REMEDY_SIGNED = (
    "If it never runs steadily, record the motor's encoder with the vibration, as an angle or as signed pulses."
)
REMEDY_RUNS = "Repeat the measurement while the drive runs; if it did run, repair and aim the pulse sensor first."
REMEDY_STEADY = "Wait until the drive runs at a steady speed and repeat the measurement."


def motion_in(capture: Capture, quality: Sequence[ChannelQuality]) -> Motion | None:
    """How the input moves, by its pulse sensor or encoder; None where there is none that can be used, or where the
    recording is too long to be held at once."""
    from vibe.spectra.speed.motion_intervals import Motion, motion_of

    sensor = capture.tachometer
    if sensor is None or capture.longer is not None or not capture.vibration:
        return None
    verdict = next((one for one in quality if one.channel == sensor.name), None)
    duration_s = min(channel.duration_s for channel in capture.vibration)
    if verdict is not None and is_silent(verdict):
        return Motion(moves=(), signed=sensor.quantity != "tachometer", duration_s=duration_s)
    if verdict is not None and verdict.verdict == "rejected":
        return None
    return motion_of(sensor, duration_s)


def is_silent(quality: ChannelQuality) -> bool:
    """Whether a pulse sensor or encoder is rejected because nothing turned before it."""
    return any(reason.code == "tachometer_silent" for reason in quality.reasons)


def moves_in(motion: Motion | None) -> tuple[Move, ...]:
    """The pieces in which a capture is analysed whose input does not run all the time; none where it does."""
    from vibe.spectra.speed.motion_intervals import pieces_of

    if motion is None or motion.whole:
        return ()
    return pieces_of(motion.moves, FEWEST_TURNS_IN_A_MOVE)


def standstill(motion: Motion | None, drive: Drive) -> Reason | None:
    """Why nothing can be said of a drive that stands, or moves more than can be followed; None where it can."""
    if motion is None:
        return None
    if not motion.moves:
        return _reason(
            "at_rest",
            f"the drive is at rest: its pulse sensor registered no turn in {motion.duration_s:.3g} s",
            REMEDY_RUNS,
        )
    if motion.whole:
        return None
    if len(motion.moves) > 1 and not motion.signed:
        return _reason(
            "speed_not_followed",
            f"the speed changes more than can be followed: the drive stops or reverses, {len(motion.moves)} moves in "
            f"{motion.duration_s:.3g} s, and its pulses do not show the direction",
            f"{REMEDY_STEADY} {REMEDY_SIGNED}",
        )
    low, high = drive.input.speed_range_hz
    if not 0.67 * low <= motion.fastest_hz <= 1.5 * high:
        return _reason(
            "speed_not_followed",
            f"the drive turns at no more than {60 * motion.fastest_hz:.0f} r/min in this capture, outside its range "
            f"{60 * low:g}-{60 * high:g} r/min",
            "Repeat the measurement at working speed; check pulses_per_rev and which shaft the sensor faces.",
        )
    if not moves_in(motion):
        longest = max(move.law.total_turns for move in motion.moves)
        return _reason(
            "speed_not_followed",
            f"the speed changes more than can be followed: no move is longer than {longest:.0f} turns of the input",
            f"Measure longer moves, of {FEWEST_TURNS_IN_A_MOVE:.0f} turns of the input or more one way.",
        )
    return None


def stops(channels: Sequence[Channel], motion: Motion | None) -> Reason | None:
    """Why nothing is said of a drive that is found to stand for a part of the time, where no sensor shows its moves."""
    from vibe.spectra.speed.standstill import standing

    if motion is not None or not channels:
        return None
    times = standing([(channel.samples, channel.sample_rate_hz) for channel in channels])
    if not times:
        return None
    total = sum(end - begin for begin, end in times)
    often = "once" if len(times) == 1 else f"{len(times)} times"
    return _reason(
        "speed_not_followed",
        f"the speed changes more than can be followed: the drive stands {often} while it is measured, {total:.2g} s "
        "together, or it starts, stops or reverses",
        f"{REMEDY_STEADY} {REMEDY_SIGNED}",
    )


def in_words(speed: SpeedEstimate, motion: Motion | None, moves: Sequence[Move]) -> list[str]:
    """What a report says of a speed that changed while the capture ran, or that is not the only one which fits."""
    if moves and motion is not None:
        turns = sum(move.law.total_turns for move in moves)
        kind = "the drive reverses" if motion.reverses else "the drive does not run all the time"
        many = "one move" if len(moves) == 1 else f"{len(moves)} moves"
        return [
            f"the speed changes during the capture: {kind}; {many} of {turns / len(moves):.0f} turns of the input each "
            f"are mapped onto the angle from the {'encoder' if motion.signed else 'pulses'} and analysed together"
        ]
    if speed.method == "nominal":
        return []
    open_still = [f"the lines allow another speed too: {others}"] if (others := other_speeds(speed)) else []
    if speed.drift is None or speed.drift < CHANGES_FROM:
        return open_still
    low, high = (60 * speed.input_hz * (1 + sign * speed.drift / 2) for sign in (-1, 1))
    return [
        f"the speed changes by {100 * speed.drift:.1f} % during the capture, about {low:.0f} to {high:.0f} r/min; it "
        f"is "
        "followed, and orders count turns of the input",
        *open_still,
    ]


def other_speeds(speed: SpeedEstimate) -> str:
    """The speeds that the lines allow as well, with their probabilities; empty where there is none to speak of."""
    from vibe.core.evidence import LEAST_ALTERNATIVE

    others = [(hz, chance) for hz, chance in speed.alternatives[1:] if chance > LEAST_ALTERNATIVE]
    return ", ".join(f"{hz * 60:.1f} r/min ({chance:.0%})" for hz, chance in others)


def _reason(code: str, text: str, remedy: str) -> Reason:
    from vibe.core.capture import Reason

    return Reason(code=code, text=text, remedy=remedy, verdict="rejected")
