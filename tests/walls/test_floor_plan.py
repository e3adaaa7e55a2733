"""The floor plan in DEVELOPERS.md is the tree as it stands; ``python -m tests.walls.test_floor_plan`` draws it anew."""

from __future__ import annotations

import re
import textwrap
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
ROOMS = (
    "core", "storage", "ingest", "kinematics", "spectra", "diagnosis", "health", "history", "report", "synth", "flow",
    "desk", "cli", "api",
)  # fmt: skip
PLAN = re.compile(r"(?<=## Floor plan\n\n```text\n).*?(?=```\n)", re.DOTALL)
COLUMN, WIDTH = 24, 120


def drawn() -> str:
    """Every room with its folders and files, in the order of the rooms."""
    lines: list[str] = []
    for room in ROOMS:
        top = ROOT / "vibe" / room
        for folder in sorted({top, *(path.parent for path in top.rglob("*.py"))}):
            names = sorted(path.stem for path in folder.glob("*.py") if path.stem != "__init__")
            if folder != top and not names:
                continue
            head = f"{'  ' * len(folder.relative_to(top).parts)}{folder.name}/".ljust(COLUMN)
            body = textwrap.wrap(", ".join(names), WIDTH - COLUMN) or [""]
            lines += [f"{head}{body[0]}".rstrip(), *(" " * COLUMN + more for more in body[1:])]
    return "\n".join(lines) + "\n"


def test_the_floor_plan_is_the_tree() -> None:
    found = PLAN.search((ROOT / "DEVELOPERS.md").read_text(encoding="utf-8"))
    assert found is not None
    assert found.group() == drawn(), "draw it anew: python -m tests.walls.test_floor_plan"


def test_every_room_is_on_the_plan() -> None:
    rooms = {path.parent.name for path in (ROOT / "vibe").glob("*/__init__.py")}
    assert rooms == set(ROOMS)


if __name__ == "__main__":
    page = ROOT / "DEVELOPERS.md"
    page.write_text(PLAN.sub(lambda _: drawn(), page.read_text(encoding="utf-8")), encoding="utf-8")
