"""A store as tables that other programs read: Parquet or CSV."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from vibe.core.errors import CallError
from vibe.history.store.store import Store
from vibe.storage.csv_table import csv_text
from vibe.storage.files import write_whole

FORMS = ("parquet", "csv")


@dataclass(frozen=True, slots=True)
class ExportTable:
    """One row per row of the query; ``kinds`` distinguish text ("t"), number ("n") and whole number ("i") per
    column."""

    header: tuple[str, ...]
    kinds: str
    sql: str


TABLES: dict[str, ExportTable] = {
    "levels": ExportTable(
        (
            "drive", "point", "measure", "subject", "unit", "measured_at", "value", "speed_hz", "load_percent", "kept",
            "content",
        ),
        "ttttttnnntt",
        "SELECT s.drive, s.point, s.measure, s.subject, s.unit, c.measured_at, v.value, c.speed_hz, c.load_percent, "
        "c.kept, c.content FROM series s JOIN value v ON v.series = s.id JOIN capture c ON c.id = v.capture "
        "ORDER BY s.drive, s.point, s.measure, s.subject, v.time_s, v.capture",
    ),
    "captures": ExportTable(
        (
            "content", "drive", "file", "measured_at", "duration_s", "kept", "state", "speed_hz",
            "speed_uncertainty_hz", "load_percent", "waveform", "added_at", "software",
        ),
        "ttttnttnnnttt",
        "SELECT content, drive, file, measured_at, duration_s, kept, state, speed_hz, speed_uncertainty_hz, "
        "load_percent, waveform, added_at, software FROM capture ORDER BY drive, time_s, id",
    ),
    "findings": ExportTable(
        (
            "content", "drive", "measured_at", "rank", "tone", "component", "defect", "probability", "severity",
            "weak_sign",
        ),
        "tttitttnti",
        "SELECT c.content, c.drive, c.measured_at, f.rank, f.tone, f.component, f.defect, f.probability, f.severity, "
        "f.weak_sign FROM finding f JOIN capture c ON c.id = f.capture ORDER BY c.drive, c.time_s, c.id, f.rank",
    ),
    "events": ExportTable(
        ("drive", "at", "kind", "note", "by", "new_baseline", "added_at"),
        "tttttit",
        "SELECT drive, at, kind, note, by, new_baseline, added_at FROM event ORDER BY drive, time_s, id",
    ),
    "decisions": ExportTable(
        ("alarm", "drive", "cause", "verdict", "because", "by", "at", "recheck_by", "owner", "due", "work_order",
         "number", "after", "withdraws"),
        "tttttttttttiii",
        "SELECT d.alarm, a.drive, a.cause, d.verdict, d.because, d.by, d.at, d.recheck_by, d.owner, d.due, "
        "d.work_order, d.id, d.after, d.withdraws "
        "FROM decision d JOIN alarm a ON a.id = d.alarm ORDER BY d.id",
    ),
}  # fmt: skip


def export(store: Store, out: Path, form: str, *, force: bool = False) -> tuple[Path, ...]:
    """Write every table into the folder ``out``, or the levels alone where ``out`` ends in .csv or .parquet.

    Raises:
        CallError: ``form`` is unknown or contradicts the ending of ``out``; a file is there and ``force`` is not given.
        OutputError: a file cannot be written.
    """
    if form not in FORMS:
        raise CallError(f"--form {form!r} is not known; there are {' and '.join(FORMS)}")
    suffix = out.suffix.lower()
    if suffix in (".csv", ".parquet"):
        if suffix != f".{form}":
            raise CallError(f"{out} does not end in .{form}: give --form {suffix[1:]}, or another --out")
        wanted = {out: TABLES["levels"]}
    else:
        wanted = {out / f"{name}.{form}": table for name, table in TABLES.items()}
    there = [path for path in wanted if path.exists()]
    if there and not force:
        raise CallError(f"{there[0]} exists already; give --force to replace it, or another --out")
    for path, table in wanted.items():
        rows = store.rows(table.sql)
        write_whole(path, csv_text(table.header, rows) if form == "csv" else _parquet(table, rows), force=force)
    return tuple(wanted)


def _parquet(table: ExportTable, rows: Sequence[tuple[Any, ...]]) -> bytes:
    import pyarrow as pa
    import pyarrow.parquet as pq

    kinds = {"t": pa.string(), "n": pa.float64(), "i": pa.int64()}
    columns = list(zip(*rows, strict=True)) or [()] * len(table.header)
    data = [pa.array(column, type=kinds[kind]) for column, kind in zip(columns, table.kinds, strict=True)]
    buffer = io.BytesIO()
    pq.write_table(pa.table(data, names=list(table.header)), buffer)
    return buffer.getvalue()
