"""Rows that become a pandas frame, and show themselves as a table in a notebook."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Generic, TypeVar, overload

from vibe.core.text import printable

if TYPE_CHECKING:
    import pandas as pd

Row = TypeVar("Row", covariant=True)

MOST_SHOWN = 60
"""Rows that a notebook shows of a longer table: a screen or two."""


class Table(Sequence[Row], Generic[Row]):
    """A sequence of frozen values of one kind, such as findings; ``to_frame`` gives its columns.

    Indexing and iterating give the values themselves with all their fields; the frame has the columns that people
    read. Times are in s, frequencies in Hz where a column's name says so; None where something is not known.
    """

    def __init__(self, rows: Sequence[Row], columns: Mapping[str, Callable[[Any], object]]) -> None:
        self._rows = tuple(rows)
        self._columns = dict(columns)

    def __len__(self) -> int:
        return len(self._rows)

    @overload
    def __getitem__(self, index: int) -> Row: ...
    @overload
    def __getitem__(self, index: slice) -> Table[Row]: ...
    def __getitem__(self, index: int | slice) -> Row | Table[Row]:
        return Table(self._rows[index], self._columns) if isinstance(index, slice) else self._rows[index]

    def __iter__(self) -> Iterator[Row]:
        return iter(self._rows)

    @property
    def column_names(self) -> tuple[str, ...]:
        """Names of the frame's columns; they are the same for an empty table."""
        return tuple(self._columns)

    def to_frame(self) -> pd.DataFrame:
        """One row per value, shape (len(self), len(column_names)), numbered from 0."""
        import pandas as pd

        return pd.DataFrame({name: [ask(row) for row in self._rows] for name, ask in self._columns.items()})

    def __repr__(self) -> str:
        if not self._rows:
            return f"no rows ({', '.join(self._columns)})"
        return self[:MOST_SHOWN].to_frame().map(_plain).to_string(index=False) + self._rest()

    def _repr_html_(self) -> str:
        if not self._rows:
            return "<p>none</p>"
        shown = self[:MOST_SHOWN].to_frame().map(_plain).to_html(index=False, escape=True, border=0)
        return shown + (f"<p>{self._rest().strip()}</p>" if self._rest() else "")

    def _repr_mimebundle_(self, include: object = None, exclude: object = None) -> dict[str, str]:  # noqa: ARG002
        """Both forms at once, for whatever shows it."""
        return {"text/plain": repr(self), "text/html": self._repr_html_()}

    def _rest(self) -> str:
        more = len(self._rows) - MOST_SHOWN
        return f"\nand {more} more rows" if more > 0 else ""


def _plain(cell: object) -> object:
    """A cell for the eye: rounded, without control characters (it may quote a hostile file), empty where not known."""
    if cell is None or (isinstance(cell, float) and cell != cell):
        return ""
    if isinstance(cell, float):
        return f"{cell:.5g}"
    if isinstance(cell, (list, tuple)):
        return "; ".join(str(_plain(one)) for one in cell)
    return printable(cell) if isinstance(cell, str) else cell


def fields(*names: str, **renamed: str) -> dict[str, Callable[[Any], object]]:
    """Columns that are attributes: each name of ``names``, and of ``renamed`` column=attribute."""

    def ask(name: str) -> Callable[[Any], object]:
        return lambda row: getattr(row, name)

    return {column: ask(name) for column, name in {**{name: name for name in names}, **renamed}.items()}
