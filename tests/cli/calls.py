"""What the tests of the command line share: the text of a small drive, and what a call answered."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from tests.plant import drive_text

DRIVE = drive_text("T-1", name="Test drive", highest_rpm=1500, output_pins=6)


@dataclass(frozen=True)
class Answer:
    status: int
    out: str
    err: str

    @property
    def errors(self) -> list[str]:
        return [line for line in self.err.splitlines() if line.startswith("error: ")]


Vibe = Callable[..., Answer]
