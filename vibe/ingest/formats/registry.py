"""The formats that are read: one entry each. A format is added by its file and one line here."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from vibe.core.capture import Capture
from vibe.ingest.config.sidecar import Sidecar
from vibe.ingest.formats import csv_text, hdf5, mat, npz, parquet, uff, wav


@dataclass(frozen=True)
class Format:
    """``sniff`` decides by the first bytes (and the suffix where two formats share them), ``read`` makes the
    capture."""

    suffixes: tuple[str, ...]
    sniff: Callable[[bytes, str], bool]
    read: Callable[[Path, Sidecar | None], Capture]


FORMATS: dict[str, Format] = {
    "HDF5": Format((".h5", ".hdf5"), hdf5.sniff, hdf5.read),
    "MAT": Format((".mat",), mat.sniff, mat.read),
    "WAV": Format((".wav",), wav.sniff, wav.read),
    "NPZ": Format((".npz",), npz.sniff, npz.read),
    "Parquet": Format((".parquet",), parquet.sniff, parquet.read),
    "UFF 58": Format((".uff", ".unv"), uff.sniff, uff.read),
    "CSV": Format((".csv", ".tsv"), csv_text.sniff, csv_text.read),
}

SUFFIXES = frozenset(suffix for form in FORMATS.values() for suffix in form.suffixes)
HEAD_BYTES = 4096
"""Bytes that show a form: one page of most file systems (our choice)."""


def known_formats() -> str:
    """For messages: every format with its suffixes."""
    return ", ".join(f"{name} ({' '.join(form.suffixes)})" for name, form in FORMATS.items())


def pick(head: bytes, suffix: str) -> Format | None:
    """By content, else by suffix, else None."""
    by_content = (form for form in FORMATS.values() if form.sniff(head, suffix))
    by_suffix = (form for form in FORMATS.values() if suffix in form.suffixes)
    return next(by_content, None) or next(by_suffix, None)
