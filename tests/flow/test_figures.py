"""Which lines a picture marks as those that show a fault."""

from __future__ import annotations

import pytest

from vibe.core.health import EvidenceItem, Finding
from vibe.flow.diagnose.figures import shown_by

READ = ["0.5x", "1x", "2x", "2.5x", "3x", "stage1.mesh 1", "twice line", "twice line + pole pass"]


@pytest.mark.parametrize(
    ("component", "tone", "kind", "texts", "marked"),
    [
        ("input.shaft", None, "line", ["running speed, 24.50 Hz", "twice running speed"], ["1x", "2x"]),
        ("foundation", None, "line", ["1x", "2.5x", "3x"], ["1x", "2.5x", "3x"]),
        ("stage1.mesh", "stage1.mesh", "line", ["stage1.mesh 1"], ["stage1.mesh 1"]),
        ("motor", None, "line", ["twice line"], ["twice line", "twice line + pole pass"]),
        ("drive", None, "level", ["crest factor"], []),
    ],
)
def test_a_picture_marks_the_lines_that_show_the_fault(
    component: str, tone: str | None, kind: str, texts: list[str], marked: list[str]
) -> None:
    finding = Finding(
        tone=tone, component=component, defect="d", probability=0.9, false_alarm_probability=None, severity="slight",
        growth_db=None, cannot_be_told_from=[], advice="a", why="w",
        evidence=[EvidenceItem(kind=kind, text=text, value=1.0, unit="mm/s", channel="housing") for text in texts],
    )  # fmt: skip
    assert shown_by(finding, READ) == marked
