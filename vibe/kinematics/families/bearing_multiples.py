"""Tone orders of a bearing per turn of one ring past the other: from its geometry, or from a bearing table."""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, radians

from vibe.core.drive import Bearing
from vibe.core.errors import ConfigError

AGREES = 0.05
"""A table and a drawing of one bearing agree within this, relative (common practice: rounding, contact angle)."""


@dataclass(frozen=True, slots=True)
class Multiples:
    """Tone orders per turn of one ring past the other; None where neither geometry nor table gives them.

    ``k`` is element diameter over pitch diameter times the cosine of the contact angle.
    """

    outer: float | None
    inner: float | None
    element: float | None
    cage: float | None
    k: float | None
    halved: bool = False
    """The table gave twice the element's spin, which no other reading allows."""


def geometry_multiples(n: int, d: float, pitch: float, angle_deg: float) -> Multiples:
    """Kinematic multiples of a bearing (Randall & Antoni 2011); diameters in any one unit."""
    k = d / pitch * cos(radians(angle_deg))
    return Multiples(
        outer=n / 2 * (1 - k), inner=n / 2 * (1 + k), element=pitch / (2 * d) * (1 - k * k), cage=(1 - k) / 2, k=k
    )


def multiples(bearing: Bearing) -> Multiples:
    """The multiples of a bearing: its table where given, its geometry for the rest.

    Raises:
        ConfigError: the table contradicts itself or the geometry.
    """
    own = Multiples(None, None, None, None, None)
    if bearing.elements and bearing.element_diameter_mm and bearing.pitch_diameter_mm:
        own = geometry_multiples(
            bearing.elements, bearing.element_diameter_mm, bearing.pitch_diameter_mm, bearing.contact_angle_deg
        )
    table = bearing.orders
    if table is None:
        return own
    _check_table(bearing, own)
    k = own.k
    if k is None and table.cage is not None:
        k = 1 - 2 * table.cage
    elif k is None and table.outer_race is not None and table.inner_race is not None:
        k = (table.inner_race - table.outer_race) / (table.inner_race + table.outer_race)
    halved = _is_twice_the_spin(table.rolling_element, own.element, k)
    element = table.rolling_element or own.element
    return Multiples(
        outer=table.outer_race or own.outer,
        inner=table.inner_race or own.inner,
        element=element / 2 if element and halved else element,
        cage=table.cage or own.cage,
        k=k,
        halved=halved,
    )


def _is_twice_the_spin(given: float | None, computed: float | None, k: float | None) -> bool:
    """Some tables list both strikes of an element per spin. Spin is at most (1 - k^2) / (2 k), whatever the angle.

    From the spin's formula with d/D >= k = d/D cos(angle); so what lies clearly above can only be twice the spin.
    """
    if given is None:
        return False
    if computed is not None:
        return abs(given / computed / 2 - 1) < AGREES
    return k is not None and k > 0 and given > (1 + AGREES) * (1 - k * k) / (2 * k)


def _check_table(bearing: Bearing, own: Multiples) -> None:
    table = bearing.orders
    if table is None:
        return
    where = f"bearing {bearing.name!r}: orders"
    outer, inner = table.outer_race, table.inner_race
    if outer is not None and inner is not None:
        if outer >= inner:
            raise ConfigError(
                f"{where}: outer_race {outer:g} is not below inner_race {inner:g}, as it is in every bearing"
            )
        # Outer and inner add up to the number of elements, whatever the slip (Smith & Randall 2015).
        total = outer + inner
        whole = bearing.elements or round(total)
        if abs(total - whole) > 0.1:
            raise ConfigError(
                f"{where}: outer_race {outer:g} and inner_race {inner:g} add up to {total:.4g}, "
                + (
                    f"not to the {whole} elements given"
                    if bearing.elements
                    else "which is no whole number of elements; orders count per turn of one ring past the other"
                )
            )
    if table.cage is not None and table.cage > 0.5:
        raise ConfigError(
            f"{where}: cage {table.cage:g} exceeds 0.5, which no cage does, seen from its outer ring "
            f"(seen from the inner ring it would be {1 - table.cage:g} here)"
        )
    for part, given, computed in (
        ("outer_race", outer, own.outer),
        ("inner_race", inner, own.inner),
        ("rolling_element", table.rolling_element, own.element),
        ("cage", table.cage, own.cage),
    ):
        if given is None or computed is None or abs(given / computed - 1) <= AGREES:
            continue
        if part == "rolling_element" and _is_twice_the_spin(given, computed, own.k):
            continue
        raise ConfigError(f"{where}: {part} {given:g} contradicts {computed:.4g} from the geometry")
