"""Rolling bearings between any two bodies."""

from __future__ import annotations

from collections.abc import Iterator
from difflib import get_close_matches
from fractions import Fraction

from vibe.core.drive import Bearing, Drive
from vibe.core.errors import ConfigError
from vibe.core.tones import Family, Tone
from vibe.kinematics.families.bearing_multiples import multiples
from vibe.kinematics.families.make import spaced, text
from vibe.kinematics.relations import Speeds

SLIP = (-0.02, 0.01)
"""Real bearing tones lie 1-2 % off the kinematic ones (Smith & Randall 2015); a cage lags more often than it leads."""

GEOMETRY = "rolling without slip, both rings turning: Randall & Antoni 2011"
TABLE = "orders of the bearing table given"
HALVED = ", which lists both strikes of an element per spin: halved"

Motion = tuple[Fraction | float, str]
"""Signed order at which something turns, and what it does."""


def bearing_tones(drive: Drive, speeds: Speeds) -> Iterator[Tone]:
    """Outer race, inner race, rolling element and cage of every bearing, from the signed speed difference of its rings.

    Raises:
        ConfigError: a body that the drive has not, two rings that turn together, a table of orders that no bearing has.
    """
    for bearing in drive.bearing:
        yield from _tones(bearing, speeds)


def _tones(bearing: Bearing, speeds: Speeds) -> Iterator[Tone]:
    inner, outer = _speed(bearing, "inner", bearing.inner, speeds), _speed(bearing, "outer", bearing.outer, speeds)
    if inner == outer:
        raise ConfigError(
            f"bearing {bearing.name!r}: {bearing.inner} and {bearing.outer} turn together "
            f"(order {text(inner)}), so this bearing never turns"
        )
    load_body = bearing.load or _load_body(bearing)
    load = _speed(bearing, "load", load_body, speeds)
    past = abs(inner - outer)
    own = multiples(bearing)
    between = f"{bearing.inner} passes {bearing.outer} {text(past)} times per input turn"
    swept = f"the load, still in the frame of {load_body}"
    seen = "past a fixed sensor"

    def tone(part: str, family: Family, multiple: float, made_by: str, tabled: bool, bands: list[Motion]) -> Tone:
        return Tone(
            id=f"bearing.{bearing.name}.{part}",
            component=f"bearing.{bearing.name}.{part}",
            defect="local damage",
            family=family,
            order=float(past) * multiple,
            order_exact=None,
            damage=True,
            made_by=made_by,
            source=(TABLE + HALVED * (own.halved and part == "rolling_element")) if tabled else GEOMETRY,
            slip=SLIP,
            sidebands=spaced(bands),
        )

    table = bearing.orders
    outer_motion: list[Motion] = [
        (outer - load, f"the outer race turns through {swept}"),
        (outer, f"the outer race turns with {bearing.outer} {seen}"),
    ]
    if own.outer is not None:
        yield tone(
            "outer_race", "outer race", own.outer, f"elements roll over one spot of the outer race; {between}",
            bool(table and table.outer_race), outer_motion,
        )  # fmt: skip
    if own.inner is not None:
        yield tone(
            "inner_race", "inner race", own.inner, f"elements roll over one spot of the inner race; {between}",
            bool(table and table.inner_race),
            [
                (inner - load, f"the inner race turns through {swept}"),
                (inner, f"the inner race turns with {bearing.inner} {seen}"),
            ],
        )  # fmt: skip
    if own.element is not None:
        carried: list[Motion] = []
        if own.k is not None:
            cage = (float(inner) * (1 - own.k) + float(outer) * (1 + own.k)) / 2
            carried = [
                (cage - float(load), f"the cage carries the element through {swept}"),
                (cage, f"the cage carries the element {seen}"),
            ]
        yield tone(
            "rolling_element", "rolling element", own.element,
            f"one element spins; its spot strikes both races, so twice this order usually speaks; {between}",
            bool(table and table.rolling_element), carried,
        )  # fmt: skip
    if own.cage is not None:
        yield tone(
            "cage", "cage", own.cage, f"the cage turns once, seen from the outer ring; {between}",
            bool(table and table.cage), outer_motion,
        )  # fmt: skip


def _load_body(bearing: Bearing) -> str:
    """Where no load is stated: the load stands still in the housing, except between an eccentric and its disc.

    There the reaction of the lobes turns with the eccentric.
    """
    rings = {bearing.inner, bearing.outer}
    for body in rings:
        stage, _, part = body.partition(".")
        if part in ("eccentric", "crank") and f"{stage}.disc" in rings:
            return body
    return "housing"


def _speed(bearing: Bearing, role: str, body: str, speeds: Speeds) -> Fraction:
    if body in speeds:
        return speeds[body]
    near = get_close_matches(body, speeds, n=1)
    raise ConfigError(
        f"bearing {bearing.name!r}: {role} = {body!r} is no body of this drive"
        + (f"; nearest is {near[0]!r}" if near else "")
        + f"; there are {', '.join(speeds)}"
    )
