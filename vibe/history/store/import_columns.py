"""Which column is what, remembered for each source: a table with the same header means the same."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any, Literal, cast, get_args

from vibe.core.records.column_map import ColumnMap, TableHead
from vibe.storage.files import write_whole

TableKind = Literal["exceedances", "events"]
FILE = "import_columns.json"
FORMAT = "vibe.columns/1"


def remembered_columns(store: Path, source: str) -> tuple[TableKind, ColumnMap] | None:
    """What was said of tables with this header; None where nothing was."""
    said = _read(store).get(source)
    if said is None or said.get("kind") not in get_args(TableKind):
        return None
    try:
        return cast("TableKind", said["kind"]), ColumnMap(**cast("dict[str, Any]", said["map"]))
    except (TypeError, KeyError):
        return None


def remember_columns(store: Path, head: TableHead, kind: TableKind, columns: ColumnMap) -> None:
    """Keep what was said. Raises: OutputError where the store may not be written."""
    known = _read(store)
    known[head.source] = {"kind": kind, "header": list(head.header), "map": asdict(columns)}
    text = json.dumps({"schema": FORMAT, "sources": known}, indent=1, ensure_ascii=False)
    write_whole(store / FILE, text + "\n", force=True)


def _read(store: Path) -> dict[str, dict[str, Any]]:
    try:
        content = json.loads((store / FILE).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    sources = content.get("sources") if isinstance(content, dict) else None
    return {key: said for key, said in sources.items() if isinstance(said, dict)} if isinstance(sources, dict) else {}
