"""The points of a capture that may be asked for, and what the first picture would wait for."""

from __future__ import annotations

from typing import TYPE_CHECKING

from vibe.flow.desk.stored_signal import signal_of
from vibe.flow.evidence.spectra import archive_of

if TYPE_CHECKING:
    from vibe.core.records.evidence_rows import PointOf
    from vibe.history.store.store import Store


def points(store: Store, content: str) -> tuple[PointOf, ...]:
    """What may be asked of a capture: its points. Those of one whose samples were thinned away have no rate."""
    from vibe.core.records.evidence_rows import PointOf

    signal = signal_of(store, content)
    if signal.channels:
        return tuple(
            PointOf(name=c.name, quantity=c.quantity, sample_rate_hz=c.sample_rate_hz, duration_s=c.duration_s)
            for c in signal.vibration
        )
    names = dict.fromkeys(one.point for one in archive_of(store, content))
    length = signal.capture.duration_s
    return tuple(PointOf(name=name, quantity="acceleration", sample_rate_hz=None, duration_s=length) for name in names)


def warm() -> None:
    """Load what the first picture would wait for: some libraries, a second or less."""
    from vibe.history.store import capture_file  # noqa: F401
    from vibe.spectra.envelope import places  # noqa: F401
    from vibe.spectra.plots import on_demand
    from vibe.spectra.speed import speed_search, tachometer  # noqa: F401

    on_demand.warm()
