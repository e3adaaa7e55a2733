"""Another system's exceedances, kept with the captures that they are about: one file for each list that came."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, replace
from datetime import datetime
from pathlib import Path

from vibe.core.records.alarms import Reported
from vibe.history.store.incoming import refuse_link_out, settle
from vibe.storage.files import safe_name, write_whole
from vibe.storage.regular import read_regular

EXCEEDANCES = "exceedances"
FORMAT = "vibe.exceedances/1"
MOST_BYTES = 2_000_000_000
"""Of one kept list: ten times that of a list that is taken in, since each row names its columns."""


def keep_reported(store: Path, sha256: str, name: str, rows: Sequence[Reported]) -> bool:
    """Keep the rows of a list by the hash of its file; False when it is there already.

    Raises:
        OutputError: it cannot be written, or would be outside the store; nothing of it is kept then.
    """
    path = store / EXCEEDANCES / f"{safe_name(sha256)}.json"
    if path.is_file():
        return False
    refuse_link_out(store, EXCEEDANCES)
    said = [asdict(row) | {"at": row.at.isoformat()} for row in rows]
    text = json.dumps({"schema": FORMAT, "file": name, "rows": said}, ensure_ascii=False)
    write_whole(path, text, force=True)
    for folder in (path.parent, store):  # for good: the list that it came from may be removed from now on
        settle(folder)
    return True


def kept_reported(store: Path, until: datetime | None = None, but: Sequence[Reported] = ()) -> tuple[Reported, ...]:
    """All rows that were kept, oldest first, each once, up to ``until``, without those that are in ``but`` already. A
    file that is damaged is left out: what it held is in the list that it came from."""
    rows: dict[Reported, Reported] = {}
    there = {replace(row, line=0) for row in but}
    for path in sorted((store / EXCEEDANCES).glob("*.json")):
        try:
            content = json.loads(read_regular(path, MOST_BYTES))
            found = [Reported(**{**row, "at": datetime.fromisoformat(row["at"])}) for row in content["rows"]]
        except (OSError, ValueError, TypeError, KeyError, RecursionError):
            continue
        for row in found:
            if (until is None or row.at <= until) and replace(row, line=0) not in there:
                rows.setdefault(replace(row, line=0), row)
    return tuple(sorted(rows.values(), key=lambda row: (row.at, row.tag, row.point, row.measure)))
