"""An option that counts once is given once: of two the parser would take the last and say nothing."""

from __future__ import annotations

from collections import Counter
from typing import Any

import typer
from typer.core import TyperCommand


class OnceCommand(TyperCommand):
    """A command that refuses an option given twice, unless it is one that may be repeated."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """As of any command. Raises: UsageError: an option that counts once is given several times."""
        order: list[Any] = self.make_parser(ctx).parse_args(list(args))[2]
        for option, count in Counter(order).items():
            repeats = option.param_type_name != "option" or option.multiple or option.count or option.is_flag
            if count > 1 and not repeats:
                ctx.fail(f"{option.opts[0]} is given {count} times; this command takes it once")
        return super().parse_args(ctx, args)


def once_only(app: typer.Typer) -> None:
    """Have all commands of ``app``, and of what is below it, refuse what is given twice."""
    for command in app.registered_commands:
        if command.cls in (None, TyperCommand):
            command.cls = OnceCommand
    for group in app.registered_groups:
        if group.typer_instance is not None:
            once_only(group.typer_instance)
