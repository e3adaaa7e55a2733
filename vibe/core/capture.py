"""A capture: samples with their meaning, and the verdict on their quality."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, Protocol, Self, TypeVar, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vibe.core.errors import CaptureError
from vibe.core.text import printable
from vibe.core.units import STANDARD_GRAVITY_M_S2, TO_SI, TO_TURNS, VOLTS, plain_unit

if TYPE_CHECKING:
    from vibe.core.drive import Drive

Quantity = Literal["acceleration", "velocity", "displacement", "tachometer", "signed pulses", "angle"]
TURNING: frozenset[Quantity] = frozenset({"tachometer", "signed pulses", "angle"})
"""Quantities that show how the input turns: pulses; pulses that go up forwards, down backwards; an encoder's angle."""
Verdict = Literal["usable", "limited", "rejected"]

Samples = NDArray[np.float32]
T = TypeVar("T")


class Columns(Protocol):
    """What gives rows of numbers by their names: a pandas frame, for example."""

    def items(self) -> Iterable[tuple[Any, Any]]:
        """Pairs of name and row."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Channel:
    """One measured channel, in SI units.

    ``samples`` is a read-only float32 copy, shape (n,): m/s², m/s, m, turns of an encoder, or the raw level of a
    tachometer.
    NaN marks a sample that was missing. ``full_scale`` and ``step`` are the recorder's range and smallest
    step in the same unit, None where the file does not say.
    """

    name: str
    samples: Samples
    sample_rate_hz: float
    quantity: Quantity
    recorded_unit: str
    axis: str | None = None
    pulses_per_rev: float | None = None
    full_scale: float | None = None
    step: float | None = None

    def __post_init__(self) -> None:
        if not self.sample_rate_hz > 0 or not np.isfinite(self.sample_rate_hz):
            raise CaptureError(f"channel {self.name!r}: sample rate {self.sample_rate_hz} Hz must be positive")
        if self.samples.ndim != 1:
            raise CaptureError(f"channel {self.name!r}: samples must be one row, not shape {self.samples.shape}")
        if self.pulses_per_rev is not None and not self.pulses_per_rev > 0:
            raise CaptureError(f"channel {self.name!r}: pulses_per_rev {self.pulses_per_rev} must be positive")
        own = self.samples
        if own.dtype != np.float32 or own.base is not None or own.flags.writeable:
            # Nobody else may change them: only what is a row of its own and locked is taken as it is.
            own = np.array(self.samples, dtype=np.float32, copy=True)
            own.flags.writeable = False
        object.__setattr__(self, "samples", own)

    @property
    def duration_s(self) -> float:
        return self.samples.size / self.sample_rate_hz


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Capture:
    """What one file holds: channels measured at one time on one drive."""

    source: Path
    sha256: str
    channels: tuple[Channel, ...]
    drive: str | None = None
    measured_at: datetime | None = None
    speed_rpm: float | None = None
    load_percent: float | None = None
    remarks: tuple[str, ...] = ()
    """Sentences for the reader of a report: a last half line dropped, fewer samples than the header promised."""
    longer: LaterSegments | None = None
    """Of a recording too long to be held at once: how it goes on. ``channels`` are then its first segment."""

    def __post_init__(self) -> None:
        if not self.channels:
            raise CaptureError("holds no channel", path=self.source)
        names = [channel.name for channel in self.channels]
        if len(set(names)) != len(names):
            raise CaptureError(f"has two channels of one name: {sorted(names)}", path=self.source)

    @classmethod
    def from_arrays(
        cls,
        arrays: Mapping[str, ArrayLike] | Columns,
        *,
        sample_rate_hz: float | Mapping[str, float],
        unit: str | Mapping[str, str],
        drive: str | Drive | None = None,
        sensitivity_mv_per_g: float | Mapping[str, float] | None = None,
        quantity: Mapping[str, Quantity] | None = None,
        pulses_per_rev: float | Mapping[str, float] | None = None,
        full_scale: float | Mapping[str, float] | None = None,
        axis: Mapping[str, str] | None = None,
        measured_at: datetime | None = None,
        speed_rpm: float | None = None,
        load_percent: float | None = None,
        name: str = "arrays",
    ) -> Self:
        """A capture of arrays that are in memory, one channel per name; nothing is read or written.

        Args:
            arrays: point -> samples, shape (n,), real numbers in ``unit``; NaN marks a missing sample. Channels may
                differ in length and rate. They are copied to float32. A pandas frame gives its columns.
            sample_rate_hz: samples per second, one for all or one per name.
            unit: one for all or one per name: ``m/s^2``, ``mm/s^2``, ``g``, ``mg``, ``m/s``, ``mm/s``, ``m``, ``mm``,
                ``um``; ``V`` or ``mV`` with ``sensitivity_mv_per_g``. Of a channel that shows how the input turns:
                anything for pulses, and ``turn``, ``deg``, ``rad`` or ``count`` for an encoder's angle.
            drive: tag of the drive, or the drive, that it was measured on.
            sensitivity_mv_per_g: of the sensor, for channels in ``V`` or ``mV``.
            quantity: of channels that show how the input turns: ``tachometer``, ``signed pulses`` or ``angle``; a
                channel of any other follows from its unit.
            pulses_per_rev: pulses, or counts of an encoder, per turn of the input.
            full_scale: the recorder's range in ``unit``, for the check of clipping; None where it is not known.
            axis: direction of a channel, such as ``radial``, ``x`` or ``horizontal``.
            measured_at: time of the first sample; reports say that it is unknown unless it is given.
            speed_rpm: of the input [r/min], as noted with the measurement.
            load_percent: of the rated load [%], as noted in the same way.
            name: what reports call the capture in place of a file's name.

        Raises:
            CaptureError: no array, an array that is not one row of numbers, a unit that is not known or needs a
                sensitivity, a rate that cannot be, a name that is not among the arrays.

        Example:
            >>> import numpy as np
            >>> import vibe
            >>> x = np.random.default_rng(1).normal(0, 0.1, 25_600)
            >>> capture = vibe.Capture.from_arrays({"input side": x}, sample_rate_hz=25_600, unit="g", drive="TH-02")
            >>> capture.channel_names, capture.duration_s
            (('input side',), 1.0)
            >>> bool(abs(capture.channel("input side").samples[0] / x[0] - 9.80665) < 1e-5)
            True
        """
        rows = dict(arrays.items())
        per_name = (sample_rate_hz, unit, sensitivity_mv_per_g, quantity, pulses_per_rev, full_scale, axis)
        for given in per_name:
            if isinstance(given, Mapping) and (unknown := [key for key in given if key not in rows]):
                raise CaptureError(f"no array is named {unknown[0]!r}; there are {', '.join(map(repr, rows))}")
        channels = tuple(
            _channel_of(
                point,
                values,
                sample_rate_hz=_own(sample_rate_hz, point),
                unit=_own(unit, point),
                quantity=(quantity or {}).get(point),
                sensitivity_mv_per_g=_own(sensitivity_mv_per_g, point),
                pulses_per_rev=_own(pulses_per_rev, point),
                full_scale=_own(full_scale, point),
                axis=(axis or {}).get(point),
            )
            for point, values in rows.items()
        )
        for what, value, least in (("speed_rpm", speed_rpm, "above 0"), ("load_percent", load_percent, "0 or more")):
            if value is not None and not (math.isfinite(value) and (value > 0 or (value == 0 and least != "above 0"))):
                raise CaptureError(f"{what} {value} must be {least}")
        content = hashlib.sha256()
        for channel in channels:
            content.update(f"{channel.name}\0{channel.quantity}\0{channel.sample_rate_hz!r}\0".encode())
            content.update(channel.samples.tobytes())
        content.update(f"{measured_at}\0{speed_rpm}\0{load_percent}".encode())
        return cls(
            source=Path(printable(name).strip() or "arrays"),
            sha256=content.hexdigest(),
            channels=channels,
            drive=drive if drive is None or isinstance(drive, str) else drive.tag,
            measured_at=measured_at,
            speed_rpm=speed_rpm,
            load_percent=load_percent,
        )

    def __repr__(self) -> str:
        whose = "" if self.drive is None else f" of {printable(self.drive)}"
        rows = "; ".join(" ".join(row) for row in self._in_words())
        return f"capture {printable(self.source.name)}{whose}: {rows}"

    def _repr_html_(self) -> str:
        from html import escape

        whose = "" if self.drive is None else f" of {escape(printable(self.drive))}"
        cells = "".join(f"<tr>{''.join(f'<td>{escape(cell)}</td>' for cell in row)}</tr>" for row in self._in_words())
        return f"<p>Capture {escape(printable(self.source.name))}{whose}</p><table>{cells}</table>"

    def _in_words(self) -> list[tuple[str, ...]]:
        return [
            (printable(c.name), c.quantity, f"{c.sample_rate_hz:g} Hz", f"{c.duration_s:.4g} s") for c in self.channels
        ]

    @property
    def channel_names(self) -> tuple[str, ...]:
        """Names of all channels, pulse sensors too, in their order."""
        return tuple(channel.name for channel in self.channels)

    def channel(self, name: str) -> Channel:
        """The channel of that name.

        Raises:
            CaptureError: there is none; the message lists those there are.
        """
        for channel in self.channels:
            if channel.name == name:
                return channel
        raise CaptureError(f"has no channel {name!r}; it has {', '.join(self.channel_names)}", path=self.source)

    @property
    def duration_s(self) -> float:
        """Of the whole recording, by its longest channel."""
        if self.longer is not None:
            return self.longer.duration_s
        return max(channel.duration_s for channel in self.channels)

    @property
    def segment_count(self) -> int:
        """Segments in which the recording comes: 1 unless it is too long to be held."""
        return 1 if self.longer is None else self.longer.count

    def segments(self) -> Iterator[Capture]:
        """The recording piece by piece, each as a capture of its own; a short one is its only piece.

        Raises:
            CaptureError: the file has changed or cannot be read any more.
        """
        yield self
        for number in range(1, self.segment_count):
            assert self.longer is not None
            yield self.longer.read(number)

    @property
    def vibration(self) -> tuple[Channel, ...]:
        return tuple(c for c in self.channels if c.quantity not in TURNING)

    @property
    def tachometer(self) -> Channel | None:
        """The channel that shows how the input turns: the one that knows the direction, where there are several."""
        turning = [c for c in self.channels if c.quantity in TURNING]
        return min(turning, key=lambda c: c.quantity == "tachometer", default=None)


def _own(given: T | Mapping[str, T] | None, point: str) -> T | None:
    """What was given for one channel, where one value serves all or each has its own."""
    return given.get(point) if isinstance(given, Mapping) else given


def _channel_of(
    name: str,
    values: ArrayLike,
    *,
    sample_rate_hz: float | None,
    unit: str | None,
    quantity: Quantity | None,
    sensitivity_mv_per_g: float | None,
    pulses_per_rev: float | None,
    full_scale: float | None,
    axis: str | None,
) -> Channel:
    """One array as a channel in SI units."""
    if not isinstance(name, str) or not name.strip() or not name.isprintable():
        raise CaptureError(f"channel {name!r}: a name must be printable text")
    row: NDArray[Any] = np.asarray(values)
    if row.ndim != 1 or row.dtype.kind not in "iuf" or not row.size:
        raise CaptureError(
            f"channel {name!r}: samples must be one row of real numbers, not {row.dtype} of shape {row.shape}"
        )
    if sample_rate_hz is None:
        raise CaptureError(f"channel {name!r} has no sample_rate_hz")
    written = "" if unit is None else plain_unit(unit)
    found, factor = _meaning(name, written, quantity, sensitivity_mv_per_g, pulses_per_rev)
    samples = row.astype(np.float64)
    if found == "angle":
        # Whole turns before the first sample say nothing, and would cost the digits that do.
        samples = samples * factor
        samples -= np.floor(np.nan_to_num(samples[0]))
    elif factor != 1.0:
        samples = samples * factor
    samples[np.isinf(samples)] = np.nan
    if full_scale is not None and not (math.isfinite(full_scale) and full_scale > 0):
        raise CaptureError(f"channel {name!r}: full_scale {full_scale} must be positive")
    return Channel(
        name=name,
        samples=samples.astype(np.float32),
        sample_rate_hz=float(sample_rate_hz),
        quantity=found,
        recorded_unit=written,
        axis=axis,
        pulses_per_rev=None if found not in TURNING else pulses_per_rev,
        full_scale=None if full_scale is None else full_scale * factor,
        # Whole numbers are what a converter gave: their unit is its step.
        step=abs(factor) if row.dtype.kind in "iu" and found not in TURNING else None,
    )


def _meaning(
    name: str, unit: str, quantity: Quantity | None, sensitivity_mv_per_g: float | None, pulses_per_rev: float | None
) -> tuple[Quantity, float]:
    """Quantity of a channel, and the factor from its unit to SI."""
    if quantity is not None and quantity not in get_args(Quantity):
        raise CaptureError(f"channel {name!r}: quantity {quantity!r} is not one of {', '.join(get_args(Quantity))}")
    if quantity in ("tachometer", "signed pulses"):
        return quantity, 1.0
    if quantity == "angle":
        if unit not in TO_TURNS:
            raise CaptureError(f"channel {name!r}: an angle is in {', '.join(TO_TURNS)}, not in {unit!r}")
        if unit == "count" and not pulses_per_rev:
            raise CaptureError(f"channel {name!r} holds counts and has no pulses_per_rev, counts per turn")
        return "angle", TO_TURNS[unit] / (pulses_per_rev if unit == "count" and pulses_per_rev else 1.0)
    if unit in VOLTS:
        if sensitivity_mv_per_g is None or not (math.isfinite(sensitivity_mv_per_g) and sensitivity_mv_per_g > 0):
            raise CaptureError(f"channel {name!r} is in {unit} and needs a positive sensitivity_mv_per_g")
        natural, factor = "acceleration", VOLTS[unit] * 1e3 / sensitivity_mv_per_g * STANDARD_GRAVITY_M_S2
    elif unit in TO_SI:
        natural, factor = TO_SI[unit]
    else:
        known = ", ".join([*TO_SI, *VOLTS])
        raise CaptureError(f"channel {name!r}: the unit {unit!r} is not a unit of vibration (known: {known})")
    if quantity is not None and quantity != natural:
        raise CaptureError(f"channel {name!r}: {unit} is a unit of {natural}, but quantity says {quantity}")
    measured: dict[str, Quantity] = {kind: kind for kind in get_args(Quantity)}
    return measured[natural], factor


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LaterSegments:
    """How a recording is cut: ``count`` segments of equal time, ``duration_s`` in all; ``read(k)`` gives the k-th,
    from 0, and only that one is held."""

    count: int
    duration_s: float
    read: Callable[[int], Capture]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """Why a channel is not simply usable: a code for machines, a sentence for people, and the remedy."""

    code: str
    text: str
    remedy: str
    verdict: Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelQuality:
    """Verdict on one channel; ``reasons`` are gravest first and empty only when usable without remark."""

    channel: str
    verdict: Verdict
    reasons: tuple[Reason, ...] = ()
    usable_band_hz: tuple[float, float] | None = None
    """Band that can be trusted, None when rejected."""
