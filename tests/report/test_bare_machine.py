"""On a machine without a browser and without Pango, tests of pages pass or skip with the reason; none fails."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
TESTS = (
    "tests/report/test_report_browser.py::test_page_zooms_and_hovers_offline",
    "tests/report/test_hostile_pages.py::test_in_a_browser_nothing_runs_nothing_complains_and_nothing_leaves",
    "tests/report/test_guide_pages.py::test_nothing_runs_off_a_small_screen",
    "tests/desk/test_desk_browser.py",
    "tests/report/test_report_pages.py",
    "tests/report/test_printed.py",
)
"""Those that open a page, those that draw a PDF, and those that need neither."""


def test_tests_of_pages_pass_or_say_what_they_lack(tmp_path: Path) -> None:
    (tmp_path / "weasyprint.py").write_text("raise OSError('cannot load library libpango')\n", encoding="utf-8")
    (tmp_path / "bin").mkdir()
    bare = {"PATH": str(tmp_path / "bin"), "PYTHONPATH": os.pathsep.join([str(tmp_path), str(ROOT)])}
    left_out = {"PYTEST_XDIST_WORKER", "PYTEST_ADDOPTS"}
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-rs", "-p", "no:cacheprovider", *TESTS],
        env={name: value for name, value in os.environ.items() if name not in left_out} | bare,
        capture_output=True, text=True, cwd=ROOT, timeout=300,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout
    passed, skipped = (int((re.search(rf"(\d+) {word}", done.stdout) or [0, 0])[1]) for word in ("passed", "skipped"))
    assert passed > 5, done.stdout
    assert skipped > 5, done.stdout
    reasons = set(re.findall(r"^SKIPPED \[\d+\] \S+: (.*)$", done.stdout, re.MULTILINE))
    of_pango = {reason for reason in reasons if reason.endswith("cannot load library libpango")}
    assert of_pango
    assert reasons - of_pango == {"needs chromium and chromedriver on PATH"}
