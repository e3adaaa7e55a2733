"""Planetary stage: sun, planets on a carrier, ring with inner teeth."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

from vibe.core.stages.planetary import PlanetaryStage
from vibe.core.tones import Fold, Tone
from vibe.kinematics.families import gears
from vibe.kinematics.families.make import WILLIS, counted
from vibe.kinematics.relations import Linkage, Speeds, held, inside_mesh, joined, outside_mesh
from vibe.kinematics.stages.kind import StageKind


def link(stage: PlanetaryStage, name: str, feed: str, _slip: Fraction) -> Linkage:
    """Power flow by fixed member.

    Fixed ring: sun in, carrier out. Fixed carrier: sun in, ring out. Fixed sun: ring in, carrier out.
    """
    sun, planet, carrier, ring, output = (f"{name}.{part}" for part in ("sun", "planet", "carrier", "ring", "output"))
    drive, leave = {
        "ring": (sun, carrier),
        "carrier": (sun, ring),
        "sun": (ring, carrier),
    }[stage.fixed]
    fixed = f"{name}.{stage.fixed}"

    def role(body: str) -> str:
        return ", fixed" if body == fixed else f", on the shaft of {feed}" if body == drive else ", drives the output"

    return Linkage(
        bodies=(
            (sun, f"sun of {stage.sun_teeth} teeth" + role(sun)),
            (planet, f"planet wheel of {stage.planet_teeth} teeth, its spin seen from the housing"),
            (carrier, f"carrier of {stage.planets} planets" + role(carrier)),
            (ring, f"ring of {stage.ring_teeth} teeth" + role(ring)),
            (output, f"output, on the {leave.rpartition('.')[2]}"),
        ),
        relations=(
            joined(drive, feed),
            outside_mesh(sun, stage.sun_teeth, planet, stage.planet_teeth, carrier),
            inside_mesh(ring, stage.ring_teeth, planet, stage.planet_teeth, carrier),
            held(fixed),
            joined(output, leave),
        ),
        output=output,
    )


def tones(stage: PlanetaryStage, name: str, speeds: Speeds) -> Iterator[Tone]:
    """Mesh, one tooth of sun, planet and ring, planet pass, hunting tooth of sun and planet."""
    yield from gears.sun_and_planets(
        name, (stage.sun_teeth, stage.planet_teeth), stage.planets, speeds, meshes_per_tooth=2
    )
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
        fold=Fold(part="ring tooth", count=stage.ring_teeth, order=carrier - ring),
        meetings=stage.planets,
    )
    mesh = stage.sun_teeth * (speeds[f"{name}.sun"] - carrier)
    yield gears.hunting(f"{name}.hunting", mesh, stage.sun_teeth, stage.planet_teeth, "sun and planet")


KIND = StageKind(form=PlanetaryStage, link=link, tones=tones)
