"""The line that says how far a round is: its counts add up to the points that the plan wants."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

from vibe.cli.round import _in_short
from vibe.core.route.round_check import Completeness, FieldVerdict, FileSeen, Missing, PointSeen


def seen(point: str, verdict: FieldVerdict, error: str | None = None) -> FileSeen:
    points = () if error else (PointSeen(point=point, verdict=verdict),)
    return FileSeen(path=Path(f"{point}.h5"), drive="A", points=points, error=error)


def missing(point: str | None, **changed: Any) -> Missing:
    return Missing(drive="A", point=point, what="", remedy="", **changed)


def line(files: tuple[FileSeen, ...], gone: tuple[Missing, ...], points: int = 6) -> str:
    round_: Any = SimpleNamespace(points=points)
    return _in_short(Completeness(files=files, missing=gone), round_)


def test_every_point_is_counted_once() -> None:
    files = (
        seen("a", "accepted"), seen("b", "limited"), seen("C", "accepted"), seen("d", "retake"), seen("d", "retake"),
        seen("f", "accepted"), seen("f", "retake"), seen("", "extra", error="damaged"),
    )  # fmt: skip
    gone = (
        missing("c"), missing("d", taken=True), missing("e"), missing("x", known=True), missing(None),
    )  # fmt: skip
    assert line(files, gone) == (
        "3 of 6 points accepted; 3 needed: 1 repeat, 1 with more captures to come, 1 without a capture; "
        "1 note still to write; 1 file cannot be read."
    )


def test_a_round_is_complete_when_nothing_is_needed_though_a_first_try_failed() -> None:
    files = (seen("a", "retake"), seen("a", "accepted"))
    assert line(files, (missing("x", known=True),), points=1) == "1 of 1 points accepted. The round is complete."
    assert line((), (missing("a"),), points=1) == "0 of 1 points accepted; 1 needed: 1 without a capture."
