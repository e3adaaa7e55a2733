"""The pictures of README.md and the guide, made again from what the commands write; needs Chromium and pdftoppm.

``python -m tests.docs.pictures`` makes all of them, or those whose names follow (``report``, ``certificate``, ...).
``--practice FOLDER`` is where ``vibe desk --practice`` put its sample history, for the queue and the desk; one that is
not there is made, which takes a minute or two.
"""

from __future__ import annotations

import argparse
import subprocess
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path

from tests.docs.photograph import browser_of, keep

ROOT = Path(__file__).resolve().parents[2]
WHERE = ROOT / "vibe" / "guide" / "pictures"
CAPTURE = ROOT / "sample_signals" / "SP-01_screw_press_1.h5"
DRIVE = ROOT / "configs" / "drives" / "screw_press_1.toml"
ROUTE = ROOT / "configs" / "routes" / "water_works.toml"
COLOURS = 48
PAPER_DPI = 80
"""An A4 page is then 662 points wide, as a page of the guide shows it."""


def report(place: Path, _practice: Path) -> None:
    """The top of the page of a drive with a damaged ring pin."""
    _vibe("diagnose", CAPTURE, "--drive", DRIVE, "--no-pdf", "--out", place)
    _photograph(next(place.rglob("health.html")), WHERE / "report.png", 1100, 1500)


def route_sheet(place: Path, _practice: Path) -> None:
    """The first page of the printed sheet of a route."""
    _vibe("plan", ROUTE, "--out", place)
    _first_page(place / "plan.pdf", WHERE / "route_sheet.png")


def phone_sheet(place: Path, _practice: Path) -> None:
    """One stop of the phone's sheet, ticked and filled in."""
    _vibe("plan", ROUTE, "--out", place, "--no-pdf")
    with browser_of(390, 960) as browser:
        browser.get((place / "phone.html").as_uri())
        browser.execute_script(FILLED_IN)
        keep(browser.get_screenshot_as_png(), WHERE / "phone_sheet.png", COLOURS)


def certificate(place: Path, _practice: Path) -> None:
    """The first page of the certificate of a good drive."""
    _vibe("practice", "--commissioning", "--out", place / "drives")
    good, recipe = place / "drives" / "good" / "commissioning.toml", ROOT / "pipelines" / "commissioning.toml"
    _vibe("run", recipe, "--captures", good, "--out", place / "out")
    _first_page(next((place / "out").rglob("certificate.pdf")), WHERE / "certificate.png")


def queue(place: Path, practice: Path) -> None:
    """The top of the page of the queue."""
    store = _history(practice)
    recipe = place / "alarms.toml"
    recipe.write_text(f'kind = "alarms"\ntitle = "Water works, alarms"\nstore = "{store}"\n', encoding="utf-8")
    _vibe("run", recipe, "--out", place / "out")
    _photograph(place / "out" / "queue.html", WHERE / "queue.png", 900, 892)


def desk(_place: Path, practice: Path) -> None:
    """The list of the desk."""
    from tests.docs.desk_picture import main as photograph_the_desk

    photograph_the_desk(_history(practice))


PICTURES: dict[str, Callable[[Path, Path], None]] = {
    one.__name__: one for one in (report, route_sheet, phone_sheet, certificate, queue, desk)
}


def main(argv: Sequence[str] | None = None) -> None:
    """Make the pictures that are named, or all."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("names", nargs="*", metavar="NAME", help=f"of {', '.join(PICTURES)}; all unless given")
    parser.add_argument("--practice", type=Path, default=Path("vibe-desk-practice"), metavar="FOLDER")
    asked = parser.parse_args(argv)
    for name in asked.names or PICTURES:
        with tempfile.TemporaryDirectory() as place:
            PICTURES[name](Path(place), asked.practice.resolve())


def _vibe(*arguments: object) -> None:
    from vibe.cli.main import main as vibe

    try:
        vibe([str(one) for one in arguments])
    except SystemExit as end:
        if end.code:
            raise


def _history(practice: Path) -> Path:
    from vibe.flow.cases.practice import practice_store

    return practice_store(out=practice, say=print)


FILLED_IN = """
const stop = document.getElementById("stop7");
for (const box of stop.querySelectorAll("input[type=checkbox]")) box.click();
for (const [column, text] of [["speed_rpm", "1456,5"], ["load_percent", "80"]]) {
    const field = stop.querySelector(`[data-column=${column}]`);
    field.value = text;
    field.dispatchEvent(new Event("input", {bubbles: true}));
}
window.scrollTo(0, stop.getBoundingClientRect().top + window.scrollY - 10);
"""


def _photograph(page: Path, to: Path, width: int, height: int) -> None:
    if not page.is_file():
        raise FileNotFoundError(page)
    with browser_of(width, height) as browser:
        browser.get(page.as_uri())
        keep(browser.get_screenshot_as_png(), to, COLOURS)


def _first_page(document: Path, to: Path) -> None:
    shot = document.with_name("page")
    subprocess.run(
        ["pdftoppm", "-r", str(PAPER_DPI), "-f", "1", "-singlefile", "-png", str(document), str(shot)], check=True
    )
    keep(shot.with_suffix(".png").read_bytes(), to, COLOURS)


if __name__ == "__main__":
    main()
