"""Toothed wheels: gear pair, planetary stage, and the sun and planets of an RV stage."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from math import lcm

from vibe.core.drive import ChainStage, PlanetaryStage, RvStage, ToothedStage, WormStage
from vibe.core.tones import Tone
from vibe.kinematics.families.make import WILLIS, counted, text
from vibe.kinematics.relations import Speeds


def pair_tones(stage: ToothedStage, name: str, speeds: Speeds) -> Iterator[Tone]:
    """Mesh, one tooth of each wheel, hunting tooth; of a chain its round, where its links are counted."""
    driver, driven = speeds[f"{name}.driver"], speeds[f"{name}.driven"]
    mesh = stage.driver_teeth * driver
    teeth = "starts" if isinstance(stage, WormStage) else "teeth"
    yield _mesh(name, mesh, f"{stage.driver_teeth} {teeth} x {text(abs(driver))}", "counts of teeth")
    wheels = {
        WormStage: ("thread of the worm", "tooth of the worm wheel"),
        ChainStage: ("tooth of the driving sprocket", "tooth of the driven sprocket"),
    }.get(type(stage), ("tooth of the driving wheel", "tooth of the driven wheel"))
    for wheel, speed, part in (("driver", driver, wheels[0]), ("driven", driven, wheels[1])):
        yield counted(
            f"{name}.{wheel}_tooth",
            speed,
            family="gear tooth",
            made_by=f"one damaged {part} meshes once per turn of its wheel",
            source="counts of teeth",
            defect="local damage",
            damage=True,
        )
    if isinstance(stage, ChainStage):
        # No two teeth meet in a chain drive; a link meets both sprockets.
        if stage.links is not None:
            yield counted(
                f"{name}.chain",
                speeds[f"{name}.chain"],
                family="belt",
                made_by=f"one link of {stage.links} comes round and runs over two sprockets",
                source="counts of teeth and links",
                defect="chain damage",
                meetings=2,
            )
        return
    yield _hunting(f"{name}.hunting", mesh, stage.driver_teeth, stage.driven_teeth, "driving and driven")


def planetary_tones(stage: PlanetaryStage, name: str, speeds: Speeds) -> Iterator[Tone]:
    """Mesh, one tooth of sun, planet and ring, planet pass, hunting tooth of sun and planet."""
    yield from _sun_and_planets(name, stage.sun_teeth, stage.planets, speeds, meshes_per_tooth=2)
    carrier, ring = speeds[f"{name}.carrier"], speeds[f"{name}.ring"]
    yield counted(
        f"{name}.ring_tooth",
        carrier - ring,
        family="gear tooth",
        made_by=f"one damaged ring tooth meets {stage.planets} planets per turn of the carrier past it",
        source=WILLIS,
        defect="local damage",
        damage=True,
        sidebands=[(ring, "the turning ring carries the tooth past a fixed sensor")],
        meetings=stage.planets,
    )
    mesh = stage.sun_teeth * (speeds[f"{name}.sun"] - carrier)
    yield _hunting(f"{name}.hunting", mesh, stage.sun_teeth, stage.planet_teeth, "sun and planet")


def rv_tones(stage: RvStage, name: str, speeds: Speeds) -> Iterator[Tone]:
    """The first step of an RV stage: sun and planet wheels, no toothed ring."""
    yield from _sun_and_planets(name, stage.sun_teeth, stage.cranks, speeds, meshes_per_tooth=1)
    mesh = stage.sun_teeth * (speeds[f"{name}.sun"] - speeds[f"{name}.carrier"])
    yield _hunting(f"{name}.gear_hunting", mesh, stage.sun_teeth, stage.planet_teeth, "sun and planet")


def _sun_and_planets(name: str, sun_teeth: int, planets: int, speeds: Speeds, meshes_per_tooth: int) -> Iterator[Tone]:
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


def _hunting(tone_id: str, mesh: Fraction, first: int, second: int, wheels: str) -> Tone:
    return counted(
        tone_id,
        mesh / lcm(first, second),
        family="hunting",
        made_by=f"the same two teeth of {wheels} wheel meet again",
        source="least common multiple of the counts",
        defect="wear",
    )
