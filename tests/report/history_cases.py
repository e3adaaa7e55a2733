"""A drive with a short history, alarms about it, and a browser without a network to look at their pages."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from tests.report.browsing import fresh
from vibe.core.records.alarms import (
    Alarm,
    AlarmExplanation,
    DriveMeasured,
    Exceedance,
    LeftOut,
    LimitLine,
    Pictures,
    PointChange,
    Queue,
    QueueMeasures,
    RuleCount,
    SeenFinding,
    SeriesState,
    Urgency,
    UrgencyPart,
)
from vibe.core.records.history import ArchivedSpectrum, Decision, Event, Series, SeriesKey
from vibe.core.records.history_view import ShownCapture, ShownDrive, ShownSeries, ShownTone
from vibe.core.records.level_change import Cause, Explanation, RisePart

START = datetime(2025, 1, 7, 9, 0, tzinfo=UTC)
HOSTILE = "P<img src=x onerror=alert(1)>&\"'</script><script>alert(2)</script>"
TAG = "P-101"
STEP_HZ, CELLS = 0.5, 2000
SPEED_A, SPEED_B = 25.1, 20.1
TONE_ORDER, REAL_ORDER = 5.38, 5.42
STEP_ORDER = 0.02


def spectra(speed_hz: float, size: float) -> tuple[ArchivedSpectrum, ...]:
    """Lines of size/k at k times the speed; impacts at ``REAL_ORDER`` in the envelope, which rise with the size."""
    rng = np.random.default_rng(7)
    acceleration = (0.001 + 0.0005 * rng.random(CELLS)).astype(np.float32)
    envelope = rng.uniform(0.5, 2.0, 2500).astype(np.float32)
    for k in range(1, 13):
        acceleration[int(k * speed_hz / STEP_HZ)] = size / k
        if k * REAL_ORDER < envelope.size * STEP_ORDER:
            envelope[int(k * REAL_ORDER / STEP_ORDER)] = 400.0 * size / k
    velocity = (1000.0 * acceleration[:1000] / (2 * np.pi * np.maximum(np.arange(1000) * 0.5, 2.0))).astype(np.float32)
    return (
        ArchivedSpectrum(point="in", kind="acceleration", axis="Hz", step=STEP_HZ, top=acceleration),
        ArchivedSpectrum(point="in", kind="velocity", axis="Hz", step=STEP_HZ, top=velocity),
        ArchivedSpectrum(point="in", kind="envelope", axis="order", step=STEP_ORDER, top=envelope),
    )


def series(key: SeriesKey, values: np.ndarray, unit: str) -> Series:
    size = values.size
    return Series(
        key=key, unit=unit, time_s=START.timestamp() + 86400.0 * 14 * np.arange(size, dtype=np.float64), value=values,
        speed_hz=np.full(size, 25.0), load_percent=np.full(size, np.nan), accepted=np.arange(size) != 3,
        content=tuple(f"{n:08x}" for n in range(size)),
    )  # fmt: skip


def state(key: SeriesKey, unit: str, value: float, change_db: float) -> SeriesState:
    def line(source: Any, kind: Any, at: float, low: float | None = None) -> LimitLine:
        return LimitLine(
            source=source, kind=kind, value=at, low=low, by_analogy=source == "ISO rules", because="so it is"
        )

    return SeriesState(
        key=key, unit=unit, at=START, value=value, content="0000000b", n=12, usual=0.5, condition="",
        limits=(
            line("ISO rules", "alarm", 1.4), line("ISO rules", "trip", 50.0), line("this drive", "change", 0.7, 0.3),
            line("this drive", "alarm", 0.9), line("sister drives", "alarm", 1.1),
        ),
        raw_db=change_db + 2.0, change_db=change_db, change_low_db=change_db - 1, change_high_db=change_db + 1,
        shift_db=2.0, state="growing", since=START, scatter_db=0.5, slope_db_per_month=1.2, slope_low=1.0,
        slope_high=1.4, target="the trip of 50 mm/s", days_to_target=90.0, soonest_days=60.0, latest_days=120.0,
        time_words="90 days (60 to 120)",
    )  # fmt: skip


def shown_drive(tag: str = TAG, **changes: Any) -> ShownDrive:
    velocity = SeriesKey(drive=tag, point="in", measure="velocity_rms")
    impact = SeriesKey(drive=tag, point="", measure="hit", subject="bearing.input bearing.outer_race")
    odd = SeriesKey(drive=tag, point=HOSTILE, measure="acceleration_rms")
    grows = 0.5 * 10 ** (np.linspace(0, 12, 12) / 20)
    values: dict[str, Any] = {
        "tag": tag, "name": "Pump", "state": "watch", "at": START + timedelta(days=200), "kept": 12, "accepted": 11,
        "first": START, "last": START + timedelta(days=154),
        "series": (
            ShownSeries(series=series(velocity, grows, "mm/s"), state=state(velocity, "mm/s", 2.0, 12.0)),
            ShownSeries(series=series(impact, 0.2 * grows**2, "m/s²"), state=None),
            ShownSeries(series=series(odd, grows[::-1].copy(), "m/s²"), state=None),
        ),
        "captures": tuple(
            ShownCapture(
                content=content, at=START + timedelta(days=14 * day), file=f"{content}.h5", state="sound",
                speed_hz=speed, load_percent=80.0, why=why, spectra=spectra(speed, size),
            )
            for content, day, speed, size, why in (
                ("00000000", 0, SPEED_B, 0.1, "first of the baseline"), ("0000000b", 11, SPEED_A, 1.0, "latest"),
            )
        ),
        "events": (
            Event(drive=tag, at=START + timedelta(days=60), kind="grease", note="<b>much</b>", new_baseline=False),
            Event(drive=tag, at=START + timedelta(days=62), kind="realignment", by="A. Fitter"),
        ),
        "tones": (
            ShownTone(id="input.shaft", order=1.0),
            ShownTone(
                id="bearing.input bearing.outer_race", order=TONE_ORDER, spacing=1.0, damage=True, slip=0.02
            ),
        ),
    }  # fmt: skip
    return ShownDrive(**(values | changes))


def alarm(name: str = "abc-def", drive: str = TAG, **changes: Any) -> Alarm:
    key = SeriesKey(drive=drive, point="in", measure="velocity_rms")
    values: dict[str, Any] = {
        "id": name, "drives": (drive,), "epoch": None, "kind": "fault",
        "cause": "bearing.input bearing", "names": ("bearing.input bearing",),
        "title": "local damage: the outer race of the input bearing",
        "sentence": f"{drive}: Impacts repeat at order 5.42.", "advice": "Replace the bearing.",
        "urgency": Urgency(
            total=54.0,
            parts=(
                UrgencyPart(name="severity", how="adds", amount=40.0, because="severe local damage"),
                UrgencyPart(name="growth", how="adds", amount=20.0, because="+12 dB (in, velocity_rms)"),
                UrgencyPart(name="chance", how="multiplies", amount=0.9, because="probability 90 %"),
            ),
        ),
        "status": "open", "status_why": "nobody has decided yet", "since": START, "opened_at": START,
        "finding": SeenFinding(
            tone="bearing.input bearing.outer_race", component="bearing.input bearing.outer_race",
            defect="local damage", probability=0.9, severity="severe", seen_in=3, of=3,
            names=("bearing.input bearing.outer_race",), content="0000000b",
        ),
        "exceedances": (
            Exceedance(
                key=key, unit="mm/s", at=START, value=2.0, limit=0.9, source="this drive", kind="alarm", over_db=7.0,
                content="0000000b", change_db=12.0,
            ),
        ),
        "changed": (
            PointChange(
                point="in", measure="acceleration_rms",
                explanation=Explanation(
                    rise_db=7.5,
                    parts=(
                        RisePart(owner="bearing.input bearing.outer_race", before_db=-30, now_db=-20, db=5.9,
                                 low_db=5.0, high_db=6.8, share=0.79, sure=0.99),
                        RisePart(owner="stage1.mesh", before_db=-30, now_db=-29, db=-0.9, low_db=-1.5, high_db=-0.2,
                             share=-0.12, sure=0.8),
                    ),
                    causes=(Cause(kind="part", strength=0.8, sentence="The outer race explains 5.9 of 7.5 dB."),),
                ),
            ),
        ),
        "explanations": (AlarmExplanation(kind="load", words="load explains 0.3 of 12 dB", weighs=False),),
        "sisters": (), "series": (state(key, "mm/s", 2.0, 12.0),),
        "pictures": Pictures(before="00000000", now="0000000b", series=(key,), events=()), "decisions": (),
        "state": "in work", "owner": "M. Fitter", "due": START + timedelta(days=220), "work_order": "WO 4711",
        "look_again": START + timedelta(days=168), "measured_at": START + timedelta(days=154),
        "accepted_at": START + timedelta(days=140), "overdue_days": 12.0,
    }  # fmt: skip
    return Alarm(**(values | changes))


def queue(*alarms: Alarm, **changes: Any) -> Queue:
    values: dict[str, Any] = {
        "at": START + timedelta(days=200), "alarms": alarms,
        "unmatched": (LeftOut(line=7, text="X-1, in", why="the store holds nothing of a drive 'X-1'"),),
        "bad": (), "matched": 3, "remarks": (), "latest": START + timedelta(days=154),
        "drives": (
            DriveMeasured(
                drive=TAG, kind="k", captures=12, measured_at=START + timedelta(days=154),
                accepted_at=START + timedelta(days=140), every_days=28.0, planned=True, overdue_days=12.0,
            ),
            DriveMeasured(
                drive="new one", kind="", captures=0, measured_at=None, accepted_at=None, every_days=None,
                planned=False, overdue_days=None,
            ),
        ),
        "measures": QueueMeasures(
            alarms=len(alarms), waiting=1, quiet=1, decided=1, not_fault_share=0.25, oldest_days=200.0,
            median_age_days=100.0, median_days_to_decision=3.0,
            rules=(
                RuleCount(rule="this drive: alarm, velocity_rms", alarms=2, confirmed=1, not_faults=1, undecided=0),
            ),
        ),
    }  # fmt: skip
    return Queue(**(values | changes))


def decision(name: str, because: str = "It was the load.") -> Decision:
    return Decision(
        alarm=name, verdict="operating-condition", because=because, by="B. Analyst", at=START, owner="M. Fitter",
        work_order="WO 4711",
    )  # fmt: skip


@pytest.fixture(scope="module")
def chromium(offline_browser: Any) -> Any:
    return fresh(offline_browser, width=1200)


def quiet_and_offline(chrome: Any) -> None:
    """Nothing was complained of, nothing was asked of a network, and no script that is not ours ran."""
    assert [entry for entry in chrome.get_log("browser") if entry["level"] in ("SEVERE", "WARNING")] == []
    asked = [e["message"] for e in chrome.get_log("performance") if '"Network.requestWillBeSent"' in e["message"]]
    assert asked
    assert not any('"url":"http' in message or '"url":"ws' in message for message in asked)
