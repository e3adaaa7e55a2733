"""Chain: two sprockets and the chain that runs round them."""

from __future__ import annotations

from fractions import Fraction

from vibe.core.drive import ChainStage
from vibe.kinematics.relations import Linkage, Relation, joined


def link(stage: ChainStage, name: str, feed: str) -> Linkage:
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
