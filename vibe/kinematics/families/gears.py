"""Toothed wheels: a pair on two shafts, and a sun with its planets.

Teeth differ by their pitch errors, so each wheel's turn shows in the envelope of its mesh without any damage: as for
pins and lobes, a fold lays the capture on the wheel's own frame, where one damaged tooth stands out of the rest.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from math import lcm

from vibe.core.stages.toothed import ToothedStage
from vibe.core.tones import Fold, Tone
from vibe.kinematics.families.make import WILLIS, counted, text
from vibe.kinematics.relations import Speeds


def wheel_tones(
    stage: ToothedStage, name: str, speeds: Speeds, parts: tuple[str, str], counted_in: str = "teeth"
) -> Iterator[Tone]:
    """Mesh and one tooth of each wheel; ``parts`` are what a driving and a driven tooth are called."""
    driver, driven = speeds[f"{name}.driver"], speeds[f"{name}.driven"]
    teeth = stage.wheels[0]
    yield _mesh(name, teeth * driver, f"{teeth} {counted_in} x {text(abs(driver))}", "counts of teeth")
    for wheel, speed, part, count in (
        ("driver", driver, parts[0], teeth),
        ("driven", driven, parts[1], stage.wheels[1]),
    ):
        yield counted(
            f"{name}.{wheel}_tooth",
            speed,
            family="gear tooth",
            made_by=f"one damaged {part} meshes once per turn of its wheel",
            source="counts of teeth",
            defect="local damage",
            damage=True,
            fold=Fold(part=part, count=count, order=speed),
        )


def pair_hunting(stage: ToothedStage, name: str, speeds: Speeds) -> Tone:
    """When the same two teeth of a pair of wheels meet again."""
    first, second = stage.wheels
    return hunting(f"{name}.hunting", first * speeds[f"{name}.driver"], first, second, "driving and driven")


def sun_and_planets(
    name: str, teeth: tuple[int, int], planets: int, speeds: Speeds, meshes_per_tooth: int
) -> Iterator[Tone]:
    """Mesh, one tooth of sun and planet, planet pass; a planet's tooth meets one or two wheels per turn.

    ``teeth``: of the sun and of a planet."""
    sun_teeth, planet_teeth = teeth
    sun, planet, carrier = (speeds[f"{name}.{part}"] for part in ("sun", "planet", "carrier"))
    past_sun = sun - carrier
    yield _mesh(
        name,
        sun_teeth * past_sun,
        f"sun and planets: {sun_teeth} teeth x {text(abs(past_sun))} past the carrier",
        WILLIS,
        [(carrier, "the planets pass a fixed sensor")],
    )
    yield counted(
        f"{name}.sun_tooth",
        past_sun,
        family="gear tooth",
        made_by=f"one damaged sun tooth meets {planets} planet{'s' if planets > 1 else ''} per turn of the sun "
        "past the carrier",
        source=WILLIS,
        defect="local damage",
        damage=True,
        sidebands=[(sun, "the sun's turning carries the tooth past a fixed sensor")],
        fold=Fold(part="sun tooth", count=sun_teeth, order=past_sun),
        meetings=planets,
    )
    yield counted(
        f"{name}.planet_tooth",
        planet - carrier,
        family="gear tooth",
        made_by="one damaged planet tooth meets the sun once per turn of the planet past the carrier"
        + ("; and the ring, with its other flank" if meshes_per_tooth == 2 else ""),
        source=WILLIS,
        defect="local damage",
        damage=True,
        sidebands=[(carrier, "the carrier takes the planet past a fixed sensor")],
        fold=Fold(part="planet tooth", count=planet_teeth, order=planet - carrier),
        meetings=meshes_per_tooth,
    )
    if carrier:
        yield counted(
            f"{name}.planet_pass",
            planets * carrier,
            family="planet pass",
            made_by=f"{planets} planet{'s' if planets > 1 else ''} pass a fixed point per turn of the carrier",
            source=WILLIS,
            defect="uneven load sharing",
        )


def _mesh(
    name: str, order: Fraction, made_by: str, source: str, sidebands: list[tuple[Fraction, str]] | None = None
) -> Tone:
    return counted(
        f"{name}.gear_mesh",
        order,
        family="mesh",
        made_by=f"teeth mesh: {made_by}",
        source=source,
        defect="wear",
        sidebands=sidebands or (),
    )


def hunting(tone_id: str, mesh: Fraction, first: int, second: int, wheels: str) -> Tone:
    """When the same two teeth meet again; ``mesh`` is the signed order at which teeth mesh."""
    return counted(
        tone_id,
        mesh / lcm(first, second),
        family="hunting",
        made_by=f"the same two teeth of {wheels} wheel meet again",
        source="least common multiple of the counts",
        defect="wear",
    )
