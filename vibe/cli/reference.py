"""The reference of all commands as Markdown, made from the commands themselves."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import typer

SHELL = {"install_completion", "show_completion", "help"}
"""Options that every program of its kind has."""


def command_reference(program: Any, name: str = "vibe") -> str:
    """A list of all commands of ``program``, then each under a heading with its help, arguments and options."""
    body = "\n".join(_of(program, name)).strip()
    names = re.findall(r"^### (.*)\n\n(.*?[.?])(?:\s|$)", body, re.MULTILINE)
    listed = [f"| [{one}](#{one.replace(' ', '-')}) | {_cell(does)} |" for one, does in names]
    return "\n".join(["| Command | Does |", "|---|---|", *listed, "", body])


def _of(command: Any, path: str) -> Iterator[str]:
    inside: dict[str, Any] = getattr(command, "commands", {})
    context = typer.Context(command, info_name=path)
    if not inside or path.count(" "):
        usage = " ".join([path, *_arguments(command, context), "[COMMAND]" if inside else "[OPTIONS]"])
        yield from (f"### {path}", "", _paragraphs(command.help or ""), "", "```text", usage, "```", "")
        rows = [one for one in (_row(parameter, context) for parameter in command.params) if one]
        if rows:
            yield from ("| Given as | Meaning |", "|---|---|", *rows, "")
    for own_name, own in inside.items():
        yield from _of(own, f"{path} {own_name}")


def _row(parameter: Any, context: typer.Context) -> str | None:
    if parameter.name in SHELL or getattr(parameter, "hidden", False):
        return None
    spelled, meaning = parameter.get_help_record(context)
    if parameter.param_type_name == "argument":
        spelled = _argument(parameter, context)
    return f"| `{_cell(spelled)}` | {_cell(meaning)} |"


def _arguments(command: Any, context: typer.Context) -> list[str]:
    """Arguments as a call has them; those that may be left out in brackets."""
    given = [one for one in command.params if one.param_type_name == "argument"]
    words = [_argument(one, context) for one in given]
    return [word if one.required else f"[{word}]" for one, word in zip(given, words, strict=True)]


def _argument(parameter: Any, context: typer.Context) -> str:
    """The word that stands for an argument, without what the parser adds about its kind."""
    return str(parameter.get_help_record(context)[0]).partition(" <")[0].strip("{}[]")


def _cell(text: str) -> str:
    return re.sub(r"\s+", " ", text).replace("|", "\\|").strip()


def _paragraphs(text: str) -> str:
    """Lines of one paragraph joined; quotes of code as Markdown has them."""
    parts = (" ".join(part.split()) for part in text.replace("\f", "\n").split("\n\n"))
    return "\n\n".join(part.replace("``", "`") for part in parts if part)
