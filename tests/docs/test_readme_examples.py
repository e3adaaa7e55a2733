"""What README.md tells a user to write must be accepted."""

from __future__ import annotations

import re
import shutil
import tomllib
from pathlib import Path

import pytest

from vibe.core.drive import Drive
from vibe.core.recipe import Recipe
from vibe.core.route import Route
from vibe.ingest.file_rules import names_of
from vibe.ingest.sidecar import Sidecar

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
EXAMPLES = [tomllib.loads(text) for text in re.findall(r"```toml\n(.*?)```", README, re.DOTALL)]


def form_of(example: dict[str, object]) -> type[Drive | Recipe | Route | Sidecar]:
    if "stop" in example:
        return Route
    if "kind" in example:
        return Recipe
    return Drive if "input" in example else Sidecar


@pytest.mark.parametrize("example", EXAMPLES, ids=[form_of(example).__name__ for example in EXAMPLES])
def test_every_toml_example_is_of_its_form(example: dict[str, object]) -> None:
    made = form_of(example).model_validate(example)
    if isinstance(made, Route):
        assert names_of(made).rules


@pytest.mark.parametrize("example", re.findall(r"```python\n(.*?)```", README, re.DOTALL))
def test_the_python_example_runs(
    example: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    import matplotlib as mpl

    mpl.use("agg")
    import matplotlib.pyplot as plt

    for folder in ("configs", "sample_signals"):
        shutil.copytree(ROOT / folder, tmp_path / folder)
    monkeypatch.chdir(tmp_path)
    exec(compile(example, "README.md", "exec"), {})
    assert "stage1.lobe" in capsys.readouterr().out
    assert plt.get_fignums()
    plt.close("all")
    assert (tmp_path / "out" / "health.json").is_file()


def test_there_is_a_python_example_of_at_most_25_lines() -> None:
    (section,) = re.findall(r"## In Python\n(.*?)\n## ", README, re.DOTALL)
    assert "```python" in section
    assert section.count("\n") <= 25


def test_each_form_has_an_example() -> None:
    assert {form_of(example) for example in EXAMPLES} == {Drive, Recipe, Route, Sidecar}


def test_every_command_of_the_table_is_there_and_the_other_way_round() -> None:
    from vibe.cli.main import app

    named = set(re.findall(r"^\| `vibe ([a-z]+)", README, re.MULTILINE))
    there = {command.name for command in app.registered_commands} | {
        group.name or group.typer_instance.info.name for group in app.registered_groups
    }
    assert named == there


def test_files_that_readme_names_are_there() -> None:
    named = set(re.findall(r"(?:configs|pipelines|sample_signals|tests)/[\w./-]*\w", README))
    assert [name for name in sorted(named) if not (ROOT / name).exists()] == []
