"""Spectra of several captures on one axis."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from vibe.core.errors import CallError, CaptureError
from vibe.flow.evidence.answers import etag_of, evidence_rows, with_samples
from vibe.flow.evidence.asked import AXES, KINDS, MOST_CELLS, AskedSpectrum, Axis, Kind, refuse_infinite, refuse_unknown
from vibe.flow.evidence.spectra import X_NAMES, X_UNITS, archived_lines, default_stop, sample_lines, title_of, y_of

if TYPE_CHECKING:
    from vibe.core.records.evidence_rows import EvidenceRows
    from vibe.core.records.history import StoredCapture
    from vibe.history.store.store import Store
    from vibe.spectra.plots.on_demand import Row

CASCADE_CELLS, MOST_CAPTURES = 800, 60
"""Of a cascade: what a picture of a thousand pixels can hold."""


def cascade(
    store: Store,
    contents: Sequence[str],
    point: str,
    *,
    kind: Kind = "acceleration",
    axis: Axis = "Hz",
    low_hz: float | None = None,
    high_hz: float | None = None,
    start: float | None = None,
    stop: float | None = None,
    most: int = CASCADE_CELLS,
    progress: Callable[[int, int], bool] | None = None,
) -> EvidenceRows:
    """Spectra of several captures on one axis, (captures, n), each with its date; those that lack the point are left
    out and named. Without a band the spectra that were kept with the samples are used, which costs some milliseconds
    each. ``progress(done, of)`` is asked after each whether to go on; where it says no, what is there is returned.
    """
    from vibe.spectra.plots import on_demand

    refuse_unknown("kind of spectrum", kind, KINDS)
    refuse_unknown("axis", axis, AXES)
    refuse_infinite(low_hz, high_hz, start, stop)
    most = max(16, min(most, MOST_CELLS))
    captures = sorted({one: store.capture(one) for one in contents}.values(), key=lambda one: (one.time_s, one.content))
    if not captures:
        raise CallError("a cascade needs a capture")
    remarks: list[str] = []
    if len(captures) > MOST_CAPTURES:
        remarks.append(f"{len(captures)} captures were asked for; {MOST_CAPTURES} are shown, spread over the time")
        step = (len(captures) - 1) / (MOST_CAPTURES - 1)
        captures = [captures[round(k * step)] for k in range(MOST_CAPTURES)]
    band = (low_hz, high_hz)
    asked = AskedSpectrum(point=point, kind=kind, axis=axis, band_hz=band, shown=(start, stop), most=most)
    lines: list[tuple[StoredCapture, Row, float]] = []
    missing: list[str] = []
    for number, capture in enumerate(captures):
        try:
            row, step = _whole(store, capture, asked)
            lines.append((capture, row, step))
        except (CallError, CaptureError) as error:
            missing.append(f"{capture.measured_at:%Y-%m-%d}: {getattr(error, 'plain', str(error))}")
        if progress is not None and not progress(number + 1, len(captures)):
            remarks.append(f"stopped after {number + 1} of {len(captures)} captures")
            break
    if not lines:
        raise CallError(f"none of these captures shows it: {missing[0]}")
    if missing:
        remarks.append(f"{len(missing)} not shown ({'; '.join(missing[:3])}{'; …' if len(missing) > 3 else ''})")
    first = start if start is not None else 0.0
    last = min(stop if stop is not None else default_stop(kind, axis, lines), max(r.size * s for _, r, s in lines))
    if not last > first:
        raise CallError(f"between {first:g} and {last:g} {axis} there is nothing")
    dx = max((last - first) / most, min(step for _, _, step in lines))
    count = max(2, round((last - first) / dx))
    x0 = first + dx / 2
    values = on_demand.stacked([on_demand.on_axis(row, step, x0, dx, count) for _, row, step in lines])
    y_name, unit = y_of(kind, archived=not asked.needs_samples)
    key = ("cascade", tuple(c.content for c, _, _ in lines), asked)
    return evidence_rows(
        "cascade", f"{title_of(kind, band)}, {point}, {len(lines)} captures", values, etag_of(key),
        tuple(c for c, _, _ in lines), x0=x0, dx=dx, x_name=X_NAMES[axis], x_unit=X_UNITS[axis], y_name=y_name,
        unit=unit, remarks=remarks,
    )  # fmt: skip


def _whole(store: Store, capture: StoredCapture, asked: AskedSpectrum) -> tuple[Row, float]:
    """All lines of one capture of a cascade, from what was kept where that will do."""
    if asked.needs_samples:
        row, step, _ = sample_lines(store, with_samples(store, capture.content), asked)
        return row, step
    return archived_lines(store, capture, asked)
