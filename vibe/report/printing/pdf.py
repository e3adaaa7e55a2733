"""PDF from the same HTML that the screen shows. When it cannot be made, a sentence says so and the run goes on."""

from __future__ import annotations

import logging
import shutil
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path

from vibe.report.printing.fonts import environment
from vibe.report.printing.print_process import first_line
from vibe.report.printing.printer import PRINTER, DrawingError

_CHROMIUM_NAMES = ("chromium", "chromium-browser", "chrome", "google-chrome")
_CHROMIUM_LIMIT_S = 60
"""A page takes seconds; a browser that hangs is ended (our choice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pdf:
    """The document, or the remark that says why there is none; with a document, what it does not show."""

    content: bytes | None
    remark: str = ""


def make_pdf(html: str) -> Pdf:
    """Print ``html`` (self-contained: every picture inside) to PDF.

    Uses weasyprint, in a process of its own; where it or its system library is missing, an installed Chromium. Both are
    given the letters that come with vibe, and no others. Never raises for what a machine lacks.
    """
    reasons = []
    for name, maker in (("weasyprint", _by_weasyprint), ("chromium", _by_chromium)):
        try:
            content, remark = maker(html)
            return Pdf(content=content, remark=remark)
        except (ImportError, OSError, DrawingError) as error:
            reasons.append(f"{name}: {first_line(error)}")
        except Exception as error:  # a renderer's own fault must not cost the run its other results
            logging.getLogger(__name__).exception("%s failed", name)
            reasons.append(f"{name}: {first_line(error)}")
    return Pdf(content=None, remark=f"PDF could not be made ({'; '.join(reasons)}); print the HTML page instead")


def warm_up() -> None:
    """Let the process that draws load its libraries while something else is done."""
    PRINTER.warm_up()


def _by_weasyprint(html: str) -> tuple[bytes, str]:
    return PRINTER.draw(html)


def _by_chromium(html: str) -> tuple[bytes, str]:
    program = next((found for name in _CHROMIUM_NAMES if (found := shutil.which(name))), None)
    if program is None:
        raise OSError("no Chromium is installed")
    with tempfile.TemporaryDirectory() as folder:
        page, target = Path(folder, "page.html"), Path(folder, "page.pdf")
        page.write_text(html, encoding="utf-8")
        command = [
            program, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
            "--disable-background-networking", "--disable-component-update", "--disable-sync",
            f"--user-data-dir={folder}/profile", "--no-pdf-header-footer", f"--print-to-pdf={target}", page.as_uri(),
        ]  # fmt: skip
        try:
            subprocess.run(
                command, check=True, capture_output=True, timeout=_CHROMIUM_LIMIT_S, env=environment(Path(folder))
            )
        except (subprocess.CalledProcessError, subprocess.TimeoutExpired) as error:
            raise OSError(f"{Path(program).name} did not print the page") from error
        return target.read_bytes(), ""
