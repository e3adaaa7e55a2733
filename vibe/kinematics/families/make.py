"""The two ways to make a tone: from counts (exact) and from geometry (not exact), with sidebands that matter."""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction

from vibe.core.tones import Family, Fold, Sideband, Tone

LAW = "law of the cycloidal pair, Yang et al. 2021 Eq. 1"
WILLIS = "Willis equation of epicyclic trains"
BELT_SLIP = Fraction(2, 100)
"""A belt's driven pulley may lag by up to 2 % (common practice: creep about 1 %, slip under load the rest)."""


def text(order: Fraction | float) -> str:
    """An order as people write it: 18/17, 306, or 3.5848; long fractions as decimals."""
    if isinstance(order, Fraction) and order.denominator < 10_000 and abs(order.numerator) < 10_000:
        return str(order)
    return f"{float(order):.5g}"


def counted(
    tone_id: str,
    order: Fraction,
    *,
    family: Family,
    made_by: str,
    source: str,
    defect: str,
    damage: bool = False,
    sidebands: Iterable[tuple[Fraction, str]] = (),
    fold: Fold | None = None,
    meetings: int = 1,
) -> Tone:
    """A tone whose order is counted in teeth, lobes, pins: ``|order|``, exact."""
    return Tone(
        id=tone_id,
        component=tone_id,
        defect=defect,
        family=family,
        order=float(abs(order)),
        order_exact=abs(order),
        damage=damage,
        made_by=made_by,
        source=source,
        sidebands=spaced(sidebands),
        fold=fold,
        meetings=meetings,
    )


def spaced(candidates: Iterable[tuple[Fraction | float, str]]) -> tuple[Sideband, ...]:
    """Sidebands without those at zero; equal spacings become one, with both reasons."""
    found: list[Sideband] = []
    for signed, why in candidates:
        order: Fraction | float = signed if signed > 0 else -signed
        if order < 1e-12:
            continue
        same = next((i for i, s in enumerate(found) if abs(s.order - order) <= 1e-9 * float(order)), None)
        if same is None:
            found.append(
                Sideband(order=float(order), order_exact=order if isinstance(order, Fraction) else None, why=why)
            )
        else:
            old = found[same]
            found[same] = Sideband(order=old.order, order_exact=old.order_exact, why=f"{old.why}; {why}")
    return tuple(found)
