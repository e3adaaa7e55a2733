"""What the page and the terminal say of machines around the drive."""

from __future__ import annotations

from dataclasses import replace

from vibe.cli.shared.summary import facts
from vibe.core.drive_report import DriveReport
from vibe.core.health import Health, OutsideSource
from vibe.report.pages.drive_page import _view, render_drive

CHAIN = OutsideSource(
    name="rake <chain>", order=0.655172, hz=15.8552, per_turn=19, of="stage1.output", strength_db=6.2,
    points=["output side"], declared=True, hides=["stage1.lobe"],
    text="Rake <chain> at 0.6552 orders, 15.9 Hz: 19 per output turn; its impacts stand 6 dB against their band",
)  # fmt: skip


def with_sources(drive_report: DriveReport, *sources: OutsideSource) -> DriveReport:
    return replace(drive_report, health=drive_report.health.model_copy(update={"outside_sources": list(sources)}))


def test_the_page_has_a_section_only_where_something_was_detected(sound: DriveReport) -> None:
    detected = render_drive(_view(with_sources(sound, CHAIN)), live=False)
    assert "Machines around the drive" in detected
    assert "19 per output turn" in detected
    assert "rake <chain>" not in detected
    assert "Machines around the drive" not in render_drive(_view(sound), live=False)


def test_the_terminal_says_it_in_one_line(sound: DriveReport) -> None:
    said = [text for label, text in facts(with_sources(sound, CHAIN).health) if label == "outside"]
    assert said == [f"{CHAIN.text}; it hides 1 of this drive's tones"]
    assert not [label for label, _ in facts(sound.health) if label == "outside"]


def test_a_report_without_the_field_is_still_read(sound: DriveReport) -> None:
    """One that an earlier version wrote."""
    record = sound.health.model_dump(by_alias=True)
    del record["outside_sources"]
    assert Health.model_validate(record).outside_sources == []
