"""Rolling bearings between any two bodies."""

from __future__ import annotations

from collections.abc import Iterator
from difflib import get_close_matches
from fractions import Fraction

from vibe.core.drive import Bearing, Drive
from vibe.core.errors import ConfigError
from vibe.core.tones import Family, Sideband, Tone
from vibe.kinematics.families.bearing_multiples import multiples
from vibe.kinematics.families.make import spaced, text
from vibe.kinematics.relations import Speeds

SLIP = (-0.02, 0.01)
"""Real bearing tones lie 1-2 % off the kinematic ones (Smith & Randall 2015); a cage lags more often than it leads."""

GEOMETRY = "rolling without slip, both rings turning: Randall & Antoni 2011"
TABLE = "orders of the bearing table given"
HALVED = ", which lists both strikes of an element per spin: halved"

CAGE_APART = 0.005
"""Relative distance from which two cage tones are two: nearer ones, no capture parts, since slips differ by as much
(0.1 to 0.8 % is usual, common practice)."""
WIDEST_CAGE_SLIP = 0.2
"""A cage that nearly stands still in a frame has no order there: slip would move it by more than this, relative."""

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
    roles = zip(_load_bodies(bearing), ("load", "second_load"), strict=False)
    loads = [(body, _speed(bearing, role, body, speeds)) for body, role in roles]
    past = abs(inner - outer)
    own = multiples(bearing)
    often = "once" if past == 1 else f"{text(past)} times"
    between = f"{bearing.inner} passes {bearing.outer} {often} per input turn"
    seen = "past a fixed sensor"

    def swept(turning: Fraction | float, what: str) -> list[Motion]:
        """How a part that turns at order ``turning`` passes each load."""
        return [(turning - load, f"{what} through the load, still in the frame of {body}") for body, load in loads]

    def tone(
        part: str,
        family: Family,
        multiple: float,
        made_by: str,
        tabled: bool,
        bands: list[Motion],
        slip: tuple[float, float] = SLIP,
    ) -> Tone:
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
            slip=slip,
            sidebands=spaced(bands),
        )

    table = bearing.orders
    outer_motion: list[Motion] = [
        *swept(outer, "the outer race turns"),
        (outer, f"the outer race turns with {bearing.outer} {seen}"),
    ]
    if own.outer is not None:
        yield tone(
            "outer_race", "outer race", own.outer, f"BPFO: elements roll over one spot of the outer race; {between}",
            bool(table and table.outer_race), outer_motion,
        )  # fmt: skip
    if own.inner is not None:
        yield tone(
            "inner_race", "inner race", own.inner, f"BPFI: elements roll over one spot of the inner race; {between}",
            bool(table and table.inner_race),
            [
                *swept(inner, "the inner race turns"),
                (inner, f"the inner race turns with {bearing.inner} {seen}"),
            ],
            _past_inner(own.cage),
        )  # fmt: skip
    if own.element is not None:
        carried: list[Motion] = []
        if own.k is not None:
            cage = (float(inner) * (1 - own.k) + float(outer) * (1 + own.k)) / 2
            carried = [
                *swept(cage, "the cage carries the element"),
                (cage, f"the cage carries the element {seen}"),
            ]
        yield tone(
            "rolling_element", "rolling element", own.element,
            f"BSF: one element spins; its spot strikes both races, so 2 × BSF usually shows; {between}",
            bool(table and table.rolling_element), carried,
        )  # fmt: skip
    if own.cage is not None:
        yield tone(
            "cage", "cage", own.cage, f"FTF: the cage turns once, seen from the outer ring; {between}",
            bool(table and table.cage), outer_motion,
        )  # fmt: skip
        yield from _cage_elsewhere(bearing, own.cage, inner, outer, loads[0], bool(table and table.cage))


def _cage_elsewhere(
    bearing: Bearing, share: float, inner: Fraction, outer: Fraction, loaded: tuple[str, Fraction], tabled: bool
) -> Iterator[Tone]:
    """The cage past all that it may strike, or carry one odd element past, besides the outer ring.

    The cage turns at f_outer + share (f_inner - f_outer), share being (1 - k) / 2 (Randall & Antoni 2011); past a frame
    that turns at f_frame, at f_outer - f_frame + share (f_inner - f_outer). What slips is the last term, the turn past
    the outer ring: a cage that lags passes the inner ring more often, not less.
    """
    load_body, load = loaded
    past_outer = share * float(inner - outer)
    known = [abs(past_outer)]
    frames = (
        ("load", load, f"the load, still in the frame of {load_body}: one odd element, or a bar of the cage, meets it"),
        ("inner", inner, "the inner ring"),
        ("housing", Fraction(0), "one place of the housing"),
    )
    for frame, turns, what in frames:
        carried = float(outer - turns)
        order = abs(carried + past_outer)
        if any(abs(order - other) <= CAGE_APART * other for other in known):
            continue
        slips = sorted(past_outer * slip / (carried + past_outer) for slip in SLIP) if order > 0 else [-1.0, 1.0]
        if max(map(abs, slips)) > WIDEST_CAGE_SLIP:
            continue
        known.append(order)
        yield Tone(
            id=f"bearing.{bearing.name}.cage_past_{frame}",
            component=f"bearing.{bearing.name}.cage",
            defect="local damage",
            family="cage",
            order=order,
            order_exact=None,
            damage=True,
            made_by=f"the cage turns once, seen from {what}",
            source=TABLE if tabled else GEOMETRY,
            slip=(slips[0], slips[1]),
            sidebands=_struck_at(turns, load, "inner ring" if frame == "inner" else frame),
        )


def _past_inner(cage: float | None) -> tuple[float, float]:
    """How far the strikes on an inner race may lie from the kinematic ones, relative.

    The cage passes both rings, together as often as these pass each other: what it lags past the outer ring it gains
    past the inner one, (1 - k) / (1 + k) of it by their shares. Rings creep too, so that nothing is taken away.

    Args:
        cage: the cage's turns past the outer ring for each turn of the inner one, (1 - k) / 2, if known.
    """
    if cage is None:
        return SLIP
    mirrored = -SLIP[0] * cage / (1.0 - cage)
    return SLIP[0], max(SLIP[1], mirrored)


def _struck_at(turns: Fraction, load: Fraction, frame: str) -> tuple[Sideband, ...]:
    """Spacings at which strikes at one place of a frame that turns at order ``turns`` swell and fade."""
    return spaced(
        [
            (turns - load, f"the {frame} passes the load"),
            (turns, f"the {frame} turns past a fixed sensor"),
        ]
    )


def _load_bodies(bearing: Bearing) -> tuple[str, ...]:
    """Where no load is stated: the load stands still in the housing, except on an eccentric.

    The reaction of the lobes turns with the eccentric that pushes a disc. A crank of an RV stage bears that and, still
    in the frame of the carrier, its share of the torque: the latter comes first where it is borne in the carrier.
    """
    stated = tuple(body for body in (bearing.load, bearing.second_load) if body is not None)
    if stated:
        return stated
    rings = (bearing.inner, bearing.outer)
    for body in rings:
        stage, _, part = body.partition(".")
        if part == "eccentric" and f"{stage}.disc" in rings:
            return (body,)
        if part == "crank" and f"{stage}.disc" in rings:
            return body, f"{stage}.carrier"
        if part in ("crank", "eccentric") and f"{stage}.carrier" in rings:
            return f"{stage}.carrier", body
        if part == "planet" and f"{stage}.carrier" in rings:
            return (f"{stage}.carrier",)
    return ("housing",)


def _speed(bearing: Bearing, role: str, body: str, speeds: Speeds) -> Fraction:
    if body in speeds:
        return speeds[body]
    near = get_close_matches(body, speeds, n=1)
    raise ConfigError(
        f"bearing {bearing.name!r}: {role} = {body!r} is no body of this drive"
        + (f"; nearest is {near[0]!r}" if near else "")
        + f"; there are {', '.join(speeds)}"
    )
