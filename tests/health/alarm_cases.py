"""Cases of drives made by hand, for tests of urgency and of the queue."""

from __future__ import annotations

import tomllib
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from vibe.core.records.alarm_case import CaptureFinding, CaptureSeen, DriveCase
from vibe.core.records.alarms import Exceedance, SeenFinding, SeriesState
from vibe.core.records.history import SeriesKey
from vibe.health.alarms.settings import AlarmRules

START = datetime(2025, 1, 6, 8, 0, tzinfo=UTC)
NOW = START + timedelta(weeks=30)


def shipped_rules() -> AlarmRules:
    path = Path(__file__).parents[2] / "configs" / "alarms.toml"
    return AlarmRules.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))


def key(
    measure: str = "acceleration_rms", *, point: str = "input side", subject: str = "", drive: str = "D-1"
) -> SeriesKey:
    return SeriesKey(drive=drive, point=point, measure=measure, subject=subject)


def state(of: SeriesKey | None = None, *, change_db: float | None = 8.0, **more: Any) -> SeriesState:
    usual: dict[str, Any] = {
        "key": of or key(), "unit": "m/s²", "at": NOW, "value": 1.0, "content": "c" * 64, "n": 20, "usual": 0.4,
        "condition": "24.3 Hz, 70 % load", "limits": (), "raw_db": change_db, "change_db": change_db,
        "change_low_db": None, "change_high_db": None, "shift_db": 0.0, "state": "growing",
        "since": NOW - timedelta(weeks=10),
        "scatter_db": 0.5, "slope_db_per_month": 2.0, "slope_low": 1.0, "slope_high": 3.0,
        "target": "20 dB over the baseline",
        "days_to_target": None, "soonest_days": None, "latest_days": None, "time_words": "cannot be told yet",
    }  # fmt: skip
    return SeriesState(**(usual | more))


def exceedance(of: SeriesKey | None = None, **more: Any) -> Exceedance:
    usual: dict[str, Any] = {
        "key": of or key(), "unit": "m/s²", "at": NOW, "value": 1.0, "limit": 0.6, "source": "this drive",
        "kind": "alarm",
        "over_db": 4.4, "content": "c" * 64,
    }  # fmt: skip
    return Exceedance(**(usual | more))


def seen(component: str = "stage1.lobe", **more: Any) -> SeenFinding:
    usual: dict[str, Any] = {
        "tone": component, "component": component, "defect": "local damage", "probability": 0.9, "severity": "moderate",
        "seen_in": 3, "of": 3, "names": (component,), "content": "c" * 64,
    }  # fmt: skip
    return SeenFinding(**(usual | more))


def found(component: str = "stage1.lobe", *others: str, **more: Any) -> CaptureFinding:
    usual: dict[str, Any] = {
        "tone": component, "component": component, "defect": "local damage", "probability": 0.9, "severity": "moderate",
        "names": (component, *others),
    }  # fmt: skip
    return CaptureFinding(**(usual | more))


def capture(week: int, *findings: CaptureFinding, **troubled: str) -> CaptureSeen:
    return CaptureSeen(
        content=f"{week:064x}", at=START + timedelta(weeks=week), accepted=not troubled, state="sound", speed_hz=24.3,
        load_percent=70.0, findings=findings,
        troubled={name.replace("_", " "): what for name, what in troubled.items()},
    )  # fmt: skip


def case(tag: str = "D-1", **more: Any) -> DriveCase:
    usual: dict[str, Any] = {
        "tag": tag, "name": "", "kind": "one", "consequence": None, "spare_lead_days": None, "epoch": None,
        "epoch_event": None, "events": (), "captures": (), "series": (), "exceedances": (), "sisters": (),
        "changed": (),
        "before": None, "now": None,
    }  # fmt: skip
    return DriveCase(**(usual | more))
