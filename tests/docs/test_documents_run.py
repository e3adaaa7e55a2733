"""What README.md and the guide tell a user to type is accepted: run where that is quick, else read by the parser."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
import typer

from tests.docs.documents import ALL, ROOT, Block, blocks, documents

LANGUAGES = {"sh", "bat", "python", "toml", "text"}
SETS_UP = ("python3", "python")
"""First words of the commands that set up the project; ``.ci/run`` runs them."""


def runs(block: Block) -> bool:
    return block.language in {"sh", "python"} and block.reason is None and not sets_up(block)


def sets_up(block: Block) -> bool:
    return block.language in {"sh", "bat"} and all(words[0] in SETS_UP for words in block.commands)


RUN = [name for name in documents() if any(runs(block) for block in blocks(name))]
SHELL = [block for block in ALL if block.language == "sh" and not sets_up(block)]


def place(block: Block) -> str:
    return f"{block.document}:{block.line}"


@pytest.fixture(scope="session")
def shipped(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The files that come along, apart from the clone, so that nothing is written into it."""
    folder = tmp_path_factory.mktemp("shipped")
    for name in ("configs", "pipelines", "sample_signals"):
        shutil.copytree(ROOT / name, folder / name)
    return folder


@pytest.mark.parametrize("name", RUN)
def test_what_is_said_to_run_runs(
    name: str, shipped: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Blocks of one document in their order, in one folder; those in Python as one session."""
    import matplotlib as mpl

    mpl.use("agg")
    import matplotlib.pyplot as plt

    from vibe.cli.main import main

    for folder in shipped.iterdir():
        (tmp_path / folder.name).symlink_to(folder, target_is_directory=True)
    monkeypatch.chdir(tmp_path)
    session: dict[str, Any] = {}
    printed = ""
    for block in filter(runs, blocks(name)):
        if block.language == "python":
            exec(compile(block.text, place(block), "exec"), session)
            printed = capsys.readouterr().out
            continue
        for words in block.commands:
            assert words[0] == "vibe", f"{place(block)}: {words[0]} is run by no test"
            with pytest.raises(SystemExit) as end:
                main(words[1:])
            said = capsys.readouterr()
            assert not end.value.code, f"{place(block)}: {' '.join(words)}: {said.err}"
    if name == "README":  # the example that most people try: it must also give what it promises
        assert "stage1.lobe" in printed
        assert plt.get_fignums()
        assert (tmp_path / "out" / "health.json").is_file()
    plt.close("all")


@pytest.mark.parametrize("block", SHELL, ids=place)
def test_every_command_is_one_that_the_program_knows(block: Block) -> None:
    """Those that are not run too: command, options and arguments as the parser wants them."""
    from typer.main import get_command

    from vibe.cli.main import app

    for words in block.commands:
        assert words[0] == "vibe", place(block)
        parsed(get_command(app), words[1:])


def parsed(command: Any, words: Sequence[str]) -> None:
    while hasattr(command, "commands"):
        assert words[0] in command.commands, f"vibe has no command {words[0]}"
        command, words = command.commands[words[0]], words[1:]
    given, left, _ = command.make_parser(typer.Context(command, info_name="vibe")).parse_args(args=list(words))
    assert not left
    lacking = [one.name for one in command.params if one.required and not given.get(one.name)]
    assert not lacking, f"{' '.join(words)}: {lacking}"


def test_the_parser_finds_what_is_wrong() -> None:
    from typer.main import get_command

    from vibe.cli.main import app

    for wrong in ("nonsense", "diagnose a.h5", "plan a.toml --frce", "history list"):
        with pytest.raises(Exception):  # noqa: B017, PT011 - the parser's own errors, or an assertion
            parsed(get_command(app), wrong.split())
    parsed(get_command(app), ["history", "list", "--store", "x"])


def test_every_block_says_what_it_is_and_why_it_is_not_run() -> None:
    for block in ALL:
        assert block.language in LANGUAGES, place(block)
        if block.said and block.language != "toml":
            assert block.reason, f"{place(block)}: {block.said!r}"
            assert len(block.reason.split()) > 3, place(block)


def test_the_set_up_is_the_same_everywhere() -> None:
    readme, guide = (
        [block.text for block in blocks(name) if block.language == "sh" and sets_up(block)]
        for name in ("README", "start")
    )
    assert set(guide) <= set(readme)
    assert len(readme) == 2
