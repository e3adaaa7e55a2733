"""One page for a whole run: every drive, gravest first, and the same as CSV and JSON."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

from vibe import __version__
from vibe.core.errors import OutputError
from vibe.core.files import write_whole
from vibe.report import pages
from vibe.report.rows import IndexRow as IndexRow
from vibe.report.rows import gravest_first as gravest_first
from vibe.report.rows import index_row as index_row
from vibe.report.sheets import csv_text
from vibe.report.words import STATE_RANK

RUN_SCHEMA = "vibe.run/1"


@dataclass(frozen=True, slots=True, kw_only=True)
class IndexFiles:
    """The run's own files."""

    html: Path
    csv: Path
    json: Path


def write_index(
    rows: Sequence[IndexRow],
    folder: Path,
    *,
    title: str,
    captures_without_drive: Sequence[str],
    drives_without_capture: Sequence[str],
    force: bool,
) -> IndexFiles:
    """Write ``index.html``, ``drives.csv`` and ``run.json`` into ``folder``.

    Raises:
        OutputError: one of them is there already and ``force`` is not given, or the folder cannot be written.
    """
    html_path, csv_path, json_path = folder / "index.html", folder / "drives.csv", folder / "run.json"
    if not force:
        refuse_existing_run(folder)
    ordered = gravest_first(rows)
    counts = Counter(row.state for row in ordered)
    links = [_links(row, folder) for row in ordered]
    page = pages.render(
        "index.html.j2",
        title=title,
        rows=list(zip(ordered, links, strict=True)),
        counts=[(state, counts[state]) for state in sorted(counts, key=STATE_RANK.__getitem__)],
        captures_without_drive=list(captures_without_drive),
        drives_without_capture=list(drives_without_capture),
        software=f"vibe {__version__}",
    )
    table = csv_text(
        ["drive", "name", "state", "finding", "probability", "do_by", "sentence", "captures", "report", "remarks"],
        [
            (
                row.tag, row.name, row.state, row.top_finding, row.probability, row.do_by, row.sentence, row.captures,
                link.get("HTML"), " | ".join(row.remarks),
            )
            for row, link in zip(ordered, links, strict=True)
        ],
    )  # fmt: skip
    record = {
        "schema": RUN_SCHEMA,
        "title": title,
        "drives": [
            {
                "drive": row.tag,
                "name": row.name,
                "state": row.state,
                "sentence": row.sentence,
                "do_by": row.do_by,
                "top_finding": row.top_finding,
                "probability": row.probability,
                "captures": row.captures,
                "files": {kind.lower(): link for kind, link in links_of.items()},
                "remarks": list(row.remarks),
            }
            for row, links_of in zip(ordered, links, strict=True)
        ],
        "captures_without_drive": list(captures_without_drive),
        "drives_without_capture": list(drives_without_capture),
        "software": f"vibe {__version__}",
    }
    write_whole(csv_path, table, force=force)
    write_whole(json_path, json.dumps(record, indent=1, ensure_ascii=False, allow_nan=False) + "\n", force=force)
    write_whole(html_path, page, force=force)
    return IndexFiles(html=html_path, csv=csv_path, json=json_path)


def refuse_existing_run(folder: Path) -> None:
    """Refuse, before the work is done, to replace a run.

    Raises:
        OutputError: one of its files is in ``folder`` already.
    """
    for name in ("index.html", "drives.csv", "run.json"):
        if (folder / name).exists():
            raise OutputError(f"{folder / name} exists already; give --force to replace it, or another --out")


def _links(row: IndexRow, folder: Path) -> dict[str, str]:
    """Relative addresses of a drive's files, by kind."""
    if row.files is None:
        return {}
    named = {"HTML": row.files.html, "PDF": row.files.pdf, "JSON": row.files.json}
    return {
        kind: quote(path.relative_to(folder).as_posix() if path.is_relative_to(folder) else path.resolve().as_posix())
        for kind, path in named.items()
        if path is not None
    }
