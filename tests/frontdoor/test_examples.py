"""Every example in a docstring of the front door runs, from the files of one drive and nothing else."""

from __future__ import annotations

import doctest
import shutil
from pathlib import Path

import pytest

import vibe
from vibe.api import errors

PLACES = {
    "Drive": vibe.Drive, "read_drive": vibe.read_drive, "tones": vibe.tones, "plan": vibe.plan, "read": vibe.read,
    "Capture": vibe.Capture.from_arrays, "check": vibe.check, "simulate": vibe.simulate, "identify": vibe.identify,
    "diagnose": vibe.diagnose, "Result": vibe.Result, "open_store": vibe.open_store, "VibeError": errors,
}  # fmt: skip
SHOWN_WITH = {
    "Store": "open_store", "CallError": "VibeError", "CaptureError": "VibeError", "ConfigError": "VibeError",
    "OutputError": "VibeError",
}  # fmt: skip


def test_every_public_name_has_an_example() -> None:
    assert set(vibe.__all__) == PLACES.keys() | SHOWN_WITH.keys()


@pytest.mark.parametrize("name", PLACES)
def test_the_example_does_what_it_says(
    name: str, repository: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shutil.copy(repository / "configs" / "drives" / "thickener_rake_south.toml", tmp_path / "TH-02.toml")
    shutil.copy(repository / "sample_signals" / "TH-02_thickener_rake_south.h5", tmp_path / "TH-02.h5")
    monkeypatch.chdir(tmp_path)
    example = doctest.DocTestParser().get_doctest(PLACES[name].__doc__ or "", {}, name, None, 0)
    assert example.examples
    stated: list[str] = []
    outcome = doctest.DocTestRunner(verbose=False).run(example, out=stated.append)
    assert outcome.failed == 0, "".join(stated)
