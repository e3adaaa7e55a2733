"""An unknown cycloidal drive from its signal alone: counts, ratio, speed, discs, direction; and the check of the plate.

What the evidence does not carry is reported as such, with the reason.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from vibe.core.errors import CallError
from vibe.flow.identify.answer import LISTED, Answer, Counts, Identification, Plate, PlateVerdict, SlipReference
from vibe.flow.settings import tones_of

if TYPE_CHECKING:
    from vibe.core.capture import Capture, Channel
    from vibe.core.drive import Drive
    from vibe.kinematics.candidate_drives import PairKind
    from vibe.spectra.identity.identification import Kind, WeighedKinds

SURE = 0.9
"""Probability from which on an answer is reported as one."""
RULED_OUT = 0.01
"""Probability below which a count is no longer possible: common practice."""
SAME_SPEED = 1e-3
"""Relative difference of speeds that are the same answer."""
MESH_SEEN = 2.0
"""Log odds from which on the mesh itself supports the counts."""
ONE_STAGE = "of a drive with more stages these are the counts of the first: slower ones were not searched for"
WIDEST = 3.0
"""Highest over lowest speed of the range: in a wider one a shaft and its double cannot be distinguished."""


def identify_files(
    captures: Sequence[Path],
    range_rpm: tuple[float, float],
    *,
    differences: Sequence[int] = (1,),
    drive_path: Path | None = None,
    motor: SlipReference | None = None,
) -> tuple[Identification, ...]:
    """What each capture shows.

    Raises:
        CallError: the range of speeds or the tooth differences make no sense. ConfigError: the drive file is wrong.
        CaptureError: a capture cannot be read.
    """
    from vibe.ingest import read_capture

    check_call(range_rpm, differences)
    drive = None if drive_path is None else tones_of(drive_path)[0]
    return identify_captures(
        (read_capture(path) for path in captures), range_rpm, differences=differences, drive=drive, motor=motor
    )


def identify_captures(
    captures: Iterable[Capture],
    range_rpm: tuple[float, float],
    *,
    differences: Sequence[int] = (1,),
    drive: Drive | None = None,
    motor: SlipReference | None = None,
) -> tuple[Identification, ...]:
    """What each capture shows; poles and line frequency are those of ``drive`` unless ``motor`` is given.

    Raises:
        CallError: ``drive`` is of a kind that is not searched for.
    """
    if drive is not None:
        _pair_of(drive)
    if motor is None and drive is not None and drive.motor is not None and drive.motor.coupling == "direct":
        motor = SlipReference(poles=drive.motor.poles, line_hz=drive.motor.line_hz)
    return tuple(
        identified(capture, range_rpm, differences=differences, drive=drive, motor=motor) for capture in captures
    )


def check_call(range_rpm: tuple[float, float], differences: Sequence[int]) -> None:
    """Refuses what cannot be searched.

    Raises:
        CallError: see there.
    """
    low, high = range_rpm
    if not 0 < low < high:
        raise CallError(f"--speed-range {low:g} {high:g} needs two speeds in r/min above 0, the lower first")
    if high > WIDEST * low:
        raise CallError(f"--speed-range {low:g} {high:g} spans more than a factor of {WIDEST:g}: narrow it")
    if not differences or any(not 1 <= difference <= 4 for difference in differences):
        raise CallError("--difference must be 1 to 4: a cycloidal pair differs by one, two or a few")


def identified(
    capture: Capture,
    range_rpm: tuple[float, float],
    *,
    differences: Sequence[int] = (1,),
    drive: Drive | None = None,
    motor: SlipReference | None = None,
) -> Identification:
    """What one capture concerns the drive it was taken on."""
    from vibe.ingest import assess

    fit = [channel for channel in capture.vibration if assess(channel).verdict != "rejected"]
    wanted = set(differences)
    if drive is not None:
        stage = _pair_of(drive)
        wanted.add(stage[1] - stage[0])
    kinds, plain = kinds_of(tuple(sorted(wanted)))
    remarks = [f"{c.name}: rejected, not used" for c in capture.vibration if c not in fit]
    if capture.longer is not None:
        remarks.append(
            f"identified from the first {capture.channels[0].duration_s:.0f} s of {capture.duration_s:.0f} s"
        )
    remarks.append(ONE_STAGE)
    found = _weighed(capture, fit, plain, range_rpm) if fit else None
    if found is None:
        why = (
            "too few turns or too low a sample rate to part families of lines"
            if fit
            else "no vibration channel is fit for use"
        )
        return _silent(capture, why, drive, remarks)
    counts = _counts(found, kinds)
    return Identification(
        capture=str(capture.source),
        candidates=counts[:LISTED],
        none=found.none,
        ratio=_ratio(counts, found),
        mesh=_mesh(found, kinds),
        speed_rpm=(speed := _speed(found)),
        slip=_slip(speed, motor),
        discs=_discs(found, kinds, counts),
        direction=_direction(capture, fit, found, speed),
        plate=None if drive is None else _plate(drive, counts, found),
        load_percent=capture.load_percent,
        remarks=tuple(remarks),
    )


@lru_cache(maxsize=8)
def kinds_of(differences: tuple[int, ...]) -> tuple[tuple[PairKind, ...], tuple[Kind, ...]]:
    """Drives that may be, and the same in plain orders."""
    from vibe.kinematics.candidate_drives import pair_kinds
    from vibe.spectra.identity.identification import Kind

    kinds = pair_kinds(differences)
    plain = [Kind(step=float(k.past_disc), count=k.ring_pins, mesh=k.mesh, log_prior=k.log_prior) for k in kinds]
    return kinds, tuple(plain)


def _weighed(
    capture: Capture, fit: Sequence[Channel], plain: Sequence[Kind], range_rpm: tuple[float, float]
) -> WeighedKinds | None:
    from vibe.ingest import assess
    from vibe.spectra.identity.identification import identify
    from vibe.spectra.speed.tachometer import speed_from_tachometer

    range_hz = range_rpm[0] / 60, range_rpm[1] / 60
    tachometer = capture.tachometer
    pulsed = None
    if tachometer is not None and assess(tachometer).verdict != "rejected":
        pulsed = speed_from_tachometer(tachometer, range_hz, min(channel.duration_s for channel in fit))
    rows = [(channel.samples, channel.sample_rate_hz) for channel in fit]
    return identify(rows, plain, range_hz, pulses=pulsed)


def _counts(found: WeighedKinds, kinds: Sequence[PairKind]) -> tuple[Counts, ...]:
    """Probabilities of the counts, whatever the speed and the number of discs; likeliest first."""
    share: dict[int, float] = {}
    for one in found.weighed:
        share[one.kind] = share.get(one.kind, 0.0) + one.probability
    ranked = sorted(share, key=lambda number: -share[number])
    return tuple(
        Counts(
            lobes=kinds[number].lobes,
            ring_pins=kinds[number].ring_pins,
            ratio=float(kinds[number].ratio),
            probability=share[number],
        )
        for number in ranked
    )


def _ratio(counts: Sequence[Counts], found: WeighedKinds) -> Answer:
    best = counts[0]
    alike = sum(one.probability for one in counts if abs(one.ratio - best.ratio) < 1e-9)
    if alike >= SURE:
        return Answer(value=best.ratio, probability=alike)
    if found.none > 0.5:
        why = "no two families of lines stand out that a cycloidal drive within this range of speeds would make"
    else:
        rivals = ", ".join(f"{one.lobes}:{one.ring_pins}" for one in counts[:3] if one.probability > RULED_OUT)
        why = f"several counts explain the lines about as well: {rivals}" if rivals else "nothing stands out"
    return Answer(value=None, probability=alike, why=why)


def _mesh(found: WeighedKinds, kinds: Sequence[PairKind]) -> str:
    """Whether the mesh itself was detected."""
    best = found.weighed[0]
    order = kinds[best.kind].ring_pins
    if order + 2 > found.top_order:
        return f"the mesh at order {order} lies above the highest order measured, {found.top_order:.0f}"
    if best.mesh < MESH_SEEN:
        return f"the mesh at order {order} does not stand out of its neighbouring lines"
    return f"the mesh stands out at order {order}"


def _speed(found: WeighedKinds) -> Answer:
    best = found.speed
    same = sum(one.probability for one in found.weighed if abs(one.speed_hz / best.input_hz - 1) < SAME_SPEED)
    if same < SURE:
        return Answer(value=None, probability=same, why="no speed of the range stands out of the others")
    assert best.uncertainty_hz is not None
    return Answer(value=60 * best.input_hz, probability=same, uncertainty=60 * best.uncertainty_hz)


def _slip(speed: Answer, motor: SlipReference | None) -> Answer:
    if motor is None:
        return Answer(value=None, why="poles and line frequency of the motor were not given")
    if not isinstance(speed.value, float) or speed.uncertainty is None:
        return Answer(value=None, why=speed.why)
    slip = 1 - speed.value / motor.synchronous_rpm
    if not -0.01 < slip < 0.15:
        return Answer(
            value=None,
            why=f"{speed.value:.1f} r/min is no speed of a motor on {motor.synchronous_rpm:g} r/min synchronous: "
            "an inverter, or other poles",
        )
    return Answer(value=slip, probability=speed.probability, uncertainty=speed.uncertainty / motor.synchronous_rpm)


def _discs(found: WeighedKinds, kinds: Sequence[PairKind], counts: Sequence[Counts]) -> Answer:
    if counts[0].probability < SURE:
        return Answer(value=None, why="phasing can be read only where the counts are determined")
    share: dict[int, float] = {}
    for one in found.weighed:
        if (kinds[one.kind].lobes, kinds[one.kind].ring_pins) == (counts[0].lobes, counts[0].ring_pins):
            share[one.parts] = share.get(one.parts, 0.0) + one.probability
    best = max(share, key=lambda parts: share[parts])
    probability = share[best] / sum(share.values())
    if probability < SURE:
        return Answer(
            value=None,
            probability=probability,
            why="the harmonics that equal discs would cancel are neither clearly there nor clearly missing",
        )
    return Answer(value=best, probability=probability)


def _direction(capture: Capture, fit: Sequence[Channel], found: WeighedKinds, speed: Answer) -> Answer:
    from vibe.spectra.speed.rotation_sense import rotation_sense

    pairs = [(one, other) for one in fit for other in fit if _across(one, other)]
    if not pairs:
        pulses = " (pulses of one sensor are the same either way)" if capture.tachometer is not None else ""
        return Answer(
            value=None,
            why="no two channels whose axes are known to lie a quarter turn apart, as x and y or horizontal and "
            f"vertical{pulses}",
        )
    if speed.value is None:
        return Answer(value=None, why=speed.why)
    seen = [
        rotation_sense(one.samples, other.samples, one.sample_rate_hz, found.speed.input_hz, found.speed.drift or 0.0)
        for one, other in pairs
    ]
    senses = {view.sense for view in seen if view.sense}
    if len(senses) != 1:
        return Answer(value=None, why="pairs of channels contradict one another" if senses else seen[0].why)
    one, other = pairs[0]
    first, second = (one.axis, other.axis) if senses == {1} else (other.axis, one.axis)
    return Answer(value=f"from +{first} towards {'+' if senses == {1} else '-'}{second}")


def _across(one: Channel, other: Channel) -> bool:
    """Axes a quarter turn apart at the shaft, named so that the first comes first; same clock and quantity."""
    axes = ((one.axis or "").casefold(), (other.axis or "").casefold())
    same = one.sample_rate_hz == other.sample_rate_hz and one.quantity == other.quantity
    return same and axes in {("x", "y"), ("horizontal", "vertical")}


def _plate(drive: Drive, counts: Sequence[Counts], found: WeighedKinds) -> Plate:
    lobes, pins = _pair_of(drive)
    own = next((one for one in counts if (one.lobes, one.ring_pins) == (lobes, pins)), None)
    probability = 0.0 if own is None else own.probability
    best = counts[0]
    verdict: PlateVerdict
    if probability >= SURE:
        verdict, why = "fits", f"{lobes} lobes and {pins} ring pins explain the lines, p = {probability:.3f}"
    elif best.probability >= SURE and probability < RULED_OUT:
        verdict = "another count fits better"
        why = f"{best.lobes} lobes and {best.ring_pins} ring pins explain the lines, p = {best.probability:.3f}"
    else:
        verdict, why = "cannot be told", _ratio(counts, found).why or "the evidence does not carry"
    return Plate(verdict=verdict, drive=drive.tag, lobes=lobes, ring_pins=pins, probability=probability, why=why)


def _pair_of(drive: Drive) -> tuple[int, int]:
    """Lobes and ring pins of a drive that can be checked.

    Raises:
        CallError: it is of a kind that is not searched for.
    """
    from vibe.core.stages.cycloidal import CycloidalStage
    from vibe.kinematics.candidate_drives import MOST_LOBES

    if len(drive.stage) == 1 and isinstance(stage := drive.stage[0], CycloidalStage) and stage.fixed == "ring":
        if stage.lobes <= MOST_LOBES:
            return stage.lobes, stage.ring_pins
        raise CallError(f"drive {drive.tag!r} has more than {MOST_LOBES} lobes: too many to be distinguished")
    raise CallError(
        f"drive {drive.tag!r} is not a single cycloidal stage with a fixed ring, and only those can be identified"
    )


def _silent(capture: Capture, why: str, drive: Drive | None, remarks: Sequence[str]) -> Identification:
    """Nothing can be determined."""
    nothing = Answer(value=None, why=why)
    plate = None
    if drive is not None:
        lobes, pins = _pair_of(drive)
        plate = Plate(verdict="cannot be told", drive=drive.tag, lobes=lobes, ring_pins=pins, probability=0.0, why=why)
    return Identification(
        capture=str(capture.source), candidates=(), none=1.0, ratio=nothing, mesh=why, speed_rpm=nothing, slip=nothing,
        discs=nothing, direction=nothing, plate=plate, load_percent=capture.load_percent, remarks=tuple(remarks),
    )  # fmt: skip
