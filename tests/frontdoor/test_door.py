"""The door opens at once: nothing is loaded before it is used."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

import vibe

ROOT = Path(__file__).resolve().parents[2]


def stated(code: str) -> str:
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)
    return done.stdout.strip()


def test_importing_loads_one_module_and_takes_no_time() -> None:
    code = (
        "import sys, time; start = time.process_time(); import vibe; took = time.process_time() - start; "
        "print(1e3 * took, *(name for name in sys.modules if name.startswith('vibe')))"
    )
    runs = [stated(code).split() for _ in range(5)]
    assert all(names == ["vibe"] for _, *names in runs)
    assert min(float(took_ms) for took_ms, *_ in runs) < 50


def test_errors_load_neither_arrays_nor_tables() -> None:
    code = "import sys, vibe; vibe.VibeError; print(*{'numpy', 'pandas', 'scipy', 'matplotlib'} & set(sys.modules))"
    assert stated(code) == ""


@pytest.mark.parametrize("name", vibe.__all__)
def test_every_name_is_there_and_says_what_it_is(name: str) -> None:
    assert name in dir(vibe)
    assert (getattr(vibe, name).__doc__ or "").strip()


def test_a_name_that_is_not_there_is_no_name() -> None:
    with pytest.raises(AttributeError, match="has no attribute 'diagnoze'"):
        vibe.diagnoze  # noqa: B018


def test_every_error_is_of_one_tree() -> None:
    for name in ("CallError", "CaptureError", "ConfigError", "OutputError"):
        assert issubclass(getattr(vibe, name), vibe.VibeError)


def test_types_are_shown_to_checkers() -> None:
    assert (ROOT / "vibe" / "py.typed").is_file()
