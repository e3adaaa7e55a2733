"""Parquet: one column per channel, file and column metadata describe them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibe.core.capture import Capture
from vibe.core.errors import CaptureError
from vibe.ingest.capture_builder import build_capture
from vibe.ingest.claims import check_channels, check_claim
from vibe.ingest.config.sidecar import Sidecar
from vibe.ingest.formats.columns import raw_from_columns, time_unit
from vibe.storage.fence import fenced


def sniff(head: bytes, suffix: str) -> bool:  # noqa: ARG001
    """Four letters."""
    return head.startswith(b"PAR1")


def read(path: Path, sidecar: Sidecar | None) -> Capture:
    """Read columns as channels, with the header words of CSV.

    Raises:
        CaptureError: no column of numbers, or no rate or unit for any.
    """
    columns, said, about = fenced(columns_of, path)
    return build_capture(path, raw_from_columns(columns, said, path, about=about), sidecar)


def columns_of(path: Path) -> tuple[list[tuple[str, NDArray[Any]]], dict[str, Any], dict[str, dict[str, Any]]]:
    """Columns of numbers, what the file says of itself and of each column; for the reading process.

    Raises:
        CaptureError: no column of numbers, or the file claims more than measured samples can be.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    # The library's own allocator sets address space aside that counts against the limit of the reading process.
    pa.set_memory_pool(pa.system_memory_pool())
    with pq.ParquetFile(path) as file:
        schema = file.schema_arrow
        wanted = [f for f in schema if pa.types.is_integer(f.type) or pa.types.is_floating(f.type)]
        check_channels(len(wanted), path)
        rows = file.metadata.num_rows
        check_claim(rows * len(wanted), path, claimed_bytes=rows * sum(f.type.bit_width // 8 for f in wanted))
        if not wanted:
            raise CaptureError("holds no column of numbers", path=path)
        table = file.read(columns=[field.name for field in wanted], use_threads=False)
    about = {field.name: _words(field.metadata) for field in wanted}
    columns = []
    for field in wanted:
        column = table.column(field.name)
        kind = np.float64 if time_unit(field.name) is not None else np.float32
        values = column.cast(pa.float64()).to_numpy() if column.null_count else column.to_numpy()
        columns.append((field.name, values.astype(kind) if column.null_count else values))
    return columns, _words(schema.metadata), about


def _words(metadata: dict[bytes, bytes] | None) -> dict[str, Any]:
    pairs = (metadata or {}).items()
    return {
        key.decode("utf-8", "replace"): value.decode("utf-8", "replace") for key, value in pairs if len(value) < 4096
    }
