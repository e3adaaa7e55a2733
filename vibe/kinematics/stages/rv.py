"""RV stage: a sun turns planet wheels, each on a crank; the cranks swing the discs inside a ring of pins."""

from __future__ import annotations

from vibe.core.drive import RvStage
from vibe.kinematics.relations import Linkage, held, inside_mesh, joined, outside_mesh


def link(stage: RvStage, name: str, feed: str) -> Linkage:
    """Sun in; out by the carrier (fixed ring) or by the ring, that is the case (fixed carrier).

    The discs sit on cranks borne in the carrier, so disc and carrier turn together.
    """
    parts = ("sun", "planet", "crank", "eccentric", "carrier", "disc", "ring", "output")
    sun, planet, crank, eccentric, carrier, disc, ring, output = (f"{name}.{part}" for part in parts)
    fixed_ring = stage.fixed == "ring"
    return Linkage(
        bodies=(
            (sun, f"sun of {stage.sun_teeth} teeth, on the shaft of {feed}"),
            (planet, f"planet wheel of {stage.planet_teeth} teeth, its spin seen from the housing"),
            (crank, "crank, one piece with its planet wheel"),
            (eccentric, "eccentric of the crank, the same body as the crank"),
            (carrier, f"carrier of {stage.cranks} cranks" + ("" if fixed_ring else ", fixed")),
            (disc, f"disc of {stage.lobes} lobes, turns as the carrier does"),
            (ring, f"ring of {stage.ring_pins} pins" + (", fixed" if fixed_ring else ", drives the output")),
            (output, "output, on the carrier" if fixed_ring else "output, on the ring"),
        ),
        relations=(
            joined(sun, feed),
            outside_mesh(sun, stage.sun_teeth, planet, stage.planet_teeth, carrier),
            joined(crank, planet),
            joined(eccentric, crank),
            inside_mesh(ring, stage.ring_pins, disc, stage.lobes, crank),
            joined(disc, carrier),
            held(ring if fixed_ring else carrier),
            joined(output, carrier if fixed_ring else ring),
        ),
        output=output,
    )
