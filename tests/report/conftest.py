"""Made-up drive reports and pictures for every test of pages."""

from __future__ import annotations

import pytest

from tests.report.drive_reports import (
    damaged_drive_report,
    envelope_spectrum,
    sound_drive_report,
    turn_map,
    unknown_drive_report,
    velocity_spectrum,
    waveform,
)
from vibe.core.drive_report import DriveReport
from vibe.core.evidence import PlotData


@pytest.fixture
def damaged() -> DriveReport:
    return damaged_drive_report()


@pytest.fixture
def sound() -> DriveReport:
    return sound_drive_report()


@pytest.fixture
def unknown() -> DriveReport:
    return unknown_drive_report()


@pytest.fixture
def plots() -> dict[str, PlotData]:
    return {
        "envelope": envelope_spectrum(),
        "velocity": velocity_spectrum(),
        "map": turn_map(),
        "waveform": waveform(),
    }
