"""The cycloidal pair: ring pins, lobes, output pins; the same for plain and RV stages.

All follow from how fast the eccentric passes the part: ``f_e - f_ring`` past ring pins, ``f_e - f_disc`` past lobes and
output pins. A fold lays the capture on the part's own frame: its order is the signed number of turns that the
eccentric, and with it the load, makes past the part per input turn, so one turn of the fold meets every part once.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import lcm

from vibe.core.drive import CycloidalStage, RvStage
from vibe.core.tones import Fold, Tone
from vibe.kinematics.families.make import LAW, counted, text
from vibe.kinematics.relations import Speeds


def pair_tones(stage: CycloidalStage | RvStage, name: str, speeds: Speeds) -> Iterator[Tone]:
    """Mesh, ring pin, lobe and hunting tones of one stage."""
    eccentric, ring, disc = (speeds[f"{name}.{part}"] for part in ("eccentric", "ring", "disc"))
    past_ring, past_disc = eccentric - ring, eccentric - disc
    mesh = stage.ring_pins * past_ring
    discs = f"{stage.discs} disc{'s' if stage.discs > 1 else ''}"
    yield counted(
        f"{name}.mesh",
        mesh,
        family="mesh",
        made_by=f"all lobes pass all pins: {stage.ring_pins} ring pins x {text(abs(past_ring))} "
        f"= {stage.lobes} lobes x {text(abs(past_disc))}",
        source=LAW,
        defect="wear",
    )
    yield counted(
        f"{name}.ring_pin",
        past_ring,
        family="ring pin",
        made_by=f"one damaged ring pin: each of {discs} loads it once per turn of the eccentric past the ring",
        source=LAW,
        defect="local damage",
        damage=True,
        sidebands=[(ring, "the turning ring carries the pin past a fixed sensor")],
        fold=Fold(part="ring pin", count=stage.ring_pins, order=past_ring),
        meetings=stage.discs,
    )
    yield counted(
        f"{name}.lobe",
        past_disc,
        family="lobe",
        made_by="one damaged lobe: loaded once per turn of the eccentric past its disc"
        + (", which turns against it" if eccentric * disc < 0 else ""),
        source=LAW,
        defect="local damage",
        damage=True,
        sidebands=[(disc, "the disc's spin carries the lobe past a fixed sensor")],
        fold=Fold(part="lobe", count=stage.lobes, order=past_disc),
    )
    yield counted(
        f"{name}.hunting",
        mesh / lcm(stage.ring_pins, stage.lobes),
        family="hunting",
        made_by="the same lobe meets the same ring pin again",
        source=f"{LAW}; least common multiple of the counts",
        defect="wear",
    )


def output_pin_tones(stage: CycloidalStage, name: str, speeds: Speeds) -> Iterator[Tone]:
    """Output pins in their bores: pins turn as the disc does, so both fixed members follow one rule."""
    disc = speeds[f"{name}.disc"]
    past_disc = speeds[f"{name}.eccentric"] - disc
    count = stage.output_pins
    yield counted(
        f"{name}.output_pin",
        past_disc,
        family="output pin",
        made_by="one damaged output pin, its roller or its bore: loaded once by each disc per turn of the eccentric "
        "past the pins; the same order as a lobe",
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


def crank_tones(stage: RvStage, name: str, speeds: Speeds) -> Iterator[Tone]:
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
    yield counted(
        f"{name}.crank_pass",
        stage.cranks * (crank - carrier),
        family="output pin pass",
        made_by=f"all {stage.cranks} cranks drive the discs in turn",
        source=LAW,
        defect="wear",
    )
