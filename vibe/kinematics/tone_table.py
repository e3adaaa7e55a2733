"""Drive -> tone table: every body speed, every tone with its exact order, what falls together, disc phasing."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from vibe.core.drive import Drive
from vibe.core.tones import Phasing, Tone, ToneTable
from vibe.kinematics.body_speeds import body_speeds, solve_train
from vibe.kinematics.coincidences import coincidences
from vibe.kinematics.families import bearings, electrical, outside, shafts
from vibe.kinematics.relations import Speeds
from vibe.kinematics.stages import kind_of


def tone_table(drive: Drive) -> ToneTable:
    """Everything the kinematics of a drive say; nothing here depends on a capture.

    Orders count events per turn of the input and are positive. ``order_exact`` is None where a diameter, an angle, a
    belt or the supply frequency takes part. Beyond a belt ``slip`` reaches to -2 % per belt; bearing tones carry
    their own slip as well.

    Raises:
        ConfigError: the drive cannot turn, a stated ratio contradicts its parts, a bearing sits on a body that is not
            there or between two that turn together, a table of bearing orders that no bearing has, a driven machine or
            a fitted part on a body that is not there or stands still.
    """
    train = solve_train(drive)
    tones = list(_tones(drive, train.speeds, train.outputs))
    if any(kind_of(stage).most_slip for stage in drive.stage):
        slipping = solve_train(drive, slipping=True)
        lagging = {tone.id: tone for tone in _tones(drive, slipping.speeds, slipping.outputs)}
        # Slip may bring two cage tones of one bearing together, which then are one.
        tones = [_with_belt_slip(tone, lagging.get(tone.id, tone)) for tone in tones]
    return ToneTable(
        drive=drive.tag,
        bodies=tuple(body_speeds(drive).values()),
        tones=tuple(tones),
        coincidences=coincidences(tones),
        phasing=tuple(_phasing(drive, train.speeds)),
        ratio=train.ratio,
        output=train.outputs[-1] if train.outputs else None,
    )


def _tones(drive: Drive, speeds: Speeds, outputs: tuple[str, ...]) -> Iterator[Tone]:
    yield shafts.input_tone()
    yield from shafts.output_tones(outputs, speeds)
    for number, stage in enumerate(drive.stage, start=1):
        yield from kind_of(stage).tones(stage, f"stage{number}", speeds)
    yield from bearings.bearing_tones(drive, speeds)
    yield from electrical.motor_tones(drive)
    yield from outside.outside_tones(drive, speeds, outputs)


def _with_belt_slip(tone: Tone, lagging: Tone) -> Tone:
    """The tone with the span between a belt that holds and one that slips; no longer exact if it moves."""
    moved = lagging.order / tone.order - 1.0
    if abs(moved) < 1e-12:
        return tone
    low, high = tone.slip
    still = {band.why: band.order for band in lagging.sidebands}
    return replace(
        tone,
        order_exact=None,
        slip=((1 + low) * (1 + min(moved, 0.0)) - 1, (1 + high) * (1 + max(moved, 0.0)) - 1),
        sidebands=tuple(
            band if still.get(band.why) == band.order else replace(band, order_exact=None) for band in tone.sidebands
        ),
    )


def _phasing(drive: Drive, speeds: Speeds) -> Iterator[Phasing]:
    for number, stage in enumerate(drive.stage, start=1):
        yield from kind_of(stage).phasing(stage, f"stage{number}", speeds)
