"""Universal file, data set 58, ASCII and binary: each record that is a time history becomes a channel."""

from __future__ import annotations

import re
import tempfile
import warnings
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibe.core.capture import Capture
from vibe.core.errors import CaptureError
from vibe.ingest.capture_builder import build_capture, unique_names
from vibe.ingest.claims import check_channels, check_claim
from vibe.ingest.config.sidecar import Sidecar
from vibe.ingest.formats.columns import read_clock
from vibe.ingest.raw_rows import RawCapture, RawChannel
from vibe.storage.fence import fenced

MAX_BYTES = 2_000_000_000
"""As text that is 150 million numbers, which take memory several times (our choice)."""

_TIME_RESPONSE, _GENERAL = 1, 0
"""Function types of data set 58."""
_TIME_AXIS = 17
"""Type of data of an axis of times, data set 58."""
_COMPLEX = (5, 6)
"""Kinds of an ordinate, data set 58: complex, in four or in eight bytes."""
_SI_UNITS = {8: "m", 11: "m/s", 12: "m/s^2"}
"""Unit of an ordinate type where the file's unit record (data set 164) says SI."""
_KINDS = {8: "displacement", 11: "velocity", 12: "acceleration"}
"""Types of data of an ordinate, data set 58."""
_FUNCTIONS = {
    2: "an auto spectrum", 3: "a cross spectrum", 4: "a frequency response", 5: "a transmissibility", 6: "a coherence",
    7: "an auto correlation", 8: "a cross correlation", 9: "a power spectral density", 10: "an energy spectral density",
    11: "a probability density", 12: "a spectrum", 27: "an order function",
}  # fmt: skip
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_DATE = re.compile(r"(\d{1,2})-([A-Za-z]{3})-(\d{2,4})\s+(\d{1,2}):(\d{2}):(\d{2})")
_MARKER = re.compile(rb"^    -1[ \t]*\r?$", re.MULTILINE)
_AXES = {1: "X+", 2: "Y+", 3: "Z+", -1: "X-", -2: "Y-", -3: "Z-"}
"""Directions of a response, data set 58."""


def sniff(head: bytes, suffix: str) -> bool:  # noqa: ARG001
    """A line with -1 alone, then one with the number of a data set."""
    return re.match(rb"\s*-1\s*\r?\n\s*\d{1,4}[ b]", head.lstrip(b"\xef\xbb\xbf")[:200] + b" ") is not None


def read(path: Path, sidecar: Sidecar | None) -> Capture:
    """Read every time history of the file.

    Raises:
        CaptureError: no record of data set 58, or only spectra and complex records (each named).
    """
    if path.stat().st_size > MAX_BYTES:
        raise CaptureError(f"is {path.stat().st_size / 1e9:.0f} GB: too large for a universal file", path=path)
    with path.open("rb") as stream:
        if _MARKER.search(stream.read(4096)) is None:
            raise CaptureError("does not begin as a universal file does, with a line that holds -1 alone", path=path)
    with tempfile.TemporaryDirectory() as folder:
        return build_capture(path, fenced(records_of, path, Path(folder)), sidecar)


def records_of(path: Path, folder: Path) -> RawCapture:
    """The records of the file that are time histories, and why the others are none; for the reading process, which may
    write into ``folder``.

    Raises:
        CaptureError: no record of data set 58.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        file, remarks = _open(path, folder)
        kinds = [int(kind) for kind in np.atleast_1d(file.get_set_types())]
        places = [index for index, kind in enumerate(kinds) if kind == 58]
        if not places:
            there = ", ".join(str(kind) for kind in sorted(set(kinds))) or "nothing complete"
            raise CaptureError(f"holds no record of data set 58 (it holds {there})", path=path)
        check_channels(len(places), path)
        headers = [file.read_sets(index, header_only=True) for index in places]
        check_claim(sum(int(header.get("num_pts", 0)) for header in headers if not _refusal(header)), path)
        is_si = any(int(file.read_sets(i).get("units_code", 0)) == 1 for i, kind in enumerate(kinds) if kind == 164)
        channels = []
        for index, header in zip(places, headers, strict=True):
            reason = _refusal(header)
            if reason is None:
                channels.append(_channel(file.read_sets(index), is_si, path))
            else:
                channels.append(RawChannel(name=_name(header), samples=np.empty(0), trouble=reason))
    return RawCapture(channels=unique_names(channels), measured_at=_date(headers[0]), remarks=remarks)


def _open(path: Path, folder: Path) -> tuple[Any, tuple[str, ...]]:
    """The file for reading; one that was cut off is closed properly in a copy, so that what is there can be had."""
    import pyuff

    content = path.read_bytes()
    if len(_MARKER.findall(content)) % 2 == 0:
        return pyuff.UFF(str(path)), ()
    begun = content[max(0, [match.start() for match in _MARKER.finditer(content)][-1]) :]
    is_binary = re.match(rb"\s*-1\s*\r?\n\s*58b", begun[:200]) is not None
    if not is_binary:
        # The last line may end inside a number.
        content = content[: content.rfind(b"\n") + 1]
    copy = folder / "closed.uff"
    # Nothing between numbers and end: with a line's end, what is left of the last number could make a whole one.
    copy.write_bytes(content + b"    -1\n")
    return pyuff.UFF(str(copy)), ("the file is cut off inside its last record",)


def _refusal(record: Mapping[str, Any]) -> str | None:
    """Why a record is no time history; None when it is one."""
    kind = int(record.get("func_type", 0))
    if kind not in (_TIME_RESPONSE, _GENERAL):
        return f"holds {_FUNCTIONS.get(kind, f'a function of type {kind}')}, not samples in time"
    if int(record.get("ord_data_type", 0)) in _COMPLEX:
        return "holds complex numbers: a spectrum or response, not samples in time"
    label = f"{record.get('abscissa_axis_lab', '')} {record.get('abscissa_axis_units_lab', '')}".lower()
    if int(record.get("abscissa_spec_data_type", 0)) != _TIME_AXIS and (kind == _GENERAL or "hz" in label):
        return "does not run over time"
    return None


def _name(record: Mapping[str, Any]) -> str:
    named = str(record.get("rsp_ent_name", "")).strip()
    if named and named.upper() != "NONE":
        return named
    node, axis = int(record.get("rsp_node", 0)), int(record.get("rsp_dir", 0))
    return f"node {node} {_AXES.get(axis, '')}".strip()


def _channel(record: Mapping[str, Any], is_si: bool, path: Path) -> RawChannel:
    name = _name(record)
    promised = int(record["num_pts"])
    samples: NDArray[Any] = np.asarray(record["data"])[:promised]
    if int(record.get("abscissa_spacing", 1)) == 1:
        step_s = float(record.get("abscissa_inc", 0.0))
        rate = _rate(step_s)
    else:
        rate = read_clock(np.asarray(record["x"], dtype=np.float64)[:promised], path).rate_hz
    kind = int(record.get("ordinate_spec_data_type", 0))
    label = str(record.get("ordinate_axis_units_lab", "")).strip()
    if label.upper() in ("", "NONE"):
        label = _SI_UNITS.get(kind, "") if is_si else ""
    return RawChannel(
        name=name,
        samples=samples,
        sample_rate_hz=rate,
        unit=label or None,
        quantity=None if label in ("V", "mV") else _KINDS.get(kind),
        axis=_AXES.get(int(record.get("rsp_dir", 0))),
        promised=promised,
    )


def _rate(step_s: float) -> float | None:
    """1/step; the step has six digits, so a rate within that of a whole number is that number."""
    if not step_s > 0:
        return None
    rate = 1.0 / step_s
    whole = round(rate)
    return float(whole) if whole and abs(rate / whole - 1) < 5e-6 else rate


def _date(record: Mapping[str, Any]) -> str | None:
    """Date in the third line of the header; its month is an English word whatever this computer speaks."""
    match = _DATE.search(str(record.get("id3", "")))
    if match is None or match[2].lower() not in _MONTHS:
        return None
    year = int(match[3])
    year += 0 if year > 99 else 2000 if year < 70 else 1900
    try:
        month = _MONTHS.index(match[2].lower()) + 1
        when = datetime(year, month, int(match[1]), int(match[4]), int(match[5]), int(match[6]))
    except ValueError:
        return None
    return when.isoformat()
