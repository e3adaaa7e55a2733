"""What the columns of another system's lists are: by their headers, and by what somebody said once."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from vibe.core.errors import ConfigError

if TYPE_CHECKING:
    from vibe.core.records.column_map import ColumnMap, TableHead
    from vibe.history.store.import_columns import TableKind


def table_head(path: Path, kind: TableKind = "exceedances") -> TableHead:
    """Header and first rows of a table, and what its headers say by themselves.

    Raises:
        ConfigError: it cannot be read, or holds no row.
    """
    from vibe.ingest.tables import event_table, exceedance_terms, exceedances
    from vibe.ingest.tables.table_text import head_of

    if kind == "events":
        return head_of(path, event_table.event_column_of, event_table.NEEDED)
    return head_of(path, lambda cell: exceedance_terms.column_of(cell)[0], exceedances.NEEDED)


def columns_of(store: Path, path: Path) -> ColumnMap | None:
    """What was said of lists of exceedances with the header of this one; None where nothing was, or it is no table."""
    from vibe.history.store.import_columns import FILE, remembered_columns

    if not (store / FILE).is_file():
        return None
    try:
        said = remembered_columns(store, table_head(path).source)
    except ConfigError:
        return None  # whoever reads it says what is wrong
    return said[1] if said is not None and said[0] == "exceedances" else None
