"""A speed that moves while the capture runs: known only once the angle law has been found."""

from __future__ import annotations

from vibe.core.capture import Reason
from vibe.ingest.quality.thresholds import THRESHOLDS as LIMIT


def unsteady(drift: float | None) -> list[Reason]:
    """What a speed that changed by ``drift`` (fastest minus slowest, over the mean) means; None when not followed."""
    if drift is None or drift < LIMIT.drift_remark:
        return []
    limited = drift >= LIMIT.drift_limited
    return [
        Reason(
            code="speed_not_steady",
            text=f"the speed changed by {100 * drift:.1f} % during the capture",
            remedy="Wait until speed and load have settled, then repeat the measurement."
            if limited
            else "Nothing to repeat; the change was followed.",
            verdict="limited" if limited else "usable",
        )
    ]
