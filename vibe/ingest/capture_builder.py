"""From what a file holds to a capture in SI units: the one place where every format meets."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any, cast, get_args

import numpy as np
from numpy.typing import NDArray

from vibe.core.capture import TURNING, Capture, Channel, LaterSegments, Quantity
from vibe.core.errors import COPY_AGAIN, CaptureError
from vibe.core.text import printable
from vibe.core.units import STANDARD_GRAVITY_M_S2, TO_SI, TO_TURNS, VOLTS, plain_unit
from vibe.ingest.clock import YEARS, in_zone
from vibe.ingest.config.sidecar import RouteSidecar, Sidecar, SidecarChannel
from vibe.ingest.raw_rows import RawCapture, RawChannel, Row
from vibe.storage.files import file_sha256

SEGMENT_SAMPLES = 6_000_000
"""Samples, all channels together, that are held and analysed at once; longer recordings are cut into equal segments.
A minute of two channels at 50 kHz: what a drive's slow parts need at usual speeds, in some hundred bytes a sample."""

RATES_HZ = (1e-3, 1e9)
"""No recorder of vibration is slower or faster (our choice, wide); what lies beyond is a damaged or wrong number."""
CHANGED = "became shorter while it was read"


CORRECT_SIDECAR = "Correct the sidecar; no new capture is needed."
SAY_IT = "Look it up in the logger's settings and write it as stated; no new capture is needed."


class _UnusableError(Exception):
    """One channel cannot be used; the others may. ``remedy`` as in ``CaptureError``."""

    def __init__(self, text: str, *, remedy: str = SAY_IT) -> None:
        self.remedy = remedy
        super().__init__(text)


def short(name: object, most: int = 60) -> str:
    """A name, or what holds one, for a sentence: files may hold names of any length."""
    text = printable(str(name))
    return text if len(text) <= most else f"{text[: most - 1]}…"


def build_capture(path: Path, raw: RawCapture, sidecar: Sidecar | None) -> Capture:
    """Join a file with its sidecar and convert to SI; of a recording longer than ``SEGMENT_SAMPLES`` the first segment,
    with ``longer`` to read the others.

    A channel that lacks unit or rate is left out with a remark as long as another vibration channel remains.

    Raises:
        CaptureError: no channel can be used; the sentence says what is missing and where to write it.
    """
    digest = file_sha256(path)
    count = math.ceil(sum(channel.samples.size for channel in raw.channels) / SEGMENT_SAMPLES)
    if count <= 1:
        return _built(path, raw, sidecar, digest, _ALL)
    first = _built(path, raw, sidecar, digest, _Part(0, count))
    # Remarks concern what was read: of the times of every channel, only the file's own are known here.
    rates = {channel.name: channel.sample_rate_hz for channel in first.channels}
    longest = max(
        channel.samples.size / rates[name]
        for name, channel, _ in _matched(path, raw.channels, sidecar)
        if name in rates
    )
    return replace(
        first,
        longer=LaterSegments(
            count=count,
            duration_s=longest,
            read=lambda number: _built(path, raw, sidecar, digest, _Part(number, count)),
        ),
    )


@dataclass(frozen=True)
class _Part:
    """The ``number``-th of ``count`` equal parts of every row."""

    number: int
    count: int

    def of(self, row: Row) -> NDArray[Any] | Row:
        if self.count == 1:
            return row
        first, last = row.size * self.number // self.count, row.size * (self.number + 1) // self.count
        piece = row[first:last]
        if piece.size != last - first:
            raise CaptureError(CHANGED)
        return piece


_ALL = _Part(0, 1)
"""The whole file: the first of one part."""


def _built(path: Path, raw: RawCapture, sidecar: Sidecar | None, digest: str, part: _Part) -> Capture:
    remarks = list(raw.remarks)
    channels: list[Channel] = []
    troubles: list[str] = []
    remedies: list[str] = []
    for name, rows, stated in _matched(path, raw.channels, sidecar):
        sidecar_channel = sidecar.filled(name, rows, stated, remarks) if isinstance(sidecar, RouteSidecar) else stated
        try:
            channels.append(_channel(name, rows, sidecar_channel, remarks, path, part))
        except _UnusableError as error:
            troubles.append(short(error, 600))
            remedies.append(error.remedy)
    if troubles and not any(c.quantity not in TURNING for c in channels):
        more = f" ({len(troubles) - 1} more like it)" if len(troubles) > 1 else ""
        cut = f"; {raw.remarks[0]}" if raw.remarks else ""
        raise CaptureError(troubles[0] + more + cut, path=path, remedy=remedies[0] + (f" {COPY_AGAIN}" if cut else ""))
    remarks += [f"left out: {trouble}" for trouble in troubles[:8]]
    if len(troubles) > 8:
        remarks.append(f"left out: {len(troubles) - 8} more channels")
    said = sidecar or Sidecar()
    zone = said.time_zone if isinstance(said, RouteSidecar) else None
    measured_at = _measured_at(said.measured_at if said.measured_at is not None else raw.measured_at, zone, remarks)
    if said.drive is not None and raw.drive is not None and said.drive != raw.drive:
        remarks.append(f"the file names drive {raw.drive!r}, its sidecar {said.drive!r}: the sidecar is taken")
    return Capture(
        source=path,
        sha256=digest,
        channels=tuple(channels),
        drive=said.drive if said.drive is not None else raw.drive or None,
        measured_at=measured_at,
        speed_rpm=said.speed_rpm if said.speed_rpm is not None else _positive(raw.speed_rpm, "speed_rpm", remarks),
        load_percent=said.load_percent
        if said.load_percent is not None
        else _positive(raw.load_percent, "load_percent", remarks, zero_too=True),
        remarks=tuple(remarks),
    )


def _positive(value: float | None, what: str, remarks: list[str], *, zero_too: bool = False) -> float | None:
    if value is None:
        return None
    if not math.isfinite(value) or value < 0 or (value == 0 and not zero_too):
        remarks.append(f"the file's {what} of {value:g} is impossible and is left out")
        return None
    return float(value)


def _matched(
    path: Path, channels: Sequence[RawChannel], sidecar: Sidecar | None
) -> list[tuple[str, RawChannel, SidecarChannel]]:
    """Each raw channel with its final name and what the sidecar says of it.

    Raises:
        CaptureError: the sidecar concerns a channel that is not in the file.
    """
    if not channels:
        raise CaptureError("holds no channel", path=path)
    by_place: dict[int, tuple[str, SidecarChannel]] = {}
    for name, sidecar_channel in (sidecar.channels if sidecar else {}).items():
        wanted = name if sidecar_channel.source is None else sidecar_channel.source
        if isinstance(wanted, int):
            places = [wanted] if wanted < len(channels) else []
        else:
            places = [index for index, channel in enumerate(channels) if channel.name == wanted]
        if (
            not places
            and sidecar_channel.source is None
            and len(channels) == 1
            and len(sidecar.channels if sidecar else {}) == 1
        ):
            places = [0]  # One channel described, one there: no need to name it twice.
        if not places:
            shown = wanted if isinstance(wanted, int) else short(wanted)
            there = ", ".join(short(channel.name) for channel in channels[:12])
            raise CaptureError(
                f"its sidecar names channel {shown!r}, but the file holds {there}",
                path=path,
                remedy=CORRECT_SIDECAR,
            )
        if places[0] in by_place:
            raise CaptureError(
                f"its sidecar uses {channels[places[0]].name!r} for two channels", path=path, remedy=CORRECT_SIDECAR
            )
        by_place[places[0]] = (name, sidecar_channel)
    return [(*_named(by_place, index, channel), by_place[index][1] if index in by_place else SidecarChannel())
            for index, channel in enumerate(channels)]  # fmt: skip


def _named(by_place: dict[int, tuple[str, SidecarChannel]], index: int, channel: RawChannel) -> tuple[str, RawChannel]:
    return (by_place[index][0] if index in by_place else channel.name), channel


def _first(*values: Any) -> Any:
    return next((value for value in values if value is not None), None)


def _channel(
    name: str, raw: RawChannel, sidecar_channel: SidecarChannel, remarks: list[str], path: Path, part: _Part
) -> Channel:
    """A part of one channel in SI.

    Raises:
        _UnusableError: what is missing or contradictory.
    """
    if raw.trouble is not None:
        raise _UnusableError(f"channel {name!r}: {raw.trouble}")
    if raw.samples.size == 0:
        promised = f" of the {raw.promised:,} samples promised" if raw.promised else ""
        trouble = f"channel {name!r} holds none{promised}" if promised else f"channel {name!r} is empty"
        raise _UnusableError(trouble, remedy=COPY_AGAIN)
    where = f"write it into {path.name}.toml under [channels.{_toml_key(name)}]"
    rate = _first(sidecar_channel.sample_rate_hz, raw.sample_rate_hz)
    if rate is None:
        raise _UnusableError(f"channel {name!r} has no sample_rate_hz: {where}")
    if (
        sidecar_channel.sample_rate_hz
        and raw.sample_rate_hz
        and abs(sidecar_channel.sample_rate_hz / raw.sample_rate_hz - 1) > 1e-4
    ):
        remarks.append(
            f"channel {name!r}: the file says {raw.sample_rate_hz:g} Hz, its sidecar {rate:g} Hz: the sidecar is taken"
        )
    if not RATES_HZ[0] <= rate <= RATES_HZ[1]:
        raise _UnusableError(f"channel {name!r}: a sample rate of {rate:g} Hz is impossible")
    unit = plain_unit(_first(sidecar_channel.unit, raw.unit) or "")
    quantity = _quantity(name, unit, _first(sidecar_channel.quantity, raw.quantity), where)
    sensitivity = _first(sidecar_channel.sensitivity_mv_per_g, raw.sensitivity_mv_per_g)
    factor = _factor(name, unit, quantity, sensitivity, where)
    if quantity == "angle" and unit == "count":
        counts = _pulses(name, _first(sidecar_channel.pulses_per_rev, raw.pulses_per_rev))
        if counts is None:
            raise _UnusableError(f"channel {name!r} holds counts and has no pulses_per_rev, counts per turn: {where}")
        factor /= counts
    scale, full_scale = _scale(name, unit, raw, sidecar_channel, where)
    by_share = raw.shares and full_scale is not None and _first(sidecar_channel.scale, raw.scale) is None
    offset = _first(sidecar_channel.offset, raw.offset, 0.0)
    if not (math.isfinite(scale) and scale != 0 and math.isfinite(offset)):
        raise _UnusableError(f"channel {name!r}: scale {scale:g} and offset {offset:g} are impossible")
    row = part.of(raw.samples)
    if by_share and _beyond_one(row):
        raise _UnusableError(
            f"channel {name!r}: its numbers go beyond 1, so they are no shares of full_scale: if they are in "
            f"{unit or 'the unit'} already, write scale = 1 into {path.name}.toml under [channels.{_toml_key(name)}]"
        )
    shift = offset * factor
    if quantity == "angle" and row.size:
        # Whole turns before the first sample say nothing, and would cost the digits that do.
        shift -= float(np.floor(np.nan_to_num(float(row[:1][0]) * scale * factor + shift)))
    samples = _to_si(row, scale * factor, shift)
    infinite = int(np.isinf(samples).sum())
    if infinite:
        samples[np.isinf(samples)] = np.nan
        remarks.append(f"channel {name!r}: {infinite:,} infinite values count as missing")
    samples.flags.writeable = False
    if raw.promised is not None and raw.promised > raw.samples.size:
        remarks.append(f"channel {name!r}: {raw.samples.size:,} of {raw.promised:,} samples promised are there")
    whole_numbers = raw.samples.dtype.kind in "iu" or raw.counts_full is not None
    step = abs(scale * factor) if whole_numbers and raw.step is None else None
    if raw.step is not None and math.isfinite(raw.step) and raw.step > 0:
        step = abs(raw.step * factor)
    full_scale = None if full_scale is None else abs(full_scale * factor)
    return Channel(
        name=name,
        samples=samples,
        sample_rate_hz=float(rate),
        quantity=quantity,
        recorded_unit=_first(sidecar_channel.unit, raw.recorded_unit, raw.unit) or "",
        axis=_first(sidecar_channel.axis, raw.axis),
        pulses_per_rev=_pulses(name, _first(sidecar_channel.pulses_per_rev, raw.pulses_per_rev)),
        # Beyond all numbers they say nothing.
        full_scale=full_scale if full_scale is not None and math.isfinite(full_scale) else None,
        step=step if step is not None and math.isfinite(step) else None,
    )


def _pulses(name: str, value: float | None) -> float | None:
    if value is not None and not (math.isfinite(value) and value > 0):
        raise _UnusableError(f"channel {name!r}: pulses_per_rev {value:g} must be positive")
    return value


def _toml_key(name: str) -> str:
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else '"' + name.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _quantity(name: str, unit: str, said: str | None, where: str) -> Quantity:
    if said is not None and said not in get_args(Quantity):
        raise _UnusableError(f"channel {name!r}: quantity {said!r} is not one of {', '.join(get_args(Quantity))}")
    if said == "tachometer":
        return "tachometer"
    if said == "signed pulses":
        return "signed pulses"
    if said == "angle":
        if unit not in TO_TURNS:
            raise _UnusableError(f"channel {name!r}: an angle is in {', '.join(TO_TURNS)}, not in {unit!r}: {where}")
        return "angle"
    if unit == "":
        raise _UnusableError(f'channel {name!r} has no unit: {where}, e.g. unit = "m/s^2"')
    if unit in VOLTS:
        if said not in (None, "acceleration"):
            raise _UnusableError(f"channel {name!r}: volts can be read as acceleration only, not as {said}")
        return "acceleration"
    if unit not in TO_SI:
        known = ", ".join([*TO_SI, *VOLTS])
        raise _UnusableError(f"channel {name!r}: the unit {unit!r} is not a unit of vibration (known: {known})")
    natural = TO_SI[unit][0]
    if said is not None and said != natural:
        raise _UnusableError(f"channel {name!r}: {unit} is a unit of {natural}, but quantity says {said}")
    return cast("Quantity", natural)


def _factor(name: str, unit: str, quantity: Quantity, sensitivity: float | None, where: str) -> float:
    """From ``unit`` to SI."""
    if quantity in ("tachometer", "signed pulses"):
        return 1.0
    if quantity == "angle":
        return TO_TURNS[unit]
    if unit in TO_SI:
        return TO_SI[unit][1]
    if sensitivity is None:
        raise _UnusableError(f"channel {name!r} is in {unit} and has no sensitivity_mv_per_g: {where}")
    if not (math.isfinite(sensitivity) and sensitivity > 0):
        raise _UnusableError(f"channel {name!r}: sensitivity_mv_per_g {sensitivity:g} must be positive")
    return VOLTS[unit] * 1000.0 / sensitivity * STANDARD_GRAVITY_M_S2


def _scale(
    name: str, unit: str, raw: RawChannel, sidecar_channel: SidecarChannel, where: str
) -> tuple[float, float | None]:
    """(scale from recorded number to ``unit``, recorder's range in ``unit``)."""
    scale, full_scale = _first(sidecar_channel.scale, raw.scale), _first(sidecar_channel.full_scale, raw.full_scale)
    if raw.counts_full is not None:
        if scale is None and full_scale is None and unit != "":
            raise _UnusableError(
                f"channel {name!r} holds plain counts: {where} as scale (unit per count) or full_scale "
                f"(what the largest number stands for)"
            )
        scale = (full_scale or 1.0) / raw.counts_full if scale is None else scale
        return scale, raw.counts_full * abs(scale) if full_scale is None else full_scale
    if scale is None and raw.shares and full_scale is not None:
        return full_scale, full_scale
    scale = 1.0 if scale is None else scale
    if full_scale is None and raw.samples.dtype.kind in "iu":
        full_scale = float(np.iinfo(raw.samples.dtype).max) * abs(scale)
    return scale, full_scale


def _beyond_one(row: Row) -> bool:
    """Whether any number lies beyond 1, but for what rounding adds."""
    pieces = (row[start : start + (1 << 20)] for start in range(0, row.size, 1 << 20))
    return any(bool((np.abs(piece) > 1 + 1e-6).any()) for piece in pieces)


def _to_si(samples: Row, scale: float, offset: float) -> NDArray[np.float32]:
    """``samples * scale + offset``, worked in double precision piece by piece so that memory stays small."""
    out = np.empty(samples.size, dtype=np.float32)
    with np.errstate(over="ignore", invalid="ignore"):
        for start in range(0, samples.size, 1 << 20):
            piece = samples[start : start + (1 << 20)].astype(np.float64)
            if piece.size != min(1 << 20, samples.size - start):
                raise CaptureError(CHANGED)
            out[start : start + piece.size] = piece * scale + offset
    return out


def _measured_at(given: datetime | str | None, zone: str | None, remarks: list[str]) -> datetime | None:
    """ISO 8601 text to a time, in the plant's ``zone`` unless it says its own; what cannot be read stays unknown."""
    if given is None or (isinstance(given, str) and not given.strip()):
        return None
    if isinstance(given, str):
        try:
            when = datetime.fromisoformat(given.strip())
        except ValueError:
            remarks.append(f"measured_at {given[:40]!r} is not an ISO 8601 time: the time is unknown")
            return None
    else:
        when = given
    if not YEARS[0] <= when.year <= YEARS[1]:
        remarks.append(f"measured_at {when.isoformat()} is impossible: the time is unknown")
        return None
    when, remark = in_zone(when, zone)
    remarks += [remark] if remark else []
    return when


def unique_names(channels: Sequence[RawChannel]) -> list[RawChannel]:
    """The same channels, a number put behind names that come again."""
    seen: dict[str, int] = {}
    out: list[RawChannel] = []
    for channel in channels:
        seen[channel.name] = seen.get(channel.name, 0) + 1
        again = seen[channel.name]
        out.append(channel if again == 1 else replace(channel, name=f"{channel.name} ({again})"))
    return out
