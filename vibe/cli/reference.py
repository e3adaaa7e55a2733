"""The reference of all commands as Markdown, made from the commands themselves."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import typer

SHELL = {"install_completion", "show_completion", "help"}
"""Options that every program of its kind has."""


def command_reference(program: Any, name: str = "vibe") -> str:
    """Every command of ``program`` with its help, arguments and options; a heading of rank 3 each."""
    return "\n".join(_of(program, name)).strip()


def _of(command: Any, path: str) -> Iterator[str]:
    inside: dict[str, Any] = getattr(command, "commands", {})
    context = typer.Context(command, info_name=path)
    if not inside or path.count(" "):
        usage = " ".join([path, *command.collect_usage_pieces(context)])
        yield from (f"### {path}", "", _paragraphs(command.help or ""), "", "```text", usage, "```", "")
        rows = [one for one in (_row(parameter, context) for parameter in command.params) if one]
        if rows:
            yield from ("| given as | meaning |", "|---|---|", *rows, "")
    for own_name, own in inside.items():
        yield from _of(own, f"{path} {own_name}")


def _row(parameter: Any, context: typer.Context) -> str | None:
    if parameter.name in SHELL or getattr(parameter, "hidden", False):
        return None
    spelled, meaning = parameter.get_help_record(context) or (parameter.make_metavar(context), parameter.help or "")
    return f"| `{_cell(spelled)}` | {_cell(meaning)} |"


def _cell(text: str) -> str:
    return re.sub(r"\s+", " ", text).replace("|", "\\|").strip()


def _paragraphs(text: str) -> str:
    """Lines of one paragraph joined; quotes of code as Markdown has them."""
    parts = (" ".join(part.split()) for part in text.replace("\f", "\n").split("\n\n"))
    return "\n\n".join(part.replace("``", "`") for part in parts if part)
