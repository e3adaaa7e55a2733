"""What every answer needs: the samples asked for, the rows that are handed out, and their place in the cache."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Literal

from vibe.core.errors import CallError
from vibe.flow.desk.stored_signal import CACHE, StoredSignal, signal_of

if TYPE_CHECKING:
    from vibe.core.capture import Channel
    from vibe.core.records.evidence_rows import EvidenceRows, RowOf
    from vibe.core.records.history import StoredCapture
    from vibe.history.store.store import Store
    from vibe.spectra.plots.on_demand import Row


def evidence_rows(
    kind: Literal["spectrum", "waveform", "turn", "cascade"],
    title: str,
    values: Row,
    etag: str,
    captures: Sequence[StoredCapture],
    *,
    x0: float,
    dx: float,
    x_name: str,
    x_unit: str,
    y_name: str,
    unit: str,
    remarks: Sequence[str] = (),
) -> EvidenceRows:
    """Values (n,) or (rows, n) from ``x0`` on in steps of ``dx``, with all that a picture of them says."""
    from vibe.core.records.evidence_rows import EvidenceRows

    return EvidenceRows(
        kind=kind, title=title, values=values, x0=x0, dx=dx, x_name=x_name, x_unit=x_unit, y_name=y_name, unit=unit,
        etag=etag, rows=tuple(map(_row_of, captures)), remarks=tuple(remarks),
    )  # fmt: skip


def _row_of(capture: StoredCapture) -> RowOf:
    from vibe.core.records.evidence_rows import RowOf

    return RowOf(content=capture.content, drive=capture.drive, measured_at=capture.measured_at, kept=capture.kept)


def kept_rows(key: tuple[object, ...], make: Callable[[], EvidenceRows]) -> EvidenceRows:
    """From the cache, made where they are not in it."""
    return CACHE.get(key, make, lambda made: made.values.nbytes)


def etag_of(key: tuple[object, ...]) -> str:
    """Name of an answer: the same for the same question to the same version."""
    from vibe import __version__

    return hashlib.sha256(repr((__version__, key)).encode()).hexdigest()[:32]


def with_samples(store: Store, content: str) -> StoredSignal:
    """The signal of a capture. Raises: CallError where its samples are no longer there."""
    signal = signal_of(store, content)
    if not signal.channels:
        why = "was lost" if signal.capture.waveform == "lost" else "has no samples any more: they were thinned away"
        raise CallError(f"the capture of {signal.capture.measured_at:%Y-%m-%d %H:%M} {why}")
    return signal


def part_of_samples(channel: Channel, from_s: float | None, to_s: float | None) -> tuple[int, int]:
    """Samples of a part of a capture."""
    count, rate = channel.samples.size, channel.sample_rate_hz
    first = 0 if from_s is None else max(0, int(from_s * rate))
    last = count if to_s is None else min(count, int(to_s * rate + 0.5))
    if last - first < 16:
        end = count / rate if to_s is None else to_s
        raise CallError(
            f"between {from_s or 0:g} and {end:g} s there are no samples; the capture lasts {count / rate:g} s"
        )
    return first, last
