"""Whether a part's comb may be lines of another machine's: a whole multiple of its order, as closely as can be
determined."""

from __future__ import annotations

from vibe.core.outside_combs import LINE_BINS, MOST_TESTED

MOST_CHANCE = 0.1
"""Share of orders that would be a multiple by chance, above which that says nothing (common practice)."""


def whole_multiple(
    order: float,
    of: float,
    *,
    resolution: float,
    spread: float = 0.0,
    slip: tuple[float, float] = (0.0, 0.0),
) -> int | None:
    """How many times ``of`` the comb at ``order`` repeats; None where it is no whole multiple, or where too many orders
    would be one by chance.

    Args:
        order: where the comb's first line lies.
        of: the other machine's order.
        resolution: orders per bin; the comb is known to a line's half width.
        spread: how far ``of`` may be off, relative.
        slip: how far, relative, the other machine's order may lie below and above.
    """
    times = round(order / of)
    if not 1 <= times <= MOST_TESTED:
        return None
    reach = LINE_BINS * resolution / order + spread
    low, high = slip[0] - reach, slip[1] + reach
    # Multiples lie one in ``times`` apart; the first is no chance.
    if times > 1 and times * (high - low) > MOST_CHANCE:
        return None
    return times if low <= order / (times * of) - 1.0 <= high else None
