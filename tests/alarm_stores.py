"""Stores made by hand, quickly, for tests of alarms: no samples worth the name, but levels whose truth is known."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any, Literal

import numpy as np

from vibe.core.capture import Channel
from vibe.core.records.history import MEASURES, Record, Value
from vibe.history.store.capture_file import packed
from vibe.history.store.capture_rows import CaptureRows
from vibe.history.store.incoming import put_down
from vibe.history.store.store import Prepared, Store

START = datetime(2024, 3, 4, 8, 0, tzinfo=UTC)
POINTS = ("input side", "output side")
LOBE = "stage1.lobe"
NOW = START + timedelta(weeks=30)

Levels = Mapping[tuple[str, str, str], float]
"""By point, measure, subject."""

_CHANNEL = Channel(
    name=POINTS[0], samples=np.zeros(8, dtype=np.float32), sample_rate_hz=8.0, quantity="acceleration",
    recorded_unit="m/s^2",
)  # fmt: skip


def drive_toml(tag: str, *, lobes: int = 17, service: str = "") -> str:
    return (
        f'tag = "{tag}"\n[input]\nspeed_rpm = 1458\npower_kw = 4.0\n'
        f'[[stage]]\nkind = "cycloidal"\nlobes = {lobes}\nring_pins = {lobes + 1}\noutput_pins = 8\n{service}'
    )


def finding(
    component: str = LOBE, *, severity: str = "moderate", probability: float = 0.95, **more: Any
) -> dict[str, Any]:
    made: dict[str, Any] = {
        "tone": component, "component": component, "defect": "local damage", "probability": probability,
        "severity": severity, "cannot_be_told_from": [], "evidence": [], "why": f"hits at {component}",
        "advice": "Inspect it.",
    }  # fmt: skip
    return made | more


def sensor(point: str) -> dict[str, Any]:
    return finding(
        "sensor", tone=None, defect="loose mount", severity="slight", probability=0.8,
        evidence=[{"kind": "quality", "text": "loose", "channel": point}],
    )  # fmt: skip


def sound(
    week: int, seed: int = 0, *, gain: float = 1.0, points: Sequence[str] = POINTS
) -> dict[tuple[str, str, str], float]:
    """Levels of a drive with nothing wrong: half a decibel of scatter."""
    rng = np.random.default_rng([seed, week, 77])
    levels = {
        (point, measure, ""): usual
        for point in points
        for measure, usual in (("velocity_rms", 0.9), ("acceleration_rms", 0.7), ("acceleration_peak", 4.0))
    }
    levels[("", "hit", LOBE)] = 0.3
    return {key: gain * usual * 10 ** (rng.normal(0, 0.5) / 20) for key, usual in levels.items()}


def add(
    store: Store,
    tag: str,
    week: int,
    levels: Levels,
    *,
    findings: Sequence[dict[str, Any]] = (),
    load: float | None = 70.0,
    kept: Literal["accepted", "limited", "rejected"] = "accepted",
    report: Mapping[str, Any] | None = None,
    minutes: int = 0,
    plainly: bool = False,
) -> str:
    """A capture of a week; its content. ``plainly``: by ``Store.add`` itself, where that is what is tried."""
    content = hashlib.sha256(f"{tag} {week}{f' {minutes}' if minutes else ''}".encode()).hexdigest()
    record = Record(
        content=content, drive=tag, file=f"{tag}_{week}.h5", duration_s=1.0, kept=kept,
        measured_at=START + timedelta(weeks=week, minutes=minutes), speed_hz=24.3,
        speed_uncertainty_hz=0.001, load_percent=load,
        values=tuple(
            Value(point=point, measure=measure, value=value, unit=MEASURES[measure], subject=subject)
            for (point, measure, subject), value in levels.items()
        ),
        spectra=(),
        health=json.dumps(
            {"state": "watch" if findings else "sound", "findings": list(findings)} | dict(report or {})
        ),
        software="vibe test",
    )  # fmt: skip
    if plainly:
        store.add(record, (_CHANNEL,))
    else:
        _keep(store, record)
    return content


_packed: dict[str, bytes] = {}


def _keep(store: Store, record: Record) -> None:
    """As ``Store.add`` does. Many tests begin with the same captures, whose files are packed once: more than half of
    what it costs to keep them."""
    if store.holds(record.content):
        return
    known = str([getattr(record, name) for name in Record.__dataclass_fields__])
    if known not in _packed:
        _packed[known] = packed(record, (_CHANNEL,))
    part = store.workplace() / f"{record.content}.h5.part"
    put_down(part, _packed[known])
    sha256 = hashlib.sha256(_packed[known]).hexdigest()
    store.take(Prepared(part=part, sha256=sha256, has_samples=True, rows=CaptureRows.of(record)))


def fill(
    store: Store,
    tag: str,
    *,
    weeks: int = 30,
    levels: Callable[[int], Levels] | None = None,
    findings: Callable[[int], Sequence[dict[str, Any]]] = lambda week: (),
    load: Callable[[int], float] = lambda week: 70.0,
    kept: Callable[[int], Literal["accepted", "limited", "rejected"]] = lambda week: "accepted",
    report: Callable[[int], Mapping[str, Any] | None] = lambda week: None,
    lobes: int = 17,
    service: str = "",
    seed: int = 0,
) -> list[str]:
    """One capture a week; the contents."""
    store.put_drive(tag, drive_toml(tag, lobes=lobes, service=service), f"kind of {lobes} lobes")
    return [
        add(
            store, tag, week, sound(week, seed) if levels is None else levels(week), findings=findings(week),
            load=load(week), kept=kept(week), report=report(week),
        )
        for week in range(weeks)
    ]  # fmt: skip


def damaged(
    week: int, seed: int = 0, *, begins: int = 15, db_per_week: float = 1.2
) -> dict[tuple[str, str, str], float]:
    """Sound until ``begins``; from then on impacts of a lobe grow, and accelerations with them, half as fast."""
    levels = sound(week, seed)
    grown = max(week - begins, 0) * db_per_week
    for key in levels:
        share = 1.0 if key[1] == "hit" else 0.5 if key[1].startswith("acceleration") else 0.0
        levels[key] *= 10 ** (share * grown / 20)
    return levels
