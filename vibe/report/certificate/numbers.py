"""How a certificate writes its figures: a value with its uncertainty, and limits that can be distinguished from it."""

from __future__ import annotations

from math import ceil, floor, isfinite, log10

from vibe.core.records.acceptance import Quantity
from vibe.report import words


def plain(value: float) -> str:
    """A limit as a contract writes it."""
    return f"{value:.6g}".replace("-", "−") if 1e-4 <= abs(value) < 1e6 or value == 0 else words.number(value)


def with_unit(text: str, unit: str) -> str:
    """Number and unit, never parted at the end of a line."""
    return f"{text}\u00a0{unit}" if unit else text


def measured_text(quantity: Quantity) -> str:
    """``value ± expanded uncertainty unit``, two digits of the uncertainty (GUM, JCGM 100:2008, 7.2.6)."""
    unit, value, spread = words.unit(quantity.unit), quantity.value, quantity.expanded
    if spread is None or not isfinite(spread) or spread <= 0:
        return with_unit(words.number(value, 4), unit)
    if not 1e-4 <= spread < 1e6:
        return with_unit(f"{words.number(value, 4)}\u00a0± {words.number(spread, 2)}", unit)
    decimals = _decimals(spread)
    figures = f"{value:.{decimals}f}\u00a0± {spread:.{decimals}f}".replace("-", "−")
    return with_unit(figures, unit)


def _decimals(spread: float) -> int:
    return min(max(1 - floor(log10(spread)), 0), 6)


def distinguishing_digits(limit: float, measured: Quantity | None, *, lower: bool = False) -> str:
    """An acceptance limit with so many decimals that it never looks equal to a value that differs from it.

    It is rounded to its safe side: downwards, or upwards where it is a ``lower`` one.
    """
    if measured is None or not measured.expanded or not 1e-4 <= measured.expanded < 1e6:
        return words.number(limit, 4)
    first = _decimals(measured.expanded)
    for decimals in range(first, first + 4):
        shown = _safe(limit, decimals, lower)
        if shown != f"{measured.value:.{decimals}f}":
            break
    return shown.replace("-", "−")


def _safe(limit: float, decimals: int, lower: bool) -> str:
    step = 10.0**decimals
    # What is a whole number of steps but for the arithmetic stays one.
    whole = ceil(limit * step - 1e-6) if lower else floor(limit * step + 1e-6)
    return f"{whole / step:.{decimals}f}"
