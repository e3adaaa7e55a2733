"""Every sample drive, as a user would have it diagnosed, against what is truly in its capture."""

from __future__ import annotations

import json
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import jsonschema
import pytest

from vibe.core.drive_report import DriveReport
from vibe.core.evidence import SpectrumPlot
from vibe.core.health import Health
from vibe.flow.diagnose import drive_diagnosis
from vibe.flow.diagnose.figures import HIGHEST_HZ
from vibe.flow.settings import tones_of

if TYPE_CHECKING:
    from vibe.flow.settings import Settings

ROOT = Path(__file__).resolve().parents[2]
TRUTH: list[dict[str, Any]] = tomllib.loads((ROOT / "sample_signals" / "truth.toml").read_text(encoding="utf-8"))[
    "capture"
]


@dataclass(frozen=True)
class Stated:
    truth: dict[str, Any]
    drive_report: DriveReport

    @property
    def health(self) -> Health:
        return self.drive_report.health


@pytest.fixture(scope="module", params=TRUTH, ids=[row["tag"] for row in TRUTH])
def stated(request: pytest.FixtureRequest, settings: Settings) -> Stated:
    drive, table = tones_of(ROOT / "configs" / "drives" / request.param["drive"])
    capture = ROOT / "sample_signals" / request.param["file"]
    return Stated(truth=request.param, drive_report=drive_diagnosis.drive_report_of(drive, table, [capture], settings))


def test_the_right_finding_comes_first_and_sound_drives_have_none(stated: Stated) -> None:
    findings, truth = stated.health.findings, stated.truth
    if truth["sound"]:
        assert {finding.component for finding in findings} <= {"sensor"}
        assert bool(findings) == (truth.get("component") == "sensor")
        return
    first = findings[0]
    assert first.tone == truth.get("tone")
    if first.tone is None:
        assert (first.component, first.defect) == (truth["component"], truth["defect"])
    assert set(truth.get("cannot_be_told_from", [])) <= set(first.cannot_be_told_from)
    assert first.probability > 0.6
    assert first.why
    assert first.advice
    # One cause, one finding: nothing else is accused.
    assert [finding.component for finding in findings[1:]] == []


def test_the_state_follows(stated: Stated) -> None:
    state = stated.health.state
    assert stated.health.state_rule
    assert stated.health.sentence
    if stated.truth.get("component") == "sensor":
        assert state == "unknown"
    elif stated.truth["sound"]:
        assert state == "sound"
    else:
        assert state in {"watch", "plan", "act"}


def test_the_speed_is_the_true_one(stated: Stated) -> None:
    speed = stated.health.speed
    assert speed.input_hz is not None
    assert speed.method == ("tachometer" if stated.truth["tag"] in {"SP-01", "CS-01"} else "signal")
    # One ten-thousandth keeps the tenth harmonic of any comb in its bin over ten seconds.
    assert speed.input_hz == pytest.approx(stated.truth["speed_rpm"] / 60.0, rel=1e-4)


def test_the_json_validates_and_says_what_was_found(stated: Stated) -> None:
    text = stated.health.model_dump_json(by_alias=True)
    said = json.loads(text)
    jsonschema.validate(
        said,
        Health.model_json_schema(by_alias=True, mode="serialization"),
        cls=jsonschema.Draft202012Validator,
    )
    assert said["schema"] == "vibe.health/1"
    assert said["drive"] == stated.truth["tag"]
    assert {"state", "state_rule", "captures", "speed", "findings", "levels", "not_observable", "cautions"} <= set(said)
    for finding in said["findings"]:
        assert {
            "tone",
            "component",
            "defect",
            "probability",
            "false_alarm_probability",
            "severity",
            "growth_db",
        } <= set(finding)
    assert said["captures"][0]["file"] == stated.truth["file"]
    assert said["cautions"]
    assert "NaN" not in text
    assert "Infinity" not in text


def test_every_finding_and_every_channel_has_its_picture(stated: Stated) -> None:
    drive_report = stated.drive_report
    assert len(drive_report.finding_plots) == len(drive_report.health.findings)
    for finding, shown in zip(drive_report.health.findings, drive_report.finding_plots, strict=True):
        assert bool(shown) == (finding.component != "sensor")
        assert all(plot.title and plot.caption for plot in shown)
    fit = [c for capture in drive_report.health.captures for c in capture.channels if c.quality != "rejected"]
    assert drive_report.overview_plots or not fit
    spectra = [
        plot for plot in drive_report.overview_plots if isinstance(plot, SpectrumPlot) and "Velocity" in plot.title
    ]
    assert bool(spectra) == bool(fit)
    for plot in spectra:  # the caption names what is marked within the picture, and nothing else
        assert all(mark.at <= HIGHEST_HZ for mark in plot.marks)
        assert ("mesh" in plot.caption) == any("mesh" in mark.label for mark in plot.marks)


def test_what_could_not_be_seen_is_said(stated: Stated) -> None:
    unseen = {item.tone: item for item in stated.health.not_observable}
    assert all(item.why and item.needs for item in unseen.values())
    known = {tone.id for tone in stated.drive_report.tones.tones}
    assert set(unseen) <= known
    if stated.truth["tag"] == "TH-01":  # eight seconds hold one turn of the rake
        assert any(tone.startswith("stage2.") for tone in unseen)
    assert not {finding.tone for finding in stated.health.findings} & set(unseen)
