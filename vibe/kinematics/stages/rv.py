"""RV stage: a sun turns planet wheels, each on a crank; the cranks swing the discs inside a ring of pins."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

from vibe.core.stages.rv import RvStage
from vibe.core.tones import Tone
from vibe.kinematics.families import cycloid, gears
from vibe.kinematics.families.make import LAW, counted
from vibe.kinematics.phasing import pair_phasing
from vibe.kinematics.relations import Linkage, Speeds, held, inside_mesh, joined, outside_mesh
from vibe.kinematics.stages.kind import StageKind


def link(stage: RvStage, name: str, feed: str, _slip: Fraction) -> Linkage:
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


def tones(stage: RvStage, name: str, speeds: Speeds) -> Iterator[Tone]:
    """Sun and planet wheels, cranks, and what a plain cycloidal pair has."""
    yield from gears.sun_and_planets(
        name, (stage.sun_teeth, stage.planet_teeth), stage.cranks, speeds, meshes_per_tooth=1
    )
    mesh = stage.sun_teeth * (speeds[f"{name}.sun"] - speeds[f"{name}.carrier"])
    yield gears.hunting(f"{name}.gear_hunting", mesh, stage.sun_teeth, stage.planet_teeth, "sun and planet")
    yield from _crank_tones(stage, name, speeds)
    yield from cycloid.pair_tones(stage, name, speeds)


def _crank_tones(stage: RvStage, name: str, speeds: Speeds) -> Iterator[Tone]:
    """The cranks of an RV stage."""
    crank, carrier = speeds[f"{name}.crank"], speeds[f"{name}.carrier"]
    yield counted(
        f"{name}.crank",
        crank,
        family="shaft",
        made_by="the cranks turn once, seen from the housing: eccentric force of discs and planet wheels",
        source=LAW,
        defect="unbalance",
    )
    if stage.cranks == 1:
        return
    yield counted(
        f"{name}.crank_pass",
        stage.cranks * (crank - carrier),
        family="output pin pass",
        made_by=f"all {stage.cranks} cranks drive the discs in turn",
        source=LAW,
        defect="wear",
    )


KIND = StageKind(form=RvStage, link=link, tones=tones, phasing=pair_phasing)
