"""The guide in the terminal and as pages, and the reference that is made from the commands."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from typer.main import get_command

from tests.cli.calls import Vibe
from vibe.cli.main import app
from vibe.cli.reference import command_reference
from vibe.report.pages.guide_topics import TOPICS


def test_without_a_topic_it_lists_all(vibe: Vibe) -> None:
    answer = vibe("guide")
    rows = [line.split("\t") for line in answer.out.splitlines()]
    assert rows[0] == ["topic", "about"]
    assert [row[0] for row in rows[1:]] == list(TOPICS)
    assert all(row[1].endswith(".") for row in rows[1:])


def test_a_topic_comes_as_markdown_into_a_pipe(vibe: Vibe) -> None:
    answer = vibe("guide", "drive-file")
    assert answer.status == 0
    assert answer.out.startswith("# The drive file\n")
    assert "ring_pins" in answer.out


def test_a_topic_is_laid_out_on_a_terminal(vibe: Vibe, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("vibe.cli.shared.output.for_people", lambda: True)
    answer = vibe("guide", "reports")
    assert answer.status == 0
    assert "Reading a report" in answer.out
    assert "## " not in answer.out
    assert "vibe guide theory" in " ".join(answer.out.split())
    assert ".md" not in answer.out
    assert "|---|" not in answer.out


def test_the_reference_takes_the_place_that_is_kept_for_it(vibe: Vibe) -> None:
    answer = vibe("guide", "commands")
    assert "<!--" not in answer.out
    assert "in this place" not in answer.out
    assert "### vibe history add" in answer.out


def test_an_unknown_topic_names_those_there_are(vibe: Vibe) -> None:
    answer = vibe("guide", "theori")
    assert answer.status == 2
    assert "did you mean theory?" in answer.errors[0]
    assert "glossary" in answer.errors[0]


def test_pages_are_written_once(vibe: Vibe, tmp_path: Path) -> None:
    out = tmp_path / "guide"
    answer = vibe("guide", "--out", out)
    assert answer.status == 0
    assert str(out / "index.html") in answer.out
    assert {path.name for path in out.iterdir()} == {"index.html", *(f"{name}.html" for name in TOPICS)}
    (out / "theory.html").unlink()
    refused = vibe("guide", "--out", out)
    assert refused.status == 2
    assert not (out / "theory.html").exists()
    assert vibe("guide", "--out", out, "--force").status == 0
    assert (out / "theory.html").exists()
    assert vibe("guide", "theory", "--out", tmp_path / "one").status == 2


def test_the_reference_holds_every_command_and_option() -> None:
    text = command_reference(get_command(app))

    def look(command: Any, path: str) -> int:
        inside = getattr(command, "commands", {})
        if not inside:
            _, _, rest = text.partition(f"### {path}\n")
            section = rest.partition("\n### ")[0]
            assert command.help.split("\n")[0].split(".")[0] in section
            for one in command.params:
                spelled = [
                    name for name in (*one.opts, *one.secondary_opts) if name.startswith("--") and name != "--help"
                ]
                assert all(f"`{name}" in section or f" {name}" in section for name in spelled), (path, spelled)
                assert f"(#{path.replace(' ', '-')})" in text
        return 1 + sum(look(own, f"{path} {name}") for name, own in inside.items())

    assert look(get_command(app), "vibe") > 30
    assert "health|drive|recipe|route" in text.replace("\\|", "|")
