"""The command starts at once: nothing heavy is loaded before it is needed."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from tests.cli.calls import Vibe
from vibe import __version__
from vibe.cli.main import app

COMMANDS = ["demo", "run", "diagnose", "tones", "plan", "check", "simulate", "inbox", "schema", "guide"]
HEAVY = {"numpy", "scipy", "pandas", "matplotlib", "h5py", "pyarrow", "bokeh", "pywt", "weasyprint", "pydantic", "rich"}


LATE = {"scipy.interpolate", "scipy.optimize", "scipy.signal", "scipy.stats", "pandas", "matplotlib", "bokeh", "pywt"}
"""Libraries that take longer to load than a capture takes to analyse, or nearly so, and that no finding needs."""


def test_importing_the_command_line_loads_no_science() -> None:
    code = "import sys, vibe.cli.main; print(*sorted({name.split('.')[0] for name in sys.modules}))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert not HEAVY & set(done.stdout.split())


def test_a_diagnosis_loads_no_library_that_it_can_do_without(repository: Path) -> None:
    sample = repository / "sample_signals/TH-01_thickener_rake_north.h5"
    drive = repository / "configs/drives/thickener_rake_north.toml"
    code = (
        "import sys, io, contextlib\nfrom vibe.cli.main import app\n"
        "with contextlib.redirect_stdout(io.StringIO()):\n"
        f"    app(['diagnose', {str(sample)!r}, '--drive', {str(drive)!r}, '--json', '-'],"
        " standalone_mode=False)\n"
        "print(*sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = set(done.stdout.split())
    assert "scipy.fft" in loaded
    assert not LATE & loaded


def test_help_is_instant() -> None:
    """In processor time, its own: others may share the machine."""

    def seconds() -> float:
        before = os.times()
        subprocess.run([sys.executable, "-m", "vibe.cli.main", "--help"], capture_output=True, check=True)
        after = os.times()
        return after.children_user + after.children_system - before.children_user - before.children_system

    assert 0.0 < min(seconds() for _ in range(2)) < 0.3


def test_help_names_every_command_in_full_sentences(vibe: Vibe) -> None:
    answer = vibe("--help")
    assert answer.status == 0
    for command in COMMANDS:
        line = next(line for line in answer.out.splitlines() if line.startswith(f"  {command} "))
        assert line.endswith((".", "?"))
        assert not line.endswith("...")


@pytest.mark.parametrize("command", COMMANDS)
def test_every_option_is_explained(command: str) -> None:
    import typer

    known = typer.main.get_command(app).commands[command]  # type: ignore[attr-defined]
    for option in known.params:
        assert getattr(option, "help", None), f"{command} {option.name}"
    assert CliRunner().invoke(app, [command, "--help"]).exit_code == 0


def test_version(vibe: Vibe) -> None:
    assert vibe("--version").out == f"vibe {__version__}\n"


@pytest.mark.parametrize(
    "words",
    [
        ["nonsense"],
        ["tones"],
        ["tones", "x.toml", "--speed-rpm", "fast"],
        ["run", "r.toml", "--workers", "0"],
        ["schema", "poem"],
        ["diagnose", "x.h5"],
    ],
)
def test_a_wrong_call_is_status_2_and_says_why_on_standard_error(vibe: Vibe, words: list[str]) -> None:
    answer = vibe(*words)
    assert answer.status == 2
    assert answer.out == ""
    assert "Error: " in answer.err
    assert "Traceback" not in answer.err
