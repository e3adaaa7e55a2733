"""Chain: two sprockets and the chain that runs round them."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

from vibe.core.stages.chain import ChainStage
from vibe.core.tones import Tone
from vibe.kinematics.families import gears
from vibe.kinematics.families.make import counted
from vibe.kinematics.relations import Linkage, Relation, Speeds, joined
from vibe.kinematics.stages.kind import StageKind


def link(stage: ChainStage, name: str, feed: str, _slip: Fraction) -> Linkage:
    """Driver in, driven out, same sense, no slip: as many links leave one sprocket as reach the other."""
    driver, driven, output, chain = (f"{name}.{part}" for part in ("driver", "driven", "output", "chain"))
    bodies = [
        (driver, f"driving sprocket of {stage.driver_teeth} teeth, on the shaft of {feed}"),
        (driven, f"driven sprocket of {stage.driven_teeth} teeth"),
        (output, "output, on the driven sprocket"),
    ]
    relations = [
        joined(driver, feed),
        Relation({driver: Fraction(stage.driver_teeth), driven: Fraction(-stage.driven_teeth)}),
        joined(output, driven),
    ]
    if stage.links is not None:
        bodies.append((chain, f"chain of {stage.links} links, rounds run per input turn"))
        relations.append(Relation({driver: Fraction(stage.driver_teeth), chain: Fraction(-stage.links)}))
    return Linkage(tuple(bodies), tuple(relations), output)


def tones(stage: ChainStage, name: str, speeds: Speeds) -> Iterator[Tone]:
    """Mesh, one tooth of each sprocket, and the chain's round where its links are counted.

    No two teeth meet in a chain drive; a link meets both sprockets.
    """
    parts = ("driving sprocket tooth", "driven sprocket tooth")
    yield from gears.wheel_tones(stage, name, speeds, parts)
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


KIND = StageKind(form=ChainStage, link=link, tones=tones)
