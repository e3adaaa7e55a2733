"""Rating life of bearings, at the speed at which their rings turn against each other."""

from __future__ import annotations

from typing import Literal

from vibe.core.drive import Bearing, Drive
from vibe.core.errors import ConfigError
from vibe.core.records.reliability import RatingLife
from vibe.kinematics.body_speeds import solve_train

EXPONENT = {"ball": 3.0, "roller": 10.0 / 3.0}
"""Life exponent, ISO 281: 3 for balls, 10/3 for rollers."""
HEAVY = 0.5
"""Share of C beyond which ISO 281 no longer holds: material yields where the elements touch."""


def rating_life_million(rating_kn: float, load_kn: float, type: Literal["ball", "roller"]) -> float:
    """L10 = (C / P)^p in million turns of one ring against the other; p = 3 for balls, 10/3 for rollers: ISO 281."""
    return float((rating_kn / load_kn) ** EXPONENT[type])


def rating_life_hours(million: float, speed_rpm: float) -> float:
    """L10h = 10^6 L10 / (60 n), with n the speed of the rings against each other [r/min]: ISO 281."""
    return 1e6 * million / (60.0 * speed_rpm)


def rating_lives(drive: Drive, speed_rpm: float | None = None) -> tuple[RatingLife, ...]:
    """L10 of every bearing at its stated load; with None and what is missing where the drive's file does not say.

    ``speed_rpm`` is that of the input, nominal unless given. What wears a bearing is how fast its rings turn against
    each other: the bearing between an eccentric and its disc turns at 1 + 1/z of the input where the disc turns against
    it, not at 1.

    Raises:
        ConfigError: the drive cannot be, or a bearing sits on a body that it has not.
    """
    speeds = solve_train(drive).speeds
    found = []
    for bearing in drive.bearing:
        for body in (bearing.inner, bearing.outer):
            if body not in speeds:
                raise ConfigError(
                    f"bearing {bearing.name!r}: {body!r} is no body of this drive; there are {', '.join(speeds)}"
                )
        order = abs(float(speeds[bearing.inner] - speeds[bearing.outer]))
        found.append(_life(drive.tag, bearing, order, order * (speed_rpm or drive.input.speed_rpm)))
    return tuple(found)


def _life(tag: str, bearing: Bearing, order: float, speed_rpm: float) -> RatingLife:
    rating, load, kind = bearing.dynamic_rating_kn, bearing.equivalent_load_kn, bearing.type
    million = hours = None
    if rating is None or load is None or kind is None:
        given = (("type", kind), ("dynamic_rating_kn", rating), ("equivalent_load_kn", load))
        missing = [name for name, value in given if value is None]
        note = f"not determined: the drive file does not give {', '.join(missing)}"
    elif order == 0.0:
        note = "not determined: its rings do not turn against each other"
    else:
        million = rating_life_million(rating, load, kind)
        hours = rating_life_hours(million, speed_rpm)
        note = "90 % of such bearings reach it, of fatigue alone, at this load and speed throughout (ISO 281)"
        if load > HEAVY * rating:
            note += f"; the load is beyond {HEAVY:g} C, where ISO 281 does not hold"
    return RatingLife(
        drive=tag, bearing=bearing.name, type=kind, dynamic_rating_kn=rating, equivalent_load_kn=load,
        relative_order=order, relative_speed_rpm=speed_rpm, l10_million=million, l10_hours=hours, note=note,
    )  # fmt: skip
