"""Planetary stage: sun, planets on a carrier, ring with inner teeth."""

from __future__ import annotations

from vibe.core.drive import PlanetaryStage
from vibe.kinematics.relations import Linkage, held, inside_mesh, joined, outside_mesh


def link(stage: PlanetaryStage, name: str, feed: str) -> Linkage:
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
