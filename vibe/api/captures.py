"""Captures: read, checked, simulated, and the unknown drive identified from them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, TypedDict, Unpack

from vibe.api.drives import AnyPath, described
from vibe.api.tables import Table, fields
from vibe.core.capture import Capture as Capture
from vibe.core.capture import Verdict
from vibe.core.errors import CallError

if TYPE_CHECKING:
    from vibe.core.drive import Drive
    from vibe.flow.identify.answer import Counts, Identification

AnyCapture = Capture | AnyPath


def read(path: AnyPath) -> Capture:
    """A capture from a file of any known format, with its sidecar ``<file>.toml`` if there is one. Samples are in SI.

    Raises:
        CaptureError: it cannot be read; one sentence that says why.

    Example:
        >>> import vibe
        >>> capture = vibe.read("TH-02.h5")
        >>> capture.channel_names, capture.duration_s
        (('input side radial', 'output side radial'), 10.0)
        >>> capture.channel("input side radial").samples.shape
        (256000,)
    """
    from vibe.ingest import read_capture

    return read_capture(Path(path))


def several(captures: AnyCapture | Iterable[AnyCapture]) -> list[Capture | Path]:
    """One or more captures, in memory or as paths, in their order; a folder stands for all captures in it.

    Raises:
        CallError: none, or something that is neither.
    """
    given = [captures] if isinstance(captures, (Capture, str, PathLike)) else list(captures)
    for one in given:
        if not isinstance(one, (Capture, str, PathLike)):
            raise CallError(f"a capture is needed, or the path of its file, not {type(one).__name__}")
    if not given:
        raise CallError("no capture was given")
    found: list[Capture | Path] = []
    for one in given:
        found += [one] if isinstance(one, Capture) else _files(Path(one))
    return found


def _files(path: Path) -> tuple[Path, ...]:
    from vibe.ingest import find_captures

    if not path.is_dir():
        return (path,)
    inside = find_captures(path)
    if not inside:
        raise CallError(f"{path}: the folder holds no capture in a known format")
    return inside


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedChannel:
    """The verdict on one channel: usable, limited or rejected; why, and what would mend it.

    ``low_hz`` and ``high_hz`` bound the band that can be trusted; None when rejected.
    """

    capture: str
    channel: str
    verdict: Verdict
    why: tuple[str, ...]
    remedy: tuple[str, ...]
    low_hz: float | None
    high_hz: float | None


class Check(Table[CheckedChannel]):
    """Verdicts on every channel. ``remarks``: what was noticed of the captures as a whole, with their names."""

    def __init__(self, rows: Sequence[CheckedChannel], remarks: Sequence[str]) -> None:
        super().__init__(rows, fields("capture", "channel", "verdict", "why", "remedy", "low_hz", "high_hz"))
        self.remarks = tuple(remarks)

    @property
    def verdict(self) -> Verdict:
        """The worst of all."""
        order: tuple[Verdict, ...] = ("rejected", "limited", "usable")
        return min((row.verdict for row in self), key=order.index)


def check(captures: AnyCapture | Iterable[AnyCapture], drive: Drive | AnyPath | None = None) -> Check:
    """Is a capture good, or must it be repeated? One row per channel.

    Args:
        captures: one or more, in memory or as paths.
        drive: sharpens the checks by its nominal speed.

    Raises:
        CaptureError: one cannot be read. ConfigError: the drive file is wrong.

    Example:
        >>> import vibe
        >>> check = vibe.check("TH-02.h5", "TH-02.toml")
        >>> check.verdict
        'usable'
        >>> check.to_frame()[["channel", "verdict"]].shape
        (2, 2)
    """
    from vibe.flow.route.capture_check import check_capture

    known, planned = None, None
    if drive is not None:
        from vibe.kinematics.planning.capture_plan import capture_plan

        known, table = described(drive)
        planned = capture_plan(known, table).settings
    rows: list[CheckedChannel] = []
    remarks: list[str] = []
    for one in several(captures):
        capture = read(one) if isinstance(one, Path) else one
        name = capture.source.name
        done = check_capture(
            capture, tag=None if known is None else known.tag, planned=planned,
            speed_hz=None if known is None else known.input.speed_hz,
        )  # fmt: skip
        remarks += [f"{name}: {remark}" for remark in done.remarks]
        for quality in done.quality:
            low_hz, high_hz = quality.usable_band_hz or (None, None)
            rows.append(
                CheckedChannel(
                    capture=name,
                    channel=quality.channel,
                    verdict=quality.verdict,
                    why=tuple(reason.text for reason in quality.reasons),
                    remedy=tuple(dict.fromkeys(reason.remedy for reason in quality.reasons if reason.remedy)),
                    low_hz=low_hz,
                    high_hz=high_hz,
                )
            )
    return Check(rows, remarks)


class Conditions(TypedDict, total=False):
    """What a simulated capture is taken under; what is not given is as usual.

    ``duration_s`` 10; ``sample_rate_hz`` 25,600; ``speed_rpm`` of the input, drawn from the drive's range by the seed;
    ``load_percent`` 75; ``speed_wander`` relative r.m.s., ``speed_drift`` relative, first to last sample; ``points``
    names of the sensors; ``tachometer`` with ``pulses_per_rev``; ``noise`` and ``pitch_errors`` times the usual;
    ``cage_slip`` relative; ``neighbours`` (Hz, mm/s r.m.s.); ``sensor_faults`` (point, fault); ``tell_speed`` notes the
    true speed in the capture; ``machine_seed`` keeps the machine the same while ``seed`` changes.
    """

    duration_s: float
    sample_rate_hz: float
    speed_rpm: float
    load_percent: float
    speed_wander: float
    speed_drift: float
    points: tuple[str, ...]
    tachometer: bool
    pulses_per_rev: int
    noise: float
    pitch_errors: float
    cage_slip: float
    stray_shocks: int
    neighbours: tuple[tuple[float, float], ...]
    sensor_faults: tuple[tuple[str, str], ...]
    running: bool
    tell_speed: bool
    measured_at: datetime
    machine_seed: int


def simulate(
    drive: Drive | AnyPath,
    damage: str | Sequence[str] = (),
    *,
    seed: int = 0,
    around: str | Sequence[str] = (),
    **conditions: Unpack[Conditions],
) -> Capture:
    """A capture whose truth is known: samples in m/s² from body angles that roll on one another.

    Args:
        drive: the drive, or its file.
        damage: ``TONE_ID[:SIZE[:PART]]``, one or several, such as ``stage1.lobe:1.5``; size 1 is a clear mid-life
            spall, part counts pins or lobes from 0. A sound drive unless given.
        seed: equal seeds give equal samples.
        around: machines next to it, ``KIND[:STRENGTH[:COUNT]]``, such as ``chain:1:19``.
        conditions: see ``Conditions``.

    Raises:
        CallError: a damage that this drive cannot have, or a condition that cannot be.
        ConfigError: the drive cannot be, or its file is wrong.

    Example:
        >>> import vibe
        >>> drive = vibe.read_drive("TH-02.toml")
        >>> capture = vibe.simulate(drive, damage="stage1.lobe:1.5", seed=3, duration_s=2.0)
        >>> capture.drive, capture.duration_s
        ('TH-02', 2.0)
    """
    from vibe.flow.samples.simulation import simulated

    known, _ = described(drive)
    damages, machines = ([text] if isinstance(text, str) else list(text) for text in (damage, around))
    return simulated(known, damages, seed, machines, **conditions)


class Identified(Table["Identification"]):
    """What each capture concerns an unknown drive, one value a capture.

    A value's ``ratio``, ``speed_rpm``, ``discs``, ``direction`` and ``slip`` are answers with ``value`` (None where it
    cannot be determined, ``why`` then says why), ``probability`` and ``uncertainty``.
    """

    def __init__(self, rows: Sequence[Identification]) -> None:
        super().__init__(
            rows,
            {
                "capture": lambda one: one.capture,
                "lobes": lambda one: None if one.ratio.value is None else one.candidates[0].lobes,
                "ring_pins": lambda one: None if one.ratio.value is None else one.candidates[0].ring_pins,
                "ratio": lambda one: one.ratio.value,
                "probability": lambda one: one.ratio.probability,
                "speed_rpm": lambda one: one.speed_rpm.value,
                "speed_uncertainty_rpm": lambda one: one.speed_rpm.uncertainty,
                "discs": lambda one: one.discs.value,
                "direction": lambda one: one.direction.value,
                "why_not": lambda one: one.ratio.why,
            },
        )

    @property
    def candidates(self) -> Table[tuple[str, Counts]]:
        """Lobe and pin counts of each capture with their probabilities, likeliest first."""
        pairs = [(one.capture, counts) for one in self for counts in one.candidates]
        return Table(
            pairs,
            {
                "capture": lambda pair: pair[0],
                "lobes": lambda pair: pair[1].lobes,
                "ring_pins": lambda pair: pair[1].ring_pins,
                "ratio": lambda pair: pair[1].ratio,
                "probability": lambda pair: pair[1].probability,
            },
        )


def identify(
    captures: AnyCapture | Iterable[AnyCapture],
    *,
    speed_range_hz: tuple[float, float],
    differences: Sequence[int] = (1,),
    drive: Drive | AnyPath | None = None,
) -> Identified:
    """Which lobe and pin counts an unknown drive of one cycloidal stage has, from its signal alone.

    Args:
        captures: one or more, in memory or as paths.
        speed_range_hz: lowest and highest input speed that may be [Hz], at most a factor of 3 apart.
        differences: ring pins less lobes that may be.
        drive: what the plate says; each value's ``plate`` then shows whether it fits.

    Raises:
        CallError: the range or the differences make no sense. CaptureError: a capture cannot be read.

    Example:
        >>> import vibe
        >>> found = vibe.identify("TH-02.h5", speed_range_hz=(22, 25))
        >>> found[0].ratio.value, found.candidates[0][1].ring_pins
        (17.0, 18)
    """
    from vibe.flow.identify.identification import WIDEST, identify_captures

    low, high = speed_range_hz
    if not (0 < low < high <= WIDEST * low):
        raise CallError(
            f"speed_range_hz ({low:g}, {high:g}) needs two speeds above 0 Hz, the lower first, at most a factor of "
            f"{WIDEST:g} apart"
        )
    if not differences or any(not 1 <= difference <= 4 for difference in differences):
        raise CallError("differences must be 1 to 4: a cycloidal pair differs by one, two or a few")
    range_rpm = (60.0 * low, 60.0 * high)
    given = (read(one) if isinstance(one, Path) else one for one in several(captures))
    known = None if drive is None else described(drive)[0]
    return Identified(identify_captures(given, range_rpm, differences=differences, drive=known))
