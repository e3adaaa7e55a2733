"""A weak sign on page, terminal, index and JSON: under its own heading, and nowhere as a reason to act."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from tests.report.drive_reports import damaged_drive_report, sound_drive_report
from tests.report.test_report_pages import read
from vibe.cli.shared.summary import facts
from vibe.core.drive_report import DriveReport
from vibe.core.health import Health
from vibe.report.pages.drive_page import write_drive
from vibe.report.pages.index_page import index_row


def with_weak_sign(kept: int = 0, probability: float = 0.04) -> DriveReport:
    """A sound drive's report with one, or a damaged one's of which the last of two findings is one."""
    damaged = damaged_drive_report()
    lobe, unbalance = damaged.health.findings
    weak = lobe.model_copy(
        update={"weak_sign": True, "probability": probability, "advice": "Nothing needs to be done: lobe"}
    )
    base = damaged if kept else sound_drive_report()
    findings = [unbalance, weak][1 - kept :]
    plots = damaged.finding_plots[::-1][1 - kept :]
    return replace(base, health=base.health.model_copy(update={"findings": findings}), finding_plots=plots)


@pytest.mark.parametrize("kept", [0, 1])
def test_a_weak_sign_stands_under_its_own_heading(tmp_path: Path, kept: int) -> None:
    one = with_weak_sign(kept)
    files = write_drive(one, tmp_path, force=False, pdf=False)
    page = read(files.html).text
    findings, signs = page.split("Too improbable to set the state", 1)
    assert "Local damage: lobe" not in findings.split("Findings", 1)[1]
    assert "Local damage: lobe" in signs
    assert "Probability 4 %" in signs
    assert "Nothing needs to be done: lobe" in signs
    assert ("Nothing but weak signs was found at a rate" in findings) is (kept == 0)
    assert page.count("Weak signs") == 1
    stated = Health.model_validate_json(files.json.read_text(encoding="utf-8")).findings
    assert [finding.weak_sign for finding in stated] == [False, True][1 - kept :]
    said = [(label, text) for label, text in facts(one.health) if label in ("finding", "weak sign")]
    assert [label for label, _ in said] == ["finding", "weak sign"]
    assert (said[0][1] == "none") is (kept == 0)
    assert said[1][1].startswith(f"{kept + 1}. Local damage: lobe")
    row = index_row(one, files)
    assert row.top_finding is not None
    assert row.top_finding.startswith("weak sign: ") is (kept == 0)


def test_without_one_there_is_no_such_heading(tmp_path: Path) -> None:
    for one in (damaged_drive_report(), sound_drive_report()):
        assert "Weak signs" not in read(write_drive(one, tmp_path, force=False, pdf=False).html).text


@pytest.mark.parametrize("kept", [0, 1])
def test_a_sign_too_faint_for_words_stands_in_the_json_alone(tmp_path: Path, kept: int) -> None:
    one = with_weak_sign(kept, probability=0.004)
    files = write_drive(one, tmp_path, force=False, pdf=False)
    page = read(files.html).text
    assert "Local damage: lobe" not in page
    assert "Weak signs" not in page
    assert "1 more weak sign of under 1 % stands in health.json alone." in page
    assert ("Nothing was found at a rate" in page) is (kept == 0)
    stated = Health.model_validate_json(files.json.read_text(encoding="utf-8")).findings
    assert [finding.weak_sign for finding in stated] == [False, True][1 - kept :]
    assert [label for label, _ in facts(one.health) if label in ("finding", "weak sign")] == ["finding"]
    row = index_row(one, files)
    assert (row.top_finding is None) is (kept == 0)
    assert "weak sign" not in (row.top_finding or "")
    assert (row.probability is None) is (kept == 0)


def test_what_words_can_say_has_its_row(tmp_path: Path) -> None:
    page = read(write_drive(with_weak_sign(probability=0.006), tmp_path, force=False, pdf=False).html).text
    assert "Weak signs" in page
    assert "in health.json alone" not in page
