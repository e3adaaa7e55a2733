"""Stage -> bodies and relations, one file per stage kind."""

from __future__ import annotations

from fractions import Fraction

from vibe.core.drive import (
    BeltStage,
    ChainStage,
    CycloidalStage,
    GearPairStage,
    PlanetaryStage,
    RvStage,
    Stage,
    SteppedStage,
    WormStage,
)
from vibe.kinematics.relations import Linkage
from vibe.kinematics.stages import belt, chain, cycloidal, gear_pair, planetary, rv, stepped, worm


def link(stage: Stage, name: str, feed: str, belt_slip: Fraction) -> Linkage:
    """Bodies and relations of a stage called ``name`` (``stage1``) that is driven by the body ``feed``."""
    match stage:
        case CycloidalStage():
            return cycloidal.link(stage, name, feed)
        case RvStage():
            return rv.link(stage, name, feed)
        case PlanetaryStage():
            return planetary.link(stage, name, feed)
        case GearPairStage():
            return gear_pair.link(stage, name, feed)
        case SteppedStage():
            return stepped.link(stage, name, feed)
        case WormStage():
            return worm.link(stage, name, feed)
        case ChainStage():
            return chain.link(stage, name, feed)
        case BeltStage():
            return belt.link(stage, name, feed, belt_slip)
