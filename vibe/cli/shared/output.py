"""Results on standard output, everything else on standard error; drawn for people, tab-separated for programs."""

from __future__ import annotations

import shutil
import sys
import textwrap
from collections.abc import Iterable, Sequence
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING

from vibe.cli.shared.exit_status import one_line
from vibe.cli.shared.pulse import quiet

if TYPE_CHECKING:
    from rich.console import RenderableType

    from vibe.report.run_rows import IndexRow


class Form(StrEnum):
    """How a table is printed."""

    table = "table"
    csv = "csv"
    json = "json"


def for_people() -> bool:
    """Whether standard output is a terminal."""
    return sys.stdout is not None and sys.stdout.isatty()


def draw(view: RenderableType) -> None:
    """Print a rich view; the text in it is never taken for markup."""
    from rich.console import Console

    quiet()
    Console(highlight=False, markup=False, emoji=False).print(view)


def say(text: str) -> None:
    """One line of result."""
    quiet()
    print(one_line(text))


def note(text: str) -> None:
    """One line next to the result, for whoever watches."""
    quiet()
    print(one_line(text), file=sys.stderr)


def show_json(text: str) -> None:
    """A record whole; what a terminal would obey stands there by its number, as JSON allows, and means the same."""
    quiet()
    print("".join(c if c == "\n" or c.isprintable() or c > "\uffff" else f"\\u{ord(c):04x}" for c in text), end="")


def show_facts(facts: Iterable[tuple[str, str]]) -> None:
    """Labels and sentences: aligned and wrapped on a terminal, else one ``label<TAB>sentence`` a line."""
    quiet()
    facts = [(label, one_line(text)) for label, text in facts]
    if not for_people():
        for label, text in facts:
            print(f"{label}\t{text}")
        return
    indent = 2 + max((len(label) for label, _ in facts), default=0)
    width = max(min(shutil.get_terminal_size().columns, 120), indent + 30)
    before = ""
    for label, text in facts:
        shown = "" if label == before else label
        lines = textwrap.wrap(text, width - indent, break_long_words=False, break_on_hyphens=False) or [""]
        print(f"{shown:<{indent}}" + f"\n{' ' * indent}".join(lines))
        before = label


def draw_markdown(text: str) -> None:
    """A page of Markdown, laid out for reading."""
    from rich.markdown import Markdown

    draw(Markdown(text, hyperlinks=False))


def show_rows(header: Sequence[str], rows: Sequence[Sequence[str]], *, titles: Sequence[str] | None = None) -> None:
    """A table on a terminal, headed by ``titles`` where they are given; else tab-separated, headed by ``header``.

    Without a header the rows go on from those before.
    """
    rows = [[one_line(cell) for cell in row] for row in rows]
    quiet()
    if not for_people():
        for row in [list(header), *rows] if header else rows:
            print("\t".join(row), flush=True)
        return
    from rich import box
    from rich.table import Table
    from rich.text import Text

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for name in titles or header:
        table.add_column(Text(name), overflow="fold")
    for row in rows:
        table.add_row(*(Text(cell) for cell in row))
    draw(table)


def show_drives(rows: Sequence[IndexRow]) -> None:
    """The drives of a run, gravest first; for programs with the page of each."""
    from vibe.report.terminal import summary_view

    if for_people():
        draw(summary_view(rows))
        return
    from vibe.report.run_rows import gravest_first

    header = ["state", "drive", "finding", "probability", "action", "due", "report"]
    cells = [
        [
            row.state, row.tag, row.top_finding or "", "" if row.probability is None else f"{row.probability:.3g}",
            row.do_by, row.due, "" if row.files is None else str(row.files.html),
        ]
        for row in gravest_first(rows)
    ]  # fmt: skip
    show_rows(header, cells)


def show_files(files: Iterable[Path]) -> None:
    """Files that were written."""
    for file in files:
        note(f"written: {file}")
