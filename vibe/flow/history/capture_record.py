"""A capture into a store: read, judged, turned into a record, kept."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from vibe import __version__
from vibe.core.errors import CaptureError
from vibe.flow.capture_folder import Reader, plain_reader
from vibe.flow.diagnose.capture_diagnosis import CaptureDiagnosis, diagnose_samples
from vibe.flow.diagnose.earlier_diagnoses import kept_files, kept_pasts
from vibe.flow.diagnose.tone_requests import believed_combs, owners_of
from vibe.flow.settings import Settings
from vibe.storage.files import writable

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from vibe.core.capture import Capture
    from vibe.core.comb_history import PastCapture
    from vibe.core.drive import Drive
    from vibe.core.evidence import Level
    from vibe.core.records.history import Kept, Record, Value
    from vibe.core.tones import ToneTable
    from vibe.history.store.store import Store


def keep(
    capture: Path | Capture,
    drive: Drive,
    table: ToneTable,
    settings: Settings,
    store: Store,
    *,
    toml: str = "",
    time_zone: str | None = None,
    reader: Reader = plain_reader,
) -> bool:
    """Judge one capture and keep it; False when it is in the store already. ``toml`` is the text of the drive's file.

    Raises:
        CaptureError: it cannot be read, or does not say when it was measured. OutputError: it cannot be written.
    """
    capture = reader(capture) if isinstance(capture, Path) else capture
    if store.holds(capture.sha256):
        return False
    earlier = kept_pasts(kept_files(store, drive.tag, settings))
    record = record_of(capture, drive, table, settings, time_zone=time_zone, earlier=earlier)
    store.put_drive(drive.tag, toml, kind_of(drive))
    return store.add(record, capture.channels)


def record_of(
    capture: Capture,
    drive: Drive,
    table: ToneTable,
    settings: Settings,
    *,
    time_zone: str | None = None,
    earlier: Sequence[PastCapture] = (),
) -> Record:
    """One capture, judged together with ``earlier`` ones of its drive, as it is kept.

    Raises:
        CaptureError: it does not say when it was measured, or says so without offset and no ``time_zone`` is given.
    """
    from vibe.core.records.history import Record
    from vibe.flow.diagnose.drive_diagnosis import health_of
    from vibe.spectra.plots.archived_spectra import archived_spectra

    measured_at, remark = _when(capture, time_zone)
    more = [remark] if remark else []
    if capture.longer is not None:
        kept_s = capture.duration_s / capture.longer.count
        more.append(
            f"values and findings are of all {capture.duration_s:.0f} s; the samples kept are the first {kept_s:.0f} s"
        )
    capture = replace(capture, measured_at=measured_at, remarks=(*capture.remarks, *more))
    judged = diagnose_samples(capture, drive, table, settings, earlier=earlier, traced=True)
    health = health_of(drive, table, [judged], settings)
    speed_hz, uncertainty_hz = _speed(judged, capture, drive)
    return Record(
        content=capture.sha256,
        drive=drive.tag,
        file=writable(capture.source.name),
        measured_at=measured_at,
        duration_s=capture.duration_s,
        kept=_kept(judged),
        speed_hz=speed_hz,
        speed_uncertainty_hz=uncertainty_hz,
        load_percent=capture.load_percent,
        values=(*_values(judged, capture, speed_hz, capture.load_percent), *_shares(judged, drive, table)),
        spectra=() if judged.reading is None else archived_spectra(judged.reading),
        health=health.model_dump_json(by_alias=True),
        software=f"vibe {__version__}",
        past=judged.past,
    )


def kind_of(drive: Drive) -> str:
    """Equal for drives with the same stages and bearings, whose tones therefore have the same names and orders; empty
    for one that has neither."""
    if not drive.stage and not drive.bearing:
        return ""
    # What a bearing carries moves no tone, and kinds of stores made before it could be said stay what they were.
    silent = {"designation", "type", "dynamic_rating_kn", "equivalent_load_kn"}
    parts = {
        "stage": [stage.model_dump(exclude={"ratio"}) for stage in drive.stage],
        "bearing": sorted(
            (bearing.model_dump(exclude=silent) for bearing in drive.bearing), key=lambda one: str(one["name"])
        ),
    }
    return hashlib.sha256(json.dumps(parts, sort_keys=True).encode("utf-8")).hexdigest()[:16]


def _when(capture: Capture, time_zone: str | None) -> tuple[datetime, str | None]:
    from vibe.ingest.clock import in_zone

    if capture.measured_at is None:
        raise CaptureError(
            "does not say when it was measured, and a history without times is none: put measured_at into a sidecar",
            path=capture.source,
        )
    when, remark = in_zone(capture.measured_at, time_zone)
    if when.utcoffset() is None:
        raise CaptureError(
            f"says {when.isoformat(' ')} without an offset from UTC: give --time-zone (for example Europe/Vienna), or "
            "a route that has a time_zone",
            path=capture.source,
        )
    return when, remark


def _speed(judged: CaptureDiagnosis, capture: Capture, drive: Drive) -> tuple[float | None, float | None]:
    """The speed of this capture, measured or noted; that of the plate says nothing of it."""
    if judged.reading is None:
        return None, None
    speed = judged.reading.speed
    low, high = drive.input.speed_range_hz
    noted = capture.speed_rpm is not None and low <= capture.speed_rpm / 60.0 <= high
    if speed.method == "nominal" and not noted:
        return None, None
    return speed.input_hz, speed.uncertainty_hz


def _kept(judged: CaptureDiagnosis) -> Kept:
    """As good as the worst of the channels that were analysed: a dead one among good ones gives no values at all."""
    if judged.reading is None:
        return "rejected"
    verdicts = {q.verdict for q in judged.quality if q.channel in judged.reading.samples}
    return "limited" if verdicts != {"usable"} else "accepted"


SHORT_MEASURES = ("acceleration_rms", "acceleration_rms_high", "acceleration_peak")
"""Levels that a tenth of a second shows as well: many periods of what acceleration consists of."""


def _levels_of_short(judged: CaptureDiagnosis, capture: Capture) -> list[Level]:
    """Levels of channels that were rejected for nothing but being too short: no diagnosis, but a trend."""
    from vibe.spectra.basic.levels import levels

    short = {
        q.channel for q in judged.quality
        if q.verdict == "rejected"
        and all(reason.code == "too_short" for reason in q.reasons if reason.verdict == "rejected")
    }  # fmt: skip
    found: list[Level] = []
    for channel in capture.vibration:
        if channel.name in short:
            found += levels(channel, input_hz=None)
    return found


def _values(
    judged: CaptureDiagnosis, capture: Capture, speed_hz: float | None, load_percent: float | None
) -> list[Value]:
    """Levels and lines of each point; impacts of each tone, the speed and the load of the drive as a whole. Of a
    capture too short to be judged its levels alone."""
    from vibe.core.records.history import MEASURES, SHORT, Value

    reading = judged.reading

    def value(point: str, measure: str, number: float, unit: str = "", subject: str = "") -> Value:
        return Value(
            point=point, measure=measure, value=number, unit=MEASURES.get(measure, unit.replace("^2", "²")),
            subject=subject,
        )  # fmt: skip

    if reading is None:
        return [
            value(level.point, f"{level.measure}{SHORT}", level.value, level.unit)
            for level in _levels_of_short(judged, capture) if level.measure in SHORT_MEASURES
        ]  # fmt: skip
    found = [value(level.point, level.measure, level.value, level.unit) for level in reading.levels]
    found += [value(line.channel, "line", line.velocity_mm_s, subject=line.name) for line in reading.lines]
    for comb in judged.combs.values():
        # Points are weighed together for a tone, and which of them show it best may change from time to time.
        found.append(value("", "hit_over_floor", comb.hit_over_floor_db, subject=comb.tone))
        if comb.hit_m_s2 is not None:
            found.append(value("", "hit", comb.hit_m_s2, subject=comb.tone))
    if speed_hz is not None:
        found.append(value("", "speed", speed_hz))
    if load_percent is not None:
        found.append(value("", "load", load_percent))
    return found


def _shares(judged: CaptureDiagnosis, drive: Drive, table: ToneTable) -> tuple[Value, ...]:
    """Mean squares by owner, in acceleration and velocity."""
    from vibe.spectra.attribution.variance_decomposition import shares

    if judged.reading is None:
        return ()
    return shares(judged.reading, owners_of(drive, table), believed_combs(judged.findings))
