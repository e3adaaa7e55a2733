"""The cycloidal pair: ring pins, lobes, output pins; the same for plain and RV stages.

All follow from how fast the eccentric passes the part: ``f_e - f_ring`` past ring pins, ``f_e - f_disc`` past lobes and
output pins. A fold lays the capture on the part's own frame: its order is the signed number of turns that the
eccentric, and with it the load, makes past the part per input turn, so one turn of the fold meets every part once.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from math import cos, gcd, lcm, pi, sqrt

from vibe.core.stages.cycloidal import CycloidalStage
from vibe.core.stages.pair import CycloidalPair
from vibe.core.tones import Family, Fold, Tone
from vibe.kinematics.families.make import LAW, counted, spaced, text
from vibe.kinematics.relations import Speeds

ROLLING = "rolling without slip: plane kinematics, checked by integrating the contact"
COASTING = (-0.1, 0.0)
"""A roller that coasts while it bears no load loses a part of its turn; up to a tenth is looked for (no published
figure is known). One that does not turn at all shows as its pin does."""
ROUND = 256
"""Places of one turn over which the spin of a sleeve is averaged: a smooth periodic mean, exact to rounding."""


def pair_tones(stage: CycloidalPair, name: str, speeds: Speeds) -> Iterator[Tone]:
    """Mesh, ring pin, lobe, hunting and sleeve tones of one stage."""
    yield from row_tones(stage, name, speeds)
    yield from _sleeve_tones(stage, name, speeds)


def row_tones(row: CycloidalPair, name: str, speeds: Speeds, prefix: str = "") -> Iterator[Tone]:
    """One row of lobes in one ring of pins; ``prefix`` of its ring and its tones ("" or "second_").

    Where only every n-th place has a pin, all lobes still pass all pins, but a lobe finds a pin every n-th time.

    It meets a place (pins - lobes) further on each time, so of n places only those that this reaches.
    """
    eccentric, disc = speeds[f"{name}.eccentric"], speeds[f"{name}.disc"]
    ring = speeds[f"{name}.{prefix}ring"]
    name = f"{name}.{prefix}"
    past_ring, past_disc = eccentric - ring, eccentric - disc
    mesh = row.ring_pins * past_ring
    every = row.ring_pins // row.pins_fitted
    reached = gcd(every, row.ring_pins - row.lobes)
    lobe = past_disc * reached / every
    discs = f"{row.discs} disc{'s' if row.discs > 1 else ''}"
    empty = f"; only {row.pins_fitted} of {row.ring_pins} places have a pin" if every > 1 else ""
    yield counted(
        f"{name}mesh",
        row.pins_fitted * past_ring,
        family="mesh",
        made_by=f"all lobes pass all pins: {row.pins_fitted} ring pins x {text(abs(past_ring))} "
        f"= {row.lobes} lobes x {text(abs(past_disc) / every)}{empty}",
        source=LAW,
        defect="wear",
    )
    yield counted(
        f"{name}ring_pin",
        past_ring,
        family="ring pin",
        made_by=f"one damaged ring pin: each of {discs} loads it once per turn of the eccentric past the ring",
        source=LAW,
        defect="local damage",
        damage=True,
        sidebands=[(ring, "the turning ring carries the pin past a fixed sensor")],
        fold=Fold(part="ring pin", count=row.pins_fitted, order=past_ring),
        meetings=row.discs,
    )
    yield counted(
        f"{name}lobe",
        lobe,
        family="lobe",
        made_by=f"one damaged lobe: loaded once per {_turns(every // reached)} of the eccentric past its disc"
        + (", which turns against it" if eccentric * disc < 0 else "")
        + empty,
        source=LAW,
        defect="local damage",
        damage=True,
        sidebands=[(disc, "the disc's spin carries the lobe past a fixed sensor")],
        fold=Fold(part="lobe", count=row.lobes // reached, order=lobe),
    )
    yield counted(
        f"{name}hunting",
        mesh / lcm(row.ring_pins, row.lobes),
        family="hunting",
        made_by="the same lobe meets the same ring pin again",
        source=f"{LAW}; least common multiple of the counts",
        defect="wear",
    )


def _turns(count: int) -> str:
    return "turn" if count == 1 else f"{count} turns"


def _sleeve_tones(stage: CycloidalPair, name: str, speeds: Speeds) -> Iterator[Tone]:
    """The spin of ring pins, or of sleeves on them, that roll on the disc.

    Seen from the ring the disc turns about the pitch point, e ring_pins / (ring_pins - lobes) from the ring's centre
    towards the eccentric, and the normal of every contact runs through that point. At a distance D from a pin's centre
    it turns a sleeve of radius r D / r - 1 times as fast as itself, the other way; the mean is taken over a turn.
    """
    circle, roller, e = stage.ring_pitch_diameter_mm, stage.ring_roller_diameter_mm, stage.eccentricity_mm
    if circle is None or roller is None or e is None:
        return
    ring, disc = speeds[f"{name}.ring"], speeds[f"{name}.disc"]
    past_ring = speeds[f"{name}.eccentric"] - ring
    big, pitch, r = circle / 2, e * stage.ring_pins / (stage.ring_pins - stage.lobes), roller / 2
    places = (2 * pi * place / ROUND for place in range(ROUND))
    distance = sum(sqrt(big * big + pitch * pitch - 2 * big * pitch * cos(angle)) for angle in places) / ROUND
    yield _roller(
        f"{name}.ring_roller",
        float(abs(disc - ring)) * (distance / r - 1),
        made_by="one damaged ring roller or sleeve: it spins once, rolling on the lobes",
        sidebands=[
            (past_ring, "the load comes round to it"),
            (ring, "the turning ring carries it past a fixed sensor"),
        ],
    )


def _roller(tone_id: str, order: float, *, made_by: str, sidebands: list[tuple[Fraction, str]]) -> Tone:
    family: Family = "roller"
    return Tone(
        id=tone_id,
        component=tone_id,
        defect="local damage",
        family=family,
        order=order,
        order_exact=None,
        damage=True,
        made_by=made_by,
        source=ROLLING,
        slip=COASTING,
        sidebands=spaced(sidebands),
    )


def output_pin_tones(stage: CycloidalStage, name: str, speeds: Speeds) -> Iterator[Tone]:
    """Output pins in their bores: pins turn as the disc does, so both fixed members follow one rule."""
    disc = speeds[f"{name}.disc"]
    past_disc = speeds[f"{name}.eccentric"] - disc
    count = stage.output_pins
    swing, roller = stage.swing_mm, stage.output_roller_diameter_mm
    rolls = swing is not None and roller is not None
    yield counted(
        f"{name}.output_pin",
        past_disc,
        family="output pin",
        made_by=f"one damaged output pin, its {'bore or a still roller' if rolls else 'roller or its bore'}: loaded "
        "once by each disc per turn of the eccentric past the pins; the same order as a lobe",
        source=LAW,
        defect="local damage",
        damage=True,
        sidebands=[(disc, "the output carries the pin past a fixed sensor")],
        fold=None if count is None else Fold(part="output pin", count=count, order=past_disc),
        meetings=stage.discs,
    )
    if count is not None:
        yield counted(
            f"{name}.output_pin_pass",
            count * past_disc,
            family="output pin pass",
            made_by=f"all {count} output pins take the load in turn",
            source=LAW,
            defect="wear",
        )

    if swing is not None and roller is not None:
        # Seen from the pins the bore swings round the roller, and its contact with it; the roller turns against that.
        yield _roller(
            f"{name}.output_roller",
            float(abs(past_disc)) * (1 + 2 * swing / roller),
            made_by="one damaged output roller that turns: it rolls in its bore, e / r turns per turn of the eccentric "
            f"past it, the other way, with e = {swing:g} mm and r = {roller / 2:g} mm",
            sidebands=[
                (past_disc, "the load comes round to it"),
                (disc, "the output carries it past a fixed sensor"),
            ],
        )
