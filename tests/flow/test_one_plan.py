"""One plan, one answer: report, plan, sheet, check and remedies name the same settings for the same drive."""

from __future__ import annotations

import csv
import io
import re
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from vibe.core.capture import Capture, Channel
from vibe.core.drive import Drive
from vibe.core.route.route import Route, RoutePoint, Stop
from vibe.core.tones import CapturePlan, CaptureSettings, ToneTable
from vibe.flow.commissioning.requirements import Evidence
from vibe.flow.commissioning.requirements import _long_enough as long_enough
from vibe.flow.diagnose.drive_diagnosis import drive_report_from
from vibe.flow.route.capture_check import check_capture
from vibe.flow.route.field_check import against_plan as against
from vibe.flow.run.field_verdicts import checked_report
from vibe.flow.settings import load_settings, tones_of
from vibe.ingest import load_model
from vibe.ingest.route.field_rules import FieldRules
from vibe.kinematics.planning.capture_plan import capture_plan
from vibe.kinematics.planning.observability import PROOF_REPEATS, needed_duration_s, visibility, with_planned_needs
from vibe.kinematics.planning.route_settings import route_plan, stop_plan
from vibe.kinematics.tone_table import tone_table
from vibe.report.pages.plan_sheet import plan_csv, plan_html
from vibe.report.pages.route_sheet import route_csv, route_html

ROOT = Path(__file__).resolve().parents[2]
SHIPPED = sorted((ROOT / "configs" / "drives").glob("*.toml"))
RANDOM = 6
G = 9.80665


def random_drive(seed: int) -> Drive:
    rng = np.random.default_rng([seed, 15])
    lobes, rpm = int(rng.integers(6, 90)), float(rng.uniform(300, 2900))
    stage = {"kind": "cycloidal", "lobes": lobes, "ring_pins": lobes + 1, "output_pins": int(rng.integers(6, 14)),
             "discs": 2, "fixed": "ring"}  # fmt: skip
    bearing = {"name": "output bearing", "inner": "stage1.output", "outer": "housing", "elements": 16,
               "element_diameter_mm": 11.0, "pitch_diameter_mm": float(rng.uniform(70, 130))}  # fmt: skip
    return Drive.model_validate(
        {"tag": f"R-{seed}", "stage": [stage], "bearing": [bearing],
         "input": {"speed_rpm": rpm, "speed_range_rpm": [0.97 * rpm, 1.03 * rpm], "power_kw": 4.0}}
    )  # fmt: skip


@pytest.fixture(params=[*(path.stem for path in SHIPPED), *range(RANDOM)])
def pair(request: pytest.FixtureRequest) -> tuple[Drive, ToneTable]:
    if isinstance(request.param, int):
        drive = random_drive(request.param)
        return drive, tone_table(drive)
    return tones_of(ROOT / "configs" / "drives" / f"{request.param}.toml")


@pytest.fixture(scope="module")
def rules() -> FieldRules:
    return load_model(ROOT / "configs" / "on_the_spot.toml", FieldRules)


def plain(page: str) -> str:
    return " ".join(re.sub(r"<[^>]*>", " ", page).replace("\u00a0", " ").split())


def shown(plan: CapturePlan) -> tuple[str, str, str]:
    """As pages write it: rate, number and length, range."""
    return (f"{plan.sample_rate_hz / 1000:g} kHz", f"{plan.captures} × {plan.duration_s:g} s",
            f"± {plan.sensor_range_m_s2:g} m/s²")  # fmt: skip


def capture(plan: CapturePlan, *, seconds: float, rate_hz: float, cut: bool = False) -> Capture:
    rng = np.random.default_rng(1)
    time_s = np.arange(round(seconds * rate_hz)) / rate_hz
    x = rng.standard_normal(time_s.size) + 4 * np.sin(2 * np.pi * 0.1 * rate_hz * time_s)
    x = np.clip(x, -3, 3) if cut else x
    channel = Channel(
        name="P1", samples=x.astype(np.float32), sample_rate_hz=rate_hz, quantity="acceleration", recorded_unit="m/s^2"
    )
    return Capture(source=Path("a.h5"), sha256="", channels=(channel,), drive=plan.drive)


def test_every_place_names_the_settings_of_the_plan(pair: tuple[Drive, ToneTable], rules: FieldRules) -> None:
    drive, table = pair
    stop = Stop(drive=drive.tag, point=[RoutePoint(name="P1"), RoutePoint(name="P2", mounting="magnet")])
    for asked in (None, 1):
        route = Route(title="Walk", drives=["*.toml"], stop=[stop], captures=asked)
        plan = capture_plan(drive, table, captures=asked)
        at_stop = stop_plan(drive, table, stop, route)
        assert at_stop.plan == plan
        for point in at_stop.points:
            assert (point.sample_rate_hz, point.duration_s, point.captures, point.sensor_range_m_s2) == (
                plan.sample_rate_hz, plan.duration_s, plan.captures, plan.sensor_range_m_s2
            )  # fmt: skip
        whole = route_plan(route, [at_stop])
        report = checked_report(drive_report_from(drive, table, [], SETTINGS), (), (), SETTINGS, asked)
        assert report.plan == plan
        for page in (plan_html([plan]), route_html(whole, ()), report_html(report)):
            text = plain(page)
            assert [one for one in shown(plan) if one not in text] == []
            assert {int(n) for n in re.findall(r"(\d+) captures?:", text)} <= {plan.captures}
        for text in (plan_csv([plan]), route_csv(whole)):
            for row in csv.DictReader(io.StringIO(text)):
                assert float(row["duration_s"]) == plan.duration_s
                assert float(row["sample_rate_hz"]) == plan.sample_rate_hz
                assert int(row["captures"]) == plan.captures
                assert float(row["sensor_range_m_s2"]) == plan.sensor_range_m_s2


def test_remedies_name_the_settings_of_the_plan(pair: tuple[Drive, ToneTable], rules: FieldRules) -> None:
    drive, table = pair
    plan = capture_plan(drive, table)
    low_hz = 2.0 * drive.input.speed_hz
    few_s = 2.0 / drive.input.speed_hz  # two turns of the input
    cases = {
        "clipped": (capture(plan, seconds=4, rate_hz=8192, cut=True), f"±{plan.sensor_range_m_s2:g} m/s²"),
        "too_short": (capture(plan, seconds=max(few_s, 600 / 8192), rate_hz=8192), f"{plan.duration_s:g} s"),
        "sample_rate_low": (capture(plan, seconds=4000 / low_hz, rate_hz=low_hz), f"{plan.sample_rate_hz:g} Hz"),
    }
    for code, (taken, setting) in cases.items():
        (quality,) = check_capture(taken, speed_hz=drive.input.speed_hz, planned=plan.settings).quality
        (remedy,) = [reason.remedy for reason in quality.reasons if reason.code == code]
        assert setting in remedy, code
        assert "repeat the measurement" in remedy, code
    at_stop = stop_plan(drive, table, Stop(drive=drive.tag, point=[RoutePoint(name="P1")]), ONE_POINT)
    promised = {view.tone for view in plan.visibility if view.seen}
    short = capture(plan, seconds=0.3 * plan.duration_s, rate_hz=2048).channels[0]
    reasons = against(short, 1, at_stop.points[0], promised, table, drive.input.speed_hz, rules)
    asked = {reason.code: reason.remedy for reason in reasons}
    assert f"{plan.duration_s:.3g} s" in asked.get("too_short", asked.get("short", ""))
    assert f"{plan.sample_rate_hz:.0f} Hz" in asked["too_slow"]


def test_what_a_capture_could_not_show_needs_the_planned_one(pair: tuple[Drive, ToneTable]) -> None:
    drive, table = pair
    plan = capture_plan(drive, table)
    settings = CaptureSettings(duration_s=0.7, sample_rate_hz=3000.0, usable_band_hz=(2.0, 1170.0))
    views = with_planned_needs(visibility(table, settings, drive.input.speed_hz), plan)
    shows = {view.tone for view in plan.visibility if view.seen}
    lost = [view for view in views if not view.seen and view.tone in shows]
    assert lost
    assert {view.needs for view in lost} == {
        f"the planned capture: {plan.duration_s:g} s at {plan.sample_rate_hz:.0f} Hz"
    }


def test_no_cage_is_missed_for_a_tenth_of_the_length(pair: tuple[Drive, ToneTable]) -> None:
    """What would take more is named, with the length from which on it shows."""
    drive, table = pair
    plan = capture_plan(drive, table)
    needs = {tone.id: needed_duration_s(tone, table, drive.input.speed_hz)[0]
             for tone in table.tones if tone.family == "cage"}  # fmt: skip
    longer = {tone: need for tone, need in needs.items() if need > plan.duration_s}
    assert all(need > 1.09 * plan.duration_s for need in longer.values())
    why = next(reason for reason in plan.reasons if reason.startswith("duration"))
    assert ("not lengthened for" in why) is bool(longer)


def report_html(report: object) -> str:
    from vibe.report.pages import drive_page

    return drive_page.render_drive(drive_page._view(report), live=False)  # type: ignore[arg-type]


SETTINGS = load_settings()
ONE_POINT = Route(title="Walk", drives=["*.toml"], stop=[Stop(drive="X", point=[RoutePoint(name="P1")])])


def test_plan_and_certificate_state_one_length_for_each_part(pair: tuple[Drive, ToneTable]) -> None:
    """The plan before an acceptance, and what a certificate asks for where a part was not shown by short captures."""
    drive, table = pair
    plan = capture_plan(drive, table)
    parts: dict[str, list[str]] = {}
    for tone in table.tones:
        if tone.damage:
            parts.setdefault(tone.component, []).append(tone.id)
    proof = {one.part: one.duration_s for one in plan.proof}
    assert set(proof) == set(parts)
    evidence = cast("Evidence", SimpleNamespace(table=table, drive=drive, looked=()))
    for part, tones in parts.items():
        own = [table.tone(tone) for tone in tones]
        assert long_enough(evidence, tones) == proof[part]
        assert proof[part] >= PROOF_REPEATS / (min(tone.order for tone in own) * drive.input.speed_hz) * (1 - 1e-9)
        # What is long enough to say that a part is sound shows one of its tones at all.
        assert proof[part] >= min(needed_duration_s(tone, table, drive.input.speed_hz)[0] for tone in own) * (1 - 1e-9)
        if proof[part] > plan.duration_s:
            assert f"{proof[part]:.0f} s for {part}" in plan.reasons[-1]
        # A capture as long as that is not asked to be longer.
        enough = SimpleNamespace(fit=True, duration_s=proof[part])
        settled = cast("Evidence", SimpleNamespace(table=table, drive=drive, looked=(enough,)))
        assert long_enough(settled, tones) is None
