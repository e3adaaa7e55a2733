"""Drive reports, capture plans, route sheets and the guide on paper."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from tests.report import printed
from tests.report.test_route_sheet import CAUTIONS, point, route, stop
from vibe.core.drive_report import DriveReport
from vibe.report.pages.drive_page import write_drive
from vibe.report.pages.guide_pages import topic_page
from vibe.report.pages.guide_topics import read_topics
from vibe.report.pages.plan_sheet import write_plan_sheet
from vibe.report.pages.route_sheet import write_route_plan
from vibe.report.printing.pdf import make_pdf

pytestmark = pytest.mark.usefixtures("printing")
HEADINGS = (
    "Findings",
    "Overall signal",
    "Levels",
    "Not detectable with this capture",
    "Tones of this drive",
    "Next capture",
)


@pytest.mark.parametrize("name", ["damaged", "sound", "unknown"])
def test_a_drive_report(name: str, request: pytest.FixtureRequest, tmp_path: Path) -> None:
    drive_report: DriveReport = request.getfixturevalue(name)
    made = write_drive(drive_report, tmp_path, force=False)
    assert made.pdf is not None
    health = drive_report.health
    pages = printed.check(made.pdf.read_bytes(), title=f"{health.drive}: {health.state}")
    for page in pages:
        lines = page.strip().split("\n")
        assert lines[-1].startswith(health.drive), "what runs in the margin comes last"
        assert lines[-2] not in HEADINGS, "a heading without what it heads"
        assert not lines[-2].startswith(("Evidence (", "Tone ")), "what stands over a table, without it"
    assert "How this was made" in pages[-1]


def test_a_route_sheet_keeps_each_stop_on_one_page(tmp_path: Path) -> None:
    tags = [f"ST-{i:02d}" for i in range(4)]
    plan = route(*(stop(tag, point("input side radial"), point("output side radial")) for tag in tags))
    made = write_route_plan(plan, tmp_path, force=False, cautions=CAUTIONS)
    assert made.pdf is not None
    pages = printed.check(made.pdf.read_bytes(), title=plan.title)
    walk = [page for page in pages if "What stays unseen" not in page]
    assert len(walk) > 1
    for tag in tags:
        (page,) = (page for page in walk if tag in page)
        after = page.split(tag, 1)[1].split("ST-", 1)[0]
        assert "input side" in after
        assert "output side" in after


def test_a_capture_plan(damaged: DriveReport, tmp_path: Path) -> None:
    assert damaged.plan is not None
    plans = [replace(damaged.plan, drive=tag) for tag in ("TH-01", "TH-02", "TH-03", "TH-04", "TH-05")]
    made = write_plan_sheet(plans, tmp_path, force=False)
    assert made.pdf is not None
    assert "Cautions" in printed.check(made.pdf.read_bytes(), title="Capture plan")[0]


@pytest.mark.parametrize("name", ["theory", "technician"])
def test_a_topic_of_the_guide(name: str) -> None:
    topics = read_topics({"commands": ""})
    (topic,) = (one for one in topics if one.name == name)
    made = make_pdf(topic_page(topic, topics, "vibe"))
    assert made.content is not None
    pages = printed.check(made.content, title=topic.title)
    assert topic.title in pages[0]
    assert "All topics" not in pages[0]
