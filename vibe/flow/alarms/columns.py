"""Which column of another system's list is what: by its header, and as somebody said once, remembered for each source.

Tables with the same header mean the same.
"""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any, Literal, cast, get_args

from vibe.core.errors import ConfigError
from vibe.core.records.column_map import ColumnMap, TableHead
from vibe.history.store.incoming import settle
from vibe.storage.files import write_whole
from vibe.storage.json_text import json_value
from vibe.storage.regular import read_regular

TableKind = Literal["exceedances", "events"]
FILE = "import_columns.json"
FORMAT = "vibe.columns/1"
_MOST_BYTES = 20_000_000
"""Of all that was said; a header takes some hundred (our choice, wide)."""


def remembered_columns(store: Path, source: str) -> tuple[TableKind, ColumnMap] | None:
    """What was said of tables with this header; None where nothing was."""
    said = _read(store).get(source)
    if said is None or said.get("kind") not in get_args(TableKind):
        return None
    try:
        columns = ColumnMap(**cast("dict[str, Any]", said["map"]))
        words = [*columns.columns.items(), *columns.fixed.items(), ("", columns.unit)]
    except (TypeError, KeyError, AttributeError):
        return None
    sound = all(isinstance(part, str) for word in words for part in word)
    return (cast("TableKind", said["kind"]), columns) if sound else None


def remember_columns(store: Path, head: TableHead, kind: TableKind, columns: ColumnMap) -> None:
    """Keep what was said. Raises: OutputError where the store may not be written."""
    known = _read(store)
    known[head.source] = {"kind": kind, "header": list(head.header), "map": asdict(columns)}
    text = json.dumps({"schema": FORMAT, "sources": known}, indent=1, ensure_ascii=False)
    write_whole(store / FILE, text + "\n", force=True)
    settle(store)


def _read(store: Path) -> dict[str, dict[str, Any]]:
    try:
        content = json_value(read_regular(store / FILE, _MOST_BYTES))
    except (OSError, ValueError):
        return {}
    sources = content.get("sources") if isinstance(content, dict) else None
    return {key: said for key, said in sources.items() if isinstance(said, dict)} if isinstance(sources, dict) else {}


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
    if not (store / FILE).is_file():
        return None
    try:
        said = remembered_columns(store, table_head(path).source)
    except ConfigError:
        return None  # whoever reads it says what is wrong
    return said[1] if said is not None and said[0] == "exceedances" else None
