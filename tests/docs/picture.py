"""The picture of a drive report in README.md and the guide: ``python tests/docs/picture.py``, needs Chromium."""

from __future__ import annotations

import subprocess
import tempfile
from pathlib import Path

from PIL import Image

ROOT = Path(__file__).resolve().parents[2]
WHERE = ROOT / "vibe" / "guide" / "pictures" / "report.png"
CAPTURE = ROOT / "sample_signals" / "SP-01_screw_press_1.h5"
DRIVE = ROOT / "configs" / "drives" / "screw_press_1.toml"
WIDTH, HEIGHT = 1100, 1500
COLOURS = 48


def main() -> None:
    """Judge the sample capture, photograph the top of its page, and keep few colours."""
    from vibe.cli.main import main as vibe

    with tempfile.TemporaryDirectory() as place:
        try:
            vibe(["diagnose", str(CAPTURE), "--drive", str(DRIVE), "--no-pdf", "--out", place])
        except SystemExit as end:
            if end.code:
                raise
        shot = Path(place) / "page.png"
        page = next(Path(place).rglob("health.html"))
        subprocess.run(
            [
                "chromium", "--headless", "--no-sandbox", f"--screenshot={shot}", "--hide-scrollbars",
                f"--window-size={WIDTH},{HEIGHT}", page.as_uri(),
            ],
            check=True, capture_output=True,
        )  # fmt: skip
        with Image.open(shot) as seen:
            few = seen.convert("RGB").quantize(COLOURS)
        few.save(WHERE, optimize=True)


if __name__ == "__main__":
    main()
